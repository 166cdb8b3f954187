"""What an airframe type is: its seats, engines and doors, as frozen values.

Owns the shape of a type and of a site. Reading it from a file, and refusing a bad
one, is :mod:`monitor.config`'s work.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.core.procedures.definition import Procedure

Thresholds = Mapping[str, Mapping[str, float]]
"""Rule code → parameter name → value, in the unit that the parameter's name ends with."""


class DoorKind(enum.StrEnum):
    """The eight kinds of door."""

    CABIN = "cabin"
    AIRSTAIR = "airstair"
    OVERWING = "overwing"
    WINDOW = "window"
    CARGO = "cargo"
    BULK = "bulk"
    HATCH = "hatch"
    MAIN_DECK = "main_deck"


class Side(enum.StrEnum):
    """Which side of the fuselage, seen from the tail looking forward."""

    LEFT = "left"
    RIGHT = "right"


@dataclass(frozen=True, slots=True)
class DoorType:
    """One door of a type. Lengths in metres, wind in knots, pressures in bar at 20 °C."""

    name: str
    kind: DoorKind
    side: Side | None
    station: int
    half: str
    sill_m: float
    leaf_area_m2: float
    signals: frozenset[str]
    slide: bool = False
    exit_type: str | None = None
    wind_moved_kt: float | None = None
    wind_held_kt: float | None = None
    slide_bottle_bar_min: float | None = None
    assist_bottle_bar_min: float | None = None
    actuator_bar_min: float | None = None
    access_needed: tuple[str, ...] = ()
    thresholds: Thresholds = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class AirframeType:
    """An airframe type; ``engines`` maps an engine's number to its side, ``doors`` is in station order."""

    name: str
    description: str
    seats: int
    engines: Mapping[int, Side]
    doors: Mapping[str, DoorType]
    thresholds: Thresholds = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Site:
    """One aerodrome as this instance serves it.

    ``aircraft`` lists the registrations that are at home here with the type each must
    have (or ``None``); with ``visiting`` true any other aircraft of a known type is
    served too. ``timezone`` is an IANA name, for display only. Nothing is shelved for longer than
    ``shelve_minutes_max``. A warning that nobody acknowledges in time goes up ``escalation``, role by role.
    ``procedures`` are those that doors are followed through, by name.
    """

    name: str
    elevation_m: float
    timezone: str
    stands: tuple[str, ...]
    visiting: bool
    types: Mapping[str, AirframeType]
    aircraft: Mapping[str, str | None] = field(default_factory=dict)
    thresholds: Thresholds = field(default_factory=dict)
    shelve_minutes_max: int = 480
    escalation: tuple[str, ...] = ("door team", "coordinator", "ops")
    procedures: Mapping[str, Procedure] = field(default_factory=dict)
