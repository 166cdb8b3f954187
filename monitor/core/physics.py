"""Air and the forces it puts on a leaf: the standard atmosphere, wind, and differential pressure.

Owns the formulas and their constants. It never looks at a reading: numbers in, numbers
out, in SI units but for the knots, hectopascals and bars that signals come in.
"""

from __future__ import annotations

import math
from typing import Final

SEA_LEVEL_PA: Final = 101_325.0
SEA_LEVEL_K: Final = 288.15
STANDARD_GRAVITY_M_S2: Final = 9.80665
GAS_CONSTANT_J_KG_K: Final = 287.05287
"""Specific gas constant of dry air, ISO 2533:1975."""

TROPOSPHERE_K_PER_M: Final = -0.0065
TROPOPAUSE_M: Final = 11_000.0
LOWEST_M: Final = -2_000.0
HIGHEST_M: Final = 20_000.0
"""The two layers that an aerodrome, a cabin or a test may stand in; ISO 2533 goes further up."""

KNOT_M_S: Final = 1852.0 / 3600.0
PA_PER_HPA: Final = 100.0
ICE_POINT_K: Final = 273.15
BOTTLE_REFERENCE_C: Final = 20.0


def temperature_k(altitude_m: float) -> float:
    """Return the standard temperature (K) at a geopotential altitude (m).

    Raises ``ValueError`` outside -2000 m to 20 000 m. ISO 2533:1975: two of its layers.
    """
    if not LOWEST_M <= altitude_m <= HIGHEST_M:
        raise ValueError(
            f"the standard atmosphere is used from {LOWEST_M:g} m to {HIGHEST_M:g} m, not at {altitude_m:g}"
        )
    return SEA_LEVEL_K + TROPOSPHERE_K_PER_M * min(altitude_m, TROPOPAUSE_M)


def pressure_pa(altitude_m: float) -> float:
    """Return the standard pressure (Pa) at a geopotential altitude (m).

    Raises ``ValueError`` outside -2000 m to 20 000 m. ISO 2533:1975: the closed form
    of the hydrostatic equation, a power in the troposphere and an exponential above it.
    """
    here_k = temperature_k(altitude_m)
    exponent = -STANDARD_GRAVITY_M_S2 / (GAS_CONSTANT_J_KG_K * TROPOSPHERE_K_PER_M)
    pressure = SEA_LEVEL_PA * math.pow(here_k / SEA_LEVEL_K, exponent)
    above_m = altitude_m - TROPOPAUSE_M
    if above_m > 0:
        pressure *= math.exp(-STANDARD_GRAVITY_M_S2 * above_m / (GAS_CONSTANT_J_KG_K * here_k))
    return pressure


def density_kg_m3(altitude_m: float) -> float:
    """Return the standard air density (kg/m³) at a geopotential altitude (m).

    Raises ``ValueError`` outside -2000 m to 20 000 m. ISO 2533:1975: the gas law.
    """
    return pressure_pa(altitude_m) / (GAS_CONSTANT_J_KG_K * temperature_k(altitude_m))


def dynamic_pressure_pa(wind_kt: float, air_kg_m3: float) -> float:
    """Return the dynamic pressure (Pa) of a wind (kt) in air of that density: ½ρv², Bernoulli."""
    return 0.5 * air_kg_m3 * (wind_kt * KNOT_M_S) ** 2


def wind_load_n(wind_kt: float, area_m2: float, air_kg_m3: float) -> float:
    """Return the load (N) of a wind (kt) on a leaf (m²) square to it.

    Dynamic pressure times area: an order of magnitude beside a limit, not a design load,
    for which the leaf's own shape and place at the fuselage count too.
    """
    return dynamic_pressure_pa(wind_kt, air_kg_m3) * area_m2


def pressure_force_n(difference_hpa: float, area_m2: float) -> float:
    """Return the force (N) of a differential pressure (hPa) on a leaf (m²): 1 hPa is 100 N on each m².

    Outwards where the cabin's pressure is the higher one; negative is inwards.
    """
    return difference_hpa * PA_PER_HPA * area_m2


def bottle_bar_at_reference(bar: float, temperature_c: float) -> float:
    """Return what a bottle's pressure (bar) would be at 20 °C: gas law at constant volume, absolute temperatures."""
    return bar * (ICE_POINT_K + BOTTLE_REFERENCE_C) / (ICE_POINT_K + temperature_c)
