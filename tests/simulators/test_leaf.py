"""A leaf on its hinge against the same equation of motion, written anew and integrated by ``solve_ivp``.

Newton for rotation, a viscous damper: any textbook of mechanics. The wind's moment: dynamic
pressure (Bernoulli) times area at half the width, common practice for a flat leaf.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from monitor.core.airframe import DoorKind, Side
from simulators.models.leaf import Breeze, LeafBuild, Swing, breeze_at, build_leaf, swing, wind_nm

AREA_M2, OPEN_S, CLOSE_S = 1.9, 7.5, 8.0
BUILD = build_leaf(DoorKind.CABIN, AREA_M2, OPEN_S, CLOSE_S)
KNOT = 1852 / 3600


def lived(seconds: float, push: float, *, step_s: float = 0.1, build: LeafBuild = BUILD, **how: object) -> Swing:
    state = how.pop("begin", Swing(0.0))
    assert isinstance(state, Swing)
    for _ in range(round(seconds / step_s)):
        state = swing(build, state, push, step_s, **how)  # type: ignore[arg-type]
    return state


def seconds_to(share: float, push: float, **how: object) -> float:
    state, at = Swing(0.0 if push > 0 else 1.0), 0.0
    while (state.share < share) if push > 0 else (state.share > share):
        state, at = swing(BUILD, state, push, 0.01, **how), at + 0.01  # type: ignore[arg-type]
        assert at < 100
    return at


def integrated(
    build: LeafBuild, push: float, seconds: float, breeze: Breeze | None, damper: float
) -> tuple[float, float]:
    """The angle's share and the speed: I w' = push + wind - c w, between stops that are not reached."""

    def slope(_: float, y: list[float]) -> list[float]:
        angle, speed = y
        wind = 0.0
        if breeze is not None:
            square = math.cos(angle) * breeze.outward + math.sin(angle) * breeze.forward
            wind = breeze.dynamic_pa * build.area_m2 * square * abs(square) * build.width_m / 2
            wind = math.copysign(max(0.0, abs(wind) - build.held_nm), wind)
        damping = damper * (build.damping_open if speed > 0 or push > 0 else build.damping_close)
        return [speed, (push + wind - damping * speed) / build.inertia_kg_m2]

    solved = solve_ivp(slope, (0.0, seconds), [0.0, 0.0], rtol=1e-8, atol=1e-10, max_step=0.02)
    return float(solved.y[0][-1]) / build.travel_rad, float(solved.y[1][-1])


@pytest.mark.parametrize("damper", [1.0, 3.0, 0.4])
@pytest.mark.parametrize("wind_kt", [None, 20.0, 45.0])
def test_it_moves_as_its_equation_says(damper: float, wind_kt: float | None) -> None:
    breeze = None if wind_kt is None else breeze_at(wind_kt, 120.0, 0.0, Side.LEFT)
    for seconds in (0.3, 1.2, 2.0):
        share, speed = integrated(BUILD, BUILD.push_nm, seconds, breeze, damper)
        if not 0.0 < share < 1.0:
            continue
        state = lived(seconds, BUILD.push_nm, breeze=breeze, damper=damper)
        assert state.share == pytest.approx(share, rel=0.03, abs=2e-3)
        assert state.rad_per_s == pytest.approx(speed, rel=0.03, abs=0.01)


def test_under_an_even_push_it_nears_its_speed_exponentially() -> None:
    """Closed form: w = M/c (1 - exp(-c t / I)); angle = M/c (t - I/c (1 - exp(-c t / I)))."""
    lag = BUILD.inertia_kg_m2 / BUILD.damping_open
    end = BUILD.push_nm / BUILD.damping_open
    for seconds in (0.1, 0.5, 3.0):
        state = lived(seconds, BUILD.push_nm)
        assert state.rad_per_s == pytest.approx(end * (1 - math.exp(-seconds / lag)), rel=1e-9)
        angle = end * (seconds - lag * (1 - math.exp(-seconds / lag)))
        assert state.share * BUILD.travel_rad == pytest.approx(angle, rel=1e-9)


@pytest.mark.parametrize("step_s", [0.05, 0.1, 0.25, 0.5])
def test_the_pace_of_stepping_changes_nothing(step_s: float) -> None:
    breeze = breeze_at(35.0, 150.0, 0.0, Side.LEFT)
    one = lived(3.0, BUILD.push_nm, step_s=step_s, breeze=breeze)
    other = lived(3.0, BUILD.push_nm, step_s=0.15, breeze=breeze)
    assert one.share == pytest.approx(other.share, rel=1e-9)
    assert one.rad_per_s == pytest.approx(other.rad_per_s, rel=1e-9)


@pytest.mark.parametrize("kind", list(DoorKind))
@pytest.mark.parametrize("area", [0.25, 1.1, 2.3])
def test_a_usual_push_takes_the_door_s_own_time(kind: DoorKind, area: float) -> None:
    build = build_leaf(kind, area, 4.0, 5.0)
    assert lived(3.9, build.push_nm, build=build).share < 1.0
    assert lived(4.1, build.push_nm, build=build) == Swing(1.0, 0.0)
    assert lived(4.9, -build.push_nm, build=build, begin=Swing(1.0)).share > 0.0
    assert lived(5.1, -build.push_nm, build=build, begin=Swing(1.0)) == Swing(0.0, 0.0)


def test_a_worn_damper_lets_it_fly_and_a_stiff_one_holds_it_back() -> None:
    usual = seconds_to(1.0, BUILD.push_nm)
    assert seconds_to(1.0, BUILD.push_nm, damper=0.3) < 0.5 * usual
    assert seconds_to(1.0, BUILD.push_nm, damper=3.0) == pytest.approx(3 * usual, rel=0.05)


def test_a_breeze_is_held_against_and_a_gale_is_not() -> None:
    calm = seconds_to(1.0, BUILD.push_nm)
    tailwind = {kt: seconds_to(1.0, BUILD.push_nm, breeze=breeze_at(kt, 180.0, 0.0, Side.LEFT)) for kt in (15.0, 45.0)}
    assert tailwind[15.0] == pytest.approx(calm, abs=0.02)
    assert tailwind[45.0] < 0.75 * calm
    headwind = breeze_at(60.0, 0.0, 0.0, Side.LEFT)
    assert lived(60.0, BUILD.push_nm, breeze=headwind).share < 0.9


def test_the_wind_s_moment_is_its_dynamic_pressure_on_half_the_width() -> None:
    """40 kt square to 1.9 m²: 259.4 Pa (ISO 2533's air), on a lever of half of 0.975 m."""
    square_on = breeze_at(40.0, 90.0, 0.0, Side.LEFT)
    assert (square_on.outward, square_on.forward) == pytest.approx((1.0, 0.0))
    expected = 0.5 * 1.225 * (40 * KNOT) ** 2 * AREA_M2 * math.sqrt(AREA_M2 / 2) / 2
    assert wind_nm(BUILD, 0.0, square_on) == pytest.approx(expected, rel=1e-4)
    assert wind_nm(BUILD, 0.0, breeze_at(40.0, 270.0, 0.0, Side.LEFT)) == pytest.approx(-expected, rel=1e-4)
    assert wind_nm(BUILD, 0.0, breeze_at(40.0, 270.0, 0.0, Side.RIGHT)) == pytest.approx(expected, rel=1e-4)


def test_half_way_it_stands_out_and_feels_what_comes_from_the_nose_and_the_tail() -> None:
    half = math.pi / 2 / BUILD.travel_rad
    assert (
        wind_nm(BUILD, half, breeze_at(30.0, 0.0, 0.0, Side.LEFT))
        < 0
        < wind_nm(BUILD, half, breeze_at(30.0, 180.0, 0.0, Side.RIGHT))
    )
    assert wind_nm(BUILD, half, breeze_at(30.0, 90.0, 0.0, Side.LEFT)) == pytest.approx(0.0, abs=1e-6)


def test_a_leaf_out_of_the_wind_feels_none() -> None:
    hatch = replace(BUILD, in_the_wind=False)
    breeze = breeze_at(60.0, 0.0, 0.0, Side.LEFT)
    assert lived(2.0, 80.0, build=hatch, breeze=breeze) == lived(2.0, 80.0, build=hatch)
