"""What orders do to a whole aircraft: the newer ones in their effects, and all of them in that they have one."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from monitor.core.airframe import Site
from simulators.aircraft import Aircraft
from simulators.orders import (
    ARGUMENTS,
    NEEDS_ACTUATOR,
    NEEDS_SLIDE,
    PHRASES,
    SCOPES,
    WORDS,
    Argument,
    Order,
    Scope,
    Verb,
    parse_phrase,
)


@pytest.fixture
def plane(site: Site) -> Aircraft:
    return Aircraft("ZZ-TST", site.types["alder"], "S11", random.Random(7))


def do(plane: Aircraft, phrase: str, door: str | None = None) -> None:
    plane.obey(parse_phrase(phrase, door), 0)


def live(plane: Aircraft, seconds: float, begin: float = 0.0) -> None:
    for tick in range(round(begin * 10) + 1, round((begin + seconds) * 10) + 1):
        plane.step(tick * 100_000, 0.1)


@pytest.mark.parametrize("verb", [verb for verb in PHRASES if SCOPES[verb] in (Scope.DOOR, Scope.AIRCRAFT)])
def test_every_order_can_be_carried_out(verb: Verb, plane: Aircraft) -> None:
    value = WORDS[verb][0] if verb in WORDS else 1.0 if ARGUMENTS[verb] is Argument.NUMBER else None
    doors = [None] if SCOPES[verb] is Scope.AIRCRAFT else ["CF"] if verb in NEEDS_ACTUATOR else ["L1", "CF", "H1"]
    for door in doors:
        plane.obey(Order(verb, door, value), 0)
        live(plane, 0.5)


def test_an_order_for_what_a_door_lacks_changes_nothing_of_it(plane: Aircraft) -> None:
    before = plane.doors["H1"]
    for verb in (*NEEDS_ACTUATOR, *NEEDS_SLIDE):
        plane.obey(Order(verb, "H1", "open" if verb is Verb.SET_SELECTOR else 1.0), 0)
    assert plane.doors["H1"] == before


def test_a_bottle_that_is_nearly_empty_never_makes_its_slide_stand(plane: Aircraft) -> None:
    plane.arm_all(armed=True)
    do(plane, "charge slide bottle 40", "L1")
    full = float(str(plane.door_readings("L2")["slide_bottle_bar"]))
    assert float(str(plane.door_readings("L1")["slide_bottle_bar"])) < 0.45 * full
    do(plane, "open", "L1")
    do(plane, "open", "L2")
    live(plane, 40.0)
    stands = {name: plane.door_readings(name)["slide_erect"] for name in ("L1", "L2")}
    assert stands == {"L1": False, "L2": True}
    assert plane.still


def test_people_leave_over_a_wing_that_is_low_enough_to_need_no_slide(site: Site) -> None:
    plane = Aircraft("ZZ-TST", site.types["birch"], "S11", random.Random(7))
    plane.put_aboard(20)
    do(plane, "open", "OL1")
    do(plane, "deboard")
    live(plane, 20.0)
    assert plane.doorways() == ["OL1"]
    assert plane.people.count < 20


def test_people_leave_quicker_by_a_slide_than_by_stairs(site: Site) -> None:
    left = {}
    for way, first in (("stairs", "dock stairs"), ("slide", "arm slide")):
        plane = Aircraft("ZZ-TST", site.types["alder"], "S11", random.Random(7))
        plane.put_aboard(100)
        do(plane, first, "L1")
        live(plane, 20.0)
        do(plane, "open", "L1")
        live(plane, 40.0)
        assert plane.doorways() == ["L1"]
        do(plane, "deboard")
        live(plane, 60.0)
        left[way] = 100 - plane.people.count
    assert left["slide"] == pytest.approx(60, abs=2)
    assert left["stairs"] == pytest.approx(28, abs=2)


def test_a_freighters_main_deck_is_of_its_cabin(site: Site) -> None:
    volumes = {
        name: Aircraft("ZZ-TST", kind, "S11", random.Random(7)).cabin_build.volume_m3
        for name, kind in site.types.items()
    }
    assert volumes["hazel"] < volumes["alder"] < volumes["larch"] < volumes["cedar"]


def test_a_plug_that_the_cabin_presses_into_its_frame_opens_once_the_pressure_has_gone(plane: Aircraft) -> None:
    plane.cabin = replace(plane.cabin, dp_pa=54_000.0)
    do(plane, "open", "L1")
    live(plane, 15.0)
    shown = plane.door_readings("L1")
    assert (shown["handle_lifted"], shown["latched"], shown["closed"]) == (True, False, True)
    plane.cabin = replace(plane.cabin, dp_pa=0.0)
    live(plane, 15.0, begin=15.0)
    assert plane.doors["L1"].open


def seconds_open(plane: Aircraft, door: str) -> float:
    do(plane, "open", door)
    for tick in range(1, 600):
        plane.step(tick * 100_000, 0.1)
        if plane.doors[door].door.leaf >= 1.0:
            return tick / 10
    raise AssertionError(f"{door} never opened")


def test_an_assist_bottle_drives_an_armed_door_as_far_as_it_is_full(plane: Aircraft) -> None:
    by_hand = seconds_open(plane, "R1")
    plane.arm_all(armed=True)
    full = seconds_open(plane, "L1")
    do(plane, "charge assist bottle 50", "L2")
    half = seconds_open(plane, "L2")
    do(plane, "charge assist bottle 0", "R2")
    empty = seconds_open(plane, "R2")
    assert full < half < empty
    assert empty == pytest.approx(by_hand, rel=0.25)  # each door has its own times


def test_worn_and_renewed(plane: Aircraft) -> None:
    do(plane, "wear damper", "L1")
    worn = seconds_open(plane, "L1")
    do(plane, "wear damper 90", "L2")
    do(plane, "renew damper", "L2")
    assert worn < 0.7 * seconds_open(plane, "L2")


def test_a_hold_door_with_a_failed_pump_is_lifted_by_hand(plane: Aircraft) -> None:
    do(plane, "fail electric pump", "CF")
    do(plane, "open", "CF")
    live(plane, 15.0)
    assert plane.doors["CF"].door.in_frame
    do(plane, "stroke hand pump 8", "CF")
    live(plane, 6.0, 15.0)
    assert plane.door_readings("CF")["hand_pump"] is True
    live(plane, 20.0, 21.0)
    assert plane.door_readings("CF")["hand_pump"] is False
    assert 0.05 < float(str(plane.door_readings("CF")["travel"])) < 0.3
    do(plane, "mend electric pump", "CF")
    live(plane, 40.0, 41.0)
    assert plane.doors["CF"].open


def test_a_leak_is_mended(plane: Aircraft) -> None:
    do(plane, "open", "CF")
    live(plane, 12.0)
    do(plane, "set selector neutral", "CF")
    live(plane, 1.0, 12.0)
    held = plane.doors["CF"].door.actuator_bar
    live(plane, 10.0, 13.0)
    assert plane.doors["CF"].door.actuator_bar == pytest.approx(held, rel=0.01)
    do(plane, "let actuator leak 6", "CF")
    live(plane, 5.0, 23.0)
    lost = plane.doors["CF"].door.actuator_bar
    assert lost < 0.9 * held
    do(plane, "mend actuator", "CF")
    live(plane, 5.0, 28.0)
    assert plane.doors["CF"].door.actuator_bar == lost


def test_an_outflow_valve_lets_a_supply_raise_less(plane: Aircraft) -> None:
    do(plane, "supply air 9")
    live(plane, 120.0)
    shut = plane.cabin.dp_pa
    do(plane, "open outflow valve 40")
    live(plane, 60.0, 120.0)
    opened = plane.cabin.dp_pa
    do(plane, "shut outflow valve")
    live(plane, 120.0, 180.0)
    assert opened < 0.3 * shut
    assert plane.cabin.dp_pa > 0.9 * shut
