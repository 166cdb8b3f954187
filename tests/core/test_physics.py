"""Air and forces: the shape of the formulas, their units and the ends of their range.

Published values are held in tests/external/test_atmosphere.py.
"""

from __future__ import annotations

import math

import pytest

from monitor.core import physics


def test_the_two_layers_meet_at_the_tropopause() -> None:
    below, above = (physics.pressure_pa(physics.TROPOPAUSE_M + step) for step in (-0.001, 0.001))
    assert below == pytest.approx(above, rel=1e-6)
    assert below > above


def test_temperature_falls_to_the_tropopause_and_stays() -> None:
    assert physics.temperature_k(0) == 288.15
    assert physics.temperature_k(1000) == pytest.approx(281.65)
    assert physics.temperature_k(11_000) == pytest.approx(216.65)
    assert physics.temperature_k(20_000) == pytest.approx(216.65)


@pytest.mark.parametrize("altitude", [-2000, -400, 0, 210, 3000, 10_999, 11_001, 19_990])
def test_pressure_falls_as_the_weight_of_the_air(altitude: float) -> None:
    """dp/dH = -ρ·g, whatever the closed form."""
    step = 5.0
    slope = (physics.pressure_pa(altitude + step) - physics.pressure_pa(altitude)) / step
    density = physics.density_kg_m3(altitude + step / 2)
    assert slope == pytest.approx(-density * physics.STANDARD_GRAVITY_M_S2, rel=1e-5)


@pytest.mark.parametrize("altitude", [-2000.1, 20_000.1, math.nan, math.inf])
def test_outside_the_two_layers_it_says_so(altitude: float) -> None:
    with pytest.raises(ValueError, match="standard atmosphere"):
        physics.pressure_pa(altitude)


def test_wind_load_grows_with_the_square_of_the_wind_and_with_the_leaf() -> None:
    once = physics.wind_load_n(20.0, 1.9, 1.2)
    assert physics.wind_load_n(40.0, 1.9, 1.2) == pytest.approx(4 * once)
    assert physics.wind_load_n(20.0, 3.8, 1.2) == pytest.approx(2 * once)
    assert physics.wind_load_n(0.0, 1.9, 1.2) == 0


def test_the_force_of_a_difference_has_its_direction() -> None:
    assert physics.pressure_force_n(2.5, 1.9) == pytest.approx(475.0)
    assert physics.pressure_force_n(-2.5, 1.9) == pytest.approx(-475.0)


def test_a_cold_bottle_reads_less_than_it_has() -> None:
    """Gas law at constant volume: 170 bar at 20 °C read 146.8 bar at -20 °C and 187.4 bar at 50 °C."""
    assert physics.bottle_bar_at_reference(170.0, 20.0) == pytest.approx(170.0)
    assert physics.bottle_bar_at_reference(146.8, -20.0) == pytest.approx(170.0, abs=0.05)
    assert physics.bottle_bar_at_reference(187.4, 50.0) == pytest.approx(170.0, abs=0.05)
