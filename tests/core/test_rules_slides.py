"""Hazards of the slide, each as the design's section 6 words it."""

from __future__ import annotations

from typing import Any, Final

import pytest

from monitor.core.airframe import DoorKind
from tests.core.rule_cases import (
    AT,
    JUST,
    Case,
    at_door,
    check_cleared_by_its_end,
    check_never_raised_on_what_is_not_known,
    check_not_raised_where_it_ends_before_its_delay,
    check_raised_exactly_at_its_delay,
    each_unknown_input,
    one_of_each_kind,
)
from tests.stories import ARMED, LOCKED, OUT, UNLOCKED, Story, alder

L1_ARMED: Final = at_door("L1", ARMED)

CASES: Final = (
    Case(
        "handle", "armed-handle-moved", "L1", "warning", before=(L1_ARMED,),
        met=at_door("L1", handle_lifted=True), delay=0, end=at_door("L1", handle_lifted=False),
        essential=("door/L1/closed", "door/L1/handle_lifted"),
    ),
    Case(
        "latch", "armed-handle-moved", "R2", "warning", before=(at_door("R2", ARMED),),
        met=at_door("R2", latched=False, locked=False), delay=0, end=at_door("R2", LOCKED),
        essential=("door/R2/closed",),
    ),
    Case(
        "lock", "armed-handle-moved", "L2", "warning", before=(at_door("L2", ARMED),),
        met=at_door("L2", locked=False), delay=0, end=at_door("L2", locked=True),
        essential=("door/L2/closed", "door/L2/locked"),
    ),
    Case(
        "one girt end is enough", "armed-handle-moved", "L1", "warning", before=(at_door("L1", girt_right=True),),
        met=at_door("L1", handle_lifted=True), delay=0, end=at_door("L1", girt_right=False),
        essential=("door/L1/girt_right", "door/L1/closed"),
    ),
    Case(
        "leaf", "armed-leaf-moving", "L1", "warning", before=(L1_ARMED, at_door("L1", UNLOCKED)),
        met=at_door("L1", closed=False, travel=0.05), delay=0, end=at_door("L1", closed=True, travel=0.0),
        essential=("door/L1/closed",),
    ),
    Case(
        "leaf by one girt end", "armed-leaf-moving", "R1", "warning",
        before=(at_door("R1", UNLOCKED), at_door("R1", closed=False, travel=0.05)),
        met=at_door("R1", girt_left=True), delay=0, end=at_door("R1", girt_left=False),
        essential=("door/R1/closed", "door/R1/girt_left"),
    ),
    Case(
        "slide", "slide-deployed", "L1", "warning", met=at_door("L1", slide_released=True), delay=0,
        end=at_door("L1", slide_released=False), essential=("door/L1/slide_released",),
    ),
    Case(
        "overwing slide", "slide-deployed", "OL1", "warning", met=at_door("OL1", slide_released=True), delay=0,
        end=at_door("OL1", slide_released=False), essential=("door/OL1/slide_released",),
    ),
    Case(
        "slide in an emergency", "slide-deployed", "L1", "advisory", before=({"airframe/emergency": True},),
        met=at_door("L1", slide_released=True), delay=0, end=at_door("L1", slide_released=False),
        essential=("door/L1/slide_released",),
    ),
    Case(
        "outside", "outside-opening-armed", "L1", "advisory", before=(L1_ARMED,),
        met=at_door("L1", outside_handle_lifted=True), delay=0, end=at_door("L1", outside_handle_lifted=False),
        essential=("door/L1/outside_handle_lifted",),
    ),
    Case(
        "outside, still engaged", "outside-opening-armed", "L1", "warning", before=(L1_ARMED,),
        met=at_door("L1", outside_handle_lifted=True), delay=2,
        end=at_door("L1", lever_armed=False, girt_left=False, girt_right=False),
        essential=("door/L1/outside_handle_lifted",),
    ),
    Case(
        "lever without girts", "girt-disagree", "L1", "caution", met=at_door("L1", lever_armed=True), delay=2,
        end=at_door("L1", lever_armed=False), essential=("door/L1/lever_armed",),
    ),
    Case(
        "one girt end", "girt-disagree", "R1", "caution", before=(at_door("R1", ARMED),),
        met=at_door("R1", girt_left=False), delay=2, end=at_door("R1", girt_left=True),
        essential=("door/R1/girt_left",),
    ),
    Case(
        "disagree with the handle moved", "girt-disagree", "L2", "warning", before=(at_door("L2", girt_left=True),),
        met=at_door("L2", handle_lifted=True), delay=2, end=at_door("L2", girt_left=False),
        essential=("door/L2/handle_lifted", "door/L2/girt_left"),
    ),
    Case(
        "disagree with the outside handle moved", "girt-disagree", "L2", "warning", before=(at_door("L2", girt_left=True),),
        met=at_door("L2", outside_handle_lifted=True), delay=2, end=at_door("L2", girt_left=False),
        essential=("door/L2/outside_handle_lifted", "door/L2/girt_left"),
    ),
)  # fmt: skip

DELAYED: Final = [case for case in CASES if case.delay]


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_raised_exactly_at_its_delay(case: Case) -> None:
    check_raised_exactly_at_its_delay(case)


@pytest.mark.parametrize("case", DELAYED, ids=str)
def test_it_is_not_raised_where_it_ends_before_its_delay(case: Case) -> None:
    check_not_raised_where_it_ends_before_its_delay(case)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_cleared_by_its_end(case: Case) -> None:
    check_cleared_by_its_end(case)


@each_unknown_input(CASES)
def test_it_is_never_raised_on_what_is_not_known(case: Case, signal: str, how: str) -> None:
    check_never_raised_on_what_is_not_known(case, signal, how)


# Kinds

EVERYTHING: Final[dict[str, Any]] = {**ARMED, **OUT, "travel": 0.5, "outside_handle_lifted": True, "lever_armed": True, "girt_left": False}  # fmt: skip
KINDS: Final[dict[str, set[DoorKind]]] = {
    "armed-handle-moved": {DoorKind.CABIN},
    "armed-leaf-moving": {DoorKind.CABIN},
    "outside-opening-armed": {DoorKind.CABIN},
    "girt-disagree": {DoorKind.CABIN},
    "slide-deployed": {DoorKind.CABIN, DoorKind.OVERWING},
}


@pytest.mark.parametrize(("kind", "type_", "door"), one_of_each_kind(), ids=str)
def test_it_is_raised_at_the_kinds_of_the_design_and_no_other(kind: DoorKind, type_: str, door: str) -> None:
    story = Story(type=type_).baseline()
    story.door_bundle(door, ARMED, {"handle_lifted": True}, at=5)
    story.door_bundle(door, EVERYTHING, at=10)
    story.until(20)
    story.door_bundle(door, {"slide_released": True}, at=20)
    story.until(60)
    codes = {event.code for event in story.events}
    assert {code for code, kinds in KINDS.items() if kind in kinds} == codes & set(KINDS)


# armed-handle-moved


def test_a_handle_that_moves_with_the_slide_disengaged_is_no_hazard_of_the_slide() -> None:
    story = alder()
    story.door_bundle("L1", UNLOCKED, at=AT)
    assert story.state("L1") == "unlocked"
    assert story.events == []


def test_the_outside_handle_as_the_cause_is_another_hazard() -> None:
    story = alder()
    story.bundle(L1_ARMED, at=5)
    story.door_bundle("L1", {"outside_handle_lifted": True}, at=AT)
    assert story.state("L1") == "armed_unlocked"
    story.door_bundle("L1", {"latched": False, "locked": False}, at=AT + 0.2)
    assert story.told("armed-handle-moved") == []
    assert [(e.type, e.priority) for e in story.told("outside-opening-armed")] == [("raised", "advisory")]


@pytest.mark.parametrize(("after", "advisory"), [(0.3, True), (0.001, True), (0.301, False)])
def test_it_becomes_advisory_if_the_outside_handle_follows_within_300_ms(after: float, advisory: bool) -> None:
    story = alder()
    story.bundle(L1_ARMED, at=5)
    story.door_bundle("L1", {"latched": False, "locked": False}, at=AT)
    assert [e.priority for e in story.told("armed-handle-moved")] == ["warning"]
    story.send("door/L1/outside_handle_lifted", True, at=AT + after)
    told = [(e.type, e.priority) for e in story.told("armed-handle-moved")]
    assert told == [("raised", "warning")] + [("reprioritised", "advisory")] * advisory
    story.until(60)
    assert [e.priority for e in story.told("armed-handle-moved")][-1] == ("advisory" if advisory else "warning")


def test_both_handles_in_one_bundle_is_the_outside_handle() -> None:
    story = alder()
    story.bundle(L1_ARMED, at=5)
    story.door_bundle("L1", {"handle_lifted": True, "outside_handle_lifted": True}, at=AT)
    assert story.told("armed-handle-moved") == []


def test_it_ends_as_the_leaf_moves_out_and_the_next_hazard_takes_its_place() -> None:
    story = alder()
    story.bundle(L1_ARMED, at=5)
    story.door_bundle("L1", UNLOCKED, at=AT)
    story.door_bundle("L1", {"closed": False, "travel": 0.1}, at=AT + 1)
    assert [e.brief for e in story.events if e.code.startswith("armed")] == [
        ("raised", "armed-handle-moved", "L1", "warning"),
        ("cleared", "armed-handle-moved", "L1", "warning"),
        ("raised", "armed-leaf-moving", "L1", "warning"),
    ]


# A declared emergency


def test_armed_hazards_are_not_raised_while_an_emergency_is_declared() -> None:
    story = alder()
    story.bundle({"airframe/emergency": True, **L1_ARMED}, at=5)
    story.door_bundle("L1", UNLOCKED, at=AT)
    story.door_bundle("L1", {"closed": False, "travel": 0.1}, at=AT + 1)
    story.until(60)
    assert [e for e in story.events if e.code.startswith("armed")] == []


@pytest.mark.parametrize(
    "emergency", [{"value": True, "quality": "bad"}, {"value": True, "quality": "uncertain"}, False]
)
def test_an_emergency_that_is_not_known_silences_nothing(emergency: Any) -> None:
    story = alder()
    story.bundle({"airframe/emergency": emergency, **L1_ARMED}, at=5)
    story.door_bundle("L1", UNLOCKED, at=AT)
    assert story.types("armed-handle-moved") == ["raised"]


def test_an_emergency_declared_afterwards_suppresses_and_its_end_brings_back() -> None:
    story = alder()
    story.bundle(L1_ARMED, at=5)
    story.door_bundle("L1", UNLOCKED, at=AT)
    story.acknowledge("armed-handle-moved", "L1")
    story.send("airframe/emergency", True, at=AT + 1)
    story.send("airframe/emergency", False, at=AT + 2)
    assert [(e.type, e.state) for e in story.told("armed-handle-moved")] == [
        ("raised", "unacknowledged"),
        ("acknowledged", "acknowledged"),
        ("suppressed", "suppressed"),
        ("unsuppressed", "acknowledged"),
    ]


# slide-deployed


def test_a_release_takes_over_from_the_moving_leaf() -> None:
    story = alder()
    story.bundle(L1_ARMED, at=5)
    story.door_bundle("L1", UNLOCKED, at=8)
    story.door_bundle("L1", {"closed": False, "travel": 0.1}, at=AT)
    story.door_bundle("L1", {"slide_released": True}, at=AT + 1)
    leaf = [(e.type, e.state) for e in story.told("armed-leaf-moving")]
    assert leaf == [("raised", "unacknowledged"), ("suppressed", "suppressed")]
    story.door_bundle("L1", {"closed": True, "travel": 0.0}, at=AT + 2)
    assert story.types("armed-leaf-moving")[-1] == "cleared"
    assert ("armed-leaf-moving", "L1") not in story.standing()


def test_what_one_instant_brings_raises_nothing_that_it_also_takes_over() -> None:
    story = alder()
    story.bundle(L1_ARMED, at=5)
    story.door_bundle("L1", UNLOCKED, at=8)
    story.door_bundle("L1", {"closed": False, "travel": 0.1, "slide_released": True}, at=AT)
    assert story.types("slide-deployed") == ["raised"]
    assert story.told("armed-leaf-moving") == []


def test_a_release_latches_until_the_doors_reset() -> None:
    story = alder()
    story.door_bundle("L1", {"slide_released": True}, at=AT)
    story.acknowledge("slide-deployed", "L1")
    story.send("door/L1/slide_released", False, at=20)
    assert [(e.type, e.state) for e in story.told("slide-deployed")][-2:] == [
        ("cleared", "latched"),
        ("latched", "latched"),
    ]
    story.until(4000)
    assert story.state("L1") == "slide_deployed"
    story.reset("L1")
    assert story.types("slide-deployed")[-1] == "reset"
    assert story.standing() == set()
    assert story.state("L1") == "closed_locked"


def test_a_release_that_was_never_acknowledged_latches_once_it_is() -> None:
    story = alder()
    story.door_bundle("L1", {"slide_released": True}, at=AT)
    story.send("door/L1/slide_released", False, at=20)
    story.acknowledge("slide-deployed", "L1")
    assert [(e.type, e.state) for e in story.told("slide-deployed")][-2:] == [
        ("acknowledged", "latched"),
        ("latched", "latched"),
    ]


def test_the_priority_of_a_release_is_settled_when_it_happens() -> None:
    story = alder()
    story.door_bundle("L1", {"slide_released": True}, at=AT)
    story.send("airframe/emergency", True, at=20)
    story.until(30)
    assert [(e.type, e.priority) for e in story.told("slide-deployed")] == [("raised", "warning")]
    story = alder()
    story.send("airframe/emergency", True, at=5)
    story.door_bundle("L1", {"slide_released": True}, at=AT)
    story.send("airframe/emergency", False, at=20)
    story.until(30)
    assert [(e.type, e.priority) for e in story.told("slide-deployed")] == [("raised", "advisory")]


def test_the_next_release_after_a_reset_is_settled_anew() -> None:
    story = alder()
    story.send("airframe/emergency", True, at=5)
    story.door_bundle("L1", {"slide_released": True}, at=AT)
    story.bundle({"airframe/emergency": False, "door/L1/slide_released": False}, at=20)
    story.reset("L1")
    story.door_bundle("L1", {"slide_released": True}, at=30)
    assert [(e.type, e.priority) for e in story.told("slide-deployed")][-1] == ("raised", "warning")


# outside-opening-armed


def test_it_is_over_in_good_order_as_the_outside_handle_disengages_the_slide() -> None:
    story = alder()
    story.bundle(L1_ARMED, at=5)
    story.send("door/L1/outside_handle_lifted", True, at=AT)
    story.door_bundle("L1", {"lever_armed": False, "girt_left": False, "girt_right": False}, at=AT + 2 - JUST)
    story.until(60)
    assert [(e.type, e.priority) for e in story.told("outside-opening-armed")] == [
        ("raised", "advisory"),
        ("cleared", "advisory"),
    ]


# girt-disagree


def test_it_falls_at_once_as_the_handle_comes_home() -> None:
    story = alder()
    story.door_bundle("L1", {"girt_left": True, "handle_lifted": True}, at=AT)
    story.until(AT + 3)
    story.send("door/L1/handle_lifted", False, at=AT + 3)
    assert [(e.type, e.priority, e.at) for e in story.told("girt-disagree")] == [
        ("raised", "warning", AT + 2),
        ("reprioritised", "caution", AT + 3),
    ]


def test_its_warning_counts_its_own_time() -> None:
    story = alder()
    story.door_bundle("L1", {"girt_left": True}, at=AT)
    story.until(AT + 30)
    story.send("door/L1/handle_lifted", True, at=AT + 30)
    story.until(AT + 32 - JUST)
    assert [e.priority for e in story.told("girt-disagree")] == ["caution"]
    story.until(AT + 32)
    assert [(e.type, e.priority, e.at) for e in story.told("girt-disagree")][-1] == (
        "reprioritised",
        "warning",
        AT + 32,
    )


def test_lever_and_both_ends_agree_either_way_and_nothing_is_told() -> None:
    story = alder()
    story.bundle(L1_ARMED, at=AT)
    story.until(60)
    story.door_bundle("L1", {"lever_armed": False, "girt_left": False, "girt_right": False}, at=60)
    story.until(120)
    assert story.events == []
