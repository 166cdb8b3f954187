"""Arming, release and inflation of a slide."""

from __future__ import annotations

import random

import pytest

from monitor.core.airframe import DoorKind, DoorType, Side
from simulators.models import slide

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
