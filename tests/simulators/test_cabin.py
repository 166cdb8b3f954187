"""The cabin's air against its closed form for small differences, and against compressible flow integrated by others.

The equations are written down here once more, from the books: isentropic flow through a nozzle
(any textbook of gas dynamics, e.g. the discharge of a vessel), the incompressible discharge
(Bernoulli), the gas law, ISO 2533's air. Integrated by ``scipy.integrate.solve_ivp``.
"""

from __future__ import annotations

import itertools
import math

import pytest
from scipy.integrate import solve_ivp

from simulators.models.air import CHOKED_AT, SEA_LEVEL, Air, air_at, nozzle_kg_s
from simulators.models.cabin import CabinBuild, CabinState, step, supply_for

P_OUT, T, R, GAMMA = 101325.0, 288.15, 287.05287, 1.4
RHO = P_OUT / (R * T)

# Computed from the venting equation t = V / (CdA * p) * sqrt(2 * rho) * (sqrt(dp0) - sqrt(dp1)), p = 101325 Pa,
# rho = 1.225 kg/m³: (V m³, CdA m², dp0 Pa, dp1 Pa, seconds by the closed form, seconds by a compressible integration).
WORKED = [
    (100.0, 0.01, 6894.76, 689.48, 8.771, 8.781),
    (100.0, 0.01, 3447.38, 250.0, 6.628, 6.632),
    (150.0, 0.02, 2000.0, 250.0, 3.349, 3.351),
    (150.0, 0.02, 1000.0, 100.0, 2.505, 2.506),
]


def closed_form_s(volume: float, cda: float, dp0: float, dp1: float) -> float:
    return volume / (cda * P_OUT) * math.sqrt(2 * RHO) * (math.sqrt(dp0) - math.sqrt(dp1))


def flow_kg_s(cda: float, p_in: float, p_out: float, t_in: float) -> float:
    """The textbook's two branches, written apart: choked below 0.528 of the pressure inside, subsonic above."""
    ratio = p_out / p_in
    if ratio <= (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1)):
        return cda * p_in * math.sqrt(GAMMA / (R * t_in)) * (2 / (GAMMA + 1)) ** ((GAMMA + 1) / (2 * (GAMMA - 1)))
    inner = ratio ** (2 / GAMMA) - ratio ** ((GAMMA + 1) / GAMMA)
    return cda * p_in * math.sqrt(2 * GAMMA / (GAMMA - 1) / (R * t_in) * max(0.0, inner))


def integrated(build: CabinBuild, dp0: float, seconds: float, inflow_m3_s: float = 0.0) -> float:
    """The difference (Pa) after ``seconds``, isothermal: dp/dt = R T / V * (supplied - lost)."""

    def slope(_: float, dp: list[float]) -> list[float]:
        lost = flow_kg_s(build.leak_cda_m2, P_OUT + max(0.0, dp[0]), P_OUT, T)
        return [R * T / build.volume_m3 * (inflow_m3_s * RHO - lost)]

    solved = solve_ivp(slope, (0.0, seconds), [dp0], rtol=1e-9, atol=1e-6)
    return float(solved.y[0][-1])


def lived(build: CabinBuild, state: CabinState, seconds: float, step_s: float = 0.1) -> CabinState:
    for _ in range(round(seconds / step_s)):
        state = step(build, state, step_s)
    return state


def seconds_down_to(build: CabinBuild, dp0: float, dp1: float) -> float:
    state, at, before = CabinState(dp_pa=dp0), 0.0, dp0
    while state.dp_pa > dp1:
        before, state, at = state.dp_pa, step(build, state, 0.01), at + 0.01
    over = (math.sqrt(dp1) - math.sqrt(state.dp_pa)) / (math.sqrt(before) - math.sqrt(state.dp_pa))
    return at - 0.01 * over


@pytest.mark.parametrize(("volume", "area", "dp0", "dp1", "closed_s", "compressible_s"), WORKED)
def test_venting_takes_the_worked_time(
    volume: float, area: float, dp0: float, dp1: float, closed_s: float, compressible_s: float
) -> None:
    assert closed_form_s(volume, area, dp0, dp1) == pytest.approx(closed_s, abs=0.001)
    seconds = seconds_down_to(CabinBuild(volume, area), dp0, dp1)
    assert seconds == pytest.approx(compressible_s, abs=0.0015)
    assert seconds == pytest.approx(closed_s, rel=0.0015)


@pytest.mark.parametrize("dp0", [400.0, 6_000.0, 40_000.0, 250_000.0])
@pytest.mark.parametrize("seconds", [1.0, 4.0])
def test_stepping_follows_compressible_flow_choked_or_not(dp0: float, seconds: float) -> None:
    """From 250 kPa the flow is choked at first (p_out / p_in is 0.29), from 40 kPa never (0.72)."""
    build = CabinBuild(100.0, 0.02)
    expected = integrated(build, dp0, seconds)
    assert lived(build, CabinState(dp_pa=dp0), seconds).dp_pa == pytest.approx(expected, rel=2e-4, abs=0.02)


def test_a_choked_vessel_empties_exponentially() -> None:
    """Choked and isothermal, dm/dt is in proportion to m: p = p0 exp(-t/tau), tau = V / (CdA sqrt(gamma R T) 0.5787)."""
    build = CabinBuild(100.0, 0.02)
    tau = 100.0 / (0.02 * math.sqrt(GAMMA * R * T) * (2 / 2.4) ** 3)
    state = lived(build, CabinState(dp_pa=900_000.0), 10.0)
    expected = (P_OUT + 900_000.0) * math.exp(-10.0 / tau)
    assert P_OUT / expected < CHOKED_AT
    assert P_OUT + state.dp_pa == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("step_s", [0.05, 0.1, 0.5, 1.0])
def test_the_pace_of_stepping_changes_nothing(step_s: float) -> None:
    build = CabinBuild(100.0, 0.01)
    start = CabinState(dp_pa=3447.38, inflow_m3_s=0.2)
    assert lived(build, start, 6.0, step_s).dp_pa == pytest.approx(lived(build, start, 6.0, 0.25).dp_pa, rel=1e-9)


def test_the_root_falls_linearly_and_reaches_zero() -> None:
    """The incompressible limit: dp/dt in proportion to the root of dp, so the root falls at an even rate."""
    build, state = CabinBuild(100.0, 0.01), CabinState(dp_pa=400.0)
    roots = []
    while state.dp_pa > 0:
        roots.append(math.sqrt(state.dp_pa))
        state = step(build, state, 0.1)
        assert len(roots) < 1000
    falls = [before - now for before, now in itertools.pairwise(roots)]
    rate = 0.1 * 0.01 * P_OUT / (100.0 * math.sqrt(2 * RHO))
    assert max(falls) == pytest.approx(rate, rel=0.002)
    assert min(falls) == pytest.approx(rate, rel=0.002)
    assert state.dp_pa == 0.0


def test_less_pressure_inside_than_outside_also_vents_to_nothing() -> None:
    build, state = CabinBuild(100.0, 0.01), CabinState(dp_pa=-500.0)
    assert -500.0 < lived(build, state, 1.0).dp_pa < 0.0
    assert lived(build, state, 60.0).dp_pa == 0.0


@pytest.mark.parametrize("goal_pa", [200.0, 650.0, 4000.0])
def test_an_external_supply_settles_where_it_was_meant_to(goal_pa: float) -> None:
    build = CabinBuild(150.0, 0.0013)
    state = CabinState(inflow_m3_s=supply_for(build, goal_pa))
    seen = []
    for _ in range(600):
        state = step(build, state, 1.0)
        seen.append(state.dp_pa)
    assert all(now >= before - 1e-9 for before, now in itertools.pairwise(seen))
    assert state.dp_pa == pytest.approx(goal_pa, rel=0.01)


def test_a_supply_raises_the_pressure_as_integrated() -> None:
    build = CabinBuild(150.0, 0.0013)
    flow = supply_for(build, 900.0)
    for seconds in (5.0, 30.0):
        state = lived(build, CabinState(inflow_m3_s=flow), seconds)
        assert state.dp_pa == pytest.approx(integrated(build, 0.0, seconds, flow), rel=2e-3)


def test_an_opened_outflow_valve_adds_its_area() -> None:
    leaky = CabinBuild(150.0, 0.0053)
    valve = lived(CabinBuild(150.0, 0.0013), CabinState(dp_pa=2000.0, outflow_cda_m2=0.004), 5.0)
    assert valve.dp_pa == pytest.approx(lived(leaky, CabinState(dp_pa=2000.0), 5.0).dp_pa, rel=1e-9)


def test_an_open_door_leaves_nothing_even_with_the_supply_on() -> None:
    state = step(CabinBuild(150.0, 0.0013), CabinState(dp_pa=600.0, inflow_m3_s=0.042), 1.0, doors_open=1)
    assert state.dp_pa < 1.0


def test_a_controller_steers_at_its_own_rate() -> None:
    build, state = CabinBuild(150.0, 0.0013), CabinState(goal_pa=3000.0, goal_pa_per_s=100.0)
    state = step(build, state, 2.0)
    assert state.dp_pa == pytest.approx(200.0)
    for _ in range(60):
        state = step(build, state, 1.0)
    assert state.dp_pa == pytest.approx(3000.0)


def test_the_air_that_it_stands_in_is_the_standard_one() -> None:
    """ISO 2533: 1.225 kg/m³ at sea level; 89 874.56 Pa at 281.65 K and 79 495.20 Pa at 275.15 K one and two km up."""
    assert pytest.approx(1.2250, abs=5e-5) == SEA_LEVEL.kg_m3
    assert air_at(1000.0).kg_m3 == pytest.approx(89_874.56 / (R * 281.65), rel=1e-6)
    assert air_at(2000.0).kg_m3 == pytest.approx(79_495.20 / (R * 275.15), rel=1e-6)


@pytest.mark.parametrize("drop_pa", [1e-3, 1.0, 100.0])
def test_a_small_drop_flows_as_an_incompressible_one(drop_pa: float) -> None:
    """Bernoulli: m = CdA sqrt(2 rho dp)."""
    inside = Air(P_OUT + drop_pa, T)
    assert nozzle_kg_s(0.01, inside, drop_pa) == pytest.approx(0.01 * math.sqrt(2 * RHO * drop_pa), rel=1e-3)


def test_the_flow_is_the_textbook_s_on_both_sides_of_choking() -> None:
    for ratio in (0.2, 0.5, 0.5283, 0.53, 0.8, 0.99):
        p_in = P_OUT / ratio
        assert nozzle_kg_s(0.01, Air(p_in, T), p_in - P_OUT) == pytest.approx(flow_kg_s(0.01, p_in, P_OUT, T), rel=1e-9)
