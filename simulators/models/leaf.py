"""A leaf that swings on its hinge: inertia, the push of whoever moves it, its damper, and the wind.

Owns angle and speed: I * w' = push + wind - c * w, between two stops that stop it dead. The
damper is viscous (torque in proportion to speed) and stronger or weaker by direction, as
valved dampers are; worn, it has lost a share of that. It is what sets the pace, so that a
push of the same strength takes the door's own time. The wind's moment is dynamic pressure
times area times half the width, by the part of the wind that is square to the leaf; whoever
is at the leaf holds against some of it. A fuselage that shelters the leaf, or bends the
wind, is left out: an order of magnitude, as in :mod:`monitor.core.physics`. It never knows a
handle, a latch or a lock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.core.airframe import DoorKind, Side
from monitor.core.physics import dynamic_pressure_pa
from simulators.models.air import SEA_LEVEL, Air, slices

SUBSTEP_S: Final = 0.05
"""A step is cut into these; within one, push and wind are constant and the motion they cause is exact."""

_KG_M2: Final = 45.0
_PUSH_NM_PER_M2: Final = 42.0
_HELD_NM_PER_M2: Final = 32.0
_HEIGHT_TO_WIDTH: Final = 2.0
_SWINGING: Final = (DoorKind.CABIN,)
"""Kinds whose leaf stands in the wind on a vertical hinge."""
_WIDE_RAD: Final = 2.8
_USUAL_RAD: Final = 1.6
"""Weights, forces and angles: common practice, to an order of magnitude."""


@dataclass(frozen=True, slots=True)
class LeafBuild:
    """A leaf in SI units: the angle between its stops, inertia, damper each way, push, and what it offers the wind."""

    travel_rad: float
    inertia_kg_m2: float
    damping_open: float
    damping_close: float
    push_nm: float
    area_m2: float
    width_m: float
    held_nm: float
    in_the_wind: bool


@dataclass(frozen=True, slots=True)
class Breeze:
    """What blows on one side of an aircraft: dynamic pressure (Pa), and which way, as parts of 1.

    ``outward`` is away from the fuselage on that side, ``forward`` towards the nose.
    """

    dynamic_pa: float
    outward: float
    forward: float


@dataclass(frozen=True, slots=True)
class Swing:
    """Where a leaf is (share of its travel) and how fast it turns (rad/s, opening positive)."""

    share: float
    rad_per_s: float = 0.0


def build_leaf(kind: DoorKind, area_m2: float, open_s: float, close_s: float) -> LeafBuild:
    """Build a leaf that a usual push takes from stop to stop in ``open_s`` and ``close_s`` seconds."""
    width = math.sqrt(area_m2 / _HEIGHT_TO_WIDTH)
    inertia = _KG_M2 * area_m2 * width**2 / 3.0
    push = _PUSH_NM_PER_M2 * area_m2
    travel = _WIDE_RAD if kind in _SWINGING else _USUAL_RAD
    return LeafBuild(
        travel_rad=travel,
        inertia_kg_m2=inertia,
        damping_open=_damping(travel, inertia, push, open_s),
        damping_close=_damping(travel, inertia, push, close_s),
        push_nm=push,
        area_m2=area_m2,
        width_m=width,
        held_nm=_HELD_NM_PER_M2 * area_m2,
        in_the_wind=kind in _SWINGING,
    )


def _damping(travel_rad: float, inertia: float, push_nm: float, whole_s: float) -> float:
    """Return the damping (N·m·s/rad) that makes the whole way take ``whole_s``.

    With c * w = push once it is up to speed, and I / c lost on the way there:
    whole = travel * c / push + I / c, of which the larger root is the slow, damped one.
    """
    under = whole_s**2 - 4.0 * inertia * travel_rad / push_nm
    return push_nm / (2.0 * travel_rad) * (whole_s + math.sqrt(max(0.0, under)))


def breeze_at(wind_kt: float, from_deg: float, heading_deg: float, side: Side | None, air: Air = SEA_LEVEL) -> Breeze:
    """Return what a wind does on one side of an aircraft whose nose points to ``heading_deg``."""
    bearing = math.radians(from_deg - heading_deg)
    outward = 0.0 if side is None else math.sin(bearing) if side is Side.LEFT else -math.sin(bearing)
    return Breeze(dynamic_pressure_pa(wind_kt, air.kg_m3), outward, -math.cos(bearing))


def wind_nm(build: LeafBuild, share: float, breeze: Breeze) -> float:
    """Return the wind's moment on a leaf, opening positive.

    The hinge is at the leaf's forward edge: shut it faces outward, half way it stands out
    and faces forward, at full travel it faces inward.
    """
    angle = share * build.travel_rad
    square = math.cos(angle) * breeze.outward + math.sin(angle) * breeze.forward
    return breeze.dynamic_pa * build.area_m2 * build.width_m / 2.0 * square * abs(square)


def swing(
    build: LeafBuild,
    now: Swing,
    push_nm: float,
    dt_s: float,
    *,
    breeze: Breeze | None = None,
    damper: float = 1.0,
) -> Swing:
    """Let ``dt_s`` seconds pass under a push (opening positive); ``damper`` is its strength, 1 as new.

    Within a slice the torque is that of its middle, so that speed nears its end value exponentially.
    """
    share, speed = now.share, now.rad_per_s
    count, slice_s = slices(dt_s, SUBSTEP_S)
    for _ in range(count):
        moment = push_nm
        if breeze is not None and build.in_the_wind:
            wind = wind_nm(build, share + speed * slice_s / 2 / build.travel_rad, breeze)
            moment += math.copysign(max(0.0, abs(wind) - build.held_nm), wind)
        damping = damper * (build.damping_open if (speed or moment) > 0 else build.damping_close)
        kept = math.exp(-slice_s * damping / build.inertia_kg_m2)
        end = moment / damping
        share += (end * slice_s + (speed - end) * build.inertia_kg_m2 / damping * (1.0 - kept)) / build.travel_rad
        speed = end + (speed - end) * kept
        if share <= 0.0 or share >= 1.0:
            share, speed = min(1.0, max(0.0, share)), 0.0
    return Swing(share, speed)
