"""Exits that do not do in time what people count on: slow slides, missing slides, slow doors."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core.rules import DOOR_RULES
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
)
from tests.stories import ARMED, DISARMED, LOCKED, OUT, UNLOCKED, Story, alder, demo_site

AJAR: Final = {"closed": False, "travel": 0.3}
IN: Final = {"closed": True, "travel": 0.0}

CASES: Final = (
    Case(
        "slide alone", "slide-slow", "L1", "caution", met=at_door("L1", slide_released=True), delay=6,
        end=at_door("L1", slide_erect=True), essential=("door/L1/slide_released", "door/L1/slide_erect"),
    ),
    Case(
        "type C, handle with the slide", "slide-slow", "L1", "caution", before=(at_door("L1", ARMED),),
        met=at_door("L1", OUT, slide_released=True), delay=10, end=at_door("L1", slide_erect=True),
        essential=("door/L1/slide_released", "door/L1/slide_erect"),
    ),
    Case(
        "type C, handle 4.9 s before", "slide-slow", "R2", "caution",
        before=(at_door("R2", ARMED), at_door("R2", outside_handle_lifted=True)),
        met=at_door("R2", closed=False, slide_released=True), delay=6, end=at_door("R2", slide_erect=True),
        essential=("door/R2/slide_released", "door/R2/slide_erect"),
    ),
    Case(
        "overwing", "slide-slow", "OL1", "caution", met=at_door("OL1", handle_lifted=True, slide_released=True),
        delay=6, end=at_door("OL1", slide_erect=True), essential=("door/OL1/slide_released", "door/OL1/slide_erect"),
    ),
    Case(
        "type A counts from the release alone", "slide-slow", "L1", "caution", type="cedar",
        met=at_door("L1", OUT, slide_released=True), delay=6, end=at_door("L1", slide_erect=True),
        essential=("door/L1/slide_released", "door/L1/slide_erect"),
    ),
    Case(
        "slide comes late", "slide-not-released", "L1", "warning", before=(at_door("L1", ARMED), at_door("L1", UNLOCKED)),
        met=at_door("L1", AJAR), delay=2, end=at_door("L1", slide_released=True),
        essential=("door/L1/closed", "door/L1/slide_released"),
    ),
    Case(
        "leaf back in its frame", "slide-not-released", "L1", "warning",
        before=(at_door("L1", girt_left=True), at_door("L1", UNLOCKED)),
        met=at_door("L1", AJAR), delay=2, end=at_door("L1", IN),
        essential=("door/L1/closed", "door/L1/girt_left", "door/L1/slide_released"),
    ),
    Case(
        "overwing hatch", "slide-not-released", "OR1", "warning", met=at_door("OR1", closed=False, latched=False, locked=False),
        delay=2, end=at_door("OR1", slide_released=True), essential=("door/OR1/closed", "door/OR1/slide_released"),
    ),
    Case(
        "leaf out", "emergency-open-slow", "L1", "warning", before=(at_door("L1", ARMED),),
        met=at_door("L1", OUT, AJAR), delay=10, end=at_door("L1", hold_open=True, travel=1.0),
        essential=("door/L1/closed", "door/L1/hold_open", "door/L1/handle_lifted"),
    ),
    Case(
        "leaf out, then disengaged", "emergency-open-slow", "L1", "warning", before=(at_door("L1", ARMED),),
        met=at_door("L1", OUT, AJAR), delay=10, end=at_door("L1", DISARMED), essential=("door/L1/closed",),
    ),
    Case(
        "stuck in an emergency", "emergency-open-slow", "R1", "warning",
        before=(at_door("R1", ARMED), {"airframe/emergency": True}), met=at_door("R1", UNLOCKED), delay=10,
        end=at_door("R1", LOCKED), essential=("airframe/emergency", "door/R1/handle_lifted"),
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


@each_unknown_input(CASES)
def test_it_is_never_raised_on_what_is_not_known(case: Case, signal: str, how: str) -> None:
    check_never_raised_on_what_is_not_known(case, signal, how)


def raised(story: Story, code: str, door: str) -> list[float]:
    return [e.at for e in story.told(code, door) if e.type in ("raised", "reraised")]


def without(signal: str, door: str = "L1") -> Story:
    """An alder whose door's type does not have a signal, and does not send it."""
    site = demo_site()
    airframe = site.types["alder"]
    bare = replace(airframe.doors[door], signals=airframe.doors[door].signals - {signal})
    types = {**site.types, "alder": replace(airframe, doors={**airframe.doors, door: bare})}
    return Story(site=replace(site, types=types)).baseline().until(1)


# slide-slow


@pytest.mark.parametrize(
    ("handle", "released", "due"),
    [(10.0, 10.0, 20.0), (10.0, 12.0, 20.0), (10.0, 13.9, 20.0), (10.0, 14.1, 20.1), (10.0, 60.0, 66.0), (15.0, 12.0, 18.0)],
)  # fmt: skip
def test_a_type_c_exit_has_ten_seconds_from_its_handle_and_never_less_than_six_from_the_release(
    handle: float, released: float, due: float
) -> None:
    story = alder()
    story.door_bundle("L1", ARMED, at=5)
    steps = sorted([(handle, "handle_lifted"), (released, "slide_released")])
    for at, signal in steps:
        story.send(f"door/L1/{signal}", True, at=at)
    story.until(due - JUST)
    assert raised(story, "slide-slow", "L1") == []
    assert raised(story.until(due), "slide-slow", "L1") == [due]


def test_a_handle_that_went_home_in_between_does_not_count() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, at=5)
    story.send("door/L1/handle_lifted", True, at=9)
    story.send("door/L1/handle_lifted", False, at=9.5)
    story.send("door/L1/slide_released", True, at=10)
    assert raised(story.until(30), "slide-slow", "L1") == [16]


def test_erect_once_is_enough_even_if_it_sinks_again() -> None:
    story = CASES[0].meet()
    story.send("door/L1/slide_erect", True, at=13)
    story.send("door/L1/slide_erect", False, at=14)
    assert raised(story.until(100), "slide-slow", "L1") == []


def test_a_slide_that_stood_before_it_was_told_to_be_out_is_not_slow() -> None:
    story = alder()
    story.send("door/L1/slide_erect", True, at=9)
    story.send("door/L1/slide_released", True, at=10)
    assert raised(story.until(100), "slide-slow", "L1") == []


def test_it_ends_by_a_reset_and_not_by_a_release_that_reads_false_again() -> None:
    story = CASES[0].meet()
    story.send("door/L1/slide_released", False, at=20)
    assert story.types("slide-slow") == ["raised"]
    story.until(30)
    story.reset("L1")
    assert [(e.type, e.at) for e in story.told("slide-slow")] == [("raised", 16), ("cleared", 30)]


def test_a_slide_that_becomes_known_again_late_is_slow_at_once() -> None:
    story = CASES[0].meet()
    story.send("door/L1/slide_erect", False, at=12, quality="bad")
    assert raised(story.until(40), "slide-slow", "L1") == []
    story.send("door/L1/slide_erect", False, at=41)
    assert raised(story, "slide-slow", "L1") == [41]


def test_what_is_not_known_keeps_it() -> None:
    story = CASES[0].meet().until(20)
    story.send("door/L1/slide_erect", True, at=21, quality="uncertain")
    assert story.types("slide-slow") == ["raised"]
    document = story.alert("slide-slow", "L1")
    assert document is not None
    assert document["blind"] is True


def test_a_door_that_cannot_tell_is_deaf_to_it_and_not_slow() -> None:
    story = without("slide_erect")
    story.send("door/L1/slide_released", True, at=AT)
    assert raised(story.until(60), "slide-slow", "L1") == []
    rows = {row["code"]: row["why"] for row in story.door("L1")["deaf_to"]}
    assert rows["slide-slow"] == "not fitted"
    story.send("door/L1/slide_erect", False, at=61)
    assert raised(story, "slide-slow", "L1") == [61], "sent though not fitted: it is used"


def test_a_fitted_signal_that_never_came_counts_as_not_seen() -> None:
    story = Story()
    story.bundle({"airframe/type": "alder", "airframe/heartbeat": 1, "door/L1/slide_released": True}, at=1)
    story.beating = True
    story._beats = 1
    assert raised(story.until(6.999), "slide-slow", "L1") == []
    assert raised(story.until(7), "slide-slow", "L1") == [7]


# slide-not-released


def test_a_slide_engaged_once_the_leaf_is_out_was_not_pulled() -> None:
    story = alder()
    story.door_bundle("L1", UNLOCKED, at=5)
    story.door_bundle("L1", AJAR, at=6)
    story.door_bundle("L1", ARMED, at=10)
    assert raised(story.until(60), "slide-not-released", "L1") == []


def test_disengaging_it_afterwards_ends_nothing() -> None:
    story = CASES[5].meet()
    story.door_bundle("L1", DISARMED, at=20)
    assert story.types("slide-not-released") == ["raised"]


def test_a_leaf_that_is_not_known_ends_nothing_and_starts_nothing_anew() -> None:
    story = CASES[5].meet()
    story.send("door/L1/closed", False, at=11, quality="bad")
    story.send("door/L1/closed", False, at=11.5)
    story.until(12)
    assert raised(story, "slide-not-released", "L1") == [12]
    story.send("door/L1/closed", True, at=20, quality="bad")
    assert story.types("slide-not-released") == ["raised"]


def test_a_leaf_that_left_unseen_counts_from_when_it_is_seen_out() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, at=5)
    story.send("door/L1/closed", True, at=6, quality="bad")
    story.send("door/L1/closed", False, at=AT)
    assert raised(story.until(60), "slide-not-released", "L1") == [AT + 2]


def test_the_manual_inflation_handle_is_named_and_its_pull_is_told() -> None:
    story = CASES[5].meet().until(13)
    document = story.alert("slide-not-released", "L1")
    assert document is not None
    assert "manual inflation handle" in document["action"]
    assert document["text"] == "L1: left its frame with the slide engaged and nothing was released."
    story.send("door/L1/manual_inflation", True, at=14)
    document = story.alert("slide-not-released", "L1")
    assert document is not None
    assert document["text"].endswith("nothing was released, though its manual inflation handle is pulled.")
    assert ("door/L1/manual_inflation", True) in [(row["signal"], row["value"]) for row in document["evidence"]]
    assert story.types("slide-not-released") == ["raised"]


def test_an_overwing_hatch_without_a_slide_cannot_miss_one() -> None:
    story = alder(type="birch")
    story.door_bundle("OL1", {"closed": False, "locked": False}, at=AT)
    assert raised(story.until(60), "slide-not-released", "OL1") == []


# emergency-open-slow


def test_a_normal_opening_is_never_slow() -> None:
    story = alder()
    story.door_bundle("L1", UNLOCKED, at=5)
    story.door_bundle("L1", AJAR, at=7)
    assert raised(story.until(120), "emergency-open-slow", "L1") == []


def test_the_time_runs_from_the_inside_handle_whenever_the_leaf_moves() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, at=5)
    story.send("door/L1/handle_lifted", True, at=10)
    story.door_bundle("L1", OUT, AJAR, at=18)
    assert raised(story.until(19.999), "emergency-open-slow", "L1") == []
    assert raised(story.until(20), "emergency-open-slow", "L1") == [20]


def test_a_handle_moved_in_its_frame_is_no_opening_without_an_emergency() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, at=5)
    story.door_bundle("L1", UNLOCKED, at=10)
    assert raised(story.until(40), "emergency-open-slow", "L1") == []
    story.send("airframe/emergency", True, at=41)
    assert raised(story, "emergency-open-slow", "L1") == [41]
    story.send("airframe/emergency", False, at=42)
    assert story.types("emergency-open-slow", "L1") == ["raised", "cleared"]


def test_the_outside_handle_alone_starts_no_clock() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, at=5)
    story.door_bundle("L1", OUT, AJAR, {"handle_lifted": False, "outside_handle_lifted": True}, at=10)
    assert raised(story.until(60), "emergency-open-slow", "L1") == []


def test_a_handle_that_goes_home_with_the_leaf_out_ends_nothing() -> None:
    story = CASES[8].meet().until(21)
    story.send("door/L1/handle_lifted", False, at=22)
    assert story.types("emergency-open-slow") == ["raised"]
    story.door_bundle("L1", IN, LOCKED, at=30)
    assert [(e.type, e.at) for e in story.told("emergency-open-slow")] == [("raised", 20), ("cleared", 30)]


def test_open_once_is_open_in_time_even_if_it_is_brought_back() -> None:
    story = CASES[8].meet()
    story.door_bundle("L1", {"hold_open": True, "travel": 1.0}, at=15)
    story.door_bundle("L1", {"hold_open": False, "travel": 0.8}, at=40)
    assert raised(story.until(100), "emergency-open-slow", "L1") == []


def test_without_a_hold_open_lock_full_travel_is_open() -> None:
    story = without("hold_open")
    story.door_bundle("L1", ARMED, at=5)
    story.withdraw("door/L1/hold_open")
    story.door_bundle("L1", OUT, AJAR, {"slide_released": True}, at=10)
    story.send("door/L1/travel", 0.99, at=19)
    story.send("door/L1/travel", 0.9, at=30)
    assert raised(story.until(60), "emergency-open-slow", "L1") == []


# A slide that was taken out


TAKEN_OUT: Final[dict[str, dict[str, Any]]] = {
    "slide-slow": {"slide_released": True},
    "slide-not-released": AJAR,
    "emergency-open-slow": {**OUT, **AJAR},
    "armed-leaf-moving": {**OUT, **AJAR},
    "armed-handle-moved": {"handle_lifted": True},
    "girt-disagree": {"girt_left": False},
    "outside-opening-armed": {"outside_handle_lifted": True},
    "pin-left-in": {"pin_fitted": True},
}


@pytest.mark.parametrize("code", TAKEN_OUT)
def test_a_slide_declared_taken_out_meets_nothing(code: str) -> None:
    told = []
    for removed in (False, True):
        story = alder()
        story.door_bundle("L1", ARMED, at=5)
        story.system.record.aircraft[story.reg].doors["L1"].slide_removed = removed
        story.door_bundle("L1", TAKEN_OUT[code], at=AT)
        told.append(story.until(60).types(code, "L1")[:1])
    assert told == [["raised"], []]


@pytest.mark.parametrize("at", [5.5, 10.5, 11.5, 15.0])
def test_a_restart_at_any_moment_changes_nothing(at: float) -> None:
    steps = ((5.0, ARMED), (10.0, {"handle_lifted": True}), (11.0, {**OUT, **AJAR}), (12.0, {"slide_released": True}))

    def play(story: Story, since: float, until: float) -> list[tuple[str, float]]:
        for when, readings in steps:
            if since <= when < until:
                story.door_bundle("L1", readings, at=when)
        story.until(until)
        codes = ("slide-slow", "emergency-open-slow")
        return [(e.code, e.at) for e in story.events if e.code in codes and e.type == "raised"]

    story = alder()
    before = play(story, 0, at)
    assert before + play(story.copy(), at, 60) == [("emergency-open-slow", 20), ("slide-slow", 20)]


def test_a_door_at_rest_remembers_nothing() -> None:
    story = alder()
    door = story.system.record.aircraft[story.reg].doors["L1"]
    assert door.slide_memo is None
    story.door_bundle("L1", UNLOCKED, at=5)
    assert door.slide_memo is not None
    story.door_bundle("L1", LOCKED, at=6)
    assert door.slide_memo is None


def test_they_are_for_doors_with_a_slide() -> None:
    codes = {"slide-slow": {"cabin", "overwing"}, "slide-not-released": {"cabin", "overwing"}, "emergency-open-slow": {"cabin"}}  # fmt: skip
    for rule in DOOR_RULES:
        if rule.code in codes:
            assert ({str(kind) for kind in rule.kinds}, rule.slide_only) == (codes[rule.code], True)


def test_a_handle_heard_just_behind_its_release_still_gives_ten_seconds() -> None:
    """On topics of their own the release may overtake the handle; 14 CFR 25.810(a)(1)(ii), type C."""
    story = alder()
    story.door_bundle("L1", ARMED)
    story.send("door/L1/slide_released", True, at=10.0)
    story.send("door/L1/handle_lifted", True, at=10.05)
    story.until(20.049)
    assert story.told("slide-slow") == []
    story.until(20.05)
    assert [e.at for e in story.told("slide-slow")] == [20.05]
