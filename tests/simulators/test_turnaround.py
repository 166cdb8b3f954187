"""A turnaround of each type, held against safe practice by what its sensors show."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import orjson
import pytest

from monitor.config import default_config_path, load
from monitor.core.airframe import AirframeType, DoorKind
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, STAND_SIGNALS
from simulators.apron import Apron, Part
from simulators.orders import Verb
from simulators.scenario_file import MARKS
from simulators.turnaround import exits_for_fuel, plan_turnaround, roles_of

SITE = load(default_config_path(), environment={}).site
TYPES = SITE.types
START_US = 1_772_359_200_000_000
SECOND = 1_000_000

GUARDED_SILL_M = 1.2
"""29 CFR 1910.28(b)(1)(i): protect at 4 ft and above."""


@dataclass
class Seen:
    """One aircraft as its messages show it."""

    airframe: dict[str, object] = field(default_factory=dict)
    doors: dict[str, dict[str, object]] = field(default_factory=dict)


def watch(apron: Apron, seconds: float) -> Iterator[tuple[float, str, object, Seen]]:
    """Yield each reading with the time, its key and the picture that it completes; check that it fits the type."""
    seen = Seen()
    (actor,) = apron.actors
    doors = actor.plane.airframe.doors
    for sent in apron.advance(START_US + round(seconds * SECOND)):
        at = (sent.at_us - START_US) / SECOND
        path = sent.topic.split("/")
        body = orjson.loads(sent.payload)
        if path[3] == "stand":
            STAND_SIGNALS[path[5]].check(body["value"])
            continue
        if path[5] == "bundle":
            readings: Mapping[str, object] = body["readings"]
        else:
            readings = {"/".join(path[5:]): body["value"]}
        for key, value in readings.items():
            match key.split("/"):
                case ["airframe", signal]:
                    AIRFRAME_SIGNALS[signal].check(value)
                    seen.airframe[signal] = value
                case ["door", door, signal]:
                    assert signal in doors[door].signals
                    DOOR_SIGNALS[signal].check(value)
                    seen.doors.setdefault(door, {})[signal] = value
                case _:
                    raise AssertionError(f"no such reading: {key}")
        for key, value in readings.items():
            yield at, key, value, seen


def one_turnaround(name: str, *, seed: int = 3, bundles: bool = False) -> tuple[Apron, float]:
    part = Part("ZZ-TST", name, "S11", bundles=bundles)
    apron = Apron(SITE, seed, START_US, cast=(part,), programme=None)
    # One whole visit, whatever the number of passengers drawn.
    length_s = plan_turnaround(TYPES[name], random.Random(seed), arriving=TYPES[name].seats).length_s
    return apron, length_s * 1.05


def out_of_frame(seen: Seen) -> list[str]:
    return [name for name, shown in seen.doors.items() if shown.get("closed") is False]


def exit_halves(airframe: AirframeType, seen: Seen) -> set[str]:
    """The halves of the cabin with a floor-level exit: stairs or a bridge docked, or a slide wholly engaged."""
    usable = {
        name
        for name, shown in seen.doors.items()
        if shown.get("access") in ("bridge", "stairs")
        or all(shown.get(signal) is True for signal in ("lever_armed", "girt_left", "girt_right"))
    }
    return {airframe.doors[name].half for name in usable if airframe.doors[name].kind is DoorKind.CABIN}


def engines_running(seen: Seen) -> bool:
    return any(value is True for signal, value in seen.airframe.items() if signal.startswith("engine_"))


@pytest.mark.parametrize(("name", "bundles"), [*((name, False) for name in sorted(TYPES)), ("hazel", True)])
def test_nothing_that_would_alarm_anybody_happens(name: str, bundles: bool) -> None:
    airframe = TYPES[name]
    apron, seconds = one_turnaround(name, bundles=bundles)
    opened: set[str] = set()
    stands: set[object] = set()
    dropped_at: dict[str, float] = {}
    for at, key, value, seen in watch(apron, seconds):
        if "type" not in seen.airframe:
            continue
        out = out_of_frame(seen)
        opened.update(out)
        stands.add(seen.airframe["stand"])
        assert not (out and engines_running(seen)), f"{out} out of frame with an engine running at {at}"
        pressure = float(str(seen.airframe["differential_pressure_hpa"]))
        assert not (out and pressure > 0.5), f"{out} out of frame at {pressure} hPa, {at}"
        if key.endswith(("handle_lifted", "latched", "locked")) and seen.airframe["weight_on_wheels"]:
            moved = value is key.endswith("handle_lifted")
            assert not (moved and pressure > 2.0), f"{key} at {pressure} hPa, {at}"
        speed = float(str(seen.airframe["ground_speed_kt"]))
        assert not (out and speed > 0), f"{out} out of frame while moving at {at}"
        if seen.airframe["refuelling"] and seen.airframe["passengers_aboard"]:
            assert exit_halves(airframe, seen) == {"fore", "aft"}, f"fuel with people and too few exits at {at}"
        if not seen.airframe["parking_brake"] and not seen.airframe["chocks"]:
            disarmed = [n for n, shown in seen.doors.items() if shown.get("lever_armed") is False]
            assert not disarmed, f"{disarmed} disarmed while free to roll at {at}"
        for door, shown in seen.doors.items():
            kind = airframe.doors[door]
            if shown.get("closed") is not False:
                dropped_at.pop(door, None)
                continue
            if kind.kind is DoorKind.CABIN:
                assert shown.get("lever_armed") is not True, f"{door} opened armed at {at}"
                assert shown.get("pin_fitted", True) is True, f"{door} opened without its pin at {at}"
                assert shown.get("slide_released") is not True
                assert kind.sill_m < GUARDED_SILL_M or shown["access"] != "none", f"{door} over a drop at {at}"
            if kind.kind in (DoorKind.CARGO, DoorKind.BULK, DoorKind.MAIN_DECK):
                unguarded = shown["access"] == "none"
                since = dropped_at.setdefault(door, at) if unguarded else dropped_at.pop(door, at)
                assert not unguarded or at - since < 100.0, f"{door} long open with no loader at {at}"
    assert opened >= set(roles_of(airframe).boarding) | set(roles_of(airframe).holds)
    assert stands == {"", "S11"}


@pytest.mark.parametrize("name", sorted(TYPES))
def test_slides_are_disarmed_one_after_another_soon_and_armed_before_the_beacon(name: str) -> None:
    airframe = TYPES[name]
    slides = roles_of(airframe).slides
    plan = plan_turnaround(airframe, random.Random(1), arriving=10)
    times = {
        verb: [timed.at_s for timed in plan.actions if timed.order.verb is verb]
        for verb in (Verb.DISARM_SLIDE, Verb.ARM_SLIDE, Verb.BEACON_OFF, Verb.BEACON_ON, Verb.DOCK, Verb.STOP_ENGINES)
    }
    for verb in (Verb.DISARM_SLIDE, Verb.ARM_SLIDE):
        assert len(times[verb]) == len(slides)
        assert not slides or max(times[verb]) - min(times[verb]) < 20.0
    assert times[Verb.STOP_ENGINES][0] < times[Verb.BEACON_OFF][0]
    if slides:
        assert times[Verb.BEACON_OFF][0] < min(times[Verb.DISARM_SLIDE])
        assert max(times[Verb.DISARM_SLIDE]) - min(times[Verb.DISARM_SLIDE]) < 45.0
        assert max(times[Verb.ARM_SLIDE]) < times[Verb.BEACON_ON][0]
        cabin = {n for n, door in airframe.doors.items() if door.kind is DoorKind.CABIN}
        docks = [t.at_s for t in plan.actions if t.order.verb is Verb.DOCK and t.order.door in cabin]
        assert max(times[Verb.DISARM_SLIDE]) < min(docks)


@pytest.mark.parametrize("name", sorted(TYPES))
def test_access_is_there_before_a_cabin_door_opens_and_leaves_after_it_has_closed(name: str) -> None:
    airframe = TYPES[name]
    plan = plan_turnaround(airframe, random.Random(1), arriving=10)
    at = {(timed.order.verb, timed.order.door): timed.at_s for timed in plan.actions}
    doors = [d for d in airframe.doors.values() if d.kind is DoorKind.CABIN and (Verb.OPEN, d.name) in at]
    assert doors or roles_of(airframe).boarding
    for door in doors:
        assert at[Verb.DOCK, door.name] < at[Verb.OPEN, door.name] < at[Verb.CLOSE, door.name]
        assert at[Verb.WITHDRAW_ACCESS, door.name] >= at[Verb.CLOSE, door.name] + 12.0


@pytest.mark.parametrize("name", sorted(TYPES))
def test_every_named_moment_is_in_every_plan(name: str) -> None:
    plan = plan_turnaround(TYPES[name], random.Random(1), arriving=4)
    assert set(MARKS) <= set(plan.marks)
    assert [timed.at_s for timed in plan.actions] == sorted(timed.at_s for timed in plan.actions)
    assert plan.actions[-1].at_s <= plan.length_s


def test_an_airstair_needs_no_stairs() -> None:
    plan = plan_turnaround(TYPES["birch"], random.Random(1), arriving=60)
    assert not [timed for timed in plan.actions if timed.order.verb is Verb.DOCK and timed.order.door == "L1"]
    assert roles_of(TYPES["birch"]).boarding == ("L1",)


def test_people_walk_off_and_on() -> None:
    apron, seconds = one_turnaround("alder")
    counts = [int(str(value)) for _, key, value, _ in watch(apron, seconds) if key == "airframe/passengers_aboard"]
    assert counts[0] > 100
    assert min(counts) == 0
    assert counts[-1] > 80
    assert max(counts) <= TYPES["alder"].seats


def test_every_shipped_type_fits_a_roles_table() -> None:
    def used(airframe: AirframeType) -> set[str]:
        roles = roles_of(airframe)
        return {*roles.slides, *roles.boarding, *roles.service, *roles.holds, *roles.hatches}

    for airframe in TYPES.values():
        assert used(airframe) <= set(airframe.doors)
        assert roles_of(airframe).boarding


def test_fuel_flows_with_people_aboard_only_where_each_half_has_an_exit() -> None:
    exits = {name: exits_for_fuel(airframe, roles_of(airframe)) for name, airframe in TYPES.items()}
    assert exits == {"alder": (), "birch": None, "cedar": ("L3",), "hazel": None, "larch": None}


@pytest.mark.parametrize("name", ["alder", "cedar"])
def test_some_refuel_with_people_aboard_and_some_without(name: str) -> None:
    airframe = TYPES[name]
    early = set()
    for seed in range(12):
        plan = plan_turnaround(airframe, random.Random(seed), arriving=10)
        at = {(timed.order.verb, timed.order.door): timed.at_s for timed in plan.actions}
        early.add(at[Verb.STOP_REFUELLING, None] > at[Verb.BOARD, None])
        assert at[Verb.STOP_REFUELLING, None] < plan.marks["closing"]
    assert early == {False, True}
