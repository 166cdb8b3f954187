"""Too few exits for the people aboard: at a hose, and on the way out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from tests.core.rule_cases import (
    AT,
    Case,
    at_door,
    check_cleared_by_its_end,
    check_never_raised_on_what_is_not_known,
    check_not_raised_where_it_ends_before_its_delay,
    check_raised_exactly_at_its_delay,
    each_unknown_input,
)
from tests.stories import ARMED, Story, alder, demo_site

REFUEL, CAPACITY = "refuel-exits-short", "exit-capacity-short"
FUEL: Final = "airframe/refuelling"
PEOPLE: Final = "airframe/passengers_aboard"
BEACON: Final = "airframe/beacon"
SPEED: Final = "airframe/ground_speed_kt"
BRAKE: Final = "airframe/parking_brake"
EMERGENCY: Final = "airframe/emergency"
ENGINE: Final = "airframe/engine_1_running"
MAIN: Final = ("L1", "R1", "L2", "R2")


def armed(*doors: str) -> dict[str, Any]:
    return {path: value for door in doors for path, value in at_door(door, ARMED).items()}


ALL_ARMED: Final = armed(*MAIN)
LEAVING: Final = {BEACON: True, ENGINE: True}
THREE: Final = {**ALL_ARMED, **at_door("L1", ARMED, slide_bottle_bar=100.0)}
"""Three cabin slides and both hatches: 55 + 27 + 35 seats."""

CASES: Final = (
    Case(
        "no slide engaged at the hose", REFUEL, "-", "warning", before=({PEOPLE: 1},), met={FUEL: True}, delay=5,
        end={FUEL: False}, essential=(FUEL, PEOPLE),
    ),
    Case(
        "two exits in one half", REFUEL, "-", "warning", before=({PEOPLE: 80}, armed("L1", "R1")), met={FUEL: True},
        delay=5, end=armed("R2"), essential=(FUEL, PEOPLE),
    ),
    Case(
        "the last passengers leave", REFUEL, "-", "warning", before=({FUEL: True}, armed("L2")), met={PEOPLE: 3},
        delay=5, end={PEOPLE: 0}, essential=(FUEL, PEOPLE),
    ),
    Case(
        "a bridge leaves the hose's side", REFUEL, "-", "warning",
        before=({PEOPLE: 80, FUEL: True, "door/L1/access": "bridge"}, armed("R2")),
        met={"door/L1/access": "none"}, delay=5, end={"door/L2/access": "stairs", "door/L1/access": "stairs"},
        essential=(FUEL, PEOPLE, "door/L1/access"),
    ),
    Case(
        "departing with a slide short", CAPACITY, "-", "caution", before=({PEOPLE: 118}, THREE), met=LEAVING, delay=60,
        end={BEACON: False}, essential=(PEOPLE, BEACON),
    ),
    Case(
        "moving with a slide short", CAPACITY, "-", "caution", before=({PEOPLE: 118}, THREE), met={SPEED: 2.0}, delay=5,
        end={SPEED: 0.0}, essential=(PEOPLE, SPEED),
    ),
    Case(
        "pushed back with a slide short", CAPACITY, "-", "caution",
        before=({PEOPLE: 118, BEACON: True, "airframe/chocks": False}, ALL_ARMED, {"door/L1/access": "platform"}),
        met={BRAKE: False}, delay=5,
        end={BRAKE: True}, essential=(PEOPLE, BRAKE, BEACON),
    ),
    Case(
        "an emergency at the gate", CAPACITY, "-", "caution", before=({PEOPLE: 118}, THREE), met={EMERGENCY: True},
        delay=5, end={EMERGENCY: False}, essential=(PEOPLE, EMERGENCY),
    ),
    Case(
        "one more than the seats", CAPACITY, "-", "caution", before=({PEOPLE: 117, SPEED: 4.0}, THREE), met={PEOPLE: 118},
        delay=5, end={PEOPLE: 117}, essential=(PEOPLE, SPEED),
    ),
    Case(
        "a bottle that loses pressure", CAPACITY, "-", "caution", before=({PEOPLE: 140, SPEED: 4.0}, ALL_ARMED),
        met={"door/R2/slide_bottle_bar": 169.0}, delay=5, end={"door/R2/slide_bottle_bar": 170.0},
        essential=(PEOPLE, SPEED),
    ),
    Case(
        "a hatch that is disturbed", CAPACITY, "-", "caution", before=({PEOPLE: 140, SPEED: 4.0}, ALL_ARMED),
        met={"door/OL1/cover_fitted": False}, delay=5, end={"door/OL1/cover_fitted": True}, essential=(PEOPLE, SPEED),
    ),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_raised_exactly_at_its_delay(case: Case) -> None:
    check_raised_exactly_at_its_delay(case)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_not_raised_where_it_ends_just_before(case: Case) -> None:
    check_not_raised_where_it_ends_before_its_delay(case)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_its_end_clears_it(case: Case) -> None:
    check_cleared_by_its_end(case)


@each_unknown_input(CASES)
def test_what_is_not_known_never_raises_it(case: Case, signal: str, how: str) -> None:
    check_never_raised_on_what_is_not_known(case, signal, how)


def refuelling(*parts: dict[str, Any], type: str = "alder") -> Story:  # noqa: A002 the contract's word
    story = alder(type=type)
    story.bundle({PEOPLE: 4, FUEL: True, **{k: v for part in parts for k, v in part.items()}}, at=AT)
    return story.until(AT + 60)


# Refuelling


@pytest.mark.parametrize("doors", [("L1", "L2"), ("R1", "L2"), ("L1", "R1", "R2")])
def test_one_exit_in_each_half_is_enough(doors: tuple[str, ...]) -> None:
    assert refuelling(armed(*doors)).told(REFUEL) == []


@pytest.mark.parametrize("way", ["bridge", "stairs"])
def test_a_way_down_that_is_docked_counts(way: str) -> None:
    assert refuelling({"door/L1/access": way}, armed("R2")).told(REFUEL) == []


@pytest.mark.parametrize(
    "spoilt",
    [
        {"door/R2/access": "loader"},
        {"door/R2/ground_clear": False},
        {"door/R2/slide_bottle_bar": 169.9},
        {"door/R2/pin_fitted": True},
        {"door/R2/girt_left": False},
        {"door/R2/slide_released": True},
    ],
    ids=lambda spoilt: next(iter(spoilt)),
)
def test_a_slide_that_cannot_be_used_does_not_count(spoilt: dict[str, Any]) -> None:
    story = refuelling(armed("L1", "R2"), spoilt)
    assert story.types(REFUEL) == ["raised"]
    assert "usable L1" in story.told(REFUEL)[0].data["text"]


def test_hatches_over_the_wing_are_no_floor_level_exits() -> None:
    assert refuelling(armed("L1")).types(REFUEL) == ["raised"]


def test_an_exit_that_cannot_be_told_leaves_it_open() -> None:
    story = refuelling(armed("L1"), armed("R2"), {"door/R2/slide_bottle_bar": {"value": 200.0, "quality": "bad"}})
    assert story.told(REFUEL) == []
    story.send("door/R2/slide_bottle_bar", 100.0)
    story.advance(5)
    assert story.types(REFUEL) == ["raised"]


def test_one_raised_stays_blind_where_an_exit_turns_unknown() -> None:
    story = refuelling(armed("L1"))
    story.bundle(armed("R2") | {"door/R2/girt_left": {"value": True, "quality": "uncertain"}})
    story.advance(20)
    document = story.alert(REFUEL)
    assert document is not None
    assert document["blind"] is True
    story.send("door/R2/girt_left", True)
    assert story.types(REFUEL) == ["raised", "cleared"]


def test_a_step_down_counts_on_a_low_door() -> None:
    """The turboprop's sill is below 1.83 m: closed and locked, or held open, it is an exit."""
    assert refuelling(type="hazel").told(REFUEL) == []


def test_config_may_ask_for_more_and_for_one_half_only() -> None:
    site = replace(demo_site(), thresholds={REFUEL: {"least_exits": 3.0, "least_halves": 1.0}})
    for doors, told in ((("L1", "R1"), ["raised"]), (("L1", "R1", "L2"), [])):
        story = alder(site=site)
        story.bundle({PEOPLE: 4, FUEL: True, **armed(*doors)}, at=AT)
        story.until(AT + 5)
        assert story.types(REFUEL) == told


# On the way out


def test_as_many_as_the_exits_are_rated_for_is_not_short() -> None:
    story = alder()
    story.bundle({PEOPLE: 117, SPEED: 4.0, **THREE}, at=AT)
    assert story.until(AT + 120).told(CAPACITY) == []


def test_at_the_gate_nothing_counts_seats() -> None:
    story = alder()
    story.bundle({PEOPLE: 144}, at=AT)
    assert story.until(AT + 600).told(CAPACITY) == []


def test_it_hurries_once_the_aircraft_moves() -> None:
    story = alder()
    story.bundle({PEOPLE: 118, **THREE, **LEAVING}, at=AT)
    story.send(SPEED, 3.0, at=AT + 30)
    story.until(AT + 34.999)
    assert story.told(CAPACITY) == []
    story.until(AT + 35)
    assert story.types(CAPACITY) == ["raised"]


def test_moving_does_not_start_the_minute_of_departing_anew() -> None:
    story = alder()
    story.bundle({PEOPLE: 118, **THREE, **LEAVING}, at=AT)
    story.send(SPEED, 3.0, at=AT + 58)
    story.until(AT + 60)
    assert [e.at for e in story.told(CAPACITY)] == [AT + 60]


def test_its_text_says_how_many_and_which() -> None:
    story = alder()
    story.bundle({PEOPLE: 118, SPEED: 4.0, **THREE}, at=AT)
    story.until(AT + 5)
    (raised,) = story.told(CAPACITY)
    said = "Usable exits are rated for 117, aboard are 118 passengers: usable R1, OL1, OR1, L2, R2."
    assert raised.data["text"] == said


def test_never_declared_is_no_emergency() -> None:
    story = Story().baseline()
    story.withdraw(EMERGENCY)
    story.bundle({PEOPLE: 118, **THREE}, at=AT)
    assert story.until(AT + 120).told(CAPACITY) == []


def test_a_type_without_seats_is_never_judged() -> None:
    site = demo_site()
    types = {**site.types, "alder": replace(site.types["alder"], seats=0)}
    story = alder(site=replace(site, types=types))
    story.bundle({PEOPLE: 5, FUEL: True, SPEED: 4.0}, at=AT)
    story.until(AT + 120)
    assert story.told(REFUEL) == story.told(CAPACITY) == []
