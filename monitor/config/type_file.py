"""The keys of a type's file: seats, engines and doors.

Owns names and ranges. What must fit together (a slide and its signals, seats and exits)
is :mod:`monitor.config.airframes`' to check.
"""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import Field

from monitor.config.models import NAME_FORM, Name, OneOf, Section, Thresholds
from monitor.core.airframe import DoorKind, Side
from monitor.core.exits_table import EXIT_TYPES
from monitor.core.signals import DOOR_SIGNALS, ENGINES_MAX, HEARTBEAT

NONE: Final = "none"
FITTABLE_SIGNALS: Final = tuple(name for name in DOOR_SIGNALS if name != HEARTBEAT)
"""Every door signal that a type may fit; a heartbeat is never asked for."""

ACCESS: Final = tuple(choice for choice in DOOR_SIGNALS["access"].choices if choice != NONE)

DoorKindWord = Annotated[str, OneOf(kind.value for kind in DoorKind)]
SideWord = Annotated[str, OneOf(side.value for side in Side)]
SideOrNone = Annotated[str, OneOf((*(side.value for side in Side), NONE))]
HalfWord = Annotated[str, OneOf(("fore", "aft"))]
ExitWord = Annotated[str, OneOf((*EXIT_TYPES, NONE))]
SignalWord = Annotated[str, OneOf(FITTABLE_SIGNALS)]
AccessWord = Annotated[str, OneOf(ACCESS)]
EngineNumber = Annotated[int, Field(ge=1, le=ENGINES_MAX, description=f"an engine's number from 1 to {ENGINES_MAX}")]


class Equipment(Section):
    """What a door has; given for a kind, it holds for each door of that kind that does not say otherwise."""

    sill_m: float | None = Field(
        default=None, ge=0, le=15, description="the height of the sill above the ground in metres", examples=[3.4]
    )
    leaf_area_m2: float | None = Field(
        default=None, gt=0, le=60, description="the area of the leaf in square metres", examples=[1.9]
    )
    signals: list[SignalWord] | None = Field(
        default=None, description="a list of the signals that are fitted", examples=[["closed", "latched", "locked"]]
    )
    slide: bool | None = Field(default=None, description="true where an escape slide is fitted, else false")
    exit_type: ExitWord | None = Field(
        default=None, description="the exit type of 14 CFR 25.807(a), or none", examples=["C"]
    )
    wind_moved_kt: float | None = Field(
        default=None, gt=0, le=250, description="the most wind in knots while the leaf is moved", examples=[40]
    )
    wind_held_kt: float | None = Field(
        default=None, gt=0, le=250, description="the most wind in knots while the leaf is held open", examples=[50]
    )
    slide_bottle_bar_min: float | None = Field(
        default=None, gt=0, le=1000, description="the least slide bottle pressure in bar at 20 °C", examples=[170]
    )
    assist_bottle_bar_min: float | None = Field(
        default=None, gt=0, le=1000, description="the least assist bottle pressure in bar at 20 °C", examples=[90]
    )
    actuator_bar_min: float | None = Field(
        default=None, gt=0, le=1000, description="the least actuator pressure in bar away from the frame",
        examples=[120],
    )  # fmt: skip
    access_needed: list[AccessWord] | None = Field(
        default=None, description="a list of the access equipment of which one is needed", examples=[["bridge"]]
    )


class DoorEntry(Equipment):
    """One door."""

    name: Name = Field(description=f"the door's name in the topics, {NAME_FORM}", examples=["L1"])
    kind: DoorKindWord = Field(description="the kind of door", examples=["cabin"])
    side: SideOrNone = Field(default=NONE, description="left, right or none", examples=["left"])
    station: int = Field(
        ge=1, le=99, description="the position counted from the nose, shared by the two exits of a pair", examples=[2]
    )
    half: HalfWord = Field(description="the half of the cabin, fore or aft", examples=["fore"])
    thresholds: Thresholds = Field(
        default_factory=dict,
        description="a group of rule codes, each with its parameters and their numbers, for this door alone",
        examples=["{residual-pressure: {limit_hpa: 2.5}}"],
    )


class TypeFile(Section):
    """Everything that a type's file may hold."""

    name: Name = Field(description=f"the type's name as aircraft send it, {NAME_FORM}", examples=["alder"])
    description: str = Field(default="", max_length=200, description="what it is, in a few words",
                             examples=["narrow-body jet"])  # fmt: skip
    seats: int = Field(ge=0, le=2000, description="the number of passenger seats", examples=[144])
    engines: dict[EngineNumber, SideWord] = Field(
        min_length=1, description="each engine's number with its side", examples=["{1: left, 2: right}"]
    )
    type_iii_rows_apart: int | None = Field(
        default=None,
        ge=0,
        description="the seat rows between two pairs of Type III exits; left out, they are taken as close",
        examples=[3],
    )
    kinds: dict[DoorKindWord, Equipment] = Field(
        default_factory=dict,
        description="what every door of a kind has unless it says otherwise",
        examples=["{hatch: {signals: [closed, latched, locked]}}"],
    )
    doors: list[DoorEntry] = Field(
        min_length=1, description="a list of the doors", examples=["[{name: L1, kind: cabin, …}]"]
    )
    thresholds: Thresholds = Field(
        default_factory=dict,
        description="a group of rule codes, each with its parameters and their numbers, for this type",
        examples=["{residual-pressure: {limit_hpa: 2.5}}"],
    )
