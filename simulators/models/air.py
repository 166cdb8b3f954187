"""Air as an ideal gas: how dense it is, and how fast it leaves a vessel through an opening.

Owns the gas law and the equation of the nozzle (mass flow of a gas at rest, isentropic in the
opening; the flow chokes where the pressure outside falls below 0.528 of that inside): any
textbook of gas dynamics. It never knows what the vessel is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.core import physics

GAS_J_KG_K: Final = physics.GAS_CONSTANT_J_KG_K
GAMMA: Final = 1.4
"""Ratio of the specific heats of a gas of two atoms: air, nitrogen."""
CHOKED_AT: Final = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
"""Pressure ratio (outside to inside) at and below which the flow is as fast as it gets."""

_LOG_CHOKED: Final = math.log(CHOKED_AT)


@dataclass(frozen=True, slots=True)
class Air:
    """Air at rest: absolute pressure (Pa) and temperature (K)."""

    pressure_pa: float
    temperature_k: float

    @property
    def kg_m3(self) -> float:
        return self.pressure_pa / (GAS_J_KG_K * self.temperature_k)


SEA_LEVEL: Final = Air(physics.SEA_LEVEL_PA, physics.SEA_LEVEL_K)
"""ISO 2533."""


def air_at(elevation_m: float) -> Air:
    """Return the standard air at an aerodrome's elevation (m): ISO 2533."""
    return Air(physics.pressure_pa(elevation_m), physics.temperature_k(elevation_m))


def nozzle_kg_s(cda_m2: float, upstream: Air, dp_pa: float) -> float:
    """Return the mass flow (kg/s) through an opening of that discharge area (m²) down a drop ``dp_pa`` (Pa, not < 0).

    Written so that it stays exact for drops of a fraction of a pascal.
    """
    log_ratio = max(_LOG_CHOKED, math.log1p(-dp_pa / upstream.pressure_pa))
    expansion = -math.expm1((GAMMA - 1.0) / GAMMA * log_ratio)
    psi = math.sqrt(2.0 * GAMMA / (GAMMA - 1.0) * math.exp(2.0 / GAMMA * log_ratio) * expansion)
    return cda_m2 * upstream.pressure_pa / math.sqrt(GAS_J_KG_K * upstream.temperature_k) * psi


def slices(dt_s: float, most_s: float) -> tuple[int, float]:
    """Cut ``dt_s`` into as few equal steps as are no longer than ``most_s``; return how many, and how long each is."""
    count = max(1, math.ceil(dt_s / most_s - 1e-9))
    return count, dt_s / count
