"""Arming, release and inflation of a slide; the bottle against its closed form and ``solve_ivp``.

Blow-down of a vessel through a choked orifice, adiabatic and isothermal: any textbook of gas
dynamics; a gas that is ideal.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from monitor.core.airframe import DoorKind, DoorType, Side
from simulators.models import bottle, slide

TICK_US = 100_000


def a_door(kind: DoorKind = DoorKind.CABIN) -> DoorType:
    return DoorType(
        name="L1", kind=kind, side=Side.LEFT, station=1, half="fore", sill_m=3.4, leaf_area_m2=1.9,
        signals=frozenset({"closed"}), slide=True, exit_type="C", slide_bottle_bar_min=170, assist_bottle_bar_min=90,
    )  # fmt: skip


def live(
    build: slide.SlideBuild, state: slide.SlideState, seconds: float, *, leaf_out: bool = False, begin: int = 0
) -> list[tuple[float, slide.SlideState]]:
    history = []
    for tick in range(1, round(seconds * 10) + 1):
        now = begin + tick * TICK_US
        state = slide.step(build, state, now, 0.1, leaf_out=leaf_out)
        history.append((now / 1e6, state))
    return history


def first(history: list[tuple[float, slide.SlideState]], build: slide.SlideBuild, signal: str, value: bool) -> float:
    return next(
        at for at, state in history if slide.slide_readings(build, state, temperature_sent=False)[signal] is value
    )


@pytest.mark.parametrize("seed", range(20))
def test_a_slide_stands_within_six_seconds_of_the_start_of_deployment(seed: int) -> None:
    """14 CFR 25.810(a)(1)(ii): erected within 6 s of the start of deployment."""
    build = slide.build_for(a_door(), random.Random(seed))
    history = live(build, slide.first_state(build, armed=True), 12.0, leaf_out=True)
    released, erect = first(history, build, "slide_released", True), first(history, build, "slide_erect", True)
    assert 0.0 < released < 2.0
    assert 3.0 <= erect - released < 6.0


def test_a_slow_slide_does_not_stand_within_six_seconds() -> None:
    build = slide.build_for(a_door(), random.Random(1))
    state = slide.SlideState(lever=1.0, lever_to=1.0, pin=False, pin_to=False, slow=True)
    history = live(build, state, 20.0, leaf_out=True)
    assert first(history, build, "slide_erect", True) - first(history, build, "slide_released", True) > 6.0


def test_arming_takes_the_pin_out_first_and_engages_everything_within_two_seconds() -> None:
    build = slide.build_for(a_door(), random.Random(1))
    history = live(build, slide.arm(slide.first_state(build)), 5.0)
    pin, lever = first(history, build, "pin_fitted", False), first(history, build, "lever_armed", True)
    left, right = first(history, build, "girt_left", True), first(history, build, "girt_right", True)
    assert pin < lever < left < right < lever + 2.0


def test_disarming_fits_the_pin_last() -> None:
    build = slide.build_for(a_door(), random.Random(1))
    history = live(build, slide.disarm(slide.first_state(build, armed=True)), 5.0)
    right, left = first(history, build, "girt_right", False), first(history, build, "girt_left", False)
    lever, pin = first(history, build, "lever_armed", False), first(history, build, "pin_fitted", True)
    assert right < left < lever < right + 2.0
    assert lever < pin


def test_a_disarmed_slide_stays_in_when_the_door_opens() -> None:
    build = slide.build_for(a_door(), random.Random(1))
    assert live(build, slide.first_state(build), 10.0, leaf_out=True)[-1][1].released_at is None


def test_a_hatch_over_the_wing_is_always_armed() -> None:
    build = slide.build_for(a_door(DoorKind.OVERWING), random.Random(1))
    history = live(build, slide.first_state(build), 6.0, leaf_out=True)
    assert history[-1][1].erect


def test_a_blocked_slide_waits_for_its_own_handle() -> None:
    build = slide.build_for(a_door(), random.Random(1))
    state = slide.SlideState(lever=1.0, lever_to=1.0, pin=False, pin_to=False, stuck=True)
    blocked = live(build, state, 5.0, leaf_out=True)[-1][1]
    assert blocked.released_at is None
    pulled = slide.SlideState(lever=1.0, lever_to=1.0, pin=False, pin_to=False, stuck=True, inflation_handle=True)
    assert live(build, pulled, 6.0, leaf_out=True)[-1][1].erect


def test_the_bottle_empties_and_a_new_slide_is_full() -> None:
    door = a_door()
    build = slide.build_for(door, random.Random(1))
    spent = live(build, slide.first_state(build, armed=True), 8.0, leaf_out=True)[-1][1]
    spent_bar = slide.slide_readings(build, spent, temperature_sent=False)["slide_bottle_bar"]
    assert float(spent_bar) < 20.0
    fresh = slide.replaced(build, spent)
    shown = slide.slide_readings(build, fresh, temperature_sent=False)
    assert float(shown["slide_bottle_bar"]) >= 170.0
    assert shown["pin_fitted"] is True
    assert shown["lever_armed"] is False


def test_a_gauge_follows_the_absolute_temperature() -> None:
    """An ideal gas at constant volume: pressure in proportion to kelvin."""
    assert slide.bottle_bar(200.0, 1.0, 20.0) == pytest.approx(200.0)
    assert slide.bottle_bar(200.0, 1.0, -10.0) == pytest.approx(200.0 * 263.15 / 293.15, abs=0.1)


def test_a_leaking_bottle_is_a_fifth_down_and_the_other_is_not() -> None:
    state = slide.leaking(slide.SlideState(), slide=True)
    assert (state.bottle_share, state.assist_share) == (0.8, 1.0)
    assert slide.leaking(state, assist=True).assist_share == 0.8


# The bottle

R, GAMMA, P_OUT = 287.05287, 1.4, 101325.0
VOLUME_M3, CDA_M2, FULL_PA, KELVIN = 0.012, 4.4e-6, 20.0e6, 293.15


def blown_down(seconds: float) -> tuple[float, float]:
    """Mass and pressure left (shares): dm/dt = -flow, adiabatic gas in the bottle, choked or not; by ``solve_ivp``."""

    def flow(p_in: float, t_in: float) -> float:
        ratio = max(P_OUT / p_in, (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1)))
        inner = ratio ** (2 / GAMMA) - ratio ** ((GAMMA + 1) / GAMMA)
        return CDA_M2 * p_in * math.sqrt(2 * GAMMA / (GAMMA - 1) / (R * t_in) * inner)

    full_kg = FULL_PA * VOLUME_M3 / (R * KELVIN)

    def slope(_: float, kg: list[float]) -> list[float]:
        share = kg[0] / full_kg
        return [-flow(FULL_PA * share**GAMMA, KELVIN * share ** (GAMMA - 1))]

    solved = solve_ivp(slope, (0.0, seconds), [full_kg], rtol=1e-9, atol=1e-12)
    share = float(solved.y[0][-1]) / full_kg
    return share, share**GAMMA


@pytest.mark.parametrize("seconds", [0.5, 2.0, 6.0, 12.0])
def test_a_bottle_blows_down_as_integrated(seconds: float) -> None:
    tau = bottle.time_constant_s(VOLUME_M3, CDA_M2, KELVIN)
    gas, pressure = blown_down(seconds)
    assert bottle.gas_left(seconds, tau) == pytest.approx(gas, rel=1e-5)
    assert bottle.pressure_left(seconds, tau) == pytest.approx(pressure, rel=1e-5)


def test_a_bottle_first_empties_as_a_warm_one_would() -> None:
    """Isothermal and choked, m = m0 exp(-t/tau): what the adiabatic form begins with, before the gas is cold."""
    tau = bottle.time_constant_s(VOLUME_M3, CDA_M2, KELVIN)
    assert bottle.gas_left(0.01 * tau, tau) == pytest.approx(math.exp(-0.01), rel=1e-4)
    assert bottle.gas_left(3 * tau, tau) > math.exp(-3.0)
    assert tau == pytest.approx(VOLUME_M3 / (CDA_M2 * math.sqrt(GAMMA * R * KELVIN) * (5 / 6) ** 3), rel=1e-9)


def test_when_so_much_is_left_is_the_inverse() -> None:
    for share in (0.9, 1 / 3, 0.05):
        assert bottle.gas_left(bottle.seconds_until(share, 2.5), 2.5) == pytest.approx(share)


def erect_after(charge: float, *, temperature_c: float = 20.0, slow: bool = False) -> float | None:
    build = replace(slide.build_for(a_door(), random.Random(1)), inflation_s=3.5, temperature_c=temperature_c)
    state = slide.charged(replace(slide.first_state(build, armed=True), slow=slow), bottle_share=charge)
    history = live(build, state, 60.0, leaf_out=True)
    released = first(history, build, "slide_released", True)
    erect = [at for at, shown in history if shown.erect]
    expected = slide.stands_after(build, state)
    assert (expected is None) == (not erect)
    assert slide.settled(history[-1][1])
    if expected is None:
        return None
    assert erect[0] - released == pytest.approx(expected, abs=0.11)
    return expected


def test_a_full_bottle_at_twenty_degrees_takes_the_slide_s_own_time() -> None:
    assert erect_after(1.0) == pytest.approx(3.5)
    assert erect_after(1.0, slow=True) == pytest.approx(10.5)


def test_the_less_gas_the_later_it_stands_and_with_too_little_it_never_does() -> None:
    times = [erect_after(charge) for charge in (1.0, 0.9, 0.8, 0.72)]
    known = [seconds for seconds in times if seconds is not None]
    assert known == sorted(known)
    assert len(known) == 4
    assert known[0] < 4.0 < 6.0 < known[3]
    assert erect_after(0.6) is None
    assert erect_after(0.0) is None


def test_a_cold_bottle_is_slower() -> None:
    """Colder gas is as much, and slower: the speed of sound goes with the root of the temperature; and it fills less."""
    cold, usual, warm = (erect_after(1.0, temperature_c=degrees) for degrees in (-25.0, 20.0, 45.0))
    assert cold is not None
    assert usual is not None
    assert warm is not None
    assert warm < usual < cold < 6.0
    needed = 293.15 / (1.5 * 248.15)
    tau = bottle.seconds_until(1 - 1 / 1.5, 1.0)
    assert cold == pytest.approx(
        3.5 / tau * math.sqrt(293.15 / 248.15) * bottle.seconds_until(1 - needed, 1.0), rel=1e-9
    )


def test_the_gauge_of_a_bottle_falls_with_its_charge_and_is_not_refilled_once_released() -> None:
    build = slide.build_for(a_door(), random.Random(1))
    state = slide.charged(slide.first_state(build, armed=True), bottle_share=0.5)
    shown = slide.slide_readings(build, state, temperature_sent=False)
    assert float(str(shown["slide_bottle_bar"])) == pytest.approx(build.bottle_bar / 2, abs=0.1)
    gone = live(build, state, 3.0, leaf_out=True)[-1][1]
    assert slide.charged(gone, bottle_share=1.0) == gone


def test_the_pace_of_stepping_changes_nothing() -> None:
    build = slide.build_for(a_door(), random.Random(1))
    released = replace(slide.first_state(build, armed=True), released_at=0)
    shares = []
    for tick_s in (0.05, 0.1, 0.5):
        state = released
        for n in range(1, round(4.0 / tick_s) + 1):
            state = slide.step(build, state, round(n * tick_s * 1e6), tick_s, leaf_out=True)
        shares.append((state.bottle_share, state.assist_share, state.erect))
    assert shares[0] == pytest.approx(shares[1], rel=1e-12)
    assert shares[0] == pytest.approx(shares[2], rel=1e-12)
