"""What speaks against leaving, boarding, and refuelling with people aboard."""

from __future__ import annotations

from typing import Any

import orjson
import pytest

from monitor.core.conditions import CANNOT_TELL, NOTHING_SEEN, STOPPED
from tests.core.readiness_cases import (
    TYPES,
    at_rest,
    boarding,
    condition,
    judge,
    names,
    ready_to_leave,
    short,
    whole,
)
from tests.stories import DISARMED, Story, alder


def send_all(story: Story, readings: dict[str, Any]) -> Story:
    for path, value in readings.items():
        story.send(path, value)
    return story


@pytest.mark.parametrize("airframe", TYPES)
@pytest.mark.parametrize("people", [0, 5])
def test_nothing_speaks_against_leaving_closed_and_armed(airframe: str, people: int) -> None:
    assert judge(ready_to_leave(airframe, people)).leave.sentence == "Leave: nothing seen against it."


@pytest.mark.parametrize(
    ("readings", "name", "reason"),
    [
        ({"door/CB/locked": False}, "doors", "not closed and locked: CB"),
        ({"door/WR/closed": False}, "doors", "not closed and locked: WR"),
        ({"door/L2/girt_right": False}, "slides", "slide not ready: L2"),
        ({"door/L2/pin_fitted": True}, "slides", "slide not ready: L2"),
        ({"door/R1/slide_bottle_bar": 20.0}, "slides", "slide not ready: R1"),
        ({"door/L1/access": "bridge"}, "access", "still docked: L1"),
        ({"door/CA/access": "loader"}, "access", "still docked: CA"),
        ({"door/CF/lock_flags": False}, "lock flags", "lock flags not engaged: CF"),
        ({"airframe/refuelling": True}, "refuelling", "it is being refuelled"),
        ({"door/OR1/cover_fitted": False}, "overwing hatches", "disturbed: OR1"),
        ({"door/OL1/handle_lifted": True}, "overwing hatches", "disturbed: OL1"),
        ({"airframe/emergency": True}, "no emergency", "an emergency is declared"),
        ({"airframe/passengers_aboard": 146}, "exit capacity", "the usable exits are rated for fewer than are aboard"),
    ],
    ids=lambda value: value.replace(" ", "-")[:30] if isinstance(value, str) else "-".join(value),
)
def test_what_stops_leaving(readings: dict[str, Any], name: str, reason: str) -> None:
    answer = judge(send_all(ready_to_leave(), readings)).leave
    assert answer.verdict == STOPPED
    assert condition(answer, name).met is False
    assert reason in answer.reasons


def test_a_warning_anywhere_stops_leaving() -> None:
    story = ready_to_leave()
    story.send("door/L1/handle_lifted", True)
    assert "warning: armed-handle-moved at L1" in judge(story).leave.reasons


def test_with_nobody_aboard_slides_may_be_disengaged() -> None:
    story = ready_to_leave(people=0)
    story.door_bundle("L1", DISARMED)
    assert judge(story).leave.verdict == NOTHING_SEEN
    story.send("airframe/passengers_aboard", 1)
    assert condition(judge(story).leave, "slides").met is False


def test_an_unknown_count_means_aboard() -> None:
    story = ready_to_leave(people=0)
    story.withdraw("airframe/passengers_aboard")
    story.advance(1)
    story.door_bundle("L1", DISARMED)
    answer = judge(story).leave
    assert condition(answer, "slides").met is False
    assert condition(answer, "exit capacity").met is None


def test_a_slide_that_a_permit_declares_removed_costs_seats_and_no_more() -> None:
    story = ready_to_leave(people=117)
    story.door_bundle("R2", DISARMED)
    story.system.record.aircraft[story.reg].doors["R2"].slide_removed = True
    assert judge(story).leave.verdict == NOTHING_SEEN
    story.send("airframe/passengers_aboard", 118)
    assert names(judge(story).leave, met=False) == {"exit capacity"}


@pytest.mark.parametrize("airframe", TYPES)
def test_nothing_speaks_against_boarding_by_a_door_that_stands_open(airframe: str) -> None:
    assert judge(boarding(airframe)).board.sentence == "Board: nothing seen against it."


@pytest.mark.parametrize(
    ("readings", "name", "reason"),
    [
        ({"door/L1/access": "platform"}, "way in", "no door stands open and held with a bridge or stairs at it"),
        ({"door/L1/hold_open": False}, "way in", "no door stands open and held with a bridge or stairs at it"),
        ({"airframe/engine_2_running": True}, "engines", "engine 2 runs"),
        ({"airframe/differential_pressure_hpa": 3.0}, "pressure", "cabin pressure is above 2.5 hPa"),
        ({"stand/S12/gust_kt": 51.0}, "wind", "wind is over its 50 kt held open"),
        ({"airframe/refuelling": True}, "refuelling", "it is being refuelled with too few usable exits"),
        ({"airframe/emergency": True}, "no emergency", "an emergency is declared"),
        ({"airframe/ground_speed_kt": 3.0}, "not moving", "it moves"),
    ],
    ids=lambda value: value.replace(" ", "-")[:30] if isinstance(value, str) else "-".join(value),
)
def test_what_stops_boarding(readings: dict[str, Any], name: str, reason: str) -> None:
    story = boarding()
    if name == "refuelling":
        story.bundle({f"door/{door}/access": "platform" for door in ("R1", "L2", "R2")})
    answer = judge(send_all(story, readings)).board
    assert condition(answer, name).met is False
    assert condition(answer, name).reason == reason


def test_boarding_while_refuelling_needs_the_exits_of_the_policy() -> None:
    story = boarding(doors=("L1", "L2"))
    story.send("airframe/refuelling", True)
    answer = judge(story).board
    assert condition(answer, "refuelling").met is True
    assert condition(answer, "refuelling").text == "it is being refuelled, with enough usable exits"


def test_an_unguarded_doorway_stops_boarding_by_another() -> None:
    story = boarding(doors=("L1", "R2"))
    story.send("door/R2/access", "none")
    assert any("access-withdrawn at R2" in reason for reason in judge(story.advance(6)).board.reasons)


def test_refuelling_with_people_aboard_needs_exits_in_both_halves() -> None:
    story = alder()
    answer = judge(story).refuel
    assert "fewer usable exits than 2 at floor level, one in each half of the cabin" in answer.reasons
    send_all(story, {"door/L1/access": "stairs", "door/L2/access": "stairs", "airframe/passengers_aboard": 60})
    assert judge(story).refuel.verdict == NOTHING_SEEN
    assert condition(judge(story).refuel, "ground").text == "ground not watched: R1, R2"
    story.send("door/R2/ground_clear", False)
    assert condition(judge(story).refuel, "ground").reason == "ground below the slide is blocked: R2"
    story.send("airframe/passengers_aboard", 60, quality="uncertain")
    assert names(judge(story).refuel, met=None) == {"people aboard"}


def test_a_third_exit_that_cannot_be_told_does_not_matter_where_two_can_be_used() -> None:
    story = send_all(alder(), {"door/L1/access": "stairs", "door/L2/access": "stairs"})
    story.send("door/R1/slide_bottle_bar", 200.0, quality="bad")
    assert judge(story).refuel.verdict == NOTHING_SEEN
    story.send("door/L2/access", "stairs", quality="bad")
    answer = judge(story).refuel
    assert answer.verdict == CANNOT_TELL
    assert "L2: access is not known" in condition(answer, "exits").why


def test_the_whole_document_has_its_four_parts_in_json() -> None:
    document = whole(boarding())
    assert set(document) == {"readiness", "exits", "pressure", "wind"}
    assert set(document["readiness"]) == {"doors", "leave", "board", "refuel"}
    answer = document["readiness"]["doors"]["L1"]
    assert set(answer) == {"verdict", "sentence", "conditions", "notes", "deaf_to"}
    assert all(set(c) == {"name", "met", "text", "evidence", "why"} for c in answer["conditions"])
    assert orjson.loads(orjson.dumps(document)) == document


def test_exits_pressure_and_wind_are_told_in_numbers() -> None:
    story = ready_to_leave(people=140)
    story.send("airframe/differential_pressure_hpa", -1.0)
    document = whole(story)
    exits, pressure, wind = document["exits"], document["pressure"], document["wind"]
    assert (exits["seats_usable"], exits["people"], exits["short"]) == (145, 140, False)
    assert exits["sentence"] == "Usable exits are rated for 145 seats; 140 aboard."
    assert exits["refuelling"] == {"met": True, "exits_min": 2, "both_halves": True}
    assert exits["doors"]["R1"]["notes"] == ["ground not watched"]
    assert (pressure["now_hpa"], pressure["limit_hpa"], pressure["below_limit"]) == (-1.0, 2.5, True)
    assert pressure["doors"]["L1"] == {"limit_hpa": 2.5, "force_n": -190}
    assert wind["wind_kt"] == 14.0
    assert wind["air_density_kg_m3"] == pytest.approx(1.2005, abs=1e-4)
    assert wind["doors"]["L1"]["load_n"] == round(0.5 * 1.2005 * (14 * 1852 / 3600) ** 2 * 1.9)
    assert wind["doors"]["L1"]["limit_moved_kt"] == 40
    assert "H1" not in wind["doors"]


def test_the_short_document_stays_equal_while_nothing_but_numbers_changes() -> None:
    story = ready_to_leave(people=100)
    before = short(story)
    for second in range(2, 40):
        story.send("airframe/differential_pressure_hpa", 0.01 * second, at=float(second))
        story.send("airframe/passengers_aboard", 100 + second)
        story.send("stand/S12/wind_kt", 8.0 + second / 10)
        story.send("stand/S12/gust_kt", 14.0 + second / 10)
        story.send("door/R1/slide_bottle_bar", 210.0 - second / 10)
    assert short(story) == before


def test_the_short_document_changes_with_an_answer() -> None:
    story = ready_to_leave()
    before = short(story)
    assert before["leave"] == {"verdict": "nothing seen against it", "reasons": [], "notes": []}
    assert set(before) == {
        "site", "aircraft", "stand", "doors", "leave", "board", "refuel", "exits", "pressure",
    }  # fmt: skip
    assert set(before["doors"]) == set(story.site.types["alder"].doors)
    story.send("door/CB/access", "platform")
    after = short(story)
    assert after["leave"] == {"verdict": "stopped by", "reasons": ["still docked: CB"], "notes": []}
    assert after["doors"] == before["doors"]


def keys_of(document: object) -> set[str]:
    if not isinstance(document, dict):
        return set()
    return set(document) | {key for value in document.values() for key in keys_of(value)}


def test_the_short_document_has_no_stamp_nor_age() -> None:
    document = short(at_rest())
    assert "2026-" not in repr(document)
    assert {key for key in keys_of(document) if key.endswith(("_at", "_s", "since", "time", "age"))} == set()


def test_the_short_document_tells_a_falling_pressure_in_words_alone() -> None:
    story = at_rest()
    for second in range(2, 20):
        story.send("airframe/differential_pressure_hpa", (3.0 - 0.02 * second) ** 2, at=float(second))
    assert short(story)["pressure"] == {"below_limit": False, "trend": "falling"}
    assert "will be below 2.5 hPa in about" in whole(story)["pressure"]["sentence"]


def test_simulated_readings_are_told_as_such() -> None:
    story = at_rest()
    story.system.record.aircraft[story.reg].simulated = True
    assert short(story)["simulated"] is True
