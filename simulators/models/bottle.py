"""A bottle of compressed gas that empties through an orifice into the open.

Owns how much of its gas, and of its pressure, is left after how long. The flow is choked as
long as the bottle holds more than about twice the pressure outside, which is nearly all of
it; the gas in the bottle cools as it expands (adiabatic: a slide fills in seconds, the
bottle's walls warm its gas in minutes). Both have a closed form, so no step is taken at all:
m/m0 = (1 + (gamma-1)/2 * t/tau)^(-2/(gamma-1)), p/p0 = (m/m0)^gamma, tau = V / (CdA * a0 * k),
k = (2/(gamma+1))^((gamma+1)/(2(gamma-1))), a0 the speed of sound in the full bottle: any
textbook of gas dynamics. The gas is taken as ideal.
"""

from __future__ import annotations

import math
from typing import Final

from simulators.models.air import GAMMA, GAS_J_KG_K

_HALF: Final = (GAMMA - 1.0) / 2.0
_CRITICAL: Final[float] = (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))


def time_constant_s(volume_m3: float, cda_m2: float, temperature_k: float) -> float:
    """Return the time (s) in which the first rate of flow would empty the bottle."""
    return volume_m3 / (cda_m2 * math.sqrt(GAMMA * GAS_J_KG_K * temperature_k) * _CRITICAL)


def gas_left(seconds: float, tau_s: float) -> float:
    """Return the share of the gas (by mass) that is still in the bottle."""
    return float((1.0 + _HALF * seconds / tau_s) ** (-1.0 / _HALF))


def pressure_left(seconds: float, tau_s: float) -> float:
    """Return the share of its pressure that the bottle still has, its gas being cold."""
    return float((1.0 + _HALF * seconds / tau_s) ** (-GAMMA / _HALF))


def seconds_until(share_left: float, tau_s: float) -> float:
    """Return when ``share_left`` of the gas (more than 0, at most 1) is left."""
    return float(tau_s / _HALF * (share_left**-_HALF - 1.0))
