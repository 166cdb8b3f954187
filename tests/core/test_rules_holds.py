"""Powered hold doors: lock flags, leaves that move by themselves, actuators that lose pressure."""

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
from tests.stories import OUT, Story, alder

LOOSE: Final[dict[str, Any]] = {"latched": False, "locked": False, "lock_flags": False}
POWERED: Final = {DoorKind.CARGO, DoorKind.MAIN_DECK}


def half_open(door: str = "CF", travel: float = 0.5) -> tuple[dict[str, Any], ...]:
    """Opened half way by its selector, which is back in neutral since 5.2 s."""
    return (
        at_door(door, LOOSE, selector="open"),
        at_door(door, closed=False, travel=travel),
        at_door(door, selector="neutral"),
    )


FLAGS: Final = Case(
    "flags not engaged", "cargo-unlatched-flags", "CF", "caution", met=at_door("CF", lock_flags=False), delay=5,
    end=at_door("CF", lock_flags=True),
    essential=("door/CF/closed", "door/CF/latched", "door/CF/lock_flags", "door/CF/selector"),
)  # fmt: skip
PRESSURE: Final = Case(
    "actuators lose pressure", "cargo-pressure-low", "CF", "caution", before=half_open(),
    met=at_door("CF", actuator_bar=119.9), delay=2, end=at_door("CF", actuator_bar=120.0),
    essential=("door/CF/closed", "door/CF/actuator_bar", "door/CF/selector", "door/CF/hold_open"),
)  # fmt: skip
CASES: Final = (
    FLAGS,
    PRESSURE,
    Case(
        "main-deck flags", "cargo-unlatched-flags", "M1", "caution", met=at_door("M1", lock_flags=False), delay=5,
        end=at_door("M1", selector="open"), essential=("door/M1/lock_flags",), type="larch",
    ),
    Case(
        "let go by its lock", "cargo-pressure-low", "CF", "caution",
        before=(*half_open(travel=1.0), at_door("CF", hold_open=True), at_door("CF", actuator_bar=0.0)),
        met=at_door("CF", hold_open=False), delay=2, end=at_door("CF", hold_open=True),
        essential=("door/CF/hold_open", "door/CF/selector"),
    ),
    Case(
        "no lock to hold it", "cargo-pressure-low", "CA", "caution", before=half_open("CA"),
        met=at_door("CA", actuator_bar=80.0), delay=2, end=at_door("CA", selector="close"),
        essential=("door/CA/actuator_bar",), type="larch",
    ),
    Case(
        "sinks", "cargo-uncommanded", "CF", "warning", before=half_open(), met=at_door("CF", travel=0.45), delay=0,
        end=at_door("CF", selector="close"), essential=("door/CF/closed", "door/CF/selector", "door/CF/travel"),
    ),
    Case(
        "rises", "cargo-uncommanded", "M1", "warning", before=half_open("M1", 0.3), met=at_door("M1", travel=0.35), delay=0,
        end=at_door("M1", closed=True, travel=0.0), essential=("door/M1/travel",), type="larch",
    ),
)  # fmt: skip


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


def test_only_powered_doors_meet_them() -> None:
    for kind, airframe, door in one_of_each_kind():
        story = alder(type=airframe)
        story.door_bundle(door, {"lock_flags": False, "selector": "neutral"}, at=10)
        story.door_bundle(door, OUT, {"travel": 0.9, "actuator_bar": 0.0}, at=20)
        story.send(f"door/{door}/travel", 0.5, at=30)
        story.send(f"door/{door}/travel", 0.3, at=40)
        codes = {event.code for event in story.told() if event.code.startswith("cargo-")}
        assert bool(codes) is (kind in POWERED), kind


@pytest.mark.parametrize(
    "readings", [{"selector": "open"}, {"selector": "close"}, {"latched": False}, {"closed": False}]
)
def test_flags_are_asked_of_a_closed_and_latched_door_at_rest(readings: dict[str, Any]) -> None:
    story = alder()
    story.door_bundle("CF", {"lock_flags": False, **readings}, at=10)
    story.until(60)
    assert story.told("cargo-unlatched-flags") == []


@pytest.mark.parametrize(("selector", "told"), [("open", True), ("neutral", True), ("close", False)])
def test_pressure_is_asked_unless_it_is_being_closed(selector: str, told: bool) -> None:
    story = PRESSURE.prepare()
    story.door_bundle("CF", {"selector": selector, "actuator_bar": 10.0}, at=10)
    story.until(30)
    assert bool(story.told("cargo-pressure-low")) is told


# A leaf that moves by itself


def resting(travel: float = 0.5) -> Story:
    """Half open, its selector in neutral since 10 s."""
    story = alder()
    story.door_bundle("CF", LOOSE, {"selector": "open"}, at=5)
    story.door_bundle("CF", {"closed": False, "travel": travel}, at=6)
    story.send("door/CF/selector", "neutral", at=10)
    return story


def strayed(story: Story) -> list[tuple[str, float]]:
    return [(event.type, event.at) for event in story.told("cargo-uncommanded", "CF")]


@pytest.mark.parametrize(("travel", "told"), [(0.451, False), (0.45, True), (0.549, False), (0.55, True), (0.0, True)])
def test_how_far_it_must_move(travel: float, told: bool) -> None:
    story = resting()
    story.send("door/CF/travel", travel, at=30)
    assert strayed(story) == ([("raised", 30)] if told else [])


def test_it_may_run_out_for_2_s_after_the_selector_came_to_neutral() -> None:
    story = resting()
    story.send("door/CF/travel", 0.58, at=12)
    story.send("door/CF/travel", 0.54, at=12.5)
    story.send("door/CF/travel", 0.62, at=13)
    assert strayed(story) == []
    story.send("door/CF/travel", 0.63, at=13.5)
    assert strayed(story) == [("raised", 13.5)]


def test_a_creep_adds_up() -> None:
    story = resting()
    for n in range(1, 6):
        story.send("door/CF/travel", 0.5 - 0.01 * n, at=20 + n * 60)
    assert strayed(story) == [("raised", 320)]


def test_it_stands_until_the_selector_is_moved_or_the_door_closed_wherever_the_leaf_goes() -> None:
    for end in ({"selector": "open"}, {"closed": True, "travel": 0.0}):
        story = resting()
        story.send("door/CF/travel", 0.2, at=30)
        story.send("door/CF/travel", 0.5, at=40)
        story.send("door/CF/hand_pump", True, at=50)
        story.send("door/CF/hand_pump", False, at=60)
        assert strayed(story) == [("raised", 30)]
        story.door_bundle("CF", end, at=70)
        assert strayed(story) == [("raised", 30), ("cleared", 70)]


def test_the_hand_pump_may_move_it_and_starts_it_anew() -> None:
    story = resting()
    story.send("door/CF/hand_pump", True, at=20)
    story.send("door/CF/travel", 0.8, at=25)
    story.send("door/CF/hand_pump", False, at=30)
    story.send("door/CF/travel", 0.77, at=31)
    assert strayed(story) == []
    story.send("door/CF/travel", 0.75, at=32)
    assert strayed(story) == [("raised", 32)]


def test_a_leaf_met_at_rest_half_open_counts_too() -> None:
    story = Story()
    story.bundle({**at_door("CF", OUT, travel=0.6, selector="neutral", hand_pump=False), "airframe/type": "alder"})
    story.send("door/CF/travel", 0.5, at=10)
    assert strayed(story) == [("raised", 10)]


def test_a_door_that_came_out_unseen_by_its_selector_is_held_to_where_it_stands_2_s_later() -> None:
    story = alder()
    story.door_bundle("CF", OUT, {"travel": 0.1}, at=10)
    story.send("door/CF/travel", 0.6, at=11.9)
    story.send("door/CF/travel", 0.56, at=20)
    assert strayed(story) == []
    story.send("door/CF/travel", 0.55, at=21)
    assert strayed(story) == [("raised", 21)]


def test_a_door_that_was_closed_by_its_selector_and_works_loose_is_told() -> None:
    story = resting()
    story.send("door/CF/selector", "close", at=20)
    story.door_bundle("CF", {"closed": True, "travel": 0.0, "latched": True, "locked": True}, at=30)
    story.send("door/CF/selector", "neutral", at=31)
    story.door_bundle("CF", OUT, {"travel": 0.06}, at=500)
    assert strayed(story) == [("raised", 500)]


@pytest.mark.parametrize("signal", ["travel", "selector", "hand_pump"])
@pytest.mark.parametrize("how", ["bad", "uncertain"])
def test_what_happened_while_nobody_could_see_is_not_held_against_it(signal: str, how: str) -> None:
    """Selector or pump may have moved it; and no place of rest is taken from a travel that is not known."""
    story = resting()
    at = 11 if signal == "travel" else 20
    story.send(f"door/CF/{signal}", story.value(f"door/CF/{signal}"), at=at, quality=how)
    if signal != "travel":
        story.send("door/CF/travel", 0.7, at=30)
    story.door_bundle("CF", {"travel": 0.7, "selector": "neutral", "hand_pump": False}, at=40)
    story.until(60)
    assert strayed(story) == []
    story.send("door/CF/travel", 0.64, at=70)
    assert strayed(story) == [("raised", 70)]


@pytest.mark.parametrize("signal", ["closed", "selector"])
def test_what_is_not_known_leaves_it_standing(signal: str) -> None:
    story = resting()
    story.send("door/CF/travel", 0.2, at=30)
    story.send(f"door/CF/{signal}", story.value(f"door/CF/{signal}"), at=40, quality="bad")
    story.until(100)
    alert = story.alert("cargo-uncommanded", "CF")
    assert alert is not None
    assert (alert["state"], alert["blind"]) == ("unacknowledged", True)


def test_a_restart_keeps_the_place_of_rest() -> None:
    story = resting().until(30).copy()
    story.send("door/CF/travel", 0.4, at=40)
    assert strayed(story) == [("raised", 40)]
