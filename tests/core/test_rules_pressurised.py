"""A cabin being pressurised with a door that is not secure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from tests.core.rule_cases import (
    Case,
    at_door,
    check_cleared_by_its_end,
    check_never_raised_on_what_is_not_known,
    check_raised_exactly_at_its_delay,
    each_unknown_input,
    one_of_each_kind,
)
from tests.stories import ARMED, LOCKED, OUT, PRESSURE, Story, alder, demo_site

CODE: Final = "unlocked-pressurised"
ENGINE: Final = "airframe/engine_2_running"
WHEELS: Final = "airframe/weight_on_wheels"
ALL_ARMED: Final = {k: v for door in ("L1", "R1", "L2", "R2") for k, v in at_door(door, ARMED).items()}

CASES: Final = (
    Case(
        "engine running, lock open", CODE, "L1", "warning", before=(ALL_ARMED, {ENGINE: True}, at_door("L1", locked=False)),
        met={PRESSURE: 10.1}, delay=0, end={PRESSURE: 9.0}, essential=(PRESSURE, ENGINE, "door/L1/locked"),
    ),
    Case(
        "off the ground", CODE, "CF", "warning", before=(ALL_ARMED, {PRESSURE: 80.0, WHEELS: False}),
        met=at_door("CF", latched=False, locked=False), delay=0, end=at_door("CF", LOCKED), essential=(PRESSURE, WHEELS),
    ),
    Case(
        "an engine starts", CODE, "H1", "warning", before=(ALL_ARMED, {PRESSURE: 12.0}, at_door("H1", handle_lifted=True)),
        met={ENGINE: True}, delay=0, end={ENGINE: False}, essential=(PRESSURE, ENGINE, "door/H1/handle_lifted"),
    ),
    Case(
        "window out of its frame", CODE, "WL", "warning", before=(ALL_ARMED, {ENGINE: True, PRESSURE: 11.0}),
        met=at_door("WL", closed=False), delay=0, end=at_door("WL", closed=True), essential=(PRESSURE, "door/WL/closed"),
    ),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_raised_at_once(case: Case) -> None:
    check_raised_exactly_at_its_delay(case)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_it_is_cleared_by_its_end(case: Case) -> None:
    check_cleared_by_its_end(case)


@each_unknown_input(CASES)
def test_it_is_never_raised_on_what_is_not_known(case: Case, signal: str, how: str) -> None:
    check_never_raised_on_what_is_not_known(case, signal, how)


def loose(**more: Any) -> Story:
    """An engine runs, and L1's lock is open."""
    story = alder()
    story.bundle({**ALL_ARMED, ENGINE: True, "door/L1/locked": False, **more}, at=5)
    return story


@pytest.mark.parametrize(("hpa", "told"), [(10.0, False), (10.01, True), (-50.0, False)])
def test_only_what_the_cabin_has_above_outside_counts(hpa: float, told: bool) -> None:
    story = loose()
    story.send(PRESSURE, hpa, at=10)
    assert bool(story.told(CODE)) is told


def test_its_dead_band() -> None:
    story = loose()
    for at, hpa in ((10, 10.5), (11, 9.1), (12, 10.2), (13, 9.0), (14, 10.0)):
        story.send(PRESSURE, hpa, at=at)
    assert [(event.type, event.at) for event in story.told(CODE)] == [("raised", 10), ("cleared", 13)]


def test_any_kind_of_door_meets_it_and_names_the_force() -> None:
    for _, airframe, door in one_of_each_kind():
        story = alder(type=airframe)
        story.bundle({"airframe/engine_1_running": True, **at_door(door, OUT)}, at=5)
        story.send(PRESSURE, 11.0, at=10)
        assert [event.door for event in story.told(CODE)] == [door]
    # 11 hPa · 100 N/m² · 1.9 m²
    story = loose()
    story.send(PRESSURE, 11.0, at=10)
    alert = story.alert(CODE, "L1")
    assert alert is not None
    assert "about 2090 N" in alert["text"]


def test_a_secure_aircraft_may_be_pressurised() -> None:
    story = loose(**{"door/L1/locked": True})
    story.send(PRESSURE, 500.0, at=10)
    story.send(WHEELS, False, at=20)
    assert story.told(CODE) == []


def test_it_takes_over_from_that_doors_residual_pressure_alone() -> None:
    story = alder()
    story.bundle({**ALL_ARMED, PRESSURE: 20.0, **at_door("L1", locked=False), **at_door("R1", ARMED)}, at=5)
    assert story.types("residual-pressure", "L1") == ["raised"]
    story.send(ENGINE, True, at=10)
    assert story.types(CODE, "L1") == ["raised"]
    residual = story.alert("residual-pressure", "L1")
    assert residual is not None
    assert residual["state"] == "suppressed"
    story.send(ENGINE, False, at=20)
    residual = story.alert("residual-pressure", "L1")
    assert residual is not None
    assert residual["state"] == "unacknowledged"


def test_met_at_one_instant_only_the_graver_one_is_told() -> None:
    story = alder()
    story.bundle({**ALL_ARMED, ENGINE: True, PRESSURE: 20.0, "door/CF/locked": False}, at=5)
    assert {event.code for event in story.told(door="CF")} == {CODE}


def test_a_site_may_ask_for_less() -> None:
    site = replace(demo_site(), thresholds={CODE: {"limit_hpa": 1.5, "dead_band_hpa": 0.5}})
    story = Story(site=site).baseline().until(1)
    story.bundle({**ALL_ARMED, ENGINE: True, "door/L1/locked": False}, at=5)
    story.send(PRESSURE, 1.4, at=9)
    story.send(PRESSURE, 1.6, at=10)
    assert [event.at for event in story.told(CODE)] == [10]
