"""Hazards of not seeing: contradictory, bad, old and missing readings, jumps, and lost feeds."""

from __future__ import annotations

from typing import Any, Final

import pytest

from monitor.core.airframe import DoorKind
from tests.core.rule_cases import (
    AT,
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

BAD: Final = {"quality": "bad"}

CASES: Final = (
    Case(
        "locked without latched", "lock-disagree", "CF", "caution", before=(at_door("CF", lock_flags=False),),
        met=at_door("CF", latched=False), delay=1, end=at_door("CF", locked=False),
        essential=("door/CF/latched", "door/CF/locked"),
    ),
    Case(
        "locked without closed", "lock-disagree", "H3", "caution", before=(at_door("H3", handle_lifted=True),),
        met=at_door("H3", closed=False), delay=1, end=at_door("H3", latched=False, locked=False),
        essential=("door/H3/closed",),
    ),
    Case(
        "latched without closed", "lock-disagree", "L1", "caution", before=(at_door("L1", UNLOCKED),),
        met=at_door("L1", closed=False, latched=True), delay=1, end=at_door("L1", latched=False),
        essential=("door/L1/closed", "door/L1/latched"),
    ),
    Case(
        "lock flags without latched", "lock-disagree", "CA", "caution", before=(at_door("CA", locked=False),),
        met=at_door("CA", latched=False), delay=1, end=at_door("CA", lock_flags=False),
        essential=("door/CA/latched", "door/CA/lock_flags"),
    ),
    Case(
        "a sensor calls itself bad", "signal-bad", "R1", "caution",
        met=at_door("R1", locked={"value": True, **BAD}), delay=1, end=at_door("R1", locked=True), essential=(),
    ),
    Case(
        "an airframe sensor calls itself bad", "signal-bad", "-", "caution",
        met={"airframe/beacon": {"value": False, **BAD}}, delay=1, end={"airframe/beacon": False}, essential=(),
    ),
    Case(
        "in frame with hold-open engaged", "signal-bad", "L2", "caution", met=at_door("L2", hold_open=True), delay=1,
        end=at_door("L2", hold_open=False), essential=("door/L2/closed",),
    ),
    Case(
        "in frame and moved", "signal-bad", "WL", "caution", met=at_door("WL", travel=0.51), delay=1,
        end=at_door("WL", travel=0.5), essential=("door/WL/closed",),
    ),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_raised_exactly_at_its_delay(case: Case) -> None:
    check_raised_exactly_at_its_delay(case)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_not_raised_where_it_ends_before_its_delay(case: Case) -> None:
    check_not_raised_where_it_ends_before_its_delay(case)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_cleared_by_its_end(case: Case) -> None:
    check_cleared_by_its_end(case)


@each_unknown_input(CASES, ("uncertain", "withdrawn", "silent"))
def test_it_is_never_raised_on_what_is_not_known(case: Case, signal: str, how: str) -> None:
    check_never_raised_on_what_is_not_known(case, signal, how)


@pytest.mark.parametrize(("kind", "type_", "door"), one_of_each_kind(), ids=str)
def test_every_kind_of_door_has_its_disagreements(kind: DoorKind, type_: str, door: str) -> None:
    story = Story(type=type_).baseline().until(5)
    for signal, value in {"handle_lifted": True, "closed": False}.items():
        story.send(f"door/{door}/{signal}", value, at=AT)
    story.send(f"door/{door}/latched", True, at=11, quality="bad")
    story.until(20)
    assert {"lock-disagree", "signal-bad"} <= {e.code for e in story.events if e.door == door}, kind


# signal-bad and signal-stale


def test_an_uncertain_reading_is_not_bad() -> None:
    story = alder()
    story.send("door/L1/closed", True, at=AT, quality="uncertain")
    story.until(60)
    assert story.events == []
    assert story.state("L1") == "unknown"


def test_its_text_names_the_readings() -> None:
    story = alder()
    story.bundle(at_door("L1", locked={"value": True, **BAD}, latched={"value": True, **BAD}), at=AT)
    story.until(20)
    (raised,) = story.told("signal-bad")
    assert "latched, locked" in raised.data["text"]


@pytest.mark.parametrize(("path", "door"), [("airframe/heartbeat", "-"), ("door/L1/heartbeat", "L1")])
def test_a_heartbeat_that_calls_itself_bad_is_told_too(path: str, door: str) -> None:
    story = alder()
    story.send(path, 900, at=AT, quality="bad")
    story.until(AT + 1)
    assert story.types("signal-bad", door) == ["raised"]
    story.send(path, 901, at=AT + 2)
    assert story.types("signal-bad", door) == ["raised", "cleared"]


def test_only_what_the_type_fits_is_asked_for() -> None:
    story = alder(beating=False)
    story.send("door/L1/ground_clear", True, at=2)
    story.send("door/L1/manual_inflation", False, at=2)
    for second in range(5, 90, 5):
        story.send("door/L1/heartbeat", second, at=second)
    assert [e for e in story.told("signal-stale") if e.door == "L1"] == []


def test_who_and_where_an_aircraft_is_does_not_go_stale() -> None:
    story = Story()
    story.bundle({"airframe/type": "alder", "airframe/stand": "S12", "airframe/power": "on"})
    for second in range(5, 90, 5):
        story.send("airframe/beacon", False, at=second)
    assert story.events == []


# implausible-jump


def test_a_jump_is_told_at_once_of_a_feed_of_single_readings() -> None:
    story = alder()
    story.send("door/H1/closed", False, at=AT)
    assert [(e.type, e.door, e.priority, e.at) for e in story.told("implausible-jump")] == [
        ("raised", "H1", "advisory", AT)
    ]
    story.send("door/H1/latched", False, at=11)
    story.send("door/H1/locked", False, at=12)
    story.send("door/H1/handle_lifted", True, at=13)
    assert story.types("implausible-jump") == ["raised"]
    story.send("door/H1/closed", True, at=14)
    assert [(e.type, e.at) for e in story.told("implausible-jump")][-1] == ("cleared", 14)


def jumping(step_s: float, jumps: int) -> Story:
    """CB jumps out and comes back in order, again and again, in bundles ``step_s`` apart."""
    story = alder()
    at = AT
    for _ in range(jumps):
        for readings in ({**OUT, "travel": 0.5}, {"closed": True, "travel": 0.0}, LOCKED):
            story.door_bundle("CB", readings, at=at)
            at += step_s
    return story


def test_slow_bundles_are_told_only_at_the_third_jump_in_an_hour() -> None:
    story = jumping(5, 2)
    assert story.told("implausible-jump") == []
    assert len(story.jumps()) == 2, "always counted"
    story = jumping(5, 3)
    assert [(e.type, e.at) for e in story.told("implausible-jump")] == [("raised", AT + 30), ("cleared", AT + 35)]


def test_three_slow_jumps_in_more_than_an_hour_are_not_told() -> None:
    story = jumping(605, 3)
    assert len(story.jumps()) == 3
    assert story.told("implausible-jump") == []


@pytest.mark.parametrize(("step_s", "told"), [(0.5, True), (0.501, False)])
def test_a_feed_of_fast_bundles_is_told_at_once(step_s: float, told: bool) -> None:
    story = alder()
    for number in range(6):
        story.door_bundle("CB", {"travel": 0.0}, at=AT + number * step_s)
    story.door_bundle("CB", OUT, {"travel": 0.5}, at=AT + 6 * step_s)
    assert (story.types("implausible-jump") == ["raised"]) is told


def test_bundles_of_other_doors_say_nothing_of_this_doors_feed() -> None:
    story = alder()
    for number in range(20):
        story.door_bundle("CA", {"travel": 0.0}, at=AT + number / 10)
    story.door_bundle("CB", OUT, {"travel": 0.5}, at=AT + 2)
    assert story.told("implausible-jump") == []


def test_a_change_into_unknown_does_not_end_it() -> None:
    story = alder()
    story.send("door/H1/closed", False, at=AT)
    story.send("door/H1/closed", False, at=11, quality="bad")
    story.until(60)
    assert story.types("implausible-jump") == ["raised"]


# feed-lost


@pytest.mark.parametrize(
    ("picture", "priority"),
    [
        ({}, "caution"),
        ({"airframe/passengers_aboard": 1}, "warning"),
        ({"airframe/refuelling": True}, "warning"),
        ({"airframe/engine_2_running": True}, "warning"),
        ({"airframe/engine_3_running": True}, "warning"),
        (at_door("H4", OUT), "warning"),
        ({"airframe/beacon": True}, "caution"),
    ],
)
def test_what_was_last_seen_settles_the_priority_of_a_lost_feed(picture: dict[str, Any], priority: str) -> None:
    story = alder()
    if picture:
        story.bundle(picture, at=3)
    story.until(5)
    story.beating = False
    story.until(34.999)
    assert story.told("feed-lost") == []
    story.until(35)
    (raised,) = story.told("feed-lost")
    assert (raised.type, raised.priority, raised.at, raised.door) == ("raised", priority, 35, "-")
    story.until(10_000)
    assert len(story.told("feed-lost")) == 1


def test_a_lost_feed_hides_the_signal_alerts_of_its_aircraft() -> None:
    story = alder()
    story.send("door/L1/locked", True, at=5, quality="bad")
    story.until(20)
    story.acknowledge("signal-bad", "L1")
    story.beating = False
    story.until(100)
    assert story.types("signal-bad", "L1")[:3] == ["raised", "acknowledged", "suppressed"]
    assert story.told("signal-stale") == []
    story.acknowledge("feed-lost")
    assert [e.state for e in story.told("signal-bad")][-1] != "acknowledged"


def test_acknowledging_a_lost_feed_acknowledges_nothing_that_it_hid() -> None:
    story = alder()
    story.send("door/L1/heartbeat", 1, at=5)
    story.until(40)
    assert story.types("signal-stale", "L1") == ["raised"]
    story.beating = False
    story.until(100)
    story.acknowledge("feed-lost")
    story.beat(at=101)
    assert [(e.type, e.state) for e in story.told("signal-stale", "L1")] == [
        ("raised", "unacknowledged"),
        ("suppressed", "suppressed"),
        ("unsuppressed", "unacknowledged"),
    ]


def test_other_hazards_of_the_aircraft_are_not_hidden_by_its_lost_feed() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=3)
    story.door_bundle("L1", UNLOCKED, at=4)
    story.beating = False
    story.until(100)
    assert story.types("armed-handle-moved") == ["raised"]
    assert (story.alert("armed-handle-moved", "L1") or {})["blind"] is True


def test_another_aircraft_is_none_of_its_business() -> None:
    story = alder()
    other = Story(reg="TW-202", stand="S13", system=story.system)
    other.now = story.now
    other.baseline()
    for at in range(5, 100, 5):
        other.until(at)
    assert [e.aircraft for e in other.events if e.code == "feed-lost"] == [story.reg]
