"""An evacuation: what makes one, what ends it, and what it silences meanwhile."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pytest

from monitor.core.alert import EVACUATION
from monitor.core.rules import CATALOGUE, NEVER_SILENCED
from tests.core.rule_cases import (
    Case,
    at_door,
    check_cleared_by_its_end,
    check_never_raised_on_what_is_not_known,
    check_raised_exactly_at_its_delay,
    each_unknown_input,
)
from tests.stories import ARMED, OUT, UNLOCKED, Story, alder, demo_site

CASES: Final = (
    Case(
        "one slide in an emergency", EVACUATION, "-", "warning", before=({"airframe/emergency": True},),
        met=at_door("L1", slide_released=True), delay=0, end={"airframe/emergency": False},
        essential=("door/L1/slide_released", "airframe/emergency"),
    ),
    Case(
        "an emergency after one slide", EVACUATION, "-", "warning", before=(at_door("OR1", slide_released=True),),
        met={"airframe/emergency": True}, delay=0, end={"airframe/emergency": False},
        essential=("airframe/emergency",),
    ),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_raised_at_once(case: Case) -> None:
    check_raised_exactly_at_its_delay(case)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_cleared_by_the_end_of_the_emergency(case: Case) -> None:
    check_cleared_by_its_end(case)


@each_unknown_input(CASES)
def test_it_is_never_raised_on_what_is_not_known(case: Case, signal: str, how: str) -> None:
    check_never_raised_on_what_is_not_known(case, signal, how)


# Two slides


def two_out(gap: float, *doors: str) -> Story:
    story = alder()
    for number, door in enumerate(doors or ("L1", "R2")):
        story.send(f"door/{door}/slide_released", True, at=10 + number * gap)
    return story


@pytest.mark.parametrize(("gap", "told"), [(0.0, [10.0]), (12.0, [22.0]), (30.0, [40.0]), (30.001, [])])
def test_two_slides_within_thirty_seconds_are_one(gap: float, told: list[float]) -> None:
    assert [e.at for e in two_out(gap).until(200).told(EVACUATION)] == told


def test_overwing_slides_count() -> None:
    assert two_out(5, "OL1", "OR1").types(EVACUATION) == ["raised"]


def test_the_time_runs_from_one_slide_to_the_next() -> None:
    story = two_out(31, "L1", "L2", "R2")
    assert story.told(EVACUATION) == []
    story.send("door/R1/slide_released", True, at=72 + 29)
    assert [e.at for e in story.told(EVACUATION)] == [101.0]


def test_one_slide_out_and_in_again_is_not_two() -> None:
    story = alder()
    for at in (10, 20):
        story.send("door/L1/slide_released", True, at=at)
        story.send("door/L1/slide_released", False, at=at + 1)
        story.reset("L1")
    assert story.told(EVACUATION) == []


def test_a_slide_that_is_not_known_to_be_out_does_not_count() -> None:
    story = alder()
    story.send("door/L1/slide_released", True, at=10)
    story.send("door/R1/slide_released", True, at=11, quality="uncertain")
    assert story.until(100).told(EVACUATION) == []


def test_it_names_the_slides_that_are_out() -> None:
    story = two_out(1)
    document = story.alert(EVACUATION)
    assert document is not None
    assert document["text"] == "An evacuation is under way, slides out at L1, R2."
    story.send("door/R1/slide_released", True, at=15)
    document = story.alert(EVACUATION)
    assert document is not None
    assert document["text"] == "An evacuation is under way, slides out at L1, R1, R2."
    assert story.types(EVACUATION) == ["raised"]


# Its end


def put_back(story: Story, door: str, at: float) -> None:
    story.send(f"door/{door}/slide_released", False, at=at)
    story.reset(door)


def test_without_an_emergency_it_ends_with_fewer_than_two_slides_out() -> None:
    story = two_out(1, "L1", "R2", "OL1").until(300)
    for signal in ("door/L1/slide_released", "airframe/emergency"):
        story.send(signal, False, at=301)
    put_back(story, "L1", 400)
    assert story.types(EVACUATION) == ["raised"]
    put_back(story, "R2", 500)
    assert [(e.type, e.at) for e in story.told(EVACUATION)] == [("raised", 10 + 1), ("cleared", 500)]


def test_an_emergency_that_reads_false_all_along_ends_nothing() -> None:
    story = two_out(1)
    for at in range(20, 100, 10):
        story.send("airframe/emergency", False, at=at)
    assert story.types(EVACUATION) == ["raised"]


def test_once_an_emergency_was_declared_only_its_end_ends_it() -> None:
    story = two_out(1)
    story.send("airframe/emergency", True, at=20)
    put_back(story, "L1", 30)
    put_back(story, "R2", 31)
    assert story.types(EVACUATION) == ["raised"]
    story.send("airframe/emergency", False, at=40)
    assert [(e.type, e.at) for e in story.told(EVACUATION)] == [("raised", 11), ("cleared", 40)]


@pytest.mark.parametrize("how", ["bad", "uncertain", "withdrawn"])
def test_an_emergency_that_is_not_known_ends_nothing(how: str) -> None:
    story = CASES[0].meet()
    if how == "withdrawn":
        story.withdraw("airframe/emergency", at=20)
    else:
        story.send("airframe/emergency", False, at=20, quality=how)
    story.until(300)
    assert story.types(EVACUATION) == ["raised"]
    document = story.alert(EVACUATION)
    assert document is not None
    assert document["blind"] is True
    story.send("airframe/emergency", False, at=301)
    assert story.types(EVACUATION) == ["raised", "cleared"]


def test_an_emergency_that_was_over_before_is_not_one_during_it() -> None:
    story = alder()
    story.send("airframe/emergency", True, at=3)
    story.send("airframe/emergency", False, at=4)
    for door in ("L1", "R2"):
        story.send(f"door/{door}/slide_released", True, at=10)
    story.send("airframe/emergency", False, at=20, quality="bad")
    put_back(story, "L1", 30)
    assert story.types(EVACUATION) == ["raised", "cleared"]


def test_slides_of_one_that_is_over_make_no_other() -> None:
    story = CASES[0].meet()
    story.send("airframe/emergency", False, at=20)
    story.send("door/R1/slide_released", True, at=22)
    story.send("airframe/emergency", False, at=25)
    assert story.types(EVACUATION) == ["raised", "cleared"]
    story.send("door/R2/slide_released", True, at=30)
    assert story.types(EVACUATION) == ["raised", "cleared", "reraised"], "two anew are another one"


def test_an_emergency_declared_anew_counts_no_old_slide() -> None:
    story = CASES[0].meet()
    story.send("airframe/emergency", False, at=20)
    story.send("airframe/emergency", True, at=100)
    assert story.types(EVACUATION) == ["raised", "cleared"]
    story.send("door/R1/slide_released", True, at=101)
    assert story.types(EVACUATION) == ["raised", "cleared", "reraised"]


def test_nothing_is_remembered_once_all_is_over() -> None:
    story = CASES[0].meet()
    assert story.system.record.aircraft[story.reg].evacuation is not None
    story.send("airframe/emergency", False, at=20)
    put_back(story, "L1", 30)
    story.send("airframe/emergency", False, at=31)
    assert story.system.record.aircraft[story.reg].evacuation is None


STEPS: Final = (
    (10.0, "door/L1/slide_released", True), (11.0, "door/R1/slide_released", True),
    (20.0, "airframe/emergency", True), (30.0, "airframe/emergency", False),
    (40.0, "door/R2/slide_released", True), (41.0, "door/L2/slide_released", True),
)  # fmt: skip


def play(story: Story, since: float, until: float) -> list[str]:
    for at, path, value in STEPS:
        if since <= at < until:
            story.send(path, value, at=at)
    return story.types(EVACUATION)


@pytest.mark.parametrize("at", [9.0, 10.5, 15.0, 25.0, 35.0, 40.5])
def test_a_restart_at_any_moment_changes_nothing(at: float) -> None:
    through = play(alder(), 0, 100)
    assert through == ["raised", "cleared", "reraised"]
    story = alder()
    before = play(story, 0, at)
    assert before + play(story.until(at).copy(), at, 100) == through


# What it silences


def test_it_silences_what_does_not_matter_in_it_and_brings_it_back() -> None:
    story = alder()
    story.send("airframe/passengers_aboard", 3, at=5)
    story.door_bundle("R2", ARMED, at=6)
    story.door_bundle("CF", UNLOCKED, at=7)
    story.door_bundle("CF", OUT, {"travel": 0.5}, at=8)
    story.door_bundle("R2", UNLOCKED, at=9)
    assert story.types("armed-handle-moved", "R2") == ["raised"]
    for door in ("L1", "R1"):
        story.send(f"door/{door}/slide_released", True, at=10)
    story.send("airframe/engine_1_running", True, at=11)
    story.send("door/L2/lever_armed", True, at=12)
    story.until(20)
    assert story.types("armed-handle-moved", "R2") == ["raised", "suppressed"]
    assert story.told("girt-disagree", "L2") == []
    assert story.types("slide-deployed", "R1") == story.types("open-engine-running", "CF") == ["raised"]
    put_back(story, "L1", 30)
    assert story.types("armed-handle-moved", "R2") == ["raised", "suppressed", "unsuppressed"]
    assert [(e.type, e.at) for e in story.told("girt-disagree", "L2")] == [("raised", 30)]


def test_every_rule_but_those_that_matter_in_it_is_silenced() -> None:
    for rule in CATALOGUE:
        if rule.scope.value != "site":
            assert (EVACUATION in rule.suppressed_by) is (rule.code not in NEVER_SILENCED), rule.code
    assert {rule.code for rule in CATALOGUE if rule.code.startswith("slide-")} <= NEVER_SILENCED


def test_it_is_deaf_without_the_slides_or_the_emergency() -> None:
    story = alder()
    story.withdraw("door/OL1/slide_released", at=5)
    story.send("airframe/emergency", False, at=6, quality="bad")
    rows = [row for row in story.system.record.aircraft[story.reg].deaf_to if row[0] == EVACUATION]
    assert rows == [
        (EVACUATION, "withdrawn", "door/OL1/slide_released"),
        (EVACUATION, "bad", "airframe/emergency"),
    ]


def test_its_window_is_the_sites_to_choose() -> None:
    site = replace(demo_site(), thresholds={EVACUATION: {"together_s": 60.0}})
    story = Story(site=site).baseline().until(1)
    for door, at in (("L1", 10), ("R1", 70)):
        story.send(f"door/{door}/slide_released", True, at=at)
    assert story.types(EVACUATION) == ["raised"]
