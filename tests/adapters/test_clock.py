"""The system clock against wall clocks that are set, drift and go back."""

from __future__ import annotations

import time

import pytest

from monitor.adapters.clock import FOLLOWED_US, SystemClock
from monitor.core.times import HOUR, MILLISECOND, MINUTE, SECOND
from monitor.ports import Clock

T0 = 1_772_360_100_000_000
BOOT = 12_345_678


class Sources:
    """A machine's two clocks, moved by hand (µs)."""

    def __init__(self) -> None:
        self.steady_us = BOOT
        self.wall_us = T0

    def clock(self, *, not_before: int = 0) -> SystemClock:
        return SystemClock(
            not_before=not_before, steady=lambda: self.steady_us * 1000, wall=lambda: self.wall_us * 1000 + 123
        )

    def run(self, us: int) -> None:
        self.steady_us += us
        self.wall_us += us


@pytest.fixture
def sources() -> Sources:
    return Sources()


def run(sources: Sources, clock: SystemClock, span: int, *, step: int = 10 * MILLISECOND) -> list[int]:
    """Ask the clock every ``step`` for ``span`` µs; every answer must be whole and not less than the one before."""
    answers = [clock.now()]
    for _ in range(span // step):
        sources.run(step)
        answers.append(clock.now())
        assert answers[-1] % MILLISECOND == 0
        assert answers[-1] >= answers[-2]
    return answers


def test_it_is_a_clock_near_the_machines_own() -> None:
    clock: Clock = SystemClock()
    assert abs(clock.now() - time.time_ns() // 1000) < SECOND


def test_it_starts_at_the_wall_clocks_time_and_keeps_its_pace(sources: Sources) -> None:
    sources.wall_us += 999
    clock = sources.clock()
    assert clock.now() == T0
    sources.run(1)
    assert clock.now() == T0 + MILLISECOND
    answers = run(sources, clock, MINUTE)
    assert answers[-1] - answers[0] == MINUTE
    assert clock.wall_offset_us == 0


@pytest.mark.parametrize("minutes", [5, -5, 600, -600])
def test_a_wall_clock_set_by_minutes_moves_no_age(sources: Sources, minutes: int) -> None:
    clock = sources.clock()
    before = clock.now()
    sources.wall_us += minutes * MINUTE
    answers = run(sources, clock, 2 * MINUTE)
    assert answers[-1] - before == 2 * MINUTE
    assert clock.wall_offset_us == minutes * MINUTE
    assert not clock.following


@pytest.mark.parametrize("offset", [2 * SECOND, -2 * SECOND])
def test_a_small_difference_is_worked_off_slowly(sources: Sources, offset: int) -> None:
    clock = sources.clock()
    run(sources, clock, SECOND)
    sources.wall_us += offset
    answers = run(sources, clock, 10 * SECOND)
    gained = answers[-1] - answers[0] - 10 * SECOND
    assert abs(gained - (50 if offset > 0 else -50) * MILLISECOND) <= MILLISECOND  # 0.5 % of ten seconds
    assert abs(clock.wall_offset_us - (offset - gained)) <= 2 * MILLISECOND
    assert clock.following
    run(sources, clock, 400 * SECOND, step=100 * MILLISECOND)
    assert abs(clock.wall_offset_us) <= MILLISECOND
    assert abs(clock.now() - sources.wall_us) <= 2 * MILLISECOND


def test_a_wall_clock_that_is_set_right_again_is_followed_again(sources: Sources) -> None:
    clock = sources.clock()
    sources.wall_us += HOUR
    run(sources, clock, SECOND)
    assert not clock.following
    sources.wall_us -= HOUR
    run(sources, clock, SECOND)
    assert clock.following
    assert clock.now() == sources.wall_us // MILLISECOND * MILLISECOND


def test_one_look_after_a_long_silence_does_not_jump(sources: Sources) -> None:
    clock = sources.clock()
    before = clock.now()
    sources.run(HOUR)
    sources.wall_us += 20 * SECOND
    assert 0 <= clock.now() - before - HOUR <= 5 * MILLISECOND


def test_drift_is_followed_however_often_it_is_asked(sources: Sources) -> None:
    clock = sources.clock()
    for _ in range(100_000):
        sources.steady_us += 200
        sources.wall_us += 200
        sources.wall_us += sources.steady_us % 1000 == 0  # a fifth of a per mille fast, at most
        clock.now()
    assert abs(clock.wall_offset_us) <= 2 * MILLISECOND


def test_a_start_never_goes_behind_the_journal(sources: Sources) -> None:
    known = T0 + 10 * SECOND + 1
    clock = sources.clock(not_before=known)
    assert clock.now() >= known
    sources.run(SECOND)
    assert clock.now() >= known + SECOND - 6 * MILLISECOND  # already on its way back to the wall clock's time
    assert clock.wall_offset_us == -10 * SECOND - 1 + 5 * MILLISECOND
    run(sources, clock, 2100 * SECOND, step=100 * MILLISECOND)
    assert abs(clock.now() - sources.wall_us) <= 2 * MILLISECOND


def test_a_journal_of_the_past_holds_nothing_back(sources: Sources) -> None:
    assert sources.clock(not_before=T0 - HOUR).now() == T0


def test_the_bound_itself_is_followed(sources: Sources) -> None:
    clock = sources.clock()
    sources.wall_us += FOLLOWED_US
    run(sources, clock, SECOND)
    assert clock.wall_offset_us < FOLLOWED_US
