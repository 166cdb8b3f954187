"""Hazards around the door: engines, cabin pressure, the drop below the sill."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core.airframe import DoorKind, Side
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
from tests.stories import ARMED, LOCKED, OUT, UNLOCKED, Story, alder, demo_site

PRESSURE: Final = "airframe/differential_pressure_hpa"
WHEELS: Final = "airframe/weight_on_wheels"
LEFT_ENGINE, RIGHT_ENGINE = "airframe/engine_1_running", "airframe/engine_2_running"
SHUT: Final[dict[str, Any]] = {"closed": True, "travel": 0.0, "hold_open": False, **LOCKED}
ALL_ARMED: Final = {k: v for door in ("L1", "R1", "L2", "R2") for k, v in at_door(door, ARMED).items()}


def opened(door: str, **more: Any) -> tuple[dict[str, Any], ...]:
    """What leads up to an open doorway, one legal step after another."""
    return (at_door(door, UNLOCKED), at_door(door, closed=False, travel=0.5), at_door(door, hold_open=True, travel=1.0, **more))  # fmt: skip


CASES: Final = (
    Case(
        "engine on the door's side", "open-engine-running", "L1", "warning", before=opened("L1", access="bridge"),
        met={LEFT_ENGINE: True}, delay=0, end={LEFT_ENGINE: False}, essential=("door/L1/closed", LEFT_ENGINE),
    ),
    Case(
        "engine on the other side", "open-engine-running", "L1", "caution", before=opened("L1", access="bridge"),
        met={RIGHT_ENGINE: True}, delay=0, end={RIGHT_ENGINE: False}, essential=("door/L1/closed", RIGHT_ENGINE),
    ),
    Case(
        "hold door opened at a running engine", "open-engine-running", "CF", "warning",
        before=({RIGHT_ENGINE: True}, at_door("CF", UNLOCKED)),
        met=at_door("CF", closed=False, travel=0.1), delay=0, end=at_door("CF", closed=True, travel=0.0),
        essential=("door/CF/closed", RIGHT_ENGINE),
    ),
    Case(
        "hatch on the centre line", "open-engine-running", "H2", "warning", before=({LEFT_ENGINE: True},),
        met=at_door("H2", OUT), delay=0, end=at_door("H2", closed=True), essential=("door/H2/closed", LEFT_ENGINE),
    ),
    Case(
        "handle under pressure", "residual-pressure", "L1", "warning", before=(ALL_ARMED, {PRESSURE: 2.6}),
        met=at_door("L1", handle_lifted=True), delay=0, end=at_door("L1", handle_lifted=False),
        essential=(PRESSURE, WHEELS, "door/L1/handle_lifted"),
    ),
    Case(
        "pressure below outside's", "residual-pressure", "CB", "warning", before=(ALL_ARMED, {PRESSURE: -2.6}),
        met=at_door("CB", locked=False), delay=0, end=at_door("CB", locked=True),
        essential=(PRESSURE, WHEELS, "door/CB/locked"),
    ),
    Case(
        "latch of a hatch under pressure", "residual-pressure", "H1", "warning", before=(ALL_ARMED, {PRESSURE: 2.6}),
        met=at_door("H1", latched=False, locked=False), delay=0, end=at_door("H1", LOCKED), essential=(PRESSURE, WHEELS),
    ),
    Case(
        "pressure comes to a moved handle", "residual-pressure", "WL", "warning", before=(ALL_ARMED, at_door("WL", handle_lifted=True)),
        met={PRESSURE: 2.51}, delay=0, end={PRESSURE: 2.0}, essential=(PRESSURE, WHEELS, "door/WL/handle_lifted"),
    ),
    Case(
        "slide disengaged under pressure", "residual-pressure", "R2", "warning", before=(ALL_ARMED, {PRESSURE: 2.6}),
        met=at_door("R2", lever_armed=False, girt_left=False, girt_right=False), delay=3, end=at_door("R2", ARMED),
        essential=(PRESSURE, WHEELS),
    ),
    Case(
        "slide disengaged in part under pressure", "residual-pressure", "R2", "warning", before=(ALL_ARMED, {PRESSURE: 2.6}),
        met=at_door("R2", girt_left=False), delay=3, end=at_door("R2", girt_left=True),
        essential=(PRESSURE, WHEELS, "door/R2/girt_left"),
    ),
    Case(
        "rising", "pressure-rising", "-", "caution", before=({PRESSURE: 0.6},), met={PRESSURE: 1.1}, delay=0,
        end={PRESSURE: 0.9},
        essential=(PRESSURE, WHEELS, LEFT_ENGINE, RIGHT_ENGINE, *(f"door/{d}/closed" for d in ("L1", "R1", "L2", "R2"))),
    ),
    Case(
        "cabin doorway", "unguarded-drop", "L1", "warning", before=opened("L1", barrier=True),
        met=at_door("L1", barrier=False), delay=5, end=at_door("L1", barrier=True),
        essential=("door/L1/closed", "door/L1/access", "door/L1/barrier"),
    ),
    Case(
        "cabin doorway ajar", "unguarded-drop", "R2", "warning", before=(at_door("R2", UNLOCKED),),
        met=at_door("R2", closed=False, travel=0.1), delay=5, end=at_door("R2", closed=True),
        essential=("door/R2/closed", "door/R2/access"),
    ),
    Case(
        "hold door", "unguarded-drop", "CF", "caution", before=(at_door("CF", UNLOCKED),),
        met=at_door("CF", closed=False, travel=0.5), delay=120, end=at_door("CF", access="loader"),
        essential=("door/CF/closed", "door/CF/access"),
    ),
    Case(
        "bulk door", "unguarded-drop", "CB", "caution", before=(at_door("CB", UNLOCKED),),
        met=at_door("CB", closed=False, travel=0.5), delay=120, end=at_door("CB", closed=True, travel=0.0),
        essential=("door/CB/closed", "door/CB/access"),
    ),
    Case(
        "bridge leaves", "access-withdrawn", "L1", "warning", before=opened("L1", access="bridge"),
        met=at_door("L1", access="none"), delay=0, end=at_door("L1", access="stairs"),
        essential=("door/L1/closed", "door/L1/access", "door/L1/barrier"),
    ),
    Case(
        "stairs leave, guarded", "access-withdrawn", "L2", "warning", before=opened("L2", access="stairs"),
        met=at_door("L2", access="none"), delay=0, end=at_door("L2", barrier=True), essential=("door/L2/access",),
    ),
    Case(
        "stairs leave, closed", "access-withdrawn", "R1", "warning", before=opened("R1", access="stairs"),
        met=at_door("R1", access="none"), delay=0, end=at_door("R1", SHUT), essential=("door/R1/access",),
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


# Kinds

ALL: Final = set(DoorKind)
KINDS: Final[dict[str, set[DoorKind]]] = {
    "open-engine-running": ALL - {DoorKind.WINDOW},
    "residual-pressure": ALL,
    "unguarded-drop": {DoorKind.CABIN, DoorKind.CARGO, DoorKind.BULK, DoorKind.MAIN_DECK},
    "access-withdrawn": {DoorKind.CABIN},
}


@pytest.mark.parametrize(("kind", "type_", "door"), one_of_each_kind(), ids=str)
def test_it_is_raised_at_the_kinds_of_the_design_and_no_other(kind: DoorKind, type_: str, door: str) -> None:
    story = Story(type=type_).baseline()
    engines = {f"airframe/engine_{n}_running": True for n in demo_site().types[type_].engines}
    story.bundle({PRESSURE: 9.0, **engines}, at=5)
    story.door_bundle(door, UNLOCKED, at=6)
    story.door_bundle(door, OUT, {"travel": 0.5, "access": "stairs", "barrier": False}, at=7)
    story.send(f"door/{door}/access", "none", at=10)
    story.until(200)
    codes = {event.code for event in story.events if event.door == door}
    silenced = {"unguarded-drop"} if kind is DoorKind.CABIN else set()
    assert codes & set(KINDS) == {code for code, kinds in KINDS.items() if kind in kinds} - silenced


# open-engine-running


@pytest.mark.parametrize(
    ("door", "engine", "priority"),
    [
        ("L1", LEFT_ENGINE, "warning"), ("L1", RIGHT_ENGINE, "caution"), ("R2", RIGHT_ENGINE, "warning"),
        ("R2", LEFT_ENGINE, "caution"), ("CA", RIGHT_ENGINE, "warning"), ("CA", LEFT_ENGINE, "caution"),
        ("OL1", LEFT_ENGINE, "warning"), ("OR1", LEFT_ENGINE, "caution"), ("H1", LEFT_ENGINE, "warning"),
        ("H4", RIGHT_ENGINE, "warning"), ("CB", LEFT_ENGINE, "caution"),
    ],
)  # fmt: skip
def test_an_engine_on_the_doors_side_makes_a_warning(door: str, engine: str, priority: str) -> None:
    story = alder()
    story.bundle({**at_door(door, OUT, access="stairs"), engine: True}, at=AT)
    assert [e.priority for e in story.told("open-engine-running")] == [priority]


def test_a_bulk_door_on_the_centre_line_takes_either_engine_as_its_own() -> None:
    site = demo_site()
    airframe = site.types["alder"]
    assert airframe.doors["CB"].side is Side.RIGHT
    centre = replace(airframe, doors={**airframe.doors, "CB": replace(airframe.doors["CB"], side=None)})
    story = Story(site=replace(site, types={**site.types, "alder": centre})).baseline()
    story.bundle({**at_door("CB", OUT), LEFT_ENGINE: True}, at=AT)
    assert [e.priority for e in story.told("open-engine-running")] == ["warning"]


@pytest.mark.parametrize("door", ["L1", "R1", "CB"])
def test_a_running_engine_that_the_type_does_not_have_takes_any_side(door: str) -> None:
    """The alder has two: either the type is wrong or the engine's number, and one runs somewhere."""
    story = alder()
    story.bundle(at_door(door, OUT, access="stairs"), at=AT)
    story.send("airframe/engine_3_running", True, at=AT + 1)
    story.send("airframe/engine_3_running", True, at=AT + 2, quality="bad")
    assert {"code": "open-engine-running", "why": "bad", "signals": ["airframe/engine_3_running"]} in story.door(door)[
        "deaf_to"
    ]
    story.send("airframe/engine_3_running", False, at=AT + 3)
    assert [(e.type, e.door, e.priority, e.at) for e in story.told("open-engine-running")] == [
        ("raised", door, "warning", AT + 1),
        ("cleared", door, "warning", AT + 3),
    ]


def test_an_engine_that_the_type_does_not_have_is_asked_for_only_while_it_is_reported() -> None:
    story = alder()
    before = story.door("L1")["deaf_to"]
    assert "open-engine-running" not in {row["code"] for row in before}
    story.send("airframe/engine_3_running", False, at=AT)
    story.withdraw("airframe/engine_3_running", at=AT + 1)
    assert story.door("L1")["deaf_to"] == before


def test_it_rises_and_falls_at_once_with_the_engine_on_its_side() -> None:
    story = alder()
    story.bundle({**at_door("L1", OUT), RIGHT_ENGINE: True}, at=AT)
    story.send(LEFT_ENGINE, True, at=AT + 1)
    story.send(LEFT_ENGINE, False, at=AT + 2)
    story.send(RIGHT_ENGINE, False, at=AT + 3)
    assert [(e.type, e.priority, e.at) for e in story.told("open-engine-running")] == [
        ("raised", "caution", AT),
        ("reprioritised", "warning", AT + 1),
        ("reprioritised", "caution", AT + 2),
        ("cleared", "caution", AT + 3),
    ]


def test_an_engine_that_is_not_known_neither_raises_nor_clears() -> None:
    story = alder()
    story.bundle({**at_door("L1", OUT), RIGHT_ENGINE: True}, at=AT)
    story.send(RIGHT_ENGINE, False, at=AT + 1, quality="bad")
    alert = story.alert("open-engine-running", "L1")
    assert alert is not None
    assert alert["blind"] is True


# residual-pressure


@pytest.mark.parametrize(("pressure", "raised"), [(2.5, False), (2.501, True), (-2.5, False), (-2.501, True)])
def test_the_limit_is_above_2_5_hpa_either_way(pressure: float, raised: bool) -> None:
    story = alder()
    story.bundle({PRESSURE: pressure, **at_door("L1", handle_lifted=True)}, at=AT)
    assert (story.types("residual-pressure", "L1") == ["raised"]) is raised


@pytest.mark.parametrize(("pressure", "over"), [(2.4, False), (2.001, False), (2.0, True)])
def test_it_ends_half_a_hectopascal_below_the_limit(pressure: float, over: bool) -> None:
    story = alder()
    story.bundle({PRESSURE: 5.0, **ALL_ARMED, **at_door("CB", UNLOCKED)}, at=AT)
    story.send(PRESSURE, pressure, at=20)
    assert (story.types("residual-pressure", "CB")[-1] == "cleared") is over


def test_off_the_ground_the_cabin_is_under_pressure_and_no_alert() -> None:
    story = alder()
    story.bundle({PRESSURE: 500.0, WHEELS: False, **at_door("L1", handle_lifted=True)}, at=AT)
    story.until(60)
    assert story.told("residual-pressure") == []


def test_each_door_that_meets_it_has_its_own() -> None:
    story = alder()
    story.bundle({PRESSURE: 3.0, **ALL_ARMED}, at=5)
    story.bundle({**at_door("L1", handle_lifted=True), **at_door("CA", UNLOCKED)}, at=AT)
    assert {e.door for e in story.told("residual-pressure")} == {"L1", "CA"}


def test_a_closed_overwing_hatch_is_not_worked_and_a_disarmed_cabin_door_is() -> None:
    story = alder()
    story.send(PRESSURE, 3.0, at=AT)
    story.until(60)
    assert {(e.door, e.at) for e in story.told("residual-pressure")} == {(d, AT + 3) for d in ("L1", "R1", "L2", "R2")}


def test_the_text_tells_the_pressure_and_the_force_on_the_leaf() -> None:
    """1 hPa is 100 N on each square metre; a cabin door of alder has 1.9 m²."""
    story = alder()
    story.bundle({PRESSURE: 4.0, **at_door("L1", handle_lifted=True)}, at=AT)
    text = story.told("residual-pressure", "L1")[0].data["text"]
    assert "4.0 hPa" in text
    assert "760 N" in text


# pressure-rising


@pytest.mark.parametrize(
    ("first", "then", "raised"),
    [(0.6, 1.1, True), (0.7, 1.1, False), (0.0, 1.0, False), (0.0, 1.01, True), (1.5, 2.0, True), (-3.0, 0.9, False)],
)
def test_it_takes_a_rise_of_half_a_hectopascal_to_above_1(first: float, then: float, raised: bool) -> None:
    story = alder(beating=False)
    story.send(PRESSURE, first, at=20)
    story.send(PRESSURE, then, at=25)
    assert (story.types("pressure-rising") == ["raised"]) is raised


def test_the_lowest_of_the_last_10_s_counts_and_no_older() -> None:
    story = alder(beating=False)
    story.send(PRESSURE, 0.8, at=10.1)
    story.send(PRESSURE, 1.0, at=15)
    story.send(PRESSURE, 1.4, at=20.2)
    assert story.told("pressure-rising") == []
    story.send(PRESSURE, 1.5, at=24)
    assert story.types("pressure-rising") == ["raised"]


def test_it_ends_at_a_reading_that_no_longer_shows_it_or_10_s_after_the_last() -> None:
    story = alder(beating=False)
    story.send(PRESSURE, 0.6, at=20)
    story.send(PRESSURE, 1.5, at=25)
    story.until(34.9)
    assert story.types("pressure-rising") == ["raised"]
    story.until(35)
    assert [(e.type, e.at) for e in story.told("pressure-rising")] == [("raised", 25), ("cleared", 35)]


def test_it_ends_at_the_first_reading_with_no_lower_one_in_the_10_s_before_it() -> None:
    story = alder(beating=False)
    for at, pressure in ((20, 0.6), (25, 1.5), (29, 1.5), (30, 1.5)):
        story.send(PRESSURE, pressure, at=at)
    assert [(e.type, e.at) for e in story.told("pressure-rising")] == [("raised", 25), ("cleared", 30)]


@pytest.mark.parametrize(
    "spoiler", [{LEFT_ENGINE: True}, {RIGHT_ENGINE: True}, {WHEELS: False}, at_door("R2", closed=False)]
)
def test_with_an_engine_an_open_door_or_off_the_ground_it_is_no_hazard(spoiler: dict[str, Any]) -> None:
    story = alder()
    story.bundle(spoiler, at=5)
    story.send(PRESSURE, 0.0, at=AT)
    story.send(PRESSURE, 3.0, at=AT + 1)
    assert story.told("pressure-rising") == []


def test_an_open_hold_door_does_not_count_as_a_cabin_door() -> None:
    story = alder()
    story.bundle(at_door("CF", OUT), at=5)
    story.send(PRESSURE, 3.0, at=AT)
    assert story.types("pressure-rising") == ["raised"]


# unguarded-drop


@pytest.mark.parametrize(("sill", "raised"), [(1.2, True), (1.199, False)])
def test_a_drop_counts_from_1_2_m(sill: float, raised: bool) -> None:
    """29 CFR 1910.28(b)(1)(i): protect at 4 ft (1.2 m) and above."""
    site = demo_site()
    airframe = site.types["alder"]
    low = replace(airframe, doors={**airframe.doors, "L1": replace(airframe.doors["L1"], sill_m=sill)})
    story = Story(site=replace(site, types={**site.types, "alder": low})).baseline()
    story.door_bundle("L1", OUT, {"travel": 0.5}, at=AT)
    story.until(60)
    assert (story.types("unguarded-drop") == ["raised"]) is raised


@pytest.mark.parametrize("access", ["bridge", "stairs", "loader", "platform"])
def test_whatever_is_docked_ends_the_drop(access: str) -> None:
    story = alder()
    story.door_bundle("L1", OUT, {"travel": 0.5, "access": access}, at=AT)
    story.until(60)
    assert story.told("unguarded-drop") == []


def test_a_barrier_that_was_never_reported_is_none() -> None:
    story = Story()
    story.baseline()
    aircraft = story.system.record.aircraft[story.reg]
    del aircraft.doors["L1"].readings["barrier"]
    story.door_bundle("L1", OUT, {"travel": 0.5}, at=AT)
    story.until(60)
    assert [e.at for e in story.told("unguarded-drop", "L1")] == [AT + 5]


def test_a_slide_that_hangs_at_the_door_is_no_drop_and_one_that_came_off_is() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=5)
    story.door_bundle("L1", UNLOCKED, at=6)
    story.door_bundle("L1", OUT, {"travel": 0.5, "slide_released": True}, at=AT)
    story.until(60)
    assert story.told("unguarded-drop") == []
    story.send("door/L1/slide_detached", True, at=60)
    story.until(100)
    assert [e.at for e in story.told("unguarded-drop")] == [65]


def test_a_barrier_does_not_guard_a_hold_door_in_the_design() -> None:
    story = alder()
    story.door_bundle("CF", OUT, {"travel": 0.5, "barrier": True}, at=AT)
    story.until(AT + 120)
    assert [(e.priority, e.at) for e in story.told("unguarded-drop")] == [("caution", AT + 120)]


# access-withdrawn


def test_it_silences_the_drop_there_until_it_is_over() -> None:
    story = alder()
    for number, readings in enumerate(opened("L1", access="bridge")):
        story.bundle(readings, at=5 + number / 10)
    story.send("door/L1/access", "none", at=AT)
    story.until(100)
    assert story.types("access-withdrawn") == ["raised"]
    assert story.told("unguarded-drop") == []


def test_a_drop_that_stood_before_is_suppressed_by_it() -> None:
    story = alder()
    for number, readings in enumerate(opened("L1")):
        story.bundle(readings, at=5 + number / 10)
    story.until(20)
    assert story.types("unguarded-drop") == ["raised"]
    story.send("door/L1/access", "bridge", at=21)
    story.send("door/L1/access", "none", at=22)
    story.until(60)
    assert story.types("unguarded-drop") == ["raised", "cleared"]
    assert story.types("access-withdrawn") == ["raised"]


@pytest.mark.parametrize("spoiler", [{"barrier": True}, SHUT])
def test_equipment_that_leaves_a_guarded_or_closed_doorway_is_no_hazard(spoiler: dict[str, Any]) -> None:
    story = alder()
    for number, readings in enumerate(opened("L1", access="bridge")):
        story.bundle(readings, at=5 + number / 10)
    story.door_bundle("L1", spoiler, at=8)
    story.send("door/L1/access", "none", at=AT)
    story.until(60)
    assert story.told("access-withdrawn") == []


def test_a_guard_taken_away_again_is_a_drop_and_no_new_withdrawal() -> None:
    story = alder()
    for number, readings in enumerate(opened("L1", access="bridge")):
        story.bundle(readings, at=5 + number / 10)
    story.send("door/L1/access", "none", at=AT)
    story.send("door/L1/barrier", True, at=12)
    story.send("door/L1/barrier", False, at=20)
    story.until(60)
    assert story.types("access-withdrawn") == ["raised", "cleared"]
    assert [e.at for e in story.told("unguarded-drop")] == [25]


def test_equipment_lost_from_sight_before_it_left_was_docked() -> None:
    story = alder()
    for number, readings in enumerate(opened("L1", access="bridge")):
        story.bundle(readings, at=5 + number / 10)
    story.send("door/L1/access", "bridge", at=8, quality="uncertain")
    assert story.told("access-withdrawn") == []
    story.send("door/L1/access", "none", at=AT)
    assert [e.at for e in story.told("access-withdrawn")] == [AT]
