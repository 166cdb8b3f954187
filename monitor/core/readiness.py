"""The answers about one aircraft, put together: readiness, exits, pressure and wind.

Owns the shape of what is told: whole for a reader who asks, and short for the retained
message, which holds nothing that changes all the time and so compares equal until an
answer changes. Reads and judges; changes nothing, and never says more than "nothing seen
against it".
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import NamedTuple

from monitor.core.airframe import Site
from monitor.core.conditions import Answer, describe_answer, shorten_answer
from monitor.core.effects import Document
from monitor.core.exits import Exits, RefuelPolicy, assess_exits_of, leave_open
from monitor.core.kept import Kept
from monitor.core.kleene import Truth
from monitor.core.physics import density_kg_m3, dynamic_pressure_pa, pressure_force_n, wind_load_n
from monitor.core.pressure import PressureAnswer, assess_pressure, cannot_tell_pressure
from monitor.core.readiness_aircraft import judge_boarding, judge_leaving, judge_refuelling, people_aboard
from monitor.core.readiness_door import (
    LATE,
    ParametersOf,
    Scene,
    active_alerts,
    is_late,
    is_wind_watched,
    judge_opening,
    set_scene,
    why_no_wind,
)
from monitor.core.rules.exits import REFUEL_EXITS_SHORT
from monitor.core.rules.surroundings import RESIDUAL_PRESSURE
from monitor.core.view import WIND, View


class Readiness(NamedTuple):
    """Every answer about one aircraft at one instant."""

    doors: dict[str, Answer]
    leave: Answer
    board: Answer
    refuel: Answer
    exits: Exits


def judge_readiness(view: View, parameters: ParametersOf) -> Readiness:
    """Judge every answer. ``view`` is the aircraft's, ``parameters`` finds a rule's thresholds where a view stands."""
    return _judge_scene(set_scene(view, parameters))


def _judge_scene(scene: Scene) -> Readiness:
    view = scene.view
    doors = list(view.doors()) if view.airframe is not None else []
    exits, policy = _heard_exits(scene, doors), refuel_policy(view, scene.parameters)
    return Readiness(
        doors={door.door.name: judge_opening(scene, door) for door in doors if door.door is not None},
        leave=judge_leaving(scene, doors, exits),
        board=judge_boarding(scene, doors, exits, policy),
        refuel=judge_refuelling(scene, doors, exits, policy),
        exits=exits,
    )


def _heard_exits(scene: Scene, doors: list[View]) -> Exits:
    """The exits as far as they are being heard: of the past, nobody can say which can be used now."""
    exits = assess_exits_of(doors)
    if scene.heard.met is not True:
        return leave_open(exits, [answer.door for answer in exits.answers], scene.heard.text)
    late = [door.door.name for door in doors if door.door is not None and is_late(door.door)]
    return leave_open(exits, late, LATE) if late else exits


def refuel_policy(view: View, parameters: ParametersOf) -> RefuelPolicy:
    """Return the refuelling policy in force: what `refuel-exits-short` is judged by."""
    p = parameters(REFUEL_EXITS_SHORT, view)
    return RefuelPolicy(exits_min=int(p["least_exits"]), both_halves=p["least_halves"] >= 2)


def describe_readiness(view: View, *, site: Site, parameters: ParametersOf) -> Document:
    """Write every answer about an aircraft whole, under ``readiness``, ``exits``, ``pressure`` and ``wind``."""
    scene = set_scene(view, parameters)
    readiness = _judge_scene(scene)
    return {
        "readiness": {
            "doors": {name: describe_answer(answer) for name, answer in readiness.doors.items()},
            "leave": describe_answer(readiness.leave),
            "board": describe_answer(readiness.board),
            "refuel": describe_answer(readiness.refuel),
        },
        "exits": describe_exits(readiness.exits, people_aboard(view), refuel_policy(view, parameters)),
        "pressure": describe_pressure(scene),
        "wind": describe_wind(scene, site),
    }


def summarise_readiness(view: View, *, site: Site, parameters: ParametersOf, kept: Kept | None = None) -> Document:
    """Write the retained message of an aircraft's answers.

    It has no time, no age and no number that changes by itself: two are equal unless an
    answer changed. Of doors that did not change since, ``kept`` knows the answers.
    """
    scene, aircraft = set_scene(view, parameters, brief=True), view.aircraft
    kept = Kept() if kept is None else kept
    doors = list(view.doors()) if view.airframe is not None else []
    limits = _limits(doors, parameters)
    for door in doors:
        door.kept = kept.facts.setdefault(door.door.name, {}) if door.door is not None else None
    exits, policy = _heard_exits(scene, doors), refuel_policy(view, parameters)
    document: Document = {
        "site": site.name,
        "aircraft": aircraft.reg if aircraft is not None else "-",
        "stand": aircraft.stand if aircraft is not None else "",
        "doors": _shorten_openings(scene, doors, limits, kept),
        "leave": shorten_answer(judge_leaving(scene, doors, exits)),
        "board": shorten_answer(judge_boarding(scene, doors, exits, policy)),
        "refuel": shorten_answer(judge_refuelling(scene, doors, exits, policy)),
        "exits": {
            "usable": list(exits.usable),
            "unknown": list(exits.unknown),
            "seats_usable": exits.seats_usable,
            "short": exits.seats_short_of(people_aboard(view)),
        },
        "pressure": _shorten_pressure(scene, limits),
    }
    if aircraft is not None and aircraft.simulated:
        document["simulated"] = True
    return document


def _shorten_openings(scene: Scene, doors: Iterable[View], limits: Mapping[str, float], kept: Kept) -> Document:
    outside = _outside(scene, doors, limits)
    return {
        view.door.name: kept.open_door(
            view.door.name,
            outside,
            (active_alerts(view.door.trackers), is_late(view.door)),
            lambda view=view: shorten_answer(judge_opening(scene, view)),  # type: ignore[misc]
        )
        for view in doors
        if view.door is not None
    }


def _outside(scene: Scene, doors: Iterable[View], limits: Mapping[str, float]) -> Hashable:
    """What the answers about doors take from the aircraft as a whole and its stand; numbers as far as limits tell them apart."""
    view, pressure = scene.view, scene.view.pressure
    winds = {door.spec.wind_moved_kt for door in doors if door.spec is not None and door.spec.wind_moved_kt is not None}
    return (
        scene.shared,
        scene.engines,
        tuple((number, view.engine(number)) for number in view.engine_numbers),
        scene.emergency,
        scene.alerts,
        None if pressure is None else tuple(abs(pressure) <= limit for limit in sorted(set(limits.values()))),
        is_wind_watched(view),
        why_no_wind(view),
        tuple((view.stand_reading(signal) is None, view.stand_number(signal) is None) for signal in WIND),
        tuple(view.wind_over(limit) for limit in sorted(winds)),
    )


def describe_exits(exits: Exits, people: int | None, policy: RefuelPolicy) -> Document:
    """Write which exits can be used, for how many, against how many are aboard."""
    return {
        "usable": list(exits.usable),
        "unknown": list(exits.unknown),
        "unusable": list(exits.unusable),
        "seats_usable": exits.seats_usable,
        "seats_possible": exits.seats_possible,
        "people": people,
        "short": exits.seats_short_of(people),
        "sentence": _say_exits(exits, people),
        "refuelling": {
            "met": exits.meet(policy),
            "exits_min": policy.exits_min,
            "both_halves": policy.both_halves,
        },
        "doors": {
            answer.door: {
                "usable": answer.usable,
                "by": answer.by,
                "reasons": list(answer.reasons),
                "notes": list(answer.notes),
                "evidence": list(answer.evidence),
            }
            for answer in exits.answers
        },
    }


def _say_exits(exits: Exits, people: int | None) -> str:
    text = f"Usable exits are rated for {exits.seats_usable} seats"
    if exits.unknown:
        text += f" ({exits.seats_possible} if {', '.join(exits.unknown)} count, of which it cannot be told)"
    return f"{text}; how many are aboard is not known." if people is None else f"{text}; {people} aboard."


def _limits(doors: Iterable[View], parameters: ParametersOf) -> dict[str, float]:
    """Each door's limit of differential pressure (hPa)."""
    return {door.door.name: parameters(RESIDUAL_PRESSURE, door)["limit_hpa"] for door in doors if door.door is not None}


def answer_pressure(scene: Scene, limits: Mapping[str, float]) -> PressureAnswer:
    """Say where the cabin's pressure goes, against the lowest limit of its doors; nothing of one that is not heard now."""
    view, parameters = scene.view, scene.parameters
    limit = min(limits.values(), default=parameters(RESIDUAL_PRESSURE, view)["limit_hpa"])
    if scene.heard.met is not True:
        return cannot_tell_pressure(limit, scene.heard.text)
    readings = view.aircraft.pressures if view.aircraft is not None else []
    return assess_pressure(readings, view.now, limit_hpa=limit, known_hpa=view.pressure)


def describe_pressure(scene: Scene) -> Document:
    """Write where the cabin's pressure goes, and the force (N, outwards positive) that it puts on each leaf."""
    view = scene.view
    doors = list(view.doors()) if view.airframe is not None else []
    limits = _limits(doors, scene.parameters)
    answer = answer_pressure(scene, limits)
    pressure = answer.now_hpa
    return {
        "now_hpa": answer.now_hpa,
        "limit_hpa": answer.limit_hpa,
        "below_limit": answer.below_limit,
        "trend": str(answer.trend),
        "below_limit_in_s": _rounded(answer.below_limit_in_s),
        "below_limit_low_s": _rounded(answer.low_s),
        "below_limit_high_s": _rounded(answer.high_s),
        "sentence": answer.sentence,
        "doors": {
            door.spec.name: {
                "limit_hpa": limits[door.spec.name],
                "force_n": None if pressure is None else round(pressure_force_n(pressure, door.spec.leaf_area_m2)),
            }
            for door in doors
            if door.spec is not None
        },
    }


def _shorten_pressure(scene: Scene, limits: Mapping[str, float]) -> Document:
    """Below its limit, noise alone makes a trend, and nothing hangs on it."""
    below = _is_below(scene, limits)
    trend = None if below else str(answer_pressure(scene, limits).trend)
    return {"below_limit": below, "trend": trend}


def _is_below(scene: Scene, limits: Mapping[str, float]) -> Truth:
    pressure = scene.view.pressure
    if pressure is None or scene.heard.met is not True:
        return None
    return abs(pressure) <= min(limits.values(), default=0.0)


def describe_wind(scene: Scene, site: Site) -> Document:
    """Write the wind at the stand beside each leaf's limits, with the load that it puts on an open leaf (N).

    Air density is the standard atmosphere's at the site's elevation, taken as geopotential: at
    any aerodrome the two differ by less than a metre in a thousand.
    """
    view, density = scene.view, density_kg_m3(site.elevation_m)
    wind = view.wind_kt if scene.heard.met is True and not why_no_wind(view) else None
    doors: Document = {}
    for door in view.doors():
        spec = door.spec
        if spec is not None and (spec.wind_moved_kt is not None or spec.wind_held_kt is not None):
            doors[spec.name] = {
                "limit_moved_kt": spec.wind_moved_kt,
                "limit_held_kt": spec.wind_held_kt,
                "load_n": _load(wind, spec.leaf_area_m2, density),
                "load_at_moved_limit_n": _load(spec.wind_moved_kt, spec.leaf_area_m2, density),
                "load_at_held_limit_n": _load(spec.wind_held_kt, spec.leaf_area_m2, density),
            }
    return {
        "wind_kt": wind,
        "dynamic_pressure_pa": None if wind is None else round(dynamic_pressure_pa(wind, density), 1),
        "air_density_kg_m3": round(density, 4),
        "doors": doors,
    }


def _load(wind_kt: float | None, area_m2: float, density: float) -> int | None:
    return None if wind_kt is None else round(wind_load_n(wind_kt, area_m2, density))


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 1)
