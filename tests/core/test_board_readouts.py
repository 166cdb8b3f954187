"""What a board draws without digging: known values at a door, an aircraft, a stand, and the types themselves."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core import readout
from monitor.core.effects import Effect, PublishDoor
from tests.core.rule_cases import at_door
from tests.stories import OUT, Story, alder


def row(story: Story) -> dict[str, Any]:
    (found,) = readout.list_aircraft(story.system, story.now)
    return found


def stand(story: Story, name: str = "S12") -> dict[str, Any]:
    found = readout.describe_stand(story.system, name, story.now)
    assert found is not None
    return found


def shown(effects: list[Effect], door: str = "L1") -> list[float | None]:
    return [e.document["travel"] for e in effects if isinstance(e, PublishDoor) and e.door == door and e.document]


# Doors


def test_a_door_says_what_stands_at_it_and_how_far_it_is_open() -> None:
    story = alder()
    assert [story.door("L1")[key] for key in ("access", "barrier", "travel")] == ["none", False, 0.0]
    story.send("door/L1/access", "bridge", at=1)
    assert story.door("L1")["access"] == "bridge"
    story.send("door/L1/barrier", True, at=2)
    assert story.door("L1")["barrier"] is True


@pytest.mark.parametrize("key", ["access", "barrier", "travel"])
def test_what_is_not_known_is_null(key: str) -> None:
    story = alder()
    value = story.value(f"door/L1/{key}")
    story.send(f"door/L1/{key}", value, at=1, quality="uncertain")
    assert story.door("L1")[key] is None
    story.send(f"door/L1/{key}", value, at=2)
    assert story.door("L1")[key] == value
    story.withdraw(f"door/L1/{key}", at=3)
    assert story.door("L1")[key] is None


def test_what_was_never_reported_or_is_stale_is_null() -> None:
    story = alder()
    assert [story.door("H1")[key] for key in ("access", "barrier", "travel")] == [None] * 3
    story.beating = False
    story.until(100)
    assert [story.door("L1")[key] for key in ("access", "barrier", "travel")] == [None] * 3


def test_a_leaf_on_its_way_is_shown_twice_a_second_and_where_it_came_to_rest() -> None:
    story = alder()
    story.bundle(at_door("L1", OUT, {"travel": 0.1}), at=3)
    moved = len(story.effects)
    for step in range(1, 41):
        story.send("door/L1/travel", 0.1 + step * 0.02, at=3 + step * 0.1)
    story.until(20)
    travels = shown(story.effects[moved:])
    assert len(travels) == 9
    assert travels[0] == pytest.approx(0.12), "at once as it starts"
    assert travels == sorted(travels, key=lambda travel: travel or 0.0)
    assert travels[-1] == story.door("L1")["travel"] == pytest.approx(0.9)


def test_a_leaf_that_trembles_is_not_shown_again() -> None:
    story = alder()
    story.bundle(at_door("L1", OUT, {"travel": 0.5}), at=3)
    still = len(story.effects)
    for step in range(40):
        story.send("door/L1/travel", 0.5 + (0.004 if step % 2 else -0.004), at=4 + step * 0.1)
    story.until(20)
    assert shown(story.effects[still:]) == []


def test_a_leaf_without_a_hold_open_lock_is_shown_too() -> None:
    story = alder()
    story.bundle(at_door("CB", OUT, {"travel": 0.1}), at=3)
    story.send("door/CB/travel", 0.4, at=4)
    assert story.door("CB")["travel"] == 0.4
    story.send("door/CB/travel", 0.5, at=4.2)
    story.until(4.499)
    assert story.door("CB")["travel"] == 0.4
    story.until(4.5)
    assert story.door("CB")["travel"] == 0.5


def test_a_leaf_that_strays_by_itself_is_shown_no_oftener() -> None:
    story = alder()
    story.bundle(at_door("CF", OUT, {"travel": 0.5}), at=3)
    story.until(10)
    moved = len(story.effects)
    for step in range(1, 21):
        story.send("door/CF/travel", 0.5 + step * 0.02, at=10 + step * 0.1)
    story.until(20)
    assert ("cargo-uncommanded", "CF") in story.standing()
    assert len(shown(story.effects[moved:], "CF")) < 10
    assert story.door("CF")["travel"] == pytest.approx(0.9)


def test_a_leaf_that_moves_as_its_aircraft_leaves_is_not_shown_any_more() -> None:
    story = alder()
    story.bundle(at_door("L1", OUT, {"travel": 0.1}), at=3)
    story.send("door/L1/travel", 0.4, at=4)
    story.declare("away")
    story.until(10)
    assert story.doors[story.reg, "L1"] is None


# Rows


def test_a_row_says_what_is_known_of_the_aircraft() -> None:
    story = alder()
    told = ("passengers_aboard", "differential_pressure_hpa", "refuelling", "engines_running", "deaf_to")
    assert [row(story)[key] for key in told] == [0, 0.0, False, [], []]
    story.bundle(
        {
            "airframe/passengers_aboard": 122,
            "airframe/differential_pressure_hpa": 12.345,
            "airframe/refuelling": True,
            "airframe/engine_2_running": True,
        },
        at=1,
    )
    assert [row(story)[key] for key in told] == [122, 12.3, True, [2], []]


def test_a_row_rounds_towards_no_minus_nothing() -> None:
    story = alder()
    story.send("airframe/differential_pressure_hpa", -0.04, at=1)
    assert str(row(story)["differential_pressure_hpa"]) == "0.0"


def test_one_engine_that_cannot_be_told_leaves_all_unknown() -> None:
    story = alder()
    story.send("airframe/engine_1_running", True, at=1)
    story.send("airframe/engine_2_running", False, at=1, quality="bad")
    assert row(story)["engines_running"] is None


def test_an_aircraft_of_no_known_type_says_nothing_of_itself() -> None:
    story = Story()
    story.send("airframe/passengers_aboard", 5)
    told = ("passengers_aboard", "differential_pressure_hpa", "refuelling", "engines_running")
    assert [row(story)[key] for key in told] == [None] * 4


def test_a_row_says_what_the_aircraft_itself_is_deaf_to() -> None:
    story = alder()
    story.withdraw("airframe/refuelling", at=1)
    (deaf,) = [each for each in row(story)["deaf_to"] if each["code"] == "refuel-exits-short"]
    assert deaf == {"code": "refuel-exits-short", "why": "withdrawn", "signals": ["airframe/refuelling"]}
    assert row(story)["refuelling"] is None


# Stands


def test_a_stand_nobody_reported_of_says_so() -> None:
    assert stand(alder()) == {
        "stand": "S12",
        "wind_kt": None,
        "gust_kt": None,
        "wind_from_deg": None,
        "why": dict.fromkeys(("wind_kt", "gust_kt", "wind_from_deg"), "never reported"),
        "received_at": None,
    }


def test_a_stand_says_its_weather_while_it_is_known() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 12.5, at=10)
    story.send("stand/S12/gust_kt", 20.0, at=15, quality="bad")
    found = stand(story)
    assert (found["wind_kt"], found["gust_kt"], found["received_at"]) == (12.5, None, "2026-03-01T10:00:15.000Z")
    assert found["why"] == {"gust_kt": "bad", "wind_from_deg": "never reported"}
    story.until(40)
    assert (stand(story)["wind_kt"], stand(story)["why"]["wind_kt"]) == (None, "stale")
    story.withdraw("stand/S12/wind_kt", at=41)
    assert stand(story)["why"]["wind_kt"] == "withdrawn"


def test_the_stands_are_those_of_the_site_and_any_that_was_heard_of() -> None:
    story = alder()
    story.send("stand/S99/wind_kt", 5.0)
    stands = readout.list_stands(story.system, story.now)
    assert list(stands) == [*story.site.stands, "S99"]
    assert stands["S99"]["wind_kt"] == 5.0
    assert readout.describe_stand(story.system, "S98", story.now) is None


# Types


def test_a_type_is_written_in_station_order() -> None:
    kinds = readout.list_types(alder().system)
    assert set(kinds) == {"alder", "birch", "cedar", "hazel", "larch"}
    type_ = kinds["alder"]
    assert (type_["type"], type_["seats"], type_["engines"]) == ("alder", 144, [1, 2])
    stations = [door["station"] for door in type_["doors"]]
    assert stations == sorted(stations)
    doors = {door["door"]: door for door in type_["doors"]}
    left = doors["L1"]
    signals = left.pop("signals")
    assert {"closed", "girt_left", "access", "barrier"} <= set(signals)
    assert "selector" not in signals
    assert {key: left[key] for key in left if key not in ("station", "access")} == {
        "door": "L1", "kind": "cabin", "side": "left", "half": "fore", "sill_m": 3.4, "slide": True, "exit": "C",
        "wind_moved_kt": 40, "wind_held_kt": 50,
    }  # fmt: skip
    assert (doors["H1"]["side"], doors["H1"]["exit"], doors["H1"]["slide"]) == ("none", None, False)
