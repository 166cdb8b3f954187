"""Hazards around the door: engines, cabin pressure and the drop below the sill."""

from __future__ import annotations

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.physics import pressure_force_n
from monitor.core.rules.rule import (
    ALL_KINDS,
    CABIN,
    ENGINES,
    GROUND,
    HOLDS,
    LOCKS,
    PRESSURE,
    SLIDE,
    Level,
    Parameters,
    Rule,
    Scope,
    door_name,
)
from monitor.core.times import SECOND
from monitor.core.view import CABIN_ENTRIES, View


def _out_near_engine(view: View, p: Parameters, held: bool) -> Truth:
    return all3((view.leaf_out, view.engine_on_side))


def _out_with_engine(view: View, p: Parameters, held: bool) -> Truth:
    return all3((view.leaf_out, view.any_engine))


OPEN_ENGINE_RUNNING = Rule(
    code="open-engine-running",
    scope=Scope.DOOR,
    kinds=ALL_KINDS - {DoorKind.WINDOW},
    levels=(Level(Priority.WARNING, _out_near_engine), Level(Priority.CAUTION, _out_with_engine)),
    reads=frozenset({"leaf", *ENGINES}),
    needs=("closed", "engines"),
    summary="The door is out of its frame while an engine runs; a warning if one runs on the door's side.",
    text=lambda view, priority: (
        f"{door_name(view)}: open with an engine running on its side."
        if priority is Priority.WARNING
        else f"{door_name(view)}: open with an engine running on the other side."
    ),
    action="Stop. Keep everybody back from the door and out of the engine's reach. Tell the crew.",
    consequence="People and loose things can be drawn in or blown over.",
    respond_within_s=10,
    role="coordinator",
    basis="common practice: nobody works at a door beside a turning engine or propeller",
    evidence=("closed", "travel", *ENGINES),
)


def _pressure_left(view: View, p: Parameters, held: bool) -> Truth:
    pressure = view.pressure
    if pressure is None:
        return None
    return abs(pressure) > p["limit_hpa"] - (p["dead_band_hpa"] if held else 0.0)


def _moved_under_pressure(view: View, p: Parameters, held: bool) -> Truth:
    left = _pressure_left(view, p, held)
    # The commonest answer by far, asked of every door at every reading of the pressure.
    return False if left is False else all3((left, view.on_ground, view.lock_moved))


def _disengaged_under_pressure(view: View, p: Parameters, held: bool) -> Truth:
    if view.spec is None or view.spec.kind is not DoorKind.CABIN or not view.has_slide:
        return False
    left = _pressure_left(view, p, held)
    return False if left is False else all3((left, view.on_ground, not3(view.fully_engaged)))


def worked_under_pressure(view: View, p: Parameters) -> Truth:
    """Tell whether `residual-pressure`'s condition holds at a door now, by ``limit_hpa`` of ``p``."""
    return any3((_moved_under_pressure(view, p, False), _disengaged_under_pressure(view, p, False)))


def _pressure_text(view: View, priority: Priority) -> str:
    pressure, spec = view.pressure, view.spec
    if pressure is None or spec is None:
        return f"{door_name(view)}: the cabin is still under pressure."
    force = abs(pressure_force_n(pressure, spec.leaf_area_m2))
    return f"{door_name(view)}: cabin pressure {pressure:.1f} hPa from outside's, about {force:.0f} N on the leaf."


def _loose_in_pressure(view: View, p: Parameters, held: bool) -> Truth:
    pressure, limit = view.pressure, p["limit_hpa"] - (p["dead_band_hpa"] if held else 0.0)
    # Signed, unlike residual pressure: it is the cabin's excess that throws a loose door out.
    above = None if pressure is None else pressure > limit
    if above is False:
        return False
    return all3((above, any3((not3(view.on_ground), view.any_engine)), any3((view.leaf_out, view.lock_moved))))


UNLOCKED_PRESSURISED = Rule(
    code="unlocked-pressurised",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(Level(Priority.WARNING, _loose_in_pressure),),
    reads=frozenset({GROUND, PRESSURE, *ENGINES, "leaf", *LOCKS}),
    needs=(GROUND, PRESSURE, "engines", "closed", "moved"),
    parameters={"limit_hpa": 10.0, "dead_band_hpa": 1.0},
    summary="The cabin is being pressurised, off the ground or with an engine running, and a door is not secure.",
    text=_pressure_text,
    action="Stop. Keep everybody away from the door and out of its way. Tell the crew that it is not secure.",
    consequence="The door can be thrown open, with whoever stands at it.",
    respond_within_s=5,
    role="coordinator",
    basis="14 CFR 25.783(c): no pressurising to an unsafe level unless every door is secure; 10 hPa is this project's default",
    evidence=(PRESSURE, GROUND, *ENGINES, "closed", *LOCKS),
)

RESIDUAL_PRESSURE = Rule(
    code="residual-pressure",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(
        Level(Priority.WARNING, _moved_under_pressure),
        Level(Priority.WARNING, _disengaged_under_pressure, delay="disengaged_s"),
    ),
    reads=frozenset({GROUND, PRESSURE, *LOCKS, *SLIDE}),
    needs=("airframe/weight_on_wheels", "airframe/differential_pressure_hpa", "moved", "engagement"),
    parameters={"limit_hpa": 2.5, "dead_band_hpa": 0.5, "disengaged_s": 3.0},
    suppressed_by=("unlocked-pressurised",),
    summary="The cabin is still under pressure on the ground and a door is being worked.",
    text=_pressure_text,
    action="Stop. Hands off the handle. Keep clear of the leaf's path. Tell the crew that pressure is left.",
    consequence="The leaf can burst open and throw whoever holds it.",
    respond_within_s=5,
    role="coordinator",
    basis="NTSB A-01-16 to -22; no published limit: 2.5 hPa is this project's default and the site's choice",
    evidence=(PRESSURE, GROUND, *LOCKS, *SLIDE),
)


def _pressure_rises(view: View, p: Parameters, held: bool) -> Truth:
    rises = _rise(view, p)
    if rises is False:
        return False
    closed = all3(door.true("closed") for door in view.doors() if door.spec and door.spec.kind in CABIN_ENTRIES)
    return all3((rises, view.on_ground, not3(view.any_engine), closed))


def _rise(view: View, p: Parameters) -> Truth:
    pressure, aircraft = view.pressure, view.aircraft
    if pressure is None or aircraft is None:
        return None
    if pressure <= p["above_hpa"]:
        return False
    window = int(p["window_s"] * SECOND)
    latest = aircraft.pressures[-1][0] if aircraft.pressures else view.now - window
    # Looked back on from the latest reading: with readings some seconds apart, a steady rise
    # would otherwise end each time an old one left the window, just before the next came.
    if view.now >= latest + window:
        return False
    lowest = min((value for at, value in aircraft.pressures if at > latest - window), default=pressure)
    rises = pressure >= lowest + p["rise_hpa"]
    if rises:
        view.wake_at(latest + window)
    return rises


PRESSURE_RISING = Rule(
    code="pressure-rising",
    scope=Scope.AIRCRAFT,
    levels=(Level(Priority.CAUTION, _pressure_rises),),
    reads=frozenset({GROUND, PRESSURE, *ENGINES, "doors/closed"}),
    needs=("airframe/weight_on_wheels", "airframe/differential_pressure_hpa", "engines", "doors/closed"),
    parameters={"rise_hpa": 0.5, "above_hpa": 1.0, "window_s": 10.0},
    summary="Cabin pressure rises on the ground with engines off and the cabin doors closed.",
    text=lambda view, priority: "Cabin pressure is rising with the engines off and the doors closed.",
    action="Keep everybody off the doors. Look for an external air supply still feeding the cabin. Tell the crew.",
    consequence="The next door to be opened can burst open.",
    respond_within_s=30,
    role="coordinator",
    basis="NTSB A-01-16 to -22, DCA05MA071: an external air supply pressurised a closed cabin; figures are our choice",
    evidence=(PRESSURE, *ENGINES),
)


def _drop_below(view: View, p: Parameters) -> bool:
    return view.spec is not None and view.spec.sill_m >= p["sill_m"]


def _unguarded_cabin(view: View, p: Parameters, held: bool) -> Truth:
    if view.spec is None or view.spec.kind is not DoorKind.CABIN or not _drop_below(view, p):
        return False
    return all3((view.leaf_out, not3(view.docked), not3(view.guarded), not3(view.slide_attached)))


def _unguarded_hold(view: View, p: Parameters, held: bool) -> Truth:
    if view.spec is None or view.spec.kind not in HOLDS:
        return False
    return all3((view.leaf_out, not3(view.docked)))


UNGUARDED_DROP = Rule(
    code="unguarded-drop",
    scope=Scope.DOOR,
    kinds=CABIN | HOLDS,
    levels=(
        Level(Priority.WARNING, _unguarded_cabin, delay="cabin_s"),
        Level(Priority.CAUTION, _unguarded_hold, delay="hold_s"),
    ),
    reads=frozenset({"leaf", "access", "barrier", "slide_released", "slide_detached", "state"}),
    needs=("closed", "access", "guards"),
    parameters={"sill_m": 1.2, "cabin_s": 5.0, "hold_s": 120.0},
    suppressed_by=("access-withdrawn",),
    summary="A doorway stands open over a drop with no access equipment and no barrier.",
    text=lambda view, priority: (
        f"{door_name(view)}: open over a drop of {view.spec.sill_m:.1f} m with nothing docked."
        if view.spec is not None
        else "A doorway is open over a drop."
    ),
    action="Stop anybody who goes to the doorway. Post somebody there. Tell the crew; a strap is not a barrier.",
    consequence="A person steps or falls out.",
    respond_within_s=10,
    role="coordinator",
    basis="29 CFR 1910.28(b)(1)(i): fall protection from 4 ft (1.2 m) up; the delays are our choice",
    evidence=("closed", "access", "barrier", "slide_released", "slide_detached"),
)


def _access_left(view: View, p: Parameters, held: bool) -> Truth:
    if view.door is None or not view.door.access_left:
        return False
    over = any3((not3(view.leaf_out), view.docked, view.guarded))
    return not3(over)


ACCESS_WITHDRAWN = Rule(
    code="access-withdrawn",
    scope=Scope.DOOR,
    kinds=CABIN,
    levels=(Level(Priority.WARNING, _access_left),),
    reads=frozenset({"leaf", "access", "barrier"}),
    needs=("closed", "access", "barriers"),
    summary="Access equipment leaves an open doorway that has no barrier.",
    text=lambda view, priority: f"{door_name(view)}: access equipment has left the open doorway.",
    action="Stop the equipment. Keep everybody back from the doorway. Tell the crew at once.",
    consequence="A person walks out onto equipment that is no longer there.",
    respond_within_s=5,
    role="coordinator",
    basis="29 CFR 1910.28(b)(1)(i); falls from doorways as equipment leaves: common practice (HSE figures)",
    evidence=("closed", "access", "barrier"),
)

RULES = (
    OPEN_ENGINE_RUNNING,
    UNLOCKED_PRESSURISED,
    RESIDUAL_PRESSURE,
    PRESSURE_RISING,
    ACCESS_WITHDRAWN,
    UNGUARDED_DROP,
)
