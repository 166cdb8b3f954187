"""The cabin's air against the closed form and its worked values."""

from __future__ import annotations

import itertools
import math

import pytest

from simulators.models.cabin import CabinBuild, CabinState, settled_pa, step, vent_seconds, vented

# Computed from the venting equation t = V / (CdA * p) * sqrt(2 * rho) * (sqrt(dp0) - sqrt(dp1)), p = 101325 Pa,
# rho = 1.225 kg/m³: (V m³, CdA m², dp0 Pa, dp1 Pa, seconds by the closed form, seconds by a compressible integration).
WORKED = [
    (100.0, 0.01, 6894.76, 689.48, 8.771, 8.781),
    (100.0, 0.01, 3447.38, 250.0, 6.628, 6.632),
    (150.0, 0.02, 2000.0, 250.0, 3.349, 3.351),
    (150.0, 0.02, 1000.0, 100.0, 2.505, 2.506),
]


@pytest.mark.parametrize(("volume", "area", "dp0", "dp1", "closed_form_s", "compressible_s"), WORKED)
def test_venting_takes_the_worked_time(
    volume: float, area: float, dp0: float, dp1: float, closed_form_s: float, compressible_s: float
) -> None:
    seconds = vent_seconds(CabinBuild(volume, area), dp0, dp1)
    assert seconds == pytest.approx(closed_form_s, abs=0.001)
    assert seconds == pytest.approx(compressible_s, rel=0.0015)


@pytest.mark.parametrize("step_s", [0.01, 0.1, 0.5])
def test_stepping_gives_the_closed_form_at_any_step(step_s: float) -> None:
    build, state = CabinBuild(100.0, 0.01), CabinState(dp_pa=3447.38)
    for _ in range(round(6.0 / step_s)):
        state = step(build, state, step_s)
    assert state.dp_pa == pytest.approx(vented(build, 3447.38, 6.0), rel=1e-9)


def test_the_root_falls_linearly_and_reaches_zero() -> None:
    build, state = CabinBuild(100.0, 0.01), CabinState(dp_pa=1000.0)
    roots = []
    while state.dp_pa > 0:
        roots.append(math.sqrt(state.dp_pa))
        state = step(build, state, 0.1)
        assert len(roots) < 1000
    falls = [before - now for before, now in itertools.pairwise(roots)]
    assert max(falls) - min(falls) < 1e-9
    assert state.dp_pa == 0.0


def test_less_pressure_inside_than_outside_also_vents_to_nothing() -> None:
    build = CabinBuild(100.0, 0.01)
    assert -500.0 < vented(build, -500.0, 1.0) < 0.0
    assert vented(build, -500.0, 60.0) == 0.0


def test_an_external_supply_raises_a_closed_cabin_with_the_engines_off() -> None:
    build, state = CabinBuild(150.0, 0.0013), CabinState(inflow_m3_s=0.042)
    seen = []
    for _ in range(4000):
        state = step(build, state, 0.1)
        seen.append(state.dp_pa)
    assert all(now >= before - 1e-9 for before, now in itertools.pairwise(seen))
    assert state.dp_pa == pytest.approx(settled_pa(build, 0.042), rel=0.02)
    assert state.dp_pa > 250.0


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
