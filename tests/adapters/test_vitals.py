"""Rates, durations and counts over a rolling ten minutes, in memory that does not grow."""

from __future__ import annotations

import random
import sys
import threading
from typing import Any

import pytest

from monitor.adapters.vitals import SENDERS_MAX, STEPS_AN_OCTAVE, Durations, RollingCount, Vitals
from monitor.core.effects import CountDropped, Effect, PublishEvent, RejectInput
from monitor.core.events import MonitorStarted, ReadingsArrived, StandReadingArrived
from monitor.core.signals import Quality
from monitor.core.times import HOUR, MINUTE, SECOND
from monitor.ports import Step
from tests.stories import START

RAISED = PublishEvent("ZZ-KAT", "L1", "wind-limit", "raised", "e1", START, {})
REJECTED = RejectInput("not-json", "apron/v1/x", "no JSON")
WIND = StandReadingArrived("S12", "topic", START, 1, False, False, "wind_kt", 9.0, Quality.GOOD)


def heard(reg: str) -> ReadingsArrived:
    return ReadingsArrived(reg, "topic", True, START, 1, False, False, ())


def step(at: int, event: Any, *effects: Effect, seconds: float = 0.001) -> Step:
    return Step(at, event, effects, 10.0, 10.0 + seconds)


def test_a_rate_counts_what_is_within_its_span() -> None:
    count = RollingCount(SECOND, 601, START)
    for second in range(600):
        for _ in range(2 if second >= 540 else 1):
            count.count(START + second * SECOND)
    now = START + 600 * SECOND
    assert count.rate(now, MINUTE) == pytest.approx(2.0)
    assert count.rate(now, 10 * MINUTE) == pytest.approx((540 + 120) / 600)
    assert count.rate(now + MINUTE, MINUTE) == 0.0
    assert count.rate(now + 10 * MINUTE, 10 * MINUTE) == 0.0


def test_a_rate_before_its_span_is_full_is_of_the_time_that_there_was() -> None:
    count = RollingCount(SECOND, 601, START)
    for second in range(10):
        for _ in range(3):
            count.count(START + second * SECOND)
    assert count.rate(START + 10 * SECOND, 10 * MINUTE) == pytest.approx(3.0)


def test_a_gap_longer_than_everything_kept_leaves_nothing() -> None:
    count = RollingCount(SECOND, 601, START)
    for _ in range(100):
        count.count(START)
    count.count(START + HOUR)
    assert count.rate(START + HOUR, 10 * MINUTE) == pytest.approx(1 / 600)


@pytest.mark.parametrize("seed", range(20))
def test_a_percentile_is_at_most_a_sixteenth_too_long_and_never_too_short(seed: int) -> None:
    chance = random.Random(seed)
    durations = Durations()
    told = sorted(10 ** chance.uniform(-6, 1) for _ in range(chance.randrange(1, 500)))
    for seconds in told:
        durations.add(START, seconds)
    answer = durations.describe(START)
    assert answer["count"] == len(told)
    assert answer["max"] == pytest.approx(told[-1] * 1000, abs=1e-4)
    for word, percent in (("p50", 50), ("p95", 95), ("p99", 99)):
        true = told[-(-len(told) * percent // 100) - 1] * 1000
        assert true - 1e-4 <= answer[word] <= true * (1 + 1 / STEPS_AN_OCTAVE) + 1e-4, word


def test_durations_too_short_or_too_long_to_tell_are_counted() -> None:
    durations = Durations()
    for seconds in (0.0, -1e-9, 1e-12, 1000.0):
        durations.add(START, seconds)
    answer = durations.describe(START)
    assert (answer["count"], answer["max"]) == (4, 1_000_000.0)
    assert 0 < answer["p50"] < 0.001


def test_durations_older_than_ten_minutes_are_forgotten() -> None:
    durations = Durations()
    durations.add(START, 5.0)
    durations.add(START + 5 * MINUTE, 0.001)
    assert durations.describe(START + 10 * MINUTE)["max"] == 5000.0
    assert durations.describe(START + 11 * MINUTE)["max"] == 1.0
    empty = durations.describe(START + HOUR)
    assert empty == {"p50": None, "p95": None, "p99": None, "max": None, "count": 0}


def test_steps_are_counted_by_what_they_were_and_led_to() -> None:
    vitals = Vitals(START)
    for at, event, effects in (
        (1, heard("ZZ-KAT"), [RAISED, RAISED]),
        (2, WIND, [CountDropped("older")]),
        (3, REJECTED, [REJECTED]),
        (4, heard("ZZ-KAT"), [REJECTED, CountDropped("older"), CountDropped("repeat")]),
        (5, MonitorStarted(), []),
        (6, None, [RAISED]),
    ):
        vitals.observe(step(START + at * SECOND, event, *effects, seconds=at / 1000))
    answer = vitals.describe(START + 10 * SECOND)
    assert answer["rates"] == {
        "messages_per_s": {"1m": 0.4, "10m": 0.4},
        "events_per_s": {"1m": 0.3, "10m": 0.3},
    }
    assert answer["rejected"] == {"not-json": 2}
    assert answer["dropped"] == {"older": 2, "repeat": 1}
    assert answer["latency_ms"]["step"]["count"] == 6
    assert answer["latency_ms"]["step"]["max"] == 6.0
    assert answer["latency_ms"]["commit"]["count"] == 0
    later = vitals.describe(START + HOUR)
    assert later["rates"]["messages_per_s"] == {"1m": 0.0, "10m": 0.0}
    assert later["rejected"] == {"not-json": 2}


def test_commits_come_from_the_journals_thread() -> None:
    vitals = Vitals(START)
    threads = [threading.Thread(target=vitals.note_commit, args=(0.004,)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    vitals.observe(step(START, MonitorStarted()))
    vitals.note_commit(0.032)
    commit = vitals.describe(START)["latency_ms"]["commit"]
    assert (commit["count"], commit["max"]) == (5, 32.0)
    assert 4.0 <= commit["p50"] <= 4.25


def test_each_sender_has_its_own_rate_over_the_last_minute() -> None:
    vitals = Vitals(START)
    for second in range(120):
        now = START + second * SECOND
        vitals.observe(step(now, heard("ZZ-KAT")))
        if second < 30:
            vitals.observe(step(now, heard("ZZ-OLM")))
    now = START + 120 * SECOND
    assert vitals.rate_of("ZZ-KAT", now) == pytest.approx(1.0)
    assert vitals.rate_of("ZZ-OLM", now) == 0.0
    assert vitals.rate_of("ZZ-TEV", now) is None
    vitals.keep_only(["ZZ-OLM"])
    assert vitals.rate_of("ZZ-KAT", now) is None
    assert vitals.rate_of("ZZ-OLM", now) == 0.0


def test_invented_senders_do_not_fill_the_memory() -> None:
    vitals = Vitals(START)
    for number in range(2 * SENDERS_MAX + 10):
        vitals.observe(step(START, heard(f"Z{number}")))
    assert len(vitals._senders) <= SENDERS_MAX
    vitals.observe(step(START, heard("ZZ-KAT")))
    assert vitals.rate_of("ZZ-KAT", START + SECOND) == 1.0


def test_a_day_of_steps_takes_no_more_memory_than_ten_minutes() -> None:
    vitals = Vitals(START)

    def size() -> int:
        parts = [
            *(minute.counts for minute in vitals._steps._minutes),
            vitals._messages._counts,
            *(s._counts for s in vitals._senders.values()),
        ]
        return sum(sys.getsizeof(part) for part in parts)

    for minute in range(11):
        vitals.observe(step(START + minute * MINUTE, heard("ZZ-KAT"), RAISED))
    before = size()
    for minute in range(24 * 60):
        vitals.observe(step(START + minute * MINUTE, heard("ZZ-KAT"), RAISED))
    assert size() == before < 100_000
