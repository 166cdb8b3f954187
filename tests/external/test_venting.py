"""When a venting cabin will be below a limit: the forecast against the closed form and against compressible flow.

Readings are made by integrating the flow of a compressible gas through an opening (any
textbook's isentropic discharge, choked only below p_out/p_in = 0.5283), with the cabin's air
at outside's temperature; the forecast never sees that model, only its readings.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from monitor.core.physics import GAS_CONSTANT_J_KG_K, SEA_LEVEL_K, SEA_LEVEL_PA
from monitor.core.pressure import Trend, assess_pressure
from monitor.core.readout import describe_aircraft
from tests.external.apron import START_US, Apron

SECOND = 1_000_000
GAMMA = 1.4
AIR_KG_M3 = 1.225

# Volume (m³), discharge area CdA (m²), from and to (Pa), and the published-form and numeric times (facts: C).
WORKED = [
    (100.0, 0.01, 6894.76, 689.48, 8.771, 8.781),
    (100.0, 0.01, 3447.38, 250.0, 6.628, 6.632),
    (150.0, 0.02, 2000.0, 250.0, 3.349, 3.351),
    (150.0, 0.02, 1000.0, 100.0, 2.505, 2.506),
]


def closed_form_s(volume_m3: float, cda_m2: float, from_pa: float, to_pa: float) -> float:
    """Small differences, isothermal: t = V/(CdA·p)·√(2ρ)·(√Δp₀ − √Δp₁)."""
    fall = math.sqrt(from_pa) - math.sqrt(to_pa)
    return volume_m3 / (cda_m2 * SEA_LEVEL_PA) * math.sqrt(2 * AIR_KG_M3) * fall


def discharge_pa_per_s(volume_m3: float, cda_m2: float) -> Callable[[float, list[float]], list[float]]:
    """Mass flow of a compressible gas at rest through an opening, isentropic in it, isothermal in the cabin."""

    def slope(_: float, inside: list[float]) -> list[float]:
        ratio = min(1.0, SEA_LEVEL_PA / inside[0])
        assert ratio > 0.5283, "choked: never on the ground"
        speed = math.sqrt(
            2 * GAMMA / (GAMMA - 1) / (GAS_CONSTANT_J_KG_K * SEA_LEVEL_K)
            * (ratio ** (2 / GAMMA) - ratio ** ((GAMMA + 1) / GAMMA))
        )  # fmt: skip
        return [-cda_m2 * inside[0] * speed * GAS_CONSTANT_J_KG_K * SEA_LEVEL_K / volume_m3]

    return slope


def integrate(volume_m3: float, cda_m2: float, from_pa: float, to_pa: float) -> tuple[Callable[[float], float], float]:
    """Return the difference (Pa) at any moment, and when it has come down to ``to_pa``."""
    solved = solve_ivp(
        discharge_pa_per_s(volume_m3, cda_m2),
        (0.0, 2 * closed_form_s(volume_m3, cda_m2, from_pa, to_pa)),
        [SEA_LEVEL_PA + from_pa],
        dense_output=True, rtol=1e-9, atol=1e-6,
    )  # fmt: skip

    def difference(t: float) -> float:
        return float(solved.sol(t)[0]) - SEA_LEVEL_PA

    end: float = brentq(lambda t: difference(t) - to_pa, 0.0, float(solved.t[-1]))
    return difference, end


@pytest.mark.parametrize(("volume", "cda", "start", "limit", "closed_s", "numeric_s"), WORKED)
def test_the_model_of_this_check_is_the_published_one(
    volume: float, cda: float, start: float, limit: float, closed_s: float, numeric_s: float
) -> None:
    assert closed_form_s(volume, cda, start, limit) == pytest.approx(closed_s, abs=0.002)
    assert integrate(volume, cda, start, limit)[1] == pytest.approx(numeric_s, abs=0.005)


# Ten times the volume, so that the readings of a sensor come while it vents.
SLOW = [(volume * 10, cda, start, limit) for volume, cda, start, limit, _, _ in WORKED]


@pytest.mark.parametrize(("volume", "cda", "start", "limit"), SLOW)
@pytest.mark.parametrize("watched", [0.25, 0.5, 0.8])
@pytest.mark.parametrize("every_s", [0.2, 0.5])
def test_the_forecast_meets_compressible_flow(
    volume: float, cda: float, start: float, limit: float, watched: float, every_s: float
) -> None:
    """Watched for a part of the way, the moment is told within 3 % of the way that is left, or 0.3 s."""
    difference, end = integrate(volume, cda, start, limit)
    count = int(end * watched / every_s)
    readings = [(START_US + round(n * every_s * SECOND), difference(n * every_s) / 100) for n in range(count + 1)]
    now, last = readings[-1]
    answer = assess_pressure(readings, now, limit_hpa=limit / 100, known_hpa=last)
    left = end - count * every_s
    assert answer.trend is Trend.FALLING
    assert answer.below_limit_in_s == pytest.approx(left, abs=max(0.3, 0.03 * left))
    assert answer.low_s is not None
    assert answer.high_s is not None
    assert answer.low_s - 0.2 <= left <= answer.high_s + 0.2


@pytest.mark.parametrize(("volume", "cda", "start", "limit"), SLOW)
def test_the_forecast_meets_the_closed_form(volume: float, cda: float, start: float, limit: float) -> None:
    whole = closed_form_s(volume, cda, start, limit)
    fall = (math.sqrt(start) - math.sqrt(limit)) / whole
    times = [0.25 * n for n in range(int(whole / 0.5))]
    readings = [(round(t * SECOND), (math.sqrt(start) - fall * t) ** 2 / 100) for t in times]
    answer = assess_pressure(readings, readings[-1][0], limit_hpa=limit / 100, known_hpa=readings[-1][1])
    assert answer.below_limit_in_s == pytest.approx(whole - times[-1], abs=0.1)


def test_an_exponential_is_not_what_a_cabin_does() -> None:
    """√Δp reaches zero in finite time; an exponential through the same readings would come too late."""
    difference, end = integrate(1000.0, 0.01, 3447.38, 250.0)
    half = difference(end / 2)
    rate = math.log(3447.38 / half) / (end / 2)
    exponential_s = math.log(3447.38 / 250.0) / rate
    assert exponential_s > 1.2 * end


def test_what_an_outside_client_is_told() -> None:
    """By the wire: readings each second, and the answer that the aircraft's page has."""
    apron = Apron()
    difference, end = integrate(1000.0, 0.01, 2000.0, 250.0)
    apron.park(differential_pressure_hpa=20.0)
    for second in range(1, 20):
        apron.advance(1.0)
        apron.send("airframe/differential_pressure_hpa", round(difference(second) / 100, 2))
    document = describe_aircraft(apron.system, "ZZ-ALD", apron.now)
    assert document is not None
    told = document["pressure"]
    assert (told["trend"], told["limit_hpa"]) == ("falling", 2.5)
    assert told["below_limit_in_s"] == pytest.approx(end - 19, abs=0.5)
    assert told["below_limit_low_s"] <= told["below_limit_in_s"] <= told["below_limit_high_s"]
