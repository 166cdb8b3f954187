"""What the bench tells its page: the parts of the picture, as JSON-ready documents.

Owns their keys. It reads the simulated aircraft and never changes it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from monitor.core.airframe import DoorKind
from monitor.core.signals import AIRFRAME_SIGNALS, HEARTBEAT, Value
from simulators.aircraft import Aircraft, Doorway
from simulators.models import door
from simulators.models.slide import GIRT_LEFT_IN
from simulators.orders import NEEDS_ACTUATOR, NEEDS_SLIDE, Verb

Document = dict[str, Any]


class Said(NamedTuple):
    """What a sensor last sent."""

    value: Value
    quality: str


class Broken(NamedTuple):
    """A fault that a sensor was given."""

    fault: str
    amount: Value | None


FAULTS: Final[tuple[Document, ...]] = (
    {"fault": "set", "amount": "value", "unit": "", "usual": None},
    {"fault": Verb.STICK.value, "amount": "none", "unit": "", "usual": None},
    {"fault": Verb.BOUNCE.value, "amount": "number", "unit": "s", "usual": 0.8},
    {"fault": Verb.BIAS.value, "amount": "number", "unit": "own", "usual": 5.0},
    {"fault": Verb.DRIFT.value, "amount": "number", "unit": "own/min", "usual": 6.0},
    {"fault": Verb.DELAY.value, "amount": "number", "unit": "s", "usual": 3.0},
    {"fault": Verb.DROP_OUT.value, "amount": "number", "unit": "%", "usual": 40.0},
    {"fault": Verb.WITHHOLD_READING.value, "amount": "none", "unit": "", "usual": None},
    {"fault": "uncertain", "amount": "none", "unit": "", "usual": None},
    {"fault": "bad", "amount": "none", "unit": "", "usual": None},
)
"""The faults that the page offers for a sensor, each with what belongs to it and a usual amount."""

MARKS: Final = ("lock_indicator", "armed_light", "pressure_light")
"""What somebody at a door reads there, where the type has no sensor for it."""

_TROUBLES: Final[tuple[tuple[Verb, str], ...]] = (
    (Verb.JAM_LEFT_GIRT, ""),
    (Verb.JAM_RIGHT_GIRT, ""),
    (Verb.FREE_GIRTS, ""),
    (Verb.BLOCK_SLIDE, ""),
    (Verb.SLOW_SLIDE, ""),
    (Verb.CHARGE_SLIDE_BOTTLE, " 40"),
    (Verb.LEAK_SLIDE_BOTTLE, ""),
    (Verb.LEAK_ASSIST_BOTTLE, ""),
    (Verb.CHARGE_SLIDE_BOTTLE, " 100"),
    (Verb.CHARGE_ASSIST_BOTTLE, " 100"),
    (Verb.LOSE_ACTUATOR_PRESSURE, ""),
    (Verb.LET_ACTUATOR_LEAK, ""),
    (Verb.MEND_ACTUATOR, ""),
    (Verb.FAIL_ELECTRIC_PUMP, ""),
    (Verb.MEND_ELECTRIC_PUMP, ""),
    (Verb.WEAR_DAMPER, ""),
    (Verb.RENEW_DAMPER, ""),
    (Verb.STIFFEN_LEAF, ""),
    (Verb.LET_LEAF_SINK, ""),
)
_OF_GIRTS: Final = (Verb.JAM_LEFT_GIRT, Verb.JAM_RIGHT_GIRT, Verb.FREE_GIRTS)
_OF_DAMPERS: Final = (Verb.WEAR_DAMPER, Verb.RENEW_DAMPER)


def describe_reading(key: str, true: Value | None, said: Said | None, broken: Sequence[Broken]) -> Document:
    """Write one sensor: what is true, what it last said, what ails it."""
    return {
        "key": key,
        "signal": key.rpartition("/")[2],
        "true": true,
        "said": None if said is None else said.value,
        "quality": None if said is None else said.quality,
        "faults": [fault._asdict() for fault in broken],
    }


def describe_readings(
    prefix: str, true: Mapping[str, Value], said: Mapping[str, Said], broken: Mapping[str, Sequence[Broken]]
) -> list[Document]:
    """Write the sensors below ``prefix``, those that are only reported last."""
    keys = [f"{prefix}{signal}" for signal in true]
    keys += [key for key in broken if key.startswith(prefix) and key not in keys and broken[key]]
    return [
        describe_reading(key, true.get(key.removeprefix(prefix)), said.get(key), broken.get(key, ())) for key in keys
    ]


def true_state(way: Doorway) -> str:
    """Name what is true of a door, in the words of the monitor's contract."""
    state, slide = way.door, way.slide
    if slide is not None and slide.released_at is not None:
        return "slide_deployed"
    if not state.in_frame:
        return "open" if way.open else "ajar"
    armed = slide is not None and slide.engaged
    if state.shaft > door.HANDLE_HOME:
        return "armed_unlocked" if armed else "unlocked"
    return "armed" if armed else "closed_locked"


def describe_door(
    plane: Aircraft, name: str, said: Mapping[str, Said], broken: Mapping[str, Sequence[Broken]]
) -> Document:
    """Write one door: where its parts truly are, and its sensors."""
    way = plane.doors[name]
    state, kind = way.door, way.type
    marks = [mark for mark in MARKS if mark not in kind.signals and kind.kind is DoorKind.CABIN]
    return {
        "door": name,
        "kind": str(kind.kind),
        "side": None if kind.side is None else str(kind.side),
        "sill_m": kind.sill_m,
        "state": true_state(way),
        "mechanism": {
            "handle": round(state.handle, 3),
            "outside": round(state.outside, 3),
            "flap": state.outside > 0 or state.outside_to > 0,
            "leaf": round(state.leaf, 3),
            "in_frame": state.in_frame,
            "hold_open": state.hold_open,
            "cover": state.cover,
            "selector": state.selector,
            "actuator_bar": round(state.actuator_bar, 0),
            "pumped": state.hand_pump,
            "access": state.access,
            "barrier": state.barrier,
        },
        "slide": _describe_slide(way),
        "powered": way.mechanism.powered,
        "hold_open_lock": way.mechanism.hold_open_lock,
        "troubles": [{"do": f"{verb.value}{rest}", "on": _is_on(way, verb)} for verb, rest in _troubles(way)],
        "marks": marks,
        "readings": describe_readings(f"door/{name}/", plane.door_readings(name), said, broken),
    }


def _describe_slide(way: Doorway) -> Document | None:
    slide, build = way.slide, way.slide_build
    if slide is None or build is None:
        return None
    left, right = _girts_in(way)
    return {
        "lever": round(slide.lever, 3),
        "engaged": slide.engaged,
        "left": left,
        "right": right,
        "pin": slide.pin,
        "jam_left": slide.jam_left,
        "jam_right": slide.jam_right,
        "always_armed": build.always_armed,
        "released": slide.released_at is not None,
        "erect": slide.erect,
        "detached": slide.detached,
        "handle_pulled": slide.inflation_handle,
        "bottle_share": round(slide.bottle_share, 2),
    }


def _girts_in(way: Doorway) -> tuple[bool, bool]:
    """Tell whether the left and the right end of a girt bar are in the floor."""
    slide = way.slide
    if slide is None:
        return False, False
    left_in = slide.lever >= GIRT_LEFT_IN and not slide.jam_left
    return left_in, slide.fully_engaged and not slide.jam_right


def _troubles(way: Doorway) -> list[tuple[Verb, str]]:
    found: list[tuple[Verb, str]] = []
    for verb, rest in _TROUBLES:
        if verb in NEEDS_SLIDE and (way.slide is None or (verb in _OF_GIRTS and way.type.kind is not DoorKind.CABIN)):
            continue
        if verb in NEEDS_ACTUATOR and not way.mechanism.powered:
            continue
        if verb in _OF_DAMPERS and way.mechanism.powered:
            continue
        found.append((verb, rest))
    return found


def _is_on(way: Doorway, verb: Verb) -> bool:
    slide, state = way.slide, way.door
    match verb:
        case Verb.JAM_LEFT_GIRT:
            return slide is not None and slide.jam_left
        case Verb.JAM_RIGHT_GIRT:
            return slide is not None and slide.jam_right
        case Verb.BLOCK_SLIDE:
            return slide is not None and slide.stuck
        case Verb.SLOW_SLIDE:
            return slide is not None and slide.slow
        case Verb.LOSE_ACTUATOR_PRESSURE | Verb.LET_ACTUATOR_LEAK:
            return state.leak_cm3_s > 0
        case Verb.FAIL_ELECTRIC_PUMP:
            return state.pump_failed
        case Verb.WEAR_DAMPER:
            return state.damper_worn > 0
        case Verb.STIFFEN_LEAF:
            return state.drag > 1.0
        case Verb.LET_LEAF_SINK:
            return state.sink_per_s > 0
        case _:
            return False


def describe_aircraft(
    plane: Aircraft,
    wind: Mapping[str, float],
    said: Mapping[str, Said],
    broken: Mapping[str, Sequence[Broken]],
    *,
    silent: bool,
    clock_ahead_s: float,
) -> Document:
    """Write the whole aircraft: switches, engines, air, people, weather and its link."""
    true = plane.airframe_readings()
    # The heartbeat is no sensor: it only says that the sender lives.
    known = {signal: value for signal, value in true.items() if signal in AIRFRAME_SIGNALS and signal != HEARTBEAT}
    return {
        "readings": describe_readings("airframe/", known, said, broken),
        "switches": dict(plane.switches),
        "engines": {
            str(number): {
                "side": str(plane.airframe.engines[number]),
                "wanted": engine.wanted,
                "running": engine.running,
            }
            for number, engine in plane.engines.items()
        },
        "power": plane.power,
        "pressure_hpa": round(plane.cabin.dp_pa / 100.0, 2) + 0.0,
        "air": plane.cabin.inflow_m3_s > 0,
        "outflow_open": plane.cabin.outflow_cda_m2 > 0,
        "aboard": plane.people.count,
        "wanted": plane.people.wanted,
        "wind": dict(wind),
        "silent": silent,
        "clock_ahead_s": clock_ahead_s,
    }
