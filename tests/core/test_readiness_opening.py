"""What speaks against opening a door, kind by kind."""

from __future__ import annotations

import re
from typing import Any

import pytest

from monitor.core.conditions import CANNOT_TELL, NOTHING_SEEN, STOPPED
from monitor.core.readiness_aircraft import DEAF_BOARDING, DEAF_LEAVING, DEAF_REFUELLING
from monitor.core.readiness_door import BLINDING, NOT_AGAINST_OPENING
from monitor.core.rules import CATALOGUE
from tests.core.readiness_cases import TYPES, at_rest, blow, condition, judge, names, opening
from tests.stories import ARMED, OUT, Story, alder

PROMISES = re.compile(r"\b(safe|safely|red|amber|green|ok|clear to|may be opened)\b", re.IGNORECASE)
EVERY_DOOR = {"heard", "identity", "on ground", "not moving", "picture", "pressure", "alerts"}


@pytest.mark.parametrize(
    ("airframe", "door", "more"),
    [
        ("alder", "L1", {"engines", "slide", "access", "wind"}),
        ("hazel", "R2", {"engines", "wind"}),
        ("birch", "L1", {"engines", "own stairs", "wind"}),
        ("alder", "CF", {"engines", "selector", "hand pump", "actuator", "wind"}),
        ("larch", "M1", {"engines", "selector", "hand pump", "actuator", "wind"}),
        ("alder", "CB", {"engines"}),
        ("alder", "H1", {"engines"}),
        ("alder", "OL1", {"engines", "emergency exit"}),
        ("alder", "WL", {"emergency exit"}),
    ],
)
def test_each_kind_of_door_has_its_own_conditions(airframe: str, door: str, more: set[str]) -> None:
    answer = opening(at_rest(airframe), door)
    assert {condition.name for condition in answer.conditions} == EVERY_DOOR | more


def test_where_no_wind_was_ever_reported_the_answer_says_so_and_does_without() -> None:
    story = at_rest()
    del story.system.record.stands["S12"]
    answer = opening(story, "L1")
    assert answer.sentence == "Open L1: nothing seen against it (wind not watched)."
    assert answer.notes == ("wind not watched",)
    assert opening(story, "H1").notes == ()  # a door without a limit


@pytest.mark.parametrize("airframe", TYPES)
def test_nothing_speaks_against_a_door_at_rest_but_its_being_an_emergency_exit(airframe: str) -> None:
    story = at_rest(airframe)
    for name, spec in story.site.types[airframe].doors.items():
        answer = opening(story, name)
        if spec.kind in ("overwing", "window"):
            assert answer.reasons == ("it is an emergency exit: opened only in an emergency",)
        else:
            assert answer.sentence == f"Open {name}: nothing seen against it."
            assert answer.reasons == ()


@pytest.mark.parametrize(
    ("readings", "door", "name", "reason"),
    [
        ({"airframe/weight_on_wheels": False}, "L1", "on ground", "it is off the ground"),
        ({"airframe/ground_speed_kt": 2.0}, "L1", "not moving", "it moves"),
        (
            {"airframe/parking_brake": False, "airframe/chocks": False, "airframe/beacon": True},
            "L1",
            "not moving",
            "brake and chocks are off and the beacon is on: it is about to move",
        ),
        ({"airframe/differential_pressure_hpa": 2.51}, "H1", "pressure", "cabin pressure is above 2.5 hPa"),
        ({"airframe/differential_pressure_hpa": -2.51}, "CB", "pressure", "cabin pressure is above 2.5 hPa"),
        ({"airframe/engine_1_running": True}, "L1", "engines", "engine 1 runs, on its side"),
        ({"airframe/engine_1_running": True}, "R1", "engines", "engine 1 runs"),
        ({"door/L1/lever_armed": True, "door/L1/girt_left": True, "door/L1/girt_right": True}, "L1", "slide", "its slide is engaged"),
        ({"door/L1/girt_left": True}, "L1", "slide", "lever and girt ends disagree: take the slide as engaged"),
        ({"door/L1/slide_released": True}, "L1", "slide", "its slide is released"),
        ({"door/L1/access": "none"}, "L1", "access", "nothing docked: opening leaves a drop of 3.4 m"),
        ({"stand/S12/gust_kt": 40.1}, "L1", "wind", "wind is over its 40 kt while moved"),
        ({"stand/S12/wind_kt": 35.1}, "CF", "wind", "wind is over its 35 kt while moved"),
        ({"door/CF/selector": "open"}, "CF", "selector", "its selector is at open"),
        ({"door/CF/hand_pump": True}, "CF", "hand pump", "its hand pump is being worked"),
        ({"door/CF/actuator_bar": 119.0}, "CF", "actuator", "its actuator has less than the 120 bar that hold the leaf"),
    ],
    ids=lambda value: value.replace(" ", "-")[:30] if isinstance(value, str) else None,
)  # fmt: skip
def test_what_stops_it(readings: dict[str, Any], door: str, name: str, reason: str) -> None:
    story = at_rest()
    for path, value in readings.items():
        story.send(path, value)
    answer = opening(story, door)
    assert answer.verdict == STOPPED
    assert name in names(answer, met=False)
    assert condition(answer, name).reason == reason
    assert reason in answer.reasons
    assert answer.sentence.startswith(f"Open {door}: stopped by: ")


@pytest.mark.parametrize(
    ("readings", "door"),
    [
        ({"airframe/ground_speed_kt": 1.9}, "L1"),
        ({"airframe/differential_pressure_hpa": -2.5}, "H1"),
        ({"stand/S12/gust_kt": 40.0}, "L1"),
        ({"door/L1/access": "loader"}, "L1"),
        ({"door/CF/actuator_bar": 120.0}, "CF"),
        ({"airframe/chocks": False, "airframe/parking_brake": False}, "L1"),
    ],
    ids=str,
)
def test_what_just_does_not_stop_it(readings: dict[str, Any], door: str) -> None:
    story = at_rest()
    for path, value in readings.items():
        story.send(path, value)
    assert opening(story, door).verdict == NOTHING_SEEN


def test_pressure_is_told_with_its_force_but_its_reason_has_no_number_that_changes() -> None:
    story = at_rest()
    story.send("airframe/differential_pressure_hpa", 5.0)
    told = condition(opening(story, "L1"), "pressure")
    assert told.text == "cabin pressure is above 2.5 hPa: 5.0 hPa, about 950 N on the leaf"
    assert told.reason == "cabin pressure is above 2.5 hPa"


def test_rising_pressure_speaks_against_it_below_the_limit_already() -> None:
    story = at_rest()
    for second, pressure in enumerate((0.2, 0.6, 1.2, 1.8)):
        story.send("airframe/differential_pressure_hpa", pressure, at=5 + second)
    answer = opening(story, "H1")
    assert condition(answer, "pressure").met is True
    assert condition(answer, "alerts").reason == "alert: pressure-rising"
    assert answer.verdict == STOPPED


def test_a_barrier_guards_a_doorway_with_nothing_docked() -> None:
    story = at_rest()
    story.send("door/L1/access", "none")
    story.send("door/L1/barrier", True)
    answer = opening(story, "L1")
    assert answer.verdict == NOTHING_SEEN
    assert set(condition(answer, "access").evidence) == {"door/L1/access", "door/L1/barrier"}


def test_access_that_the_door_does_not_take_is_no_access() -> None:
    """Cedar's doors take a bridge, stairs or a platform."""
    story = at_rest("cedar")
    story.send("door/L1/access", "loader")
    assert (
        condition(opening(story, "L1"), "access").reason
        == "loader is docked where bridge or stairs or platform is needed"
    )


def test_a_low_doorway_needs_nothing_docked() -> None:
    story = blow(alder(type="hazel"))
    assert opening(story, "L1").verdict == NOTHING_SEEN


def test_an_airstair_needs_room_for_its_own_stairs() -> None:
    story = at_rest("birch")
    story.send("door/L1/access", "stairs")
    assert (
        condition(opening(story, "L1"), "own stairs").reason
        == "something is docked where its own stairs come down: stairs"
    )


def test_an_emergency_exit_is_for_an_emergency() -> None:
    story = at_rest()
    story.send("airframe/emergency", True)
    assert opening(story, "OL1").verdict == NOTHING_SEEN
    assert opening(story, "WL").verdict == NOTHING_SEEN
    story.send("airframe/emergency", True, quality="bad")
    assert opening(story, "WL").verdict == CANNOT_TELL


def test_a_slide_that_a_permit_declares_removed_is_not_asked_for() -> None:
    story = at_rest()
    story.send("door/L1/lever_armed", True, quality="bad")
    story.system.record.aircraft[story.reg].doors["L1"].slide_removed = True
    assert condition(opening(story, "L1"), "slide").text == "its slide is declared removed"


def test_an_alert_at_the_door_speaks_against_it_whatever_people_did_about_it() -> None:
    story = at_rest()
    story.door_bundle("L1", {"handle_lifted": True, "latched": False, "locked": False}, {**ARMED, "access": "bridge"})
    story.acknowledge("armed-handle-moved", "L1")
    assert "alert: armed-handle-moved at L1" in " ".join(opening(story, "L1").reasons)
    assert opening(story, "R1").verdict == NOTHING_SEEN, "another door's alert is another door's"


def test_an_alert_that_is_over_says_nothing_any_more() -> None:
    story = at_rest()
    story.door_bundle("L1", ARMED, {"handle_lifted": True, "latched": False, "locked": False})
    story.advance(1)
    story.door_bundle(
        "L1", {"handle_lifted": False, "latched": True, "locked": True, "pin_fitted": True},
        dict.fromkeys(("lever_armed", "girt_left", "girt_right"), False),
    )  # fmt: skip
    assert story.alert("armed-handle-moved", "L1") is not None, "it waits for its acknowledgement"
    assert opening(story, "L1").verdict == NOTHING_SEEN


def test_a_late_feed_shows_the_past() -> None:
    story = at_rest()
    story.advance(10)
    story.skew = -100
    story.advance(10)
    assert condition(opening(story, "H1"), "heard").reason == "its readings arrive late"
    assert opening(story, "H1").verdict == CANNOT_TELL


def test_an_open_door_is_judged_as_it_stands() -> None:
    story = at_rest()
    story.door_bundle("L1", OUT, {"travel": 0.5})
    assert condition(opening(story, "L1"), "picture").text == "its state is ajar"


def test_what_cannot_be_seen_is_listed_with_the_answer() -> None:
    story = at_rest()
    story.withdraw("airframe/differential_pressure_hpa")
    answer = opening(story, "L1")
    assert "residual-pressure" in answer.deaf_to
    assert answer.verdict == CANNOT_TELL
    assert condition(answer, "pressure").why == "not known: airframe/differential_pressure_hpa (withdrawn)"


def test_the_codes_it_knows_by_name_are_in_the_catalogue() -> None:
    codes = {rule.code for rule in CATALOGUE}
    assert codes >= NOT_AGAINST_OPENING | BLINDING | DEAF_LEAVING | DEAF_BOARDING | DEAF_REFUELLING


def test_no_word_of_it_is_a_promise_or_an_instruction() -> None:
    stories: list[Story] = [alder(type=airframe) for airframe in TYPES] + [at_rest(airframe) for airframe in TYPES]
    for story in stories:
        readiness = judge(story)
        for answer in (*readiness.doors.values(), readiness.leave, readiness.board, readiness.refuel):
            for text in (answer.sentence, *(c.text for c in answer.conditions), *(c.reason for c in answer.conditions)):
                assert text
                assert PROMISES.search(text) is None, text
