"""Air and the forces it puts on a leaf, against ISO 2533 and two packages that others wrote.

The formulas are called themselves: no wire carries an air density.
"""

from __future__ import annotations

import pytest
from ambiance import Atmosphere
from fluids.atmosphere import ATMOSPHERE_1976

from monitor.core import physics

EARTH_RADIUS_M = 6_356_766.0
"""ISO 2533:1975, nominal earth radius, for geopotential and geometric altitude (also in `fluids` and `ambiance`)."""


def geometric(geopotential_m: float) -> float:
    """ISO 2533:1975: H = r·h/(r + h), solved for h."""
    return EARTH_RADIUS_M * geopotential_m / (EARTH_RADIUS_M - geopotential_m)


# ISO 2533:1975, computed from its equations (facts: C), geopotential metres → Pa.
ISO_2533 = [
    (0.0, 101325.00),
    (1000.0, 89874.56),
    (2000.0, 79495.20),
    (2438.4, 75262.36),
    (3000.0, 70108.53),
    (5000.0, 54019.89),
    (11000.0, 22632.04),
]


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), ISO_2533)
def test_pressure_at_a_geopotential_altitude(altitude_m: float, pressure_pa: float) -> None:
    assert physics.pressure_pa(altitude_m) == pytest.approx(pressure_pa, abs=0.02)


def test_density_at_sea_level() -> None:
    """ISO 2533:1975: 1.225 kg/m³."""
    assert physics.density_kg_m3(0.0) == pytest.approx(1.225, abs=5e-5)


ALTITUDES = (-2000.0, -500.0, 0.0, 210.0, 1000.0, 2438.4, 6000.0, 10_999.0, 11_000.0, 15_000.0, 20_000.0)


@pytest.mark.parametrize("altitude_m", ALTITUDES)
def test_ambiance_agrees(altitude_m: float) -> None:
    """The package `ambiance` (ICAO 7488/3, the same atmosphere), which takes geometric altitude."""
    other = Atmosphere(geometric(altitude_m))
    assert physics.pressure_pa(altitude_m) == pytest.approx(float(other.pressure[0]), rel=1e-5)
    assert physics.density_kg_m3(altitude_m) == pytest.approx(float(other.density[0]), rel=1e-5)
    assert physics.temperature_k(altitude_m) == pytest.approx(float(other.temperature[0]), abs=1e-3)


@pytest.mark.parametrize("altitude_m", ALTITUDES)
def test_fluids_agrees(altitude_m: float) -> None:
    """The package `fluids` (U.S. Standard Atmosphere 1976, the same below 32 km), which takes geometric altitude too."""
    other = ATMOSPHERE_1976(geometric(altitude_m))
    assert physics.pressure_pa(altitude_m) == pytest.approx(other.P, rel=1e-5)
    assert physics.density_kg_m3(altitude_m) == pytest.approx(other.rho, rel=1e-5)


def test_the_two_kinds_of_altitude_are_not_the_same() -> None:
    """The trap: at 11 km a geometric altitude taken as geopotential is 0.3 % of the pressure off."""
    wrong = float(Atmosphere(11_000.0).pressure[0])
    assert abs(physics.pressure_pa(11_000.0) / wrong - 1) > 0.002


# ½ρv² at ISO 2533's 1.225 kg/m³ (facts: C), kt → Pa; one knot is 1852 m an hour (ISO 80000-3).
@pytest.mark.parametrize(("wind_kt", "dynamic_pa"), [(25, 101.31), (40, 259.36), (50, 405.25), (65, 684.87)])
def test_dynamic_pressure(wind_kt: float, dynamic_pa: float) -> None:
    assert physics.dynamic_pressure_pa(wind_kt, 1.225) == pytest.approx(dynamic_pa, abs=0.01)


# 0.5 psi on the openings of 14 CFR 25.807(a): width × height in inches, and the force (facts: C).
@pytest.mark.parametrize(
    ("width_in", "height_in", "area_m2", "force_n"),
    [
        pytest.param(24, 48, 0.743, 2562, id="Type I"),
        pytest.param(30, 48, 0.929, 3203, id="Type C"),
        pytest.param(42, 72, 1.951, 6726, id="Type A"),
    ],
)
def test_force_of_half_a_psi_on_an_exit(width_in: float, height_in: float, area_m2: float, force_n: float) -> None:
    exact_m2 = width_in * height_in * 0.0254**2
    assert exact_m2 == pytest.approx(area_m2, abs=5e-4)
    half_a_psi_hpa = 34.47379
    assert physics.pressure_force_n(half_a_psi_hpa, exact_m2) == pytest.approx(force_n, abs=1.0)


def test_force_of_one_hectopascal() -> None:
    """SI: 1 hPa is 100 N on each square metre."""
    assert physics.pressure_force_n(1.0, 1.0) == 100.0
