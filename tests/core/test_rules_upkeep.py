"""Pins, bottles and overwing hatches that are not as they should be left."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core.rules import DOOR_RULES
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
from tests.stories import ARMED, OUT, UNLOCKED, Story, alder, demo_site

NO_PIN_OUT: Final = (at_door("L1", UNLOCKED), at_door("L1", OUT, hold_open=True, travel=1.0))

CASES: Final = (
    Case(
        "pin missing", "pin-missing", "L1", "advisory", before=NO_PIN_OUT, met=at_door("L1", pin_fitted=False), delay=15,
        end=at_door("L1", pin_fitted=True), essential=("door/L1/pin_fitted", "door/L1/closed", "door/L1/girt_left"),
    ),
    Case(
        "leaf out without a pin", "pin-missing", "R2", "advisory", before=(at_door("R2", UNLOCKED, pin_fitted=False),),
        met=at_door("R2", closed=False), delay=15, end=at_door("R2", closed=True),
        essential=("door/R2/pin_fitted", "door/R2/closed", "door/R2/lever_armed"),
    ),
    Case(
        "pin left in", "pin-left-in", "L1", "caution", before=(at_door("L1", ARMED),),
        met=at_door("L1", pin_fitted=True), delay=5, end=at_door("L1", lever_armed=False),
        essential=("door/L1/pin_fitted", "door/L1/lever_armed"),
    ),
    Case(
        "cover off", "overwing-disturbed", "OL1", "warning", met=at_door("OL1", cover_fitted=False), delay=0,
        end=at_door("OL1", cover_fitted=True), essential=("door/OL1/cover_fitted",),
    ),
    Case(
        "hatch handle", "overwing-disturbed", "OR1", "warning", met=at_door("OR1", handle_lifted=True), delay=0,
        end=at_door("OR1", handle_lifted=False), essential=("door/OR1/handle_lifted",),
    ),
    Case(
        "hatch out, no slide", "overwing-disturbed", "OL1", "warning", type="birch", met=at_door("OL1", closed=False),
        delay=0, end=at_door("OL1", closed=True), essential=("door/OL1/closed",),
    ),
    Case(
        "slide bottle", "bottle-low", "L1", "caution", met=at_door("L1", slide_bottle_bar=169.9), delay=60,
        end=at_door("L1", slide_bottle_bar=172.1), essential=("door/L1/slide_bottle_bar",),
    ),
    Case(
        "assist bottle", "bottle-low", "R1", "caution", met=at_door("R1", assist_bottle_bar=89.9), delay=60,
        end=at_door("R1", assist_bottle_bar=92.0), essential=("door/R1/assist_bottle_bar",),
    ),
    Case(
        "overwing bottle", "bottle-low", "OR1", "caution", met=at_door("OR1", slide_bottle_bar=100.0), delay=60,
        end=at_door("OR1", slide_bottle_bar=180.0), essential=("door/OR1/slide_bottle_bar",),
    ),
    Case(
        "a warm bottle", "bottle-low", "L2", "caution", before=(at_door("L2", slide_bottle_bar=180.0),),
        met=at_door("L2", slide_bottle_temp_c=50.0), delay=60, end=at_door("L2", slide_bottle_temp_c=20.0),
        essential=("door/L2/slide_bottle_temp_c", "door/L2/slide_bottle_bar"),
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


@pytest.mark.parametrize("case", [c for c in CASES if c.essential[0] in c.met], ids=str)
def test_what_is_not_known_keeps_it(case: Case) -> None:
    story = case.meet().until(AT + case.delay)
    signal = case.essential[0]
    story.send(signal, case.end.get(signal, case.met[signal]), quality="bad")
    story.until(story.clock + 200)
    assert story.types(case.code, case.door) == ["raised"]


# Pins


def test_no_pin_is_wanted_while_the_slide_is_engaged_or_the_door_is_closed() -> None:
    story = alder()
    story.send("door/L1/pin_fitted", False, at=5)
    story.door_bundle("R1", ARMED, at=5)
    story.door_bundle("R1", OUT, at=6)
    assert story.until(60).told("pin-missing") == []


def test_no_pin_is_wanted_where_the_slide_is_out() -> None:
    story = alder()
    story.door_bundle("L1", OUT, {"slide_released": True, "pin_fitted": False}, at=5)
    assert story.until(60).told("pin-missing") == []


# Bottles


@pytest.mark.parametrize(
    ("bar", "celsius", "low"),
    # 170 bar at 20 °C is 170 · (t + 273.15) / 293.15 bar at t.
    [(170.0, 20.0, False), (169.99, 20.0, True), (146.8, -20.0, True), (146.81, -20.0, False), (187.3, 50.0, True), (187.5, 50.0, False)],
)  # fmt: skip
def test_its_limit_holds_at_twenty_degrees(bar: float, celsius: float, low: bool) -> None:
    story = alder()
    story.door_bundle("L1", {"slide_bottle_bar": bar, "slide_bottle_temp_c": celsius}, at=5)
    assert bool(story.until(100).told("bottle-low")) is low


def test_a_bottle_whose_temperature_is_lost_is_unknown_and_the_other_one_still_counts() -> None:
    story = alder()
    story.send("door/L1/slide_bottle_temp_c", 20.0, at=5, quality="bad")
    story.send("door/L1/slide_bottle_bar", 100.0, at=6)
    assert story.until(200).told("bottle-low") == []
    rows = {row["code"]: (row["why"], row["signals"]) for row in story.door("L1")["deaf_to"]}
    assert rows["bottle-low"] == ("bad", ["slide_bottle_temp_c"])
    story.send("door/L1/assist_bottle_bar", 50.0, at=201)
    assert [e.at for e in story.until(300).told("bottle-low")] == [261]


def test_a_fitted_thermometer_that_never_spoke_leaves_the_bottle_unknown() -> None:
    story = alder(type="cedar")
    story.send("door/L1/slide_bottle_bar", 100.0, at=5)
    assert story.until(100).told("bottle-low", "L1") == []
    story.send("door/L1/slide_bottle_temp_c", 20.0, at=101)
    assert [e.at for e in story.until(200).told("bottle-low", "L1")] == [161]


def test_it_names_the_bottle_and_its_limit() -> None:
    story = CASES[6].meet().until(70)
    document = story.alert("bottle-low", "L1")
    assert document is not None
    assert document["text"] == "L1: slide bottle below 170 bar at 20 °C."
    story.send("door/L1/assist_bottle_bar", 10.0, at=71)
    document = story.alert("bottle-low", "L1")
    assert document is not None
    assert document["text"] == "L1: slide bottle below 170 bar and assist bottle below 90 bar at 20 °C."
    story.send("door/L1/slide_bottle_bar", 170.0, at=72)
    document = story.alert("bottle-low", "L1")
    assert document is not None
    assert document["text"] == "L1: assist bottle below 90 bar at 20 °C."
    story.send("door/L1/assist_bottle_bar", 90.0, at=73)
    assert story.types("bottle-low", "L1")[-1] == "cleared"


def test_a_released_slide_takes_over_from_its_empty_bottle() -> None:
    story = alder()
    story.door_bundle("L1", {"slide_released": True, "slide_bottle_bar": 5.0}, at=5)
    assert story.until(200).told("bottle-low") == []
    story.door_bundle("L1", {"slide_released": False, "slide_bottle_bar": 210.0}, at=201)
    story.reset("L1")
    assert story.until(300).told("bottle-low") == []


def test_a_bottle_that_was_low_before_is_suppressed_by_the_release_and_comes_back_after_the_reset() -> None:
    story = CASES[6].meet().until(80)
    story.send("door/L1/slide_released", True, at=81)
    assert story.types("bottle-low") == ["raised", "suppressed"]
    story.send("door/L1/slide_released", False, at=90)
    story.reset("L1")
    assert story.types("bottle-low") == ["raised", "suppressed", "unsuppressed"]


def test_a_slide_declared_taken_out_leaves_only_the_assist_bottle() -> None:
    story = alder()
    story.system.record.aircraft[story.reg].doors["L1"].slide_removed = True
    story.send("door/L1/slide_bottle_bar", 0.0, at=5)
    assert story.until(100).told("bottle-low") == []
    story.send("door/L1/assist_bottle_bar", 0.0, at=101)
    assert [e.at for e in story.until(200).told("bottle-low")] == [161]


def test_its_limit_is_the_types() -> None:
    site = demo_site()
    airframe = site.types["alder"]
    low = replace(airframe.doors["L1"], slide_bottle_bar_min=100.0)
    types = {**site.types, "alder": replace(airframe, doors={**airframe.doors, "L1": low})}
    story = Story(site=replace(site, types=types)).baseline()
    for door in ("L1", "R1"):
        story.send(f"door/{door}/slide_bottle_bar", 150.0, at=5)
    assert [e.door for e in story.until(100).told("bottle-low")] == ["R1"]


# Overwing hatches


@pytest.mark.parametrize("readings", [{"cover_fitted": False}, {"handle_lifted": True}, {"closed": False}])
def test_in_an_emergency_a_hatch_is_what_it_is_for(readings: dict[str, Any]) -> None:
    story = alder()
    story.send("airframe/emergency", True, at=5)
    story.door_bundle("OL1", readings, at=6)
    assert story.until(20).told("overwing-disturbed") == []
    story.send("airframe/emergency", False, at=21)
    assert [(e.type, e.at) for e in story.told("overwing-disturbed")] == [("raised", 21)]


def test_in_an_evacuation_it_is_silent() -> None:
    story = alder()
    for door in ("OL1", "OR1"):
        story.door_bundle(door, {"cover_fitted": False}, at=5)
        story.door_bundle(door, {"closed": False, "slide_released": True}, at=6)
    assert story.types("overwing-disturbed", "OL1") == ["raised", "suppressed"]
    assert "evacuation-in-progress" in {e.code for e in story.events}


def test_it_says_what_was_done() -> None:
    story = alder()
    words = []
    for readings in ({"cover_fitted": False}, {"handle_lifted": True}, {"closed": False}):
        story.door_bundle("OL1", readings, at=story.clock + 1)
        document = story.alert("overwing-disturbed", "OL1")
        assert document is not None
        words.append(document["text"])
    assert words == [
        f"OL1: {what} with no emergency declared."
        for what in ("hatch cover off", "hatch handle pulled", "hatch out of its frame")
    ]
    assert story.types("overwing-disturbed") == ["raised"]


def test_they_are_judged_where_they_can_be_met() -> None:
    kinds = {"pin-missing": {"cabin"}, "pin-left-in": {"cabin"}, "overwing-disturbed": {"overwing"}, "bottle-low": {"cabin", "overwing"}}  # fmt: skip
    for rule in DOOR_RULES:
        if rule.code in kinds:
            assert {str(kind) for kind in rule.kinds} == kinds[rule.code]


@pytest.mark.parametrize(("signal", "limit"), [("slide_bottle_bar", 170.0), ("assist_bottle_bar", 90.0)])
def test_a_bottle_that_is_back_at_its_limit_within_the_minute_was_never_low(signal: str, limit: float) -> None:
    story = alder()
    story.send(f"door/L1/{signal}", limit - 0.01, at=10)
    story.send(f"door/L1/{signal}", limit, at=40)
    assert story.until(120).told("bottle-low") == []


def test_a_bottle_exactly_at_its_limit_in_the_cold_is_at_it() -> None:
    story = alder()
    story.send("door/L1/slide_bottle_temp_c", -10.0, at=9)
    story.send("door/L1/slide_bottle_bar", 170.0 * 263.15 / 293.15, at=10)
    assert story.until(120).told("bottle-low") == []
