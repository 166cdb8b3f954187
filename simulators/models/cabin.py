"""The cabin's air: how much more pressure it holds than the outside, and how that leaks away.

Owns the differential pressure. For small differences and still air outside its square root
falls linearly in time, t = V / (CdA * p) * sqrt(2 * rho) * (sqrt(dp0) - sqrt(dp1)) (isothermal; the
discharge equation dV/dt = CdA * sqrt(2 * dp / rho) put into p * dV = V * dp), so it reaches
zero in finite time. An external supply, or engines, can raise it. It never knows a door:
it is told the open area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

OUTSIDE_PA: Final = 101325.0
AIR_KG_M3: Final = 1.225
"""ISO 2533 at sea level."""

_SUBSTEP_S: Final = 0.05
_OPEN_DOOR_CDA_M2: Final = 0.6


@dataclass(frozen=True, slots=True)
class CabinBuild:
    """A cabin's air volume (m³) and the effective area of its outflow valve and leaks (m²)."""

    volume_m3: float
    leak_cda_m2: float


@dataclass(frozen=True, slots=True)
class CabinState:
    """Differential pressure (Pa, inside minus outside), external inflow (m³/s), and the controller's goal.

    ``goal_pa`` is what a pressure controller in flight steers to, at ``goal_pa_per_s``;
    ``None`` means that nothing steers and the cabin vents.
    """

    dp_pa: float = 0.0
    inflow_m3_s: float = 0.0
    goal_pa: float | None = None
    goal_pa_per_s: float = 300.0


def _root_fall_per_s(build: CabinBuild, cda_m2: float, outside_pa: float, air_kg_m3: float) -> float:
    """Return how fast √Δp falls (√Pa per second)."""
    return cda_m2 * outside_pa / (build.volume_m3 * math.sqrt(2.0 * air_kg_m3))


def vent_seconds(
    build: CabinBuild, dp0_pa: float, dp1_pa: float, *, outside_pa: float = OUTSIDE_PA, air_kg_m3: float = AIR_KG_M3
) -> float:
    """Return the seconds in which venting takes the pressure from ``dp0_pa`` down to ``dp1_pa``."""
    fall = math.sqrt(dp0_pa) - math.sqrt(dp1_pa)
    return fall / _root_fall_per_s(build, build.leak_cda_m2, outside_pa, air_kg_m3)


def vented(build: CabinBuild, dp_pa: float, seconds: float, *, cda_m2: float | None = None) -> float:
    """Return the pressure (Pa) after ``seconds`` of venting, exactly, whatever the time step."""
    area = build.leak_cda_m2 if cda_m2 is None else cda_m2
    root = math.sqrt(abs(dp_pa)) - _root_fall_per_s(build, area, OUTSIDE_PA, AIR_KG_M3) * seconds
    return math.copysign(max(0.0, root) ** 2, dp_pa)


def settled_pa(build: CabinBuild, inflow_m3_s: float) -> float:
    """Return the pressure (Pa) at which a steady external inflow and the leaks balance."""
    return AIR_KG_M3 / 2.0 * (inflow_m3_s / build.leak_cda_m2) ** 2


def step(build: CabinBuild, state: CabinState, dt_s: float, *, doors_open: int = 0) -> CabinState:
    """Let ``dt_s`` seconds pass with ``doors_open`` pressurised doors out of their frames."""
    if state.goal_pa is not None and not doors_open:
        reach = state.goal_pa_per_s * dt_s
        dp = state.dp_pa + max(-reach, min(reach, state.goal_pa - state.dp_pa))
        return replace(state, dp_pa=dp)
    if not state.dp_pa and not state.inflow_m3_s:
        return state
    area = build.leak_cda_m2 + doors_open * _OPEN_DOOR_CDA_M2
    dp = state.dp_pa
    if not state.inflow_m3_s:
        return replace(state, dp_pa=vented(build, dp, dt_s, cda_m2=area))
    left_s = dt_s
    while left_s > 0:
        slice_s = min(_SUBSTEP_S, left_s)
        # The inflow is added first and vented exactly, so the step stays stable with a door open.
        dp = vented(build, dp + OUTSIDE_PA / build.volume_m3 * state.inflow_m3_s * slice_s, slice_s, cda_m2=area)
        left_s -= slice_s
    return replace(state, dp_pa=dp)
