"""A door's own mark and lamps, and what people say of them, against its sensors."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core.airframe import DoorKind
from monitor.core.state import Report
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
from tests.stories import ARMED, PRESSURE, UNLOCKED, Story, alder, demo_site

CODE: Final = "indicator-disagree"
L1_ARMED: Final = at_door("L1", ARMED)

CASES: Final = (
    Case(
        "mark says unlocked", CODE, "L1", "caution", met=at_door("L1", lock_indicator="unlocked"), delay=3,
        end=at_door("L1", lock_indicator="locked"), essential=("door/L1/lock_indicator", "door/L1/locked"),
    ),
    Case(
        "mark stays at locked", CODE, "CF", "caution", before=(at_door("CF", lock_indicator="locked"),),
        met=at_door("CF", locked=False), delay=3, end=at_door("CF", locked=True),
        essential=("door/CF/lock_indicator", "door/CF/locked"),
    ),
    Case(
        "armed lamp stays dark", CODE, "L1", "caution", before=(at_door("L1", ARMED, armed_light=False),),
        met=at_door("L1", handle_lifted=True), delay=3, end=at_door("L1", armed_light=True),
        essential=("door/L1/armed_light", "door/L1/handle_lifted"),
    ),
    Case(
        "armed lamp lit with the handle home", CODE, "L1", "caution", before=(L1_ARMED,),
        met=at_door("L1", armed_light=True), delay=3, end=at_door("L1", armed_light=False),
        essential=("door/L1/armed_light", "door/L1/handle_lifted"),
    ),
    Case(
        "armed lamp lit with the slide disengaged", CODE, "R1", "caution",
        before=(at_door("R1", ARMED, UNLOCKED, armed_light=True),),
        met=at_door("R1", lever_armed=False, girt_left=False, girt_right=False), delay=3,
        end=at_door("R1", armed_light=False), essential=("door/R1/armed_light", "door/R1/girt_left"),
    ),
    Case(
        "pressure lamp lit without pressure", CODE, "L1", "caution", before=({PRESSURE: 1.9},),
        met=at_door("L1", pressure_light=True), delay=3, end=at_door("L1", pressure_light=False),
        essential=("door/L1/pressure_light", PRESSURE),
    ),
    Case(
        "pressure lamp dark with the handle moved", CODE, "CB", "caution",
        before=({PRESSURE: 2.6}, at_door("CB", pressure_light=False)),
        met=at_door("CB", handle_lifted=True), delay=3, end=at_door("CB", pressure_light=True),
        essential=("door/CB/pressure_light", "door/CB/handle_lifted", PRESSURE, "airframe/weight_on_wheels"),
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


@pytest.mark.parametrize("how", ["bad", "uncertain"])
def test_what_is_not_known_keeps_it(how: str) -> None:
    story = CASES[0].meet().until(20)
    story.send("door/L1/lock_indicator", "locked", quality=how)
    assert story.until(200).types(CODE) == ["raised"]


# The pressure lamp's band


@pytest.mark.parametrize(
    ("pressure", "lit", "told"),
    [(1.99, True, True), (2.0, True, False), (2.5, True, False), (2.5, False, False), (2.51, False, True), (-2.6, False, True), (-1.0, True, True)],
)  # fmt: skip
def test_the_pressure_lamp_has_the_limit_and_its_dead_band(pressure: float, lit: bool, told: bool) -> None:
    story = alder()
    story.bundle({PRESSURE: pressure, **at_door("CB", pressure_light=lit, handle_lifted=True)}, at=5)
    assert bool(story.until(20).told(CODE)) is told


def test_a_fall_below_the_dead_band_is_noticed_though_every_pressure_there_is_low() -> None:
    story = alder()
    story.bundle({PRESSURE: 2.2, "door/L1/pressure_light": True}, at=5)
    for at, pressure in ((6, 2.0), (7, 1.99), (8, 1.9)):
        story.send(PRESSURE, pressure, at=at)
    assert [e.at for e in story.until(30).told(CODE)] == [10]


def test_a_dark_pressure_lamp_is_right_while_no_door_is_worked() -> None:
    story = alder()
    story.bundle({PRESSURE: 9.0, **at_door("CB", pressure_light=False)}, at=5)
    assert story.until(30).told(CODE) == []


# Witnesses


def report(story: Story, door: str, at: float, **said: Any) -> None:
    """A person's word, as the action leaves it in the record."""
    story.until(at)
    record = story.system.record.aircraft[story.reg].doors[door]
    record.reports = {name: Report(value, "Ann", story.now) for name, value in said.items()} or None
    story.system.settle(story.system.record.aircraft[story.reg], {door: {"memo/report"}}, story.now)
    effects, story.system.ledger.effects = story.system.ledger.effects, []
    story._note(effects)


def text(story: Story, door: str) -> str:
    document = story.alert(CODE, door)
    assert document is not None
    return str(document["text"])


def test_a_persons_word_is_a_witness_and_named_with_its_time() -> None:
    story = alder()
    report(story, "L1", 60, lock_indicator="unlocked")
    assert [e.at for e in story.until(70).told(CODE)] == [63]
    assert text(story, "L1") == "L1: Ann's report of 10:01Z on the lock mark contradicts the sensors."
    report(story, "L1", 80)
    assert [(e.type, e.at) for e in story.told(CODE)][1:] == [("cleared", 80)]


def test_a_reading_and_a_word_on_one_mark_are_two_witnesses() -> None:
    story = alder()
    story.send("door/L1/lock_indicator", "locked", at=5)
    report(story, "L1", 10, lock_indicator="unlocked")
    assert story.until(20).types(CODE) == ["raised"]
    assert text(story, "L1").startswith("L1: Ann's report")
    story.send("door/L1/armed_light", True, at=21)
    assert text(story, "L1") == (
        "L1: Ann's report of 10:00Z on the lock mark and the armed lamp contradict the sensors."
    )
    report(story, "L1", 30)
    assert text(story, "L1") == "L1: the armed lamp contradicts the sensors."
    assert story.types(CODE) == ["raised"]


def test_a_word_on_anything_else_is_held_against_its_own_sensor() -> None:
    story = alder()
    report(story, "L1", 10, closed=False, locked=True)
    story.until(13)
    assert story.types(CODE) == ["raised"]
    alert = story.alert(CODE, "L1")
    assert alert is not None
    assert alert["text"] == "L1: Ann's report of 10:00Z on closed contradicts the sensors."
    assert story.state("L1") == "closed_locked", "never believed over a sensor"


def test_a_word_that_the_door_outlived_contradicts_nothing() -> None:
    """Seen locked, then opened: that is no contradiction."""
    story = alder()
    report(story, "L1", 10, lock_indicator="locked", closed=True)
    story.door_bundle("L1", {"handle_lifted": True, "latched": False, "locked": False}, at=60)
    story.door_bundle("L1", {"closed": False, "travel": 0.5}, at=61)
    assert story.until(120).told(CODE) == []


def test_a_witness_that_is_not_known_does_not_hide_another() -> None:
    story = alder()
    story.send("door/L1/armed_light", False, at=5, quality="bad")
    story.send("door/L1/lock_indicator", "unlocked", at=AT)
    assert [e.at for e in story.until(30).told(CODE)] == [AT + 3]


# Deafness and kinds


def why_deaf(story: Story, door: str) -> dict[str, list[str]]:
    return {row["why"]: list(row["signals"]) for row in story.door(door)["deaf_to"] if row["code"] == CODE}


def test_a_door_without_any_mark_or_lamp_says_so_until_one_speaks() -> None:
    story = alder()
    assert why_deaf(story, "L1") == {"not fitted": ["lock_indicator"]}
    story.send("door/L1/pressure_light", False, at=5)
    assert why_deaf(story, "L1") == {}
    story.send("door/L1/locked", True, at=6, quality="bad")
    assert why_deaf(story, "L1") == {}
    story.send("door/L1/lock_indicator", "locked", at=7)
    assert why_deaf(story, "L1") == {"bad": ["locked"]}


@pytest.mark.parametrize(("kind", "type_name", "door"), one_of_each_kind(), ids=str)
def test_every_door_may_have_a_lock_mark(kind: DoorKind, type_name: str, door: str) -> None:
    story = alder(type=type_name)
    story.send(f"door/{door}/locked", True, at=4)
    story.send(f"door/{door}/lock_indicator", "unlocked", at=5)
    assert [e.at for e in story.until(20).told(CODE, door)] == [8], kind


def test_the_pressure_lamp_goes_by_the_site_s_own_limit() -> None:
    site = replace(demo_site(), thresholds={"residual-pressure": {"limit_hpa": 4.0}})
    story = Story(site=site).baseline().until(1.0)
    story.door_bundle("L1", {"pressure_light": False}, at=5)
    story.send("airframe/differential_pressure_hpa", 3.0, at=6)
    story.door_bundle("L1", {"handle_lifted": True, "latched": False, "locked": False}, at=7)
    assert story.until(20).told(CODE) == []
    assert story.told("residual-pressure") == []
