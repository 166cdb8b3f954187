"""Leaving, moving and arriving: slides not engaged, slides still engaged, doors not secure."""

from __future__ import annotations

from typing import Any, Final

import pytest

from monitor.core.airframe import DoorKind
from tests.core.rule_cases import (
    Case,
    at_door,
    check_cleared_by_its_end,
    check_never_raised_on_what_is_not_known,
    check_not_raised_where_it_ends_before_its_delay,
    check_raised_exactly_at_its_delay,
    each_unknown_input,
    one_of_each_kind,
)
from tests.stories import ARMED, DISARMED, LOCKED, OUT, PRESSURE, UNLOCKED, Story, alder

CABIN_DOORS: Final = ("L1", "R1", "L2", "R2")
BEACON: Final = "airframe/beacon"
ENGINE: Final = "airframe/engine_1_running"
SPEED: Final = "airframe/ground_speed_kt"
BRAKE, CHOCKS = "airframe/parking_brake", "airframe/chocks"
PEOPLE: Final = "airframe/passengers_aboard"
STAND: Final = "airframe/stand"
NOT_ARMED: Final = "not-armed-departure"
STILL_ARMED: Final = "still-armed-arrival"
NOT_SECURE: Final = "moving-not-secure"


def doors(*parts: dict[str, Any] | Any, names: tuple[str, ...] = CABIN_DOORS) -> dict[str, Any]:
    return {path: value for name in names for path, value in at_door(name, *parts).items()}


ALL_BUT_R1: Final = doors(ARMED, names=("L1", "L2", "R2"))


# Departing with a slide not engaged

DEPARTING: Final = (
    Case(
        "beacon on", NOT_ARMED, "R1", "caution", before=(ALL_BUT_R1, {PEOPLE: 90}), met={BEACON: True}, delay=60,
        end=at_door("R1", ARMED), essential=(BEACON, "door/L2/closed", "door/L2/access"),
    ),
    Case(
        "engaged at one end only", NOT_ARMED, "R1", "caution", before=(ALL_BUT_R1, at_door("R1", ARMED), {PEOPLE: 90, BEACON: True}),
        met=at_door("R1", girt_left=False), delay=60, end=at_door("R1", girt_left=True),
        essential=("door/R1/girt_left", BEACON),
    ),
    Case(
        "the last door is closed", NOT_ARMED, "R1", "caution",
        before=(ALL_BUT_R1, {PEOPLE: 90, BEACON: True}, at_door("L1", DISARMED), at_door("L1", UNLOCKED), at_door("L1", closed=False, travel=0.2)),
        met=at_door("L1", LOCKED, ARMED, closed=True, travel=0.0), delay=60, end=at_door("R1", ARMED),
        essential=("door/L1/closed", "door/L1/access"),
    ),
    Case(
        "the bridge leaves", NOT_ARMED, "R1", "caution", before=(ALL_BUT_R1, {PEOPLE: 90, BEACON: True}, at_door("L1", access="bridge")),
        met=at_door("L1", access="none"), delay=60, end=at_door("L1", access="bridge"), essential=("door/L1/access",),
    ),
    Case(
        "about to move", NOT_ARMED, "R1", "caution", before=(ALL_BUT_R1, {PEOPLE: 90, BEACON: True, CHOCKS: False}),
        met={BRAKE: False}, delay=0, end={BEACON: False}, essential=(BEACON,),
    ),
    Case(
        "rolling", NOT_ARMED, "R1", "warning", before=(ALL_BUT_R1, {PEOPLE: 90, BEACON: True}), met={SPEED: 2.0}, delay=0,
        end=at_door("R1", ARMED), essential=(SPEED, BEACON, "door/L1/closed"),
    ),
)  # fmt: skip

MOVING: Final = (
    Case(
        "rolling with a hold door open", NOT_SECURE, "CF", "warning", before=(at_door("CF", UNLOCKED), at_door("CF", closed=False, travel=0.4)),
        met={SPEED: 2.0}, delay=0, end={SPEED: 1.9}, essential=(SPEED,),
    ),
    Case(
        "rolling with a handle off its stop", NOT_SECURE, "L2", "warning", before=({SPEED: 9.0},),
        met=at_door("L2", handle_lifted=True), delay=0, end=at_door("L2", handle_lifted=False),
        essential=(SPEED, "door/L2/handle_lifted"),
    ),
    Case(
        "brake off with a hatch open", NOT_SECURE, "H1", "warning", before=(at_door("H1", OUT), {BEACON: True, CHOCKS: False}),
        met={BRAKE: False}, delay=0, end={BRAKE: True}, essential=(BRAKE, CHOCKS, BEACON),
    ),
    Case(
        "beacon on with brake and chocks off", NOT_SECURE, "CB", "warning", before=(at_door("CB", locked=False), {BRAKE: False, CHOCKS: False}),
        met={BEACON: True}, delay=0, end={BEACON: False}, essential=(BRAKE, CHOCKS, BEACON),
    ),
)  # fmt: skip


CASES: Final = (*DEPARTING, *MOVING)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_raised_exactly_at_its_delay(case: Case) -> None:
    check_raised_exactly_at_its_delay(case)


@pytest.mark.parametrize("case", [case for case in CASES if case.delay], ids=str)
def test_it_is_not_raised_where_it_ends_before_its_delay(case: Case) -> None:
    check_not_raised_where_it_ends_before_its_delay(case)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_cleared_by_its_end(case: Case) -> None:
    check_cleared_by_its_end(case)


@each_unknown_input(CASES)
def test_it_is_never_raised_on_what_is_not_known(case: Case, signal: str, how: str) -> None:
    check_never_raised_on_what_is_not_known(case, signal, how)


def arrived(*, beacon: bool = False, **options: Any) -> Story:
    """In from a flight on its stand with all slides engaged; the engines stopped at 20 s."""
    story = alder(**options)
    story.bundle({**doors(ARMED), PEOPLE: 120, BEACON: True, ENGINE: True, CHOCKS: False, BRAKE: True}, at=5)
    story.send(ENGINE, False, at=20)
    story.bundle({BEACON: beacon, CHOCKS: True})
    return story


def departing(story: Story) -> bool | None:
    memo = story.system.record.aircraft[story.reg].turnround
    return None if memo is None else memo.departing


@pytest.mark.parametrize("count", ["bad", "withdrawn", None])
def test_an_unknown_count_of_passengers_means_aboard(count: str | None) -> None:
    story = alder()
    if count == "withdrawn":
        story.withdraw(PEOPLE)
    elif count is not None:
        story.send(PEOPLE, 0, quality=count)
    story.send(BEACON, True, at=10)
    story.until(70)
    raised = {event.door for event in story.told(NOT_ARMED)}
    assert raised == (set() if count is None else set(CABIN_DOORS))


def test_each_door_is_told_by_itself_and_rises_once_it_rolls() -> None:
    story = alder()
    story.bundle({**ALL_BUT_R1, **at_door("L2", DISARMED), PEOPLE: 3, BEACON: True}, at=10)
    story.until(70)
    assert {(e.at, e.door, e.priority) for e in story.told(NOT_ARMED)} == {(70, "R1", "caution"), (70, "L2", "caution")}
    story.send(SPEED, 1.9)
    assert len(story.told(NOT_ARMED)) == 2
    story.send(SPEED, 2.0)
    assert {(e.type, e.priority) for e in story.told(NOT_ARMED)[2:]} == {("reprioritised", "warning")}
    story.send(SPEED, 0.0)
    assert story.told(NOT_ARMED)[-1].priority == "caution"


# What departing is


def test_an_arrival_with_the_beacon_still_on_is_not_departing() -> None:
    story = arrived(beacon=True)
    assert departing(story) is False
    story.bundle(doors(DISARMED), at=30)
    story.until(300)
    assert story.told(NOT_ARMED) == []
    story.send(BEACON, False, at=300)
    story.send(BEACON, True, at=310)
    assert departing(story) is True
    story.until(371)
    assert {event.at for event in story.told(NOT_ARMED)} == {370}


def test_with_an_engine_running_it_is_departing_whatever_the_beacon_did_before() -> None:
    story = arrived(beacon=True)
    story.send(ENGINE, True, at=30)
    assert departing(story) is True
    story.send(ENGINE, False, at=40)
    assert departing(story) is False


def test_a_beacon_first_seen_on_with_the_engines_off_does_not_tell() -> None:
    story = Story()
    story.bundle(
        {"airframe/type": "alder", BEACON: True, "airframe/engine_1_running": False, "airframe/engine_2_running": False}
    )
    assert departing(story) is None


@pytest.mark.parametrize(("signal", "value"), [("closed", False), ("access", "stairs")])
@pytest.mark.parametrize("door", CABIN_DOORS)
def test_an_open_or_docked_cabin_door_keeps_it_here(door: str, signal: str, value: Any) -> None:
    story = alder()
    story.send(BEACON, True, at=10)
    assert departing(story) is True
    story.send(f"door/{door}/{signal}", value)
    assert departing(story) is False
    story.send(f"door/{door}/{signal}", value, quality="bad")
    assert departing(story) is None


def test_an_airstair_is_a_cabin_door_too_and_a_hold_door_is_none() -> None:
    story = alder(type="birch")
    story.send(BEACON, True, at=10)
    story.send("door/CB/closed", False)
    assert departing(story) is True
    story.send("door/L1/closed", False)
    assert departing(story) is False


def test_an_aircraft_that_flew_unheard_has_stopped_its_engines_when_it_is_heard_again() -> None:
    story = alder()
    story.send(BEACON, True, at=10)
    story.send("airframe/weight_on_wheels", False, at=20)
    story.until(200)
    story.bundle({"airframe/weight_on_wheels": True, BEACON: True, ENGINE: False}, at=4000)
    story.until(4001)
    assert departing(story) is False


def test_a_restart_forgets_nothing_of_it() -> None:
    story = arrived(beacon=True).copy()
    story.bundle(doors(DISARMED), at=30)
    story.until(300)
    assert departing(story) is False
    assert story.told(NOT_ARMED) == []


# Slides still engaged after arrival


def test_a_slide_left_engaged_among_disengaged_ones_is_told_after_45_s() -> None:
    story = arrived()
    story.bundle(doors(DISARMED, names=("L1", "R1", "L2")), at=30)
    story.until(74.999)
    assert story.told(STILL_ARMED) == []
    story.until(75)
    assert [(e.brief, e.at) for e in story.told(STILL_ARMED)] == [(("raised", STILL_ARMED, "R2", "caution"), 75)]
    story.bundle(doors(DISARMED, names=("R2",)), at=80)
    assert story.types(STILL_ARMED) == ["raised", "cleared"]


def test_while_all_are_still_engaged_only_a_docked_door_is_told() -> None:
    story = arrived()
    story.until(200)
    assert story.told(STILL_ARMED) == []
    story.send("door/L1/access", "bridge", at=200)
    story.until(300)
    assert [(e.door, e.at) for e in story.told(STILL_ARMED)] == [("L1", 245)]
    story.send("door/L1/access", "none")
    assert story.types(STILL_ARMED) == ["raised", "cleared"]


@pytest.mark.parametrize(
    ("readings", "raised"),
    [
        ({"airframe/refuelling": True}, False), ({"airframe/refuelling": True, PEOPLE: 0}, True),
        ({"airframe/refuelling": False}, True), ({STAND: ""}, False), ({BEACON: True}, False),
        ({"airframe/engine_2_running": True}, False), ({"door/R2/access": "platform", "airframe/refuelling": True}, True),
        ({"airframe/refuelling": {"value": False, "quality": "bad"}}, False),
        ({BEACON: {"value": False, "quality": "bad"}}, False), ({STAND: {"value": "S12", "quality": "bad"}}, False),
        ({ENGINE: {"value": False, "quality": "uncertain"}}, False),
        ({"door/R2/lever_armed": {"value": True, "quality": "bad"}, "door/R2/girt_left": False, "door/R2/girt_right": False}, False),
    ],
)  # fmt: skip
def test_what_counts_on_stand(readings: dict[str, Any], raised: bool) -> None:
    story = arrived()
    story.bundle({**doors(DISARMED, names=("L1", "R1", "L2")), **readings}, at=30)
    story.until(200)
    assert bool(story.told(STILL_ARMED, "R2")) is raised


def test_a_slide_that_was_disengaged_once_may_be_engaged_again() -> None:
    story = arrived()
    story.bundle(doors(DISARMED), at=30)
    story.bundle(doors(ARMED, names=("L1", "R1")), at=200)
    story.until(400)
    assert story.told(STILL_ARMED) == []


def test_who_came_while_nobody_listened_is_not_told_of() -> None:
    story = alder()
    story.bundle({**ALL_BUT_R1, "door/L1/access": "bridge"}, at=10)
    story.until(200)
    assert story.told(STILL_ARMED) == []


def test_unknown_parts_leave_it_standing() -> None:
    story = arrived()
    story.bundle(doors(DISARMED, names=("L1", "R1", "L2")), at=30)
    story.until(80)
    for part in ("lever_armed", "girt_left", "girt_right"):
        story.send(f"door/R2/{part}", True, quality="bad")
    story.until(300)
    alert = story.alert(STILL_ARMED, "R2")
    assert alert is not None
    assert alert["blind"]


# Moving


def test_every_kind_but_a_window_must_be_secure_before_it_moves() -> None:
    for kind, airframe, door in one_of_each_kind():
        story = alder(type=airframe)
        story.door_bundle(door, OUT, at=10)
        story.send(SPEED, 5.0, at=20)
        assert (kind, bool(story.told(NOT_SECURE, door))) == (kind, kind is not DoorKind.WINDOW)
        assert {event.door for event in story.told(NOT_SECURE)} <= {door}


def test_a_closed_armed_aircraft_moves_without_a_word() -> None:
    story = alder()
    story.bundle({**doors(ARMED), PEOPLE: 100, SPEED: 15.0, BRAKE: False, CHOCKS: False, BEACON: True}, at=10)
    story.until(300)
    assert story.told() == []


def test_towed_with_the_beacon_off_it_moves_once_it_rolls() -> None:
    story = alder()
    story.bundle({**at_door("L1", OUT), BRAKE: False, CHOCKS: False}, at=10)
    assert story.told(NOT_SECURE) == []
    story.send(SPEED, 2.0)
    assert story.types(NOT_SECURE) == ["raised"]


@pytest.mark.parametrize(
    ("poor", "steps"),
    [
        ("hold_open", (UNLOCKED, {**OUT, "travel": 0.6})),
        ("lever_armed", (UNLOCKED,)),
        ("girt_left", ({"latched": False, "locked": False},)),
    ],
)
def test_a_door_that_is_certainly_not_secure_is_told_though_its_state_is_not_known(
    poor: str, steps: tuple[dict[str, Any], ...]
) -> None:
    """What the slide or the hold-open lock does says nothing about whether the door is closed and locked."""
    story = alder()
    story.send(f"door/L1/{poor}", False, at=5, quality="bad")
    for readings in steps:
        story.door_bundle("L1", readings)
    assert story.state("L1") == "unknown"
    story.send(SPEED, 8.0, at=10)
    assert [(e.type, e.door, e.priority, e.at) for e in story.told(NOT_SECURE)] == [("raised", "L1", "warning", 10)]
    story.send("door/L1/closed", False, at=11, quality="bad")
    story.until(20)
    assert story.types(NOT_SECURE) == ["raised"]


# A whole turnround

MINE: Final = frozenset({
    NOT_ARMED, STILL_ARMED, NOT_SECURE, "wind-limit", "unsecured-leaf", "unlocked-lingering", "unlocked-pressurised",
    "cargo-uncommanded", "cargo-pressure-low", "cargo-unlatched-flags",
})  # fmt: skip


def swing(story: Story, door: str, start: float, end: float, *, seconds: float) -> None:
    for n in range(1, round(seconds * 5) + 1):
        share = start + (end - start) * n / round(seconds * 5)
        readings = {"travel": round(share, 3)}
        story.door_bundle(door, {**readings, "closed": False} if share else {**readings, "closed": True})
        story.advance(0.2)


def work_hold(story: Story, door: str, selector: str) -> None:
    opening = selector == "open"
    story.send(f"door/{door}/selector", selector)
    story.advance(1)
    if opening:
        story.door_bundle(door, {"lock_flags": False, "latched": False, "locked": False})
    else:
        story.door_bundle(door, {"hold_open": False})
    swing(story, door, 0.0 if opening else 1.0, 1.0 if opening else 0.0, seconds=12)
    story.door_bundle(door, {"hold_open": True} if opening else {"latched": True})
    if not opening:
        story.advance(1)
        story.door_bundle(door, {"locked": True, "lock_flags": True})
    story.advance(1)
    story.send(f"door/{door}/selector", "neutral")
    story.advance(1)
    # The leaf runs out, and its actuators cool.
    story.send(f"door/{door}/actuator_bar", 60.0)


def test_a_whole_turnround_raises_none_of_these() -> None:
    story = alder()
    story.bundle({**doors(ARMED), PEOPLE: 131, BEACON: True, ENGINE: True, "airframe/engine_2_running": True,
                  CHOCKS: False, BRAKE: False, SPEED: 18.0, STAND: ""}, at=2)  # fmt: skip
    story.send("stand/S12/wind_kt", 12.0)
    story.until(60)
    story.bundle({SPEED: 0.0, BRAKE: True, STAND: "S12"})
    story.bundle({ENGINE: False}, at=80)
    story.bundle({"airframe/engine_2_running": False}, at=95)
    story.bundle({BEACON: False, CHOCKS: True}, at=110)
    for number, door in enumerate(CABIN_DOORS):
        story.door_bundle(door, DISARMED, at=115 + number * 5)
    story.send("door/L1/access", "bridge", at=150)
    story.door_bundle("L1", UNLOCKED, at=160)
    swing(story, "L1", 0.0, 1.0, seconds=10)
    story.send("door/L1/hold_open", True)
    work_hold(story, "CF", "open")
    story.send("door/CF/access", "loader")
    story.send(PEOPLE, 0, at=600)
    story.send("airframe/refuelling", True)
    story.send("airframe/refuelling", False, at=1200)
    story.send(PEOPLE, 140, at=1500)
    story.send("door/CF/access", "none", at=1600)
    work_hold(story, "CF", "close")
    story.send("door/L1/hold_open", False, at=1700)
    swing(story, "L1", 1.0, 0.0, seconds=9)
    story.door_bundle("L1", LOCKED)
    story.send("door/L1/access", "none", at=1760)
    for number, door in enumerate(CABIN_DOORS):
        story.door_bundle(door, ARMED, at=1770 + number * 10)
    story.send(BEACON, True, at=1830)
    story.send(CHOCKS, False, at=1850)
    story.bundle({BRAKE: False, SPEED: 2.5, STAND: ""}, at=1900)
    story.send(ENGINE, True, at=1930)
    story.send(PRESSURE, 12.0, at=1980)
    story.until(2000)
    assert departing(story) is True
    assert {event.code for event in story.told()} & MINE == set()
    assert set(story.states().values()) == {"closed_locked", "armed"}
