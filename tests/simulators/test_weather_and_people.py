"""Wind, engines and people as they change with time.

What their processes must be is in the books: a first-order Gauss-Markov process has variance
sigma² and autocorrelation exp(-t/tau); the turbulence's length scale is the Dryden model's near
the ground (MIL-F-8785C, from memory); a first-order lag is exponential.
"""

from __future__ import annotations

import itertools
import math
import random
from statistics import fmean, pvariance

import pytest
from scipy.integrate import solve_ivp

from monitor.core.signals import STAND_SIGNALS
from simulators.models import engines, people, weather


@pytest.mark.parametrize("seed", range(5))
def test_usual_weather_stays_well_below_every_limit_and_in_range(seed: int) -> None:
    climate, rng = weather.Climate(), random.Random(seed)
    state = weather.first_wind(climate)
    winds = []
    for _ in range(3600):
        state = weather.step(climate, state, 1.0, rng)
        shown = weather.wind_readings(state)
        assert all(STAND_SIGNALS[signal].check(value) == value for signal, value in shown.items())
        assert float(shown["gust_kt"]) >= float(shown["wind_kt"])
        winds.append(float(shown["gust_kt"]))
    # The lowest shipped limit is 30 kt, and 5 kt below it people are already told.
    assert max(winds) < 25.0
    assert max(winds) - min(winds) > 2.0


def test_the_same_seed_gives_the_same_weather() -> None:
    def gusts(seed: int) -> list[float]:
        climate, rng = weather.Climate(), random.Random(seed)
        state, seen = weather.first_wind(climate), []
        for _ in range(100):
            state = weather.step(climate, state, 1.0, rng)
            seen.append(state.gust_kt)
        return seen

    assert gusts(4) == gusts(4)
    assert gusts(4) != gusts(5)


def test_a_squall_comes_up_and_goes_down_again() -> None:
    climate, rng = weather.Climate(), random.Random(1)
    state = weather.ordered(weather.first_wind(climate), 40.0)
    for _ in range(20):
        state = weather.step(climate, state, 1.0, rng)
    assert float(weather.wind_readings(state)["gust_kt"]) > 45.0
    state = weather.ordered(state, 0.0)
    for _ in range(20):
        state = weather.step(climate, state, 1.0, rng)
    assert float(weather.wind_readings(state)["gust_kt"]) < 25.0


@pytest.mark.parametrize(("step_s", "tau_s"), [(1.0, 60.0), (4.0, 60.0), (1.0, 9.4), (20.0, 9.4)])
def test_gauss_markov_has_its_variance_and_forgets_exponentially(step_s: float, tau_s: float) -> None:
    """Whatever the step: mean 0, variance sigma², autocorrelation exp(-t/tau) at any lag."""
    rng, value, seen = random.Random(1), 0.0, []
    for _ in range(40_000):
        value = weather.gauss_markov(value, 2.0, tau_s, step_s, rng)
        seen.append(value)
    independent = len(seen) * min(1.0, step_s / (2 * tau_s))
    assert fmean(seen) == pytest.approx(0.0, abs=4 * 2.0 / math.sqrt(independent))
    assert pvariance(seen) == pytest.approx(4.0, rel=6 / math.sqrt(independent))
    for lag in (1, 3, 10):
        product = fmean(a * b for a, b in zip(seen, seen[lag:], strict=False))
        expected = math.exp(-lag * step_s / tau_s)
        assert product / pvariance(seen) == pytest.approx(expected, abs=5 / math.sqrt(independent))


def test_eddies_last_as_long_as_the_length_scale_takes_to_pass() -> None:
    """Dryden near the ground at 20 ft: L = 20 / (0.177 + 0.000823 * 20)^1.2 = 143 ft; 9 kt are 4.63 m/s."""
    assert pytest.approx(143.5 * 0.3048, rel=0.003) == weather.LENGTH_M
    assert weather.eddies_last_s(9.0) == pytest.approx(weather.LENGTH_M / 4.63, rel=1e-3)
    assert weather.eddies_last_s(0.0) == weather.LENGTH_M
    assert weather.eddies_last_s(40.0) < weather.eddies_last_s(10.0)


def test_what_blows_now_is_between_calm_and_the_gust_that_is_told() -> None:
    climate, rng = weather.Climate(), random.Random(2)
    state, instants = weather.first_wind(climate), []
    for _ in range(2000):
        state = weather.step(climate, state, 1.0, rng)
        instants.append(weather.blowing(state).kt)
        assert 0.0 <= instants[-1] <= state.gust_kt + 1e-9
    assert fmean(instants) == pytest.approx(climate.mean_kt, abs=1.0)
    assert max(instants) - min(instants) > 5.0


def spun(state: engines.EngineState, seconds: float, step_s: float = 0.1) -> engines.EngineState:
    for _ in range(round(seconds / step_s)):
        state = engines.step(state, step_s)
    return state


@pytest.mark.parametrize("seconds", [2.0, 5.0, 7.0, 15.0])
def test_an_engine_spools_up_as_its_two_lags_do(seconds: float) -> None:
    """Cranked towards 0.3 of idle in 5 s, from 0.2 on lit and towards 1.1 in 6 s; integrated by others."""
    lit = solve_ivp(
        lambda _, w: [(0.3 - w[0]) / 5.0 if w[0] < 0.2 else (1.1 - w[0]) / 6.0], (0.0, seconds), [0.0], max_step=0.005
    )
    state = spun(engines.EngineState(wanted=True), seconds)
    assert state.speed == pytest.approx(float(lit.y[0][-1]), abs=2e-3)


def test_an_engine_runs_down_exponentially_and_comes_to_rest() -> None:
    """Closed form: 1.1 exp(-t/5.2) - 0.1, so it stands after 5.2 ln 11 s."""
    for seconds in (1.0, 5.0, 12.0):
        state = spun(engines.EngineState(speed=1.0), seconds)
        assert state.speed == pytest.approx(1.1 * math.exp(-seconds / 5.2) - 0.1, abs=1e-9)
    assert spun(engines.EngineState(speed=1.0), 5.2 * math.log(11.0) + 0.2).speed == 0.0


@pytest.mark.parametrize("wanted", [True, False])
def test_an_engine_does_not_mind_the_pace(wanted: bool) -> None:
    begin = engines.EngineState(speed=0.1, wanted=wanted)
    speeds = {step_s: spun(begin, 6.0, step_s).speed for step_s in (0.1, 0.25, 1.0, 6.0)}
    assert all(speed == pytest.approx(speeds[0.1], abs=1e-9) for speed in speeds.values())
    assert spun(begin, 30.0, 30.0).speed == float(wanted)


def test_an_engine_s_speed_never_jumps() -> None:
    state, speeds = engines.EngineState(wanted=True), [0.0]
    for tick in range(600):
        if tick == 300:
            state = engines.EngineState(speed=state.speed, wanted=False)
        state = engines.step(state, 0.1)
        speeds.append(state.speed)
    assert speeds[300] == 1.0
    assert speeds[-1] == 0.0
    assert max(abs(now - before) for before, now in itertools.pairwise(speeds)) < 0.03


def test_an_engine_counts_as_running_soon_after_its_start_and_long_after_its_stop() -> None:
    state = engines.EngineState(wanted=True)
    for _ in range(40):
        state = engines.step(state, 0.1)
    assert state.running
    assert state.speed < 0.5
    state = engines.EngineState(speed=1.0, wanted=False)
    for _ in range(50):
        state = engines.step(state, 0.1)
    assert state.running
    for _ in range(50):
        state = engines.step(state, 0.1)
    assert not state.running


def test_nobody_moves_without_a_doorway_and_two_are_quicker_than_one() -> None:
    state = people.PeopleState(aboard=100.0, wanted=0)
    assert people.step(state, 60.0, doorways=0) == state
    one, two = (people.step(state, 60.0, doorways=doorways).count for doorways in (1, 2))
    assert two < one < 100
    assert people.walk_seconds(100, 2, boarding=False) == pytest.approx(people.walk_seconds(100, 1, boarding=False) / 2)


def test_a_slide_is_quicker_than_stairs_and_brings_nobody_aboard() -> None:
    state = people.PeopleState(aboard=100.0, wanted=0)
    left = people.step(state, 60.0, doorways=0, slides=1).count
    assert left == 40
    assert people.step(state, 60.0, doorways=1, slides=1).count == left - 28
    coming = people.PeopleState(aboard=0.0, wanted=90)
    assert people.step(coming, 60.0, doorways=0, slides=2) == coming


def test_walking_takes_as_long_as_was_planned() -> None:
    state, seconds = people.PeopleState(aboard=0.0, wanted=90), 0.0
    while state.count < 90:
        state, seconds = people.step(state, 0.5, doorways=1), seconds + 0.5
        assert seconds < 3600
    assert seconds == pytest.approx(people.walk_seconds(90, 1, boarding=True), abs=1.0)
