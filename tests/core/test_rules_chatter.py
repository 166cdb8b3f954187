"""A signal that flaps: told, and nothing that it says meanwhile ends an alert of its door."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core.intake import FLIPS_MAX
from monitor.core.rules.rule import CHATTER
from monitor.core.times import MILLISECOND
from tests.core.rule_cases import at_door
from tests.stories import ARMED, Story, alder, demo_site

LATCHED: Final = "door/L1/latched"
FIRST: Final = 10.0


def flap(story: Story, path: str = LATCHED, *, times: int = 6, at: float = FIRST, every: float = 1.0) -> Story:
    """Change a yes-or-no signal ``times`` times, the first at ``at``; an even number leaves it as it was."""
    for number in range(times):
        story.send(path, not story.value(path), at=at + number * every)
    return story


def chattering(story: Story, door: str = "L1") -> bool:
    document = story.alert(CHATTER, door)
    return document is not None


@pytest.mark.parametrize("door", ["L1", "OL1", "WL", "CF", "CB", "H1"])
def test_it_is_told_at_the_sixth_change_and_not_at_the_fifth(door: str) -> None:
    story = flap(alder(), f"door/{door}/closed", times=5)
    assert story.told(CHATTER) == []
    flap(story, f"door/{door}/closed", times=1, at=15.0)
    (raised,) = story.told(CHATTER)
    assert (raised.at, *raised.brief) == (15.0, "raised", CHATTER, door, "advisory")
    assert raised.data["text"].startswith(f"{door}: closed flaps")


@pytest.mark.parametrize(("apart", "told"), [(9.999, True), (10.0, False), (10.001, False)])
def test_the_window_leaves_out_a_change_of_just_ten_seconds_ago(apart: float, told: bool) -> None:
    story = flap(alder(), times=5)
    story.send(LATCHED, True, at=FIRST + apart)
    assert chattering(story) is told


def test_it_ends_by_itself_as_soon_as_there_are_fewer() -> None:
    story = flap(alder()).until(19.999)
    assert chattering(story)
    story.until(60)
    assert [(e.type, e.at, e.state) for e in story.told(CHATTER)][1:] == [("cleared", 20.0, "normal")]


def test_a_text_signal_with_choices_chatters_too_and_a_number_never() -> None:
    story = alder()
    for number in range(6):
        story.send("door/CF/selector", ("open", "neutral")[number % 2], at=10 + number)
        story.send("door/L1/travel", number / 10, at=10 + number)
    assert chattering(story, "CF")
    assert not chattering(story, "L1")


def test_each_signal_counts_by_itself() -> None:
    story = alder()
    flap(story, "door/L1/barrier", times=5, at=10, every=0.5)
    flap(story, "door/L1/pin_fitted", times=5, at=13, every=0.5)
    flap(story, "door/R1/barrier", times=5, at=16, every=0.5)
    assert story.told(CHATTER) == []


def test_its_text_names_every_signal_that_chatters() -> None:
    story = alder()
    flap(story, "door/L1/barrier", at=10, every=0.5)
    flap(story, "door/L1/pin_fitted", at=13, every=0.5)
    document = story.alert(CHATTER, "L1")
    assert document is not None
    assert "barrier, pin_fitted" in document["text"]
    story.until(20.5)
    document = story.alert(CHATTER, "L1")
    assert document is not None
    assert "barrier" not in document["text"]


@pytest.mark.parametrize("how", ["repeated", "bad", "withdrawn", "retained", "older"])
def test_what_is_no_change_of_a_known_value_is_not_counted(how: str) -> None:
    story = flap(alder(), times=5)
    if how == "repeated":
        story.send(LATCHED, False, at=15)
    elif how == "bad":
        story.send(LATCHED, True, at=15, quality="bad")
    elif how == "withdrawn":
        story.withdraw(LATCHED, at=15)
    elif how == "retained":
        story.send(LATCHED, True, at=15, retain=True)
    else:
        story.send(LATCHED, True, at=15, time=13.5, seq=1)
    assert story.told(CHATTER) == []


def test_changes_in_bundles_count_as_others_do() -> None:
    story = alder()
    for number in range(6):
        story.bundle(at_door("L1", latched=number % 2 == 1), at=10 + number)
    assert chattering(story)


def test_what_a_backlog_brings_at_once_is_no_chatter() -> None:
    story = alder()
    story.until(100)
    for number in range(8):
        story.send(LATCHED, number % 2 == 1, at=100 + number / 10, time=40 + 5 * number)
    assert story.told(CHATTER) == []


def test_a_lost_feed_silences_it() -> None:
    story = alder()
    story.beating = False
    story.until(32)
    assert story.alert("feed-lost") is not None
    for number in range(6):
        story.send(LATCHED, number % 2 == 1, at=33 + number / 10)
    # Its heartbeat stands still: what still arrives is shown, and not known.
    assert story.alert("feed-lost") is not None
    assert story.told(CHATTER) == []


def test_config_may_ask_for_fewer_changes_or_another_window() -> None:
    site = replace(demo_site(), thresholds={CHATTER: {"least_changes": 3.0, "window_s": 2.0}})
    story = flap(alder(site=site), times=3, every=0.9)
    assert chattering(story)
    slow = flap(alder(site=site), times=3, every=1.0)
    assert not chattering(slow)


# While it stands


def in_chatter(story: Story) -> Story:
    """Flap a signal that no other rule reads, from 20 s on, twice a second; stands till 31.5 s at least."""
    flap(story, "door/L1/barrier", times=8, at=20, every=0.5)
    assert chattering(story)
    return story


def test_an_alert_that_is_over_stays_till_the_chatter_ends_and_is_cleared_at_that_moment() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=5)
    story.send("door/L1/handle_lifted", True, at=6)
    in_chatter(story)
    story.send("door/L1/handle_lifted", False, at=24)
    story.until(30.999)
    assert story.types("armed-handle-moved") == ["raised"]
    assert story.alert("armed-handle-moved", "L1") is not None
    # The sixth last change was at 21 s.
    story.until(31)
    assert [(e.type, e.at) for e in story.told("armed-handle-moved")][1:] == [("cleared", 31.0)]
    assert [(e.type, e.at) for e in story.told(CHATTER)][1:] == [("cleared", 31.0)]


def test_an_off_delay_runs_from_the_end_of_the_chatter() -> None:
    story = alder()
    story.bundle(at_door("L1", closed=True, latched=False, locked=True), at=5)
    story.until(7)
    assert story.alert("lock-disagree", "L1") is not None
    in_chatter(story)
    story.bundle(at_door("L1", latched=True), at=24)
    story.until(30.999)
    assert story.types("lock-disagree") == ["raised"]
    story.until(31)
    assert story.types("lock-disagree") == ["raised", "cleared"]


def test_a_first_raise_is_never_delayed() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=5)
    in_chatter(story)
    story.send("door/L1/handle_lifted", True, at=24)
    assert [(e.type, e.at) for e in story.told("armed-handle-moved")] == [("raised", 24.0)]


def test_the_signal_that_chatters_raises_with_its_first_change() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=5)
    flap(story, "door/L1/handle_lifted", times=8, at=10, every=0.5)
    assert [(e.type, e.at) for e in story.told("armed-handle-moved")] == [
        ("raised", 10.0), ("cleared", 10.5), ("reraised", 11.0), ("cleared", 11.5), ("reraised", 12.0),
    ]  # fmt: skip
    story.until(60)
    assert story.told("armed-handle-moved")[-1].type == "cleared"


def test_a_higher_priority_is_still_told_and_a_lower_one_only_afterwards() -> None:
    story = alder()
    story.bundle(at_door("L1", lever_armed=True, pin_fitted=False), at=5)
    story.until(8)
    document = story.alert("girt-disagree", "L1")
    assert document is not None
    assert document["priority"] == "caution"
    in_chatter(story)
    story.send("door/L1/handle_lifted", True, at=23.6)
    story.until(26)
    assert story.told("girt-disagree", "L1")[-1].brief == ("reprioritised", "girt-disagree", "L1", "warning")
    story.send("door/L1/handle_lifted", False, at=26)
    story.until(30.999)
    document = story.alert("girt-disagree", "L1")
    assert document is not None
    assert document["priority"] == "warning"
    story.until(31)
    document = story.alert("girt-disagree", "L1")
    assert document is not None
    assert document["priority"] == "caution"


def test_another_doors_alerts_are_left_alone() -> None:
    story = alder()
    story.bundle(at_door("R1", ARMED), at=5)
    story.send("door/R1/handle_lifted", True, at=6)
    in_chatter(story)
    story.send("door/R1/handle_lifted", False, at=24)
    assert story.types("armed-handle-moved") == ["raised", "cleared"]


# What is remembered


def test_memory_is_bounded_and_empty_where_nothing_flaps() -> None:
    story = alder()
    aircraft = story.system.record.aircraft[story.reg]
    assert all(door.flips is None for door in aircraft.doors.values())
    flap(story, times=60, every=0.1)
    flips: Any = aircraft.doors["L1"].flips
    assert len(flips["latched"]) == FLIPS_MAX
    flap(story, "door/L1/barrier", times=1, at=100)
    assert aircraft.doors["L1"].flips == {"barrier": [story.now]}


def test_it_goes_on_over_a_restart() -> None:
    story = flap(alder(), times=5).copy()
    story.send(LATCHED, True, at=15)
    assert chattering(story)
    again = story.copy()
    again.until(20 - MILLISECOND / 1e6)
    assert again.told(CHATTER) == []
    again.until(20)
    assert again.types(CHATTER) == ["cleared"]
