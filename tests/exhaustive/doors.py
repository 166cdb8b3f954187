"""Every shape of door that the shipped types have, every combination of its signals, and what may be around it.

Owns the enumeration: what is fitted is read from the types, what it can read from the wire
contract. Knows nothing of what any of it means; that is the judge's (:mod:`tests.exhaustive.meaning`).
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from itertools import product
from math import prod
from typing import Any, Final

from monitor.core.airframe import Site
from tests.external.apron import demo_site, site_with

Readings = dict[str, Any]

STATE_SIGNALS: Final = (
    *("closed", "latched", "locked", "handle_lifted", "outside_handle_lifted", "hold_open"),
    *("lever_armed", "girt_left", "girt_right", "slide_released"),
)
OTHER_FLAGS: Final = (
    *("cover_fitted", "lock_flags", "slide_erect", "pin_fitted", "barrier", "hand_pump", "flap_pressed"),
    *("slide_detached", "manual_inflation", "ground_clear", "armed_light", "pressure_light", "rope_stowed"),
)
CHOICES: Final[Mapping[str, tuple[Any, ...]]] = {
    **dict.fromkeys((*STATE_SIGNALS, *OTHER_FLAGS), (True, False)),
    "selector": ("neutral", "open", "close"),
    "travel": (0.0, 0.3, 0.7, 1.0),
    "lock_indicator": ("locked", "unlocked"),
    "access": ("none", "bridge", "stairs", "loader", "platform"),
    "slide_bottle_bar": (400.0, 60.0),
    "assist_bottle_bar": (300.0, 40.0),
    "actuator_bar": (400.0, 50.0),
    "slide_bottle_temp_c": (20.0,),
    "assist_bottle_temp_c": (20.0,),
}
"""Every discrete value, and of a number one each side of every limit that any type sets, in the order in which they are varied."""

AT_REST: Final[Mapping[str, Any]] = {
    **{signal: values[0] for signal, values in CHOICES.items()},
    **dict.fromkeys(("handle_lifted", "outside_handle_lifted", "hold_open"), False),
    **dict.fromkeys(("lever_armed", "girt_left", "girt_right", "slide_released", "slide_erect"), False),
    **dict.fromkeys(("barrier", "hand_pump", "flap_pressed", "slide_detached", "manual_inflation"), False),
    **dict.fromkeys(("armed_light", "pressure_light"), False),
}
"""A door closed, locked and at rest, its slide disengaged."""

QUIET_AIR: Final[Mapping[str, Any]] = {
    "differential_pressure_hpa": 0.0,
    "ground_speed_kt": 0.0,
    "passengers_aboard": 0,
    **dict.fromkeys(("weight_on_wheels", "parking_brake", "chocks"), True),
}
"""An aircraft at rest; what is not named is false."""


@dataclass(frozen=True)
class Shape:
    """One door as its type describes it, with what its judge must know of the aircraft."""

    kind: str
    type: str
    door: str
    signals: frozenset[str]
    slide: bool
    exit_type: str | None
    sill_m: float
    wind_moved_kt: float | None
    wind_held_kt: float | None
    engines: tuple[int, ...]
    own_engines: tuple[int, ...]
    site: Site

    def __str__(self) -> str:
        return f"{self.kind}-{self.type}-{self.door}"

    def __hash__(self) -> int:
        return hash((self.type, self.door))

    def at_rest(self) -> Readings:
        return {signal: AT_REST[signal] for signal in CHOICES if signal in self.signals}


@cache
def shapes() -> tuple[Shape, ...]:
    """The doors of the five types that differ in kind, in what they fit or in a limit, each alone on its aircraft."""
    found: dict[tuple[Any, ...], Shape] = {}
    for name, airframe in demo_site().types.items():
        for door in airframe.doors.values():
            own = tuple(n for n, side in airframe.engines.items() if door.side is None or side is door.side)
            mark = (door.kind, door.signals, door.slide, door.exit_type, door.wind_moved_kt, door.side is None)
            found.setdefault(
                mark,
                Shape(
                    str(door.kind),
                    name,
                    door.name,
                    door.signals,
                    door.slide,
                    door.exit_type,
                    door.sill_m,
                    door.wind_moved_kt,
                    door.wind_held_kt,
                    tuple(airframe.engines),
                    own,
                    site_with(door, name=name),
                ),
            )
    return tuple(found.values())


def combinations(shape: Shape, *, most: int, least: int) -> Iterator[Readings]:
    """Every combination of as many signals as make no more than ``most``, the rest drawn from a fixed seed.

    Repeated with other draws until there are at least ``least``.
    """
    fitted = [signal for signal in CHOICES if signal in shape.signals]
    varied: list[str] = []
    for signal in fitted:
        if prod(len(CHOICES[s]) for s in (*varied, signal)) <= most:
            varied.append(signal)
    rest = [signal for signal in fitted if signal not in varied]
    rng = random.Random(str(shape))
    size = prod(len(CHOICES[signal]) for signal in varied)
    for _ in range(-(-least // size)):
        for values in product(*(CHOICES[signal] for signal in varied)):
            yield dict(zip(varied, values, strict=True)) | {signal: rng.choice(CHOICES[signal]) for signal in rest}


WINDS: Final = ("calm", "near", "between", "upper", "over", "untold")


def wind_of(shape: Shape, wind: str) -> float:
    """Knots: well below both of the door's limits, just below each, between the two, over both."""
    moved, held = shape.wind_moved_kt or 40.0, shape.wind_held_kt or 50.0
    return {"calm": 8.0, "near": moved - 3.0, "between": moved + 2.0, "upper": held - 2.0, "over": held + 6.0}[wind]


@dataclass(frozen=True)
class Around:
    """What is around a door: the airframe's readings and the wind at its stand."""

    engines: str
    pressure: float
    wind: str
    ground: str
    passengers: int
    emergency: bool
    refuelling: bool
    beacon: bool

    def readings(self, shape: Shape) -> Readings:
        """The airframe's signals as they are sent."""
        running = {"none": (), "own": shape.own_engines, "other": _others(shape)}[self.engines]
        braked = self.ground == "on"
        return {
            **{f"engine_{number}_running": number in running for number in shape.engines},
            "differential_pressure_hpa": self.pressure,
            "weight_on_wheels": self.ground != "off",
            "ground_speed_kt": {"rolling": 6.0, "off": 140.0}.get(self.ground, 0.0),
            "parking_brake": braked,
            "chocks": braked,
            "beacon": self.beacon,
            "passengers_aboard": self.passengers,
            "refuelling": self.refuelling,
            "emergency": self.emergency,
        }


def _others(shape: Shape) -> tuple[int, ...]:
    return tuple(number for number in shape.engines if number not in shape.own_engines)


AT_PEACE: Final = Around("none", 0.0, "calm", "on", 0, emergency=False, refuelling=False, beacon=False)


@cache
def surroundings(grounds: tuple[str, ...] = ("on", "rolling", "unbraked", "off")) -> tuple[Around, ...]:
    """Every combination of what is around a door, shuffled by a fixed seed so that any stretch of it is mixed."""
    every = [
        Around(*values)
        for values in product(
            ("none", "own", "other"),
            (0.0, 3.0, 15.0),
            WINDS,
            grounds,
            (0, 15, 100),
            (False, False, True),
            (False, True),
            (False, True),
        )
    ]
    random.Random(25783).shuffle(every)
    return tuple(every)
