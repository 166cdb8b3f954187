"""Hazards of leaving, moving and arriving with doors or slides not as they should be."""

from __future__ import annotations

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.rules.rule import ALL_KINDS, CABIN, ENGINES, LOCKS, SLIDE, Level, Parameters, Rule, Scope, door_name
from monitor.core.view import View

SPEED = "airframe/ground_speed_kt"
BEACON = "airframe/beacon"
PASSENGERS = "airframe/passengers_aboard"
REFUELLING = "airframe/refuelling"
MOTION = (SPEED, "airframe/parking_brake", "airframe/chocks", BEACON)


def _leaves_unready(view: View, p: Parameters, held: bool) -> Truth:
    if not view.aboard or not view.has_slide:
        return False
    return all3((view.departing, not3(view.fully_engaged)))


def _moves_unready(view: View, p: Parameters, held: bool) -> Truth:
    return all3((_leaves_unready(view, p, held), view.moving(p["speed_kt"])))


def _rolls_unready(view: View, p: Parameters, held: bool) -> Truth:
    return all3((_leaves_unready(view, p, held), view.faster_than(p["speed_kt"])))


NOT_ARMED_DEPARTURE = Rule(
    code="not-armed-departure",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(
        Level(Priority.WARNING, _rolls_unready),
        Level(Priority.CAUTION, _moves_unready),
        Level(Priority.CAUTION, _leaves_unready, delay="standing_s"),
    ),
    reads=frozenset({"memo/departing", PASSENGERS, *MOTION, *SLIDE}),
    needs=("slide", "engines", BEACON, SPEED, "doors/closed", "docks"),
    parameters={"standing_s": 60.0, "speed_kt": 2.0},
    summary="The aircraft is leaving with passengers aboard and a cabin slide that is not engaged.",
    text=lambda view, priority: (
        f"{door_name(view)}: rolling with passengers aboard and the slide not engaged."
        if priority is Priority.WARNING
        else f"{door_name(view)}: leaving with passengers aboard and the slide not engaged."
    ),
    action="Stop the aircraft from leaving. Tell the crew which slide does not read engaged.",
    consequence="If people must get out on the way to the runway, this exit has no slide.",
    respond_within_s=30,
    role="coordinator",
    basis="14 CFR 121.570(a): no movement on the surface with passengers unless each slide is ready",
    evidence=(*SLIDE, *MOTION, PASSENGERS, *ENGINES),
)


def _left_armed(view: View, p: Parameters, held: bool) -> Truth:
    aircraft, door = view.aircraft, view.door
    memo = aircraft.turnround if aircraft is not None else None
    if memo is None or door is None:
        return None
    if door.name not in memo.engaged:
        return False
    stand = view.airframe_value("stand")
    people = view.airframe_value("passengers_aboard")
    fuelling = all3((view.airframe_true("refuelling"), None if people is None else people != 0))
    reason = any3((all3((memo.disengaged, not3(fuelling))), view.docked))
    quiet = (not3(view.any_engine), not3(view.airframe_true("beacon")))
    return all3((None if stand is None else stand != "", *quiet, view.engaged, reason))


STILL_ARMED_ARRIVAL = Rule(
    code="still-armed-arrival",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(Level(Priority.CAUTION, _left_armed, delay="on_delay_s"),),
    reads=frozenset({"memo/arrival", "airframe/stand", BEACON, PASSENGERS, REFUELLING, *ENGINES, *SLIDE, "access"}),
    needs=("slide", "slides", "airframe/stand", "engines", BEACON, PASSENGERS, REFUELLING, "dock"),
    parameters={"on_delay_s": 45.0},
    summary="On stand after arrival this slide is still engaged, though others are not or equipment is docked here.",
    text=lambda view, priority: f"{door_name(view)}: slide still engaged since arrival.",
    action="Stop anybody who goes to work at this door. Tell the crew that its slide still reads engaged.",
    consequence="Whoever works the door next blows the slide onto the equipment or the people before it.",
    respond_within_s=60,
    role="coordinator",
    basis="14 CFR 25.810(a)(1)(ii): an engaged slide deploys as the door opens; 45 s is the contract's",
    evidence=(*SLIDE, "access", BEACON, *ENGINES, REFUELLING, PASSENGERS),
)


def _moves_insecure(view: View, p: Parameters, held: bool) -> Truth:
    # Not by its state, which is unknown already where only what the slide or the hold-open lock does is not known.
    insecure = True if view.deployed else any3((view.leaf_out, view.lock_moved))
    return False if insecure is False else all3((insecure, view.moving(p["speed_kt"])))


MOVING_NOT_SECURE = Rule(
    code="moving-not-secure",
    scope=Scope.DOOR,
    kinds=ALL_KINDS - {DoorKind.WINDOW},
    levels=(Level(Priority.WARNING, _moves_insecure),),
    reads=frozenset({"state", "leaf", *LOCKS, *MOTION}),
    needs=("closed", "moved", *MOTION),
    parameters={"speed_kt": 2.0},
    summary="The aircraft moves, or may at any moment, with a door that is not closed and locked.",
    text=lambda view, priority: f"{door_name(view)}: the aircraft moves and the door is not closed and locked.",
    action="Stop the aircraft. Keep everybody back from the door. Tell the crew which door it is.",
    consequence="The leaf strikes equipment or a person, somebody falls out, or the aircraft leaves with a door open.",
    respond_within_s=10,
    role="coordinator",
    basis="14 CFR 25.783(e)(1): secure is closed, latched and locked; that nothing moves before is common practice",
    evidence=("closed", "latched", "locked", "handle_lifted", *MOTION),
)

RULES: tuple[Rule, ...] = (MOVING_NOT_SECURE, NOT_ARMED_DEPARTURE, STILL_ARMED_ARRIVAL)
