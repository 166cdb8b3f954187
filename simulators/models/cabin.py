"""The cabin's air: how much more pressure it holds than the outside, and how that leaks away.

Owns the differential pressure. Compressible flow through the outflow area (choked where it
is large enough), isothermal in the cabin: its walls, seats and people hold far more heat than
its air. An external supply, or engines, can raise it. What is stepped is the square root of
the difference, which for small differences falls linearly in time and reaches zero in finite
time: no step is stiff. It never knows a door: it is told how many are out of their frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from simulators.models.air import GAS_J_KG_K, SEA_LEVEL, Air, nozzle_kg_s, slices

_SUBSTEP_S: Final = 0.05
_OPEN_DOOR_CDA_M2: Final = 0.6
_SMALL_PA: Final = 1e-6
"""Below it the incompressible limit is exact to every digit."""


@dataclass(frozen=True, slots=True)
class CabinBuild:
    """A cabin's air volume (m³), the discharge area of its leaks (m²), and the air that it stands in."""

    volume_m3: float
    leak_cda_m2: float
    outside: Air = SEA_LEVEL


@dataclass(frozen=True, slots=True)
class CabinState:
    """Differential pressure (Pa, inside minus outside), what feeds and drains it, and the controller's goal.

    ``inflow_m3_s`` is an external supply, as a volume of outside's air; ``outflow_cda_m2`` is
    the opened outflow valve. ``goal_pa`` is what a pressure controller in flight steers to, at
    ``goal_pa_per_s``; ``None`` means that nothing steers and the cabin vents.
    """

    dp_pa: float = 0.0
    inflow_m3_s: float = 0.0
    outflow_cda_m2: float = 0.0
    goal_pa: float | None = None
    goal_pa_per_s: float = 300.0


def supply_for(build: CabinBuild, goal_pa: float) -> float:
    """Return the inflow (m³/s) with which a cabin with nothing but its leaks settles at ``goal_pa``."""
    inside = Air(build.outside.pressure_pa + goal_pa, build.outside.temperature_k)
    return nozzle_kg_s(build.leak_cda_m2, inside, goal_pa) / build.outside.kg_m3


def step(build: CabinBuild, state: CabinState, dt_s: float, *, doors_open: int = 0) -> CabinState:
    """Let ``dt_s`` seconds pass with ``doors_open`` pressurised doors out of their frames."""
    if state.goal_pa is not None and not doors_open:
        reach = state.goal_pa_per_s * dt_s
        dp = state.dp_pa + max(-reach, min(reach, state.goal_pa - state.dp_pa))
        return replace(state, dp_pa=dp)
    if not state.dp_pa and not state.inflow_m3_s:
        return state
    area = build.leak_cda_m2 + state.outflow_cda_m2 + doors_open * _OPEN_DOOR_CDA_M2
    fed_pa_per_s = build.outside.pressure_pa / build.volume_m3 * state.inflow_m3_s
    dp = state.dp_pa
    count, slice_s = slices(dt_s, _SUBSTEP_S)
    for _ in range(count):
        # The inflow goes half before and half after the venting, so that the two meet to second order.
        dp = _vented(build, area, dp + fed_pa_per_s * slice_s / 2, slice_s) + fed_pa_per_s * slice_s / 2
    return replace(state, dp_pa=dp)


def _vented(build: CabinBuild, area_m2: float, dp_pa: float, seconds: float) -> float:
    """Take one midpoint step of √|Δp|."""
    root = math.sqrt(abs(dp_pa))
    half = root - _root_fall_per_s(build, area_m2, dp_pa) * seconds / 2
    middle = math.copysign(max(0.0, half) ** 2, dp_pa)
    root -= _root_fall_per_s(build, area_m2, middle) * seconds
    return math.copysign(max(0.0, root) ** 2, dp_pa) if root > 0 else 0.0


def _root_fall_per_s(build: CabinBuild, area_m2: float, dp_pa: float) -> float:
    """Return how fast √|Δp| falls (√Pa per second)."""
    outside = build.outside
    drop = abs(dp_pa)
    if drop < _SMALL_PA:
        return area_m2 * outside.pressure_pa / (build.volume_m3 * math.sqrt(2.0 * outside.kg_m3))
    upstream = Air(outside.pressure_pa + max(0.0, dp_pa), outside.temperature_k)
    pa_per_s = nozzle_kg_s(area_m2, upstream, drop) * GAS_J_KG_K * outside.temperature_k / build.volume_m3
    return pa_per_s / (2.0 * math.sqrt(drop))
