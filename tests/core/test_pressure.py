"""Where the cabin's pressure goes: falling, rising, steady, or not to be told; and when it passes its limit."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from random import Random

import pytest

from monitor.core.pressure import FORECAST_S_MAX, PressureAnswer, Trend, assess_pressure
from monitor.core.times import SECOND

LIMIT = 2.5
Readings = list[tuple[int, float]]


def venting(start_hpa: float, root_per_s: float) -> Callable[[float], float]:
    """√Δp falls linearly (facts: venting to still air) and stays at zero."""
    return lambda t: max(0.0, math.sqrt(start_hpa) - root_per_s * t) ** 2


def read(
    course: Callable[[float], float], seconds: float, *, every: float = 1.0, noise: float = 0.0, seed: int = 0
) -> Readings:
    chance = Random(seed)
    count = round(seconds / every)
    return [(round(n * every * SECOND), course(n * every) + chance.uniform(-noise, noise)) for n in range(count + 1)]


def ask(readings: Sequence[tuple[int, float]], *, later_s: float = 0.0, known: bool = True) -> PressureAnswer:
    at, hpa = readings[-1]
    return assess_pressure(readings, at + round(later_s * SECOND), limit_hpa=LIMIT, known_hpa=hpa if known else None)


def due(start_hpa: float, root_per_s: float, after_s: float) -> float:
    return (math.sqrt(start_hpa) - math.sqrt(LIMIT)) / root_per_s - after_s


def test_a_clean_fall_is_told_to_the_second() -> None:
    answer = ask(read(venting(6.0, 0.02), 20))
    assert answer.trend is Trend.FALLING
    assert answer.below_limit is False
    assert answer.below_limit_in_s == pytest.approx(due(6.0, 0.02, 20), abs=0.2)
    assert (
        answer.sentence == "Cabin pressure 4.2 hPa above outside's: will be below 2.5 hPa in about 23 s (22 to 25 s)."
    )


@pytest.mark.parametrize("every", [0.25, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("seconds", [10, 20, 30])
def test_its_band_holds_the_truth_through_a_noise_of_a_tenth(every: float, seconds: int) -> None:
    """95 % is what the band promises; 90 % of sixty runs is what is asked of it."""
    truth, told, held = due(6.0, 0.02, seconds // every * every), 0, 0
    for seed in range(60):
        answer = ask(read(venting(6.0, 0.02), seconds // every * every, every=every, noise=0.1, seed=seed))
        if answer.low_s is not None and answer.high_s is not None:
            told += 1
            held += answer.low_s <= truth <= answer.high_s
    assert held >= 0.9 * told
    assert told == 60 or (every, seconds) == (5.0, 10)


def test_the_band_narrows_with_more_readings_and_less_noise() -> None:
    def width(seconds: float, noise: float) -> float:
        answer = ask(read(venting(9.0, 0.02), seconds, noise=noise, seed=4))
        assert answer.low_s is not None
        assert answer.high_s is not None
        return answer.high_s - answer.low_s

    assert width(30, 0.1) < width(10, 0.1)
    assert width(20, 0.0) < width(20, 0.15)


@pytest.mark.parametrize("every", [0.25, 1.0, 5.0])
@pytest.mark.parametrize("level", [0.0, 1.0, 5.0, 50.0, -5.0])
def test_noise_alone_is_neither_a_rise_nor_a_fall(level: float, every: float) -> None:
    for seed in range(60):
        answer = ask(read(lambda t: level, 60, every=every, noise=0.1, seed=seed))
        assert answer.trend is Trend.STEADY, seed
        assert answer.below_limit_in_s is None


def test_steady_above_the_limit_is_said_plainly() -> None:
    answer = ask(read(lambda t: 5.0, 30))
    assert answer.sentence == "Cabin pressure 5.0 hPa above outside's: is not falling."


@pytest.mark.parametrize("slope", [0.02, 0.1, 0.5, 3.0])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_a_rise_is_told_within_a_minute_at_any_rate(slope: float, noise: float) -> None:
    for seed in range(20):
        answer = ask(read(lambda t: 1.5 + slope * t, 59, noise=noise, seed=seed))
        assert answer.trend is Trend.RISING
        assert answer.sentence.endswith("is rising.")
        assert answer.below_limit_in_s is None


@pytest.mark.parametrize("before", [lambda t: 5.0, venting(12.0, 0.03)], ids=["steady", "falling"])
def test_a_rise_is_told_soon_after_it_began(before: Callable[[float], float]) -> None:
    """An air cart that starts: 0.1 hPa each second, told within 6 s, and no forecast from before it any more."""
    for seed in range(20):
        readings = read(lambda t: before(t) if t < 30 else before(30) + 0.1 * (t - 30), 36, noise=0.1, seed=seed)
        answer = ask(readings)
        assert answer.trend is Trend.RISING
        assert ask(readings[:-2]).below_limit_in_s is None


def test_a_jump_up_is_a_rise_though_no_line_fits_it() -> None:
    """As `pressure-rising` has it: 0.5 hPa above the lowest of the last 10 s."""
    readings = read(lambda t: 5.0, 30)
    answer = ask([*readings, (31 * SECOND, 5.6)])
    assert answer.trend is Trend.RISING


def test_a_fall_that_began_lately_is_told_from_then_on() -> None:
    answer = ask(read(lambda t: 9.0 if t < 20 else venting(9.0, 0.05)(t - 20), 30, noise=0.1, seed=2))
    assert answer.trend is Trend.FALLING
    assert answer.below_limit_in_s == pytest.approx(due(9.0, 0.05, 10), abs=3)


@pytest.mark.parametrize(
    "readings",
    [
        pytest.param([], id="none"),
        pytest.param([(0, 6.0)], id="one"),
        pytest.param([(n * SECOND, 6.0 - n * 0.5) for n in range(3)], id="three"),
        pytest.param([(round(n * 0.1 * SECOND), 6.0 - n * 0.05) for n in range(20)], id="twenty within 2 s"),
        pytest.param([(0, 9.0 - n * 0.5) for n in range(8)], id="a backlog, all at one instant"),
    ],
)
def test_too_little_gives_no_forecast(readings: Readings) -> None:
    at = readings[-1][0] if readings else 0
    known = readings[-1][1] if readings else 6.0
    answer = assess_pressure(readings, at, limit_hpa=LIMIT, known_hpa=known)
    assert answer.trend is Trend.CANNOT_TELL
    assert (answer.below_limit_in_s, answer.low_s, answer.high_s) == (None, None, None)
    assert "cannot tell when it will be below 2.5 hPa" in answer.sentence


def test_a_reading_that_is_not_known_gives_no_answer_at_all() -> None:
    answer = ask(read(venting(6.0, 0.02), 20), known=False)
    assert (answer.trend, answer.now_hpa, answer.below_limit) == (Trend.CANNOT_TELL, None, None)
    assert answer.sentence == "Cabin pressure: cannot tell: no fresh, good reading."


def test_old_readings_give_no_trend() -> None:
    readings = read(venting(6.0, 0.02), 20)
    assert ask(readings, later_s=29).trend is Trend.FALLING
    assert ask(readings, later_s=30).trend is Trend.CANNOT_TELL


def test_time_that_passed_since_the_last_reading_is_counted() -> None:
    readings = read(venting(9.0, 0.03), 20)
    at_once, later = ask(readings), ask(readings, later_s=8)
    assert at_once.below_limit_in_s is not None
    assert later.below_limit_in_s == pytest.approx(at_once.below_limit_in_s - 8, abs=0.01)


def test_what_is_older_than_a_minute_does_not_count() -> None:
    readings = [(0, 1.0), *((at + 120 * SECOND, hpa) for at, hpa in read(lambda t: 5.0, 20))]
    assert ask(readings).trend is Trend.STEADY


@pytest.mark.parametrize("hpa", [0.0, 1.0, 2.5, -2.5])
def test_at_the_limit_it_is_below_already(hpa: float) -> None:
    answer = ask(read(lambda t: hpa, 20))
    assert answer.below_limit is True
    assert answer.below_limit_in_s is None
    assert "is below 2.5 hPa" in answer.sentence


def test_a_cabin_below_outsides_pressure_is_told_by_its_magnitude() -> None:
    readings = [(at, -hpa) for at, hpa in read(venting(6.0, 0.02), 20, noise=0.1, seed=3)]
    answer = ask(readings)
    assert answer.trend is Trend.FALLING
    assert answer.below_limit is False
    assert answer.below_limit_in_s == pytest.approx(due(6.0, 0.02, 20), abs=3)
    assert "below outside's" in answer.sentence
    growing = ask(read(lambda t: -1.0 - 0.1 * t, 30))
    assert growing.trend is Trend.RISING
    assert growing.sentence == "Cabin pressure 4.0 hPa below outside's: the difference is rising."


def test_a_change_of_sign_starts_anew() -> None:
    """From 6 hPa below outside's through nothing to above it: what matters is that it grows now."""
    answer = ask(read(lambda t: -6.0 + 0.25 * t, 44))
    assert answer.trend is Trend.RISING


def test_a_fall_too_slow_to_carry_on_is_no_forecast() -> None:
    answer = ask(read(venting(9.0, 0.0015), 59))
    assert due(9.0, 0.0015, 59) > FORECAST_S_MAX
    assert answer.trend is Trend.FALLING
    assert answer.below_limit_in_s is None
    assert "too slowly to tell" in answer.sentence


def test_readings_that_go_up_and_down_are_too_uneven() -> None:
    answer = ask(read(lambda t: 6.0 + (1.0 if int(t) % 2 else -1.0), 31))
    assert answer.below_limit_in_s is None
    assert answer.trend is not Trend.FALLING


def test_two_thousand_readings_of_a_fast_sensor_are_one_line_too() -> None:
    answer = ask(read(venting(30.0, 0.05), 59, every=0.03, noise=0.1, seed=1))
    assert answer.below_limit_in_s == pytest.approx(due(30.0, 0.05, 59), abs=2)
