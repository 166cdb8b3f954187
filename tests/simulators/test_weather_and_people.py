"""Wind, engines and people as they change with time."""

from __future__ import annotations

import random

import pytest

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


def test_walking_takes_as_long_as_was_planned() -> None:
    state, seconds = people.PeopleState(aboard=0.0, wanted=90), 0.0
    while state.count < 90:
        state, seconds = people.step(state, 0.5, doorways=1), seconds + 0.5
        assert seconds < 3600
    assert seconds == pytest.approx(people.walk_seconds(90, 1, boarding=True), abs=1.0)
