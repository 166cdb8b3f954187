"""The hydraulics of a hold door against closed forms and ``solve_ivp``: continuity of a stiff fluid.

Any textbook of fluid power: dp/dt = stiffness * (what flows in - what is swept - what is lost);
an orifice that is laminar loses in proportion to the pressure.
"""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp

from simulators.models import hydraulics as model
from simulators.models.hydraulics import HydraulicBuild, Valves, build_hydraulics

BUILD = build_hydraulics(2.2, 120.0, 20.0, 22.0)


def lived(
    bar: float, travel: float, valves: Valves, seconds: float, step_s: float = 0.1, build: HydraulicBuild = BUILD
) -> tuple[float, float]:
    for _ in range(round(seconds / step_s)):
        bar, travel = model.step(build, bar, travel, valves, step_s)
    return bar, travel


def integrated(bar: float, travel: float, valves: Valves, seconds: float) -> tuple[float, float]:
    """The same physics, written anew, as two equations with the relief valve left out."""

    def slope(_: float, y: list[float]) -> list[float]:
        p, x = y
        moved = 0.0
        if p > 132.0 and x < 1.0:
            moved = (p - 132.0) / (20.0 * 6.0)
        elif p < 84.0 and x > 0.0:
            moved = (p - 84.0) / (20.0 * 6.0)
        out = valves.leak_cm3_s_bar * p + (1980.0 / (22.0 * 84.0) * p if valves.lowering else 0.0)
        stiffness = 120.0 / 99.0
        return [stiffness * (valves.inflow_cm3_s - out - 1980.0 * moved), moved]

    solved = solve_ivp(slope, (0.0, seconds), [bar, travel], rtol=1e-8, atol=1e-10, max_step=0.01)
    return float(solved.y[0][-1]), float(solved.y[1][-1])


def test_a_pump_raises_the_pressure_of_a_leaf_that_is_held_at_an_even_rate_up_to_the_relief_valve() -> None:
    held = Valves(inflow_cm3_s=BUILD.pump_cm3_s, free=False)
    assert lived(0.0, 0.0, held, 0.5)[0] == pytest.approx(60.0)
    assert lived(0.0, 0.0, held, 1.0)[0] == pytest.approx(120.0)
    assert lived(0.0, 0.0, held, 5.0) == (1.35 * 120.0, 0.0)


def test_it_lifts_the_leaf_in_the_time_that_its_flow_takes_to_fill_the_actuator() -> None:
    """Volume over flow: 1980 cm³ at 99 cm³/s are 20 s, after the second that the pressure takes to come up."""
    bar, travel = lived(0.0, 0.0, Valves(inflow_cm3_s=99.0), 11.1)
    assert travel == pytest.approx(0.5, abs=0.005)
    assert bar == pytest.approx(132.0 + 6.0, abs=0.1)


def test_a_leak_takes_the_pressure_down_exponentially() -> None:
    """dp/dt = -stiffness * k * p: p0 exp(-stiffness k t), at any step."""
    valves = Valves(leak_cm3_s_bar=model.leak_for(BUILD, 3.0), free=False)
    expected = 150.0 * math.exp(-120.0 / 99.0 * 3.0 / 120.0 * 20.0)
    for step_s in (0.05, 0.1, 0.5):
        assert lived(150.0, 1.0, valves, 20.0, step_s)[0] == pytest.approx(expected, rel=1e-9)


def test_a_leak_that_was_asked_for_by_its_first_fall_falls_so() -> None:
    k = model.leak_for(BUILD, model.usual_leak_cm3_s(BUILD, 8.0))
    bar, _ = lived(120.0, 0.6, Valves(leak_cm3_s_bar=k, free=False), 0.1)
    assert (120.0 - bar) / 0.1 == pytest.approx(8.0, rel=0.01)


def test_a_leaking_leaf_sinks_once_friction_no_longer_holds_it_and_as_fast_as_the_fluid_leaves() -> None:
    valves = Valves(leak_cm3_s_bar=model.leak_for(BUILD, 6.0))
    assert lived(130.0, 0.6, valves, 5.0)[1] == 0.6
    bar, travel = lived(150.0, 0.6, valves, 60.0)
    assert bar == pytest.approx(84.0, abs=0.5)
    later = lived(bar, travel, valves, 10.0)[1]
    assert (travel - later) / 10.0 == pytest.approx(6.0 * 84.0 / 120.0 / 1980.0, rel=0.01)


@pytest.mark.parametrize(
    ("bar", "travel", "valves"),
    [
        (0.0, 0.0, Valves(inflow_cm3_s=99.0)),
        (0.0, 0.0, Valves(inflow_cm3_s=30.0)),
        (150.0, 1.0, Valves(lowering=True)),
        (150.0, 0.6, Valves(leak_cm3_s_bar=0.2)),
        (90.0, 0.3, Valves(inflow_cm3_s=40.0, leak_cm3_s_bar=0.1)),
    ],
)
@pytest.mark.parametrize("seconds", [1.5, 6.0])
def test_pressure_and_travel_are_those_of_the_equations(
    bar: float, travel: float, valves: Valves, seconds: float
) -> None:
    expected_bar, expected_travel = integrated(bar, travel, valves, seconds)
    got_bar, got_travel = lived(bar, travel, valves, seconds)
    assert got_bar == pytest.approx(expected_bar, rel=0.02, abs=0.5)
    assert got_travel == pytest.approx(expected_travel, abs=0.004)


def test_the_leaf_comes_down_in_its_own_time() -> None:
    assert lived(150.0, 1.0, Valves(lowering=True), 21.0)[1] > 0.0
    assert lived(150.0, 1.0, Valves(lowering=True), 24.0)[1] == 0.0


def test_in_its_frame_the_valve_empties_the_actuator() -> None:
    latched = Valves(dumping=True, free=False)
    assert lived(150.0, 0.0, latched, 2.0)[0] == pytest.approx(150.0 * math.exp(-2.0), rel=1e-9)
    assert lived(150.0, 0.0, latched, 10.0)[0] == 0.0


@pytest.mark.parametrize("step_s", [0.05, 0.1, 0.25])
def test_the_pace_of_stepping_changes_nothing(step_s: float) -> None:
    valves = Valves(inflow_cm3_s=60.0, leak_cm3_s_bar=0.05)
    one, other = lived(0.0, 0.0, valves, 9.0, step_s), lived(0.0, 0.0, valves, 9.0, 0.15)
    assert one == pytest.approx(other, rel=1e-9)


def test_a_hand_pump_delivers_a_stroke_at_a_time_and_as_much_at_any_pace() -> None:
    """Ten strokes of 1.5 s: 37 cm³ each, a quarter of what the electric pump delivers in that time."""
    assert BUILD.stroke_cm3 == pytest.approx(0.25 * 99.0 * 1.5)
    for step_s in (0.1, 0.25, 1.0):
        count = round(model.seconds_for(10) / step_s)
        total = sum(model.stroke_flow(BUILD, n * step_s, step_s) * step_s for n in range(count))
        assert total == pytest.approx(10 * BUILD.stroke_cm3)
    assert model.stroke_flow(BUILD, 1.1, 0.3) == 0.0
    assert model.stroke_flow(BUILD, 0.5, 0.0) == 0.0
