"""The hydraulics of a hold door: pumps, an actuator, its fluid, and the leaf that hangs on it.

Owns pressure and the leaf's way up and down. The fluid is stiff: what flows in and is not
swept by the moving leaf raises the pressure, dp/dt = stiffness * (in - swept * dx/dt - lost).
Friction keeps the leaf still between the pressure that lifts it and a lower one at which it
sinks; beyond either it moves in proportion to the excess. Every term is linear in pressure,
so each slice of time has its closed form. A relief valve caps the pressure. It never knows a latch or a
lock: it is told what holds the leaf.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from simulators.models.air import slices

SUBSTEP_S: Final = 0.05

_SWEPT_CM3_PER_M2: Final = 900.0
_BUILD_UP_BAR_PER_S: Final = 120.0
_HAND_SHARE: Final = 0.25
"""What a hand pump delivers, as a share of the electric one: common practice."""
_STROKE_S: Final = 1.5
_PUSHED: Final = 2.0 / 3.0
"""Share of a stroke in which it delivers; in the rest the handle comes back."""
_LIFTS_AT: Final = 1.1
_SINKS_AT: Final = 0.7
_RELIEF_AT: Final = 1.35
_EXCESS: Final = 0.05
"""What drives the leaf at its usual pace, beyond what lifts it. All four as shares of the holding pressure."""
_DUMP_PER_S: Final = 1.0
_EMPTY_BAR: Final = 0.5


@dataclass(frozen=True, slots=True)
class HydraulicBuild:
    """Volumes in cm³, pressures in bar, times in seconds."""

    holding_bar: float
    swept_cm3: float
    open_s: float
    close_s: float

    @property
    def pump_cm3_s(self) -> float:
        return self.swept_cm3 / self.open_s

    @property
    def stroke_cm3(self) -> float:
        """What one stroke of the hand pump delivers."""
        return self.pump_cm3_s * _HAND_SHARE * _STROKE_S

    @property
    def stiffness_bar_cm3(self) -> float:
        """How much one more cm³ in the same room raises the pressure."""
        return _BUILD_UP_BAR_PER_S / self.pump_cm3_s

    @property
    def lift_bar(self) -> float:
        return _LIFTS_AT * self.holding_bar

    @property
    def sink_bar(self) -> float:
        return _SINKS_AT * self.holding_bar

    @property
    def relief_bar(self) -> float:
        return _RELIEF_AT * self.holding_bar

    @property
    def travel_per_s_bar(self) -> float:
        """Travel per second for each bar beyond what lifts the leaf, or short of what holds it."""
        return 1.0 / (self.open_s * _EXCESS * self.holding_bar)


@dataclass(frozen=True, slots=True)
class Valves:
    """What is connected: pump flow (cm³/s) into the actuator, and the ways out (cm³/s for each bar).

    ``free`` says that no latch and no lock holds the leaf; ``lowering`` that the valve lets
    fluid out through the restrictor that sets the pace on the way down.
    """

    inflow_cm3_s: float = 0.0
    leak_cm3_s_bar: float = 0.0
    lowering: bool = False
    dumping: bool = False
    free: bool = True


def build_hydraulics(area_m2: float, holding_bar: float, open_s: float, close_s: float) -> HydraulicBuild:
    """Build the hydraulics of a leaf of that area (m²)."""
    return HydraulicBuild(holding_bar, _SWEPT_CM3_PER_M2 * area_m2, open_s, close_s)


def stroke_flow(build: HydraulicBuild, seconds: float, dt_s: float) -> float:
    """Return the mean flow (cm³/s) of a hand pump from ``seconds`` into its work on, for ``dt_s``."""
    if dt_s <= 0:
        return 0.0
    return (_delivered(build, seconds + dt_s) - _delivered(build, seconds)) / dt_s


def _delivered(build: HydraulicBuild, seconds: float) -> float:
    whole, part = divmod(seconds / _STROKE_S, 1.0)
    return build.stroke_cm3 * (whole + min(1.0, part / _PUSHED))


def seconds_for(strokes: int) -> float:
    """Return how long so many strokes of a hand pump take."""
    return strokes * _STROKE_S


def leak_for(build: HydraulicBuild, cm3_s: float) -> float:
    """Return a leak (cm³/s for each bar) that loses ``cm3_s`` at the holding pressure: laminar."""
    return cm3_s / build.holding_bar


def usual_leak_cm3_s(build: HydraulicBuild, bar_per_s: float) -> float:
    """Return the leak (cm³/s at the holding pressure) whose first fall of pressure is ``bar_per_s``."""
    return bar_per_s / build.stiffness_bar_cm3


def step(build: HydraulicBuild, bar: float, travel: float, valves: Valves, dt_s: float) -> tuple[float, float]:
    """Let ``dt_s`` seconds pass; return the pressure (bar) and the leaf's travel (0 to 1)."""
    count, slice_s = slices(dt_s, SUBSTEP_S)
    for _ in range(count):
        bar, travel = _slice(build, bar, travel, valves, slice_s)
    if bar < _EMPTY_BAR and not valves.inflow_cm3_s:
        bar = 0.0
    return bar, travel


def _slice(build: HydraulicBuild, bar: float, travel: float, valves: Valves, dt_s: float) -> tuple[float, float]:
    """Solve dp/dt = a - b * p over one slice, and what the leaf travels by the mean of p."""
    out_cm3_s_bar = valves.leak_cm3_s_bar
    if valves.lowering:
        out_cm3_s_bar += build.swept_cm3 / (build.close_s * build.sink_bar)
    threshold = _moves_beyond(build, bar, travel, valves)
    a = build.stiffness_bar_cm3 * valves.inflow_cm3_s
    b = build.stiffness_bar_cm3 * out_cm3_s_bar + (_DUMP_PER_S if valves.dumping else 0.0)
    swept = 0.0 if threshold is None else build.swept_cm3 * build.travel_per_s_bar * build.stiffness_bar_cm3
    if threshold is not None:
        a += swept * threshold
        b += swept
    if b == 0.0:
        after, mean = bar + a * dt_s, bar + a * dt_s / 2
    else:
        end = a / b
        kept = math.exp(-b * dt_s)
        after, mean = end + (bar - end) * kept, end + (bar - end) * (1.0 - kept) / (b * dt_s)
    if threshold is not None:
        travel = min(1.0, max(0.0, travel + build.travel_per_s_bar * (mean - threshold) * dt_s))
    return min(build.relief_bar, after), travel


def _moves_beyond(build: HydraulicBuild, bar: float, travel: float, valves: Valves) -> float | None:
    """Return the pressure that the leaf's motion is in proportion to the distance from; ``None`` where it is still."""
    if not valves.free:
        return None
    if bar > build.lift_bar and travel < 1.0:
        return build.lift_bar
    if bar < build.sink_bar and travel > 0.0:
        return build.sink_bar
    return None
