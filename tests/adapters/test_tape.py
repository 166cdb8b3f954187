"""The last half hour of what is drawn: gaps, peaks, and no more memory than said."""

from __future__ import annotations

import asyncio
import math
from typing import Any

import pytest

from monitor.adapters.gauges import EngineGauges
from monitor.adapters.tape import KEPT, SAMPLE_BYTES, Curve, Tape
from monitor.core.events import Item, ReadingsArrived, StandReadingArrived
from monitor.core.signals import Quality
from monitor.core.times import MILLISECOND, MINUTE, SECOND, format_time, parse_time
from monitor.ports import Message, Step
from tests.engine_bench import Bench, Hand, arrival, reading
from tests.stories import REG, STAND, START, demo_site

PRESSURE = "differential_pressure_hpa"


class Dials:
    """Gauges that a test sets."""

    def __init__(self) -> None:
        self.pressures: dict[str, float | None] = {}
        self.winds: dict[str, dict[str, float | None]] = {}

    def pressure(self, reg: str) -> float | None:
        return self.pressures.get(reg)

    def weather(self, stand: str) -> dict[str, float | None]:
        return self.winds.get(stand, {})

    def registrations(self) -> list[str]:
        return list(self.pressures)

    def stand_names(self) -> list[str]:
        return list(self.winds)


def sample(tape: Tape, now: int) -> None:
    """Sample everyone at once."""
    for _ in tape.sample(lambda: now):
        continue


def points(samples: list[dict[str, Any]]) -> list[tuple[float, float | None]]:
    """Samples as seconds of the story and values."""
    return [((parse_time(s["at"]) - START) / SECOND, s["value"]) for s in samples]


def test_one_sample_a_second_and_the_extremes_beside_it() -> None:
    curve = Curve()
    for at, value in ((0.0, 1.0), (0.2, 9.0), (0.4, -3.0), (0.6, 4.0), (0.8, 5.0), (1.5, 6.0)):
        curve.add(START + round(at * SECOND), value)
    assert points(curve.samples(START)) == [(0.2, 9.0), (0.4, -3.0), (0.8, 5.0), (1.5, 6.0)]


def test_what_stands_still_is_its_first_and_its_last_moment() -> None:
    curve = Curve()
    for second in range(600):
        curve.add(START + second * SECOND, 7.0 if second < 500 else 8.0)
    assert points(curve.samples(START)) == [(0.0, 7.0), (499.0, 7.0), (500.0, 8.0), (598.0, 8.0), (599.0, 8.0)]
    assert curve.bytes_used == 4 * SAMPLE_BYTES


def test_a_gap_is_a_gap() -> None:
    curve = Curve()
    for second, value in enumerate([5.0, 5.0, None, None, None, 6.0]):
        curve.add(START + second * SECOND, value)
    assert points(curve.samples(START)) == [(0.0, 5.0), (1.0, 5.0), (2.0, None), (4.0, None), (5.0, 6.0)]


def test_a_peak_before_a_gap_in_the_same_second_is_kept() -> None:
    curve = Curve()
    curve.add(START, 3.0)
    curve.add(START + 100 * MILLISECOND, None)
    curve.add(START + SECOND, None)
    assert points(curve.samples(START)) == [(0.0, 3.0), (0.1, None), (1.0, None)]


def test_what_held_when_the_window_begins_is_in_it() -> None:
    curve = Curve()
    for second in range(100):
        curve.add(START + second * SECOND, 7.0)
    assert points(curve.samples(START + 50 * SECOND)) == [(50.0, 7.0), (98.0, 7.0), (99.0, 7.0)]


def test_a_copy_is_not_added_to() -> None:
    dials = Dials()
    tape = Tape(dials, START)
    dials.pressures["ZZ-KAT"] = 1.0
    dials.winds["S12"] = {"wind_kt": 10.0, "gust_kt": 12.0}
    for second in range(5):
        dials.pressures["ZZ-KAT"] = dials.winds["S12"]["wind_kt"] = float(second)
        sample(tape, START + second * SECOND)
    now = START + 4 * SECOND
    copy = tape.copy("ZZ-KAT", "S12", now)
    once = copy.describe()
    for second in range(4, 9):
        dials.pressures["ZZ-KAT"] = dials.winds["S12"]["wind_kt"] = 50.0 + second
        sample(tape, START + second * SECOND)
    assert copy.describe() == once
    assert points(once[PRESSURE]) == [(float(second), float(second)) for second in range(5)]


def test_asking_changes_nothing() -> None:
    curve = Curve()
    for at in (0.0, 0.3, 0.6, 0.9):
        curve.add(START + round(at * SECOND), at)
        once = curve.samples(START)
        assert curve.samples(START) == once
    assert points(curve.samples(START)) == [(0.0, 0.0), (0.9, 0.9)]


def test_memory_ends_at_what_is_said() -> None:
    """Three samples a second at the very most, for half an hour, and a little slack."""
    curve = Curve()
    for tick in range(3 * 3600 * 5):
        now = START + tick * 200 * MILLISECOND
        curve.add(now, math.sin(tick))
        if tick % 5 == 0:
            curve.cut(now - KEPT)
    assert 50_000 < curve.bytes_used <= (3 * 1800 + 3 + 256 + 3) * SAMPLE_BYTES < 70_000
    kept = points(curve.samples(now - KEPT))
    assert kept[0][0] >= (now - KEPT - START) / SECOND


def pressure_message(reg: str) -> ReadingsArrived:
    items = (Item("L1", "closed", True, Quality.GOOD), Item(None, PRESSURE, 1.0, Quality.GOOD))
    return ReadingsArrived(reg, "topic", True, START, 1, False, False, items)


def test_a_tape_takes_readings_as_they_come_and_everyone_once_a_second() -> None:
    dials = Dials()
    tape = Tape(dials, START)
    dials.pressures["ZZ-KAT"] = 1.0
    dials.winds["S12"] = {"wind_kt": 10.0, "gust_kt": None}
    sample(tape, START)
    dials.pressures["ZZ-KAT"] = 40.0
    tape.observe(Step(START + 200 * MILLISECOND, pressure_message("ZZ-KAT"), [], 0.0, 0.0))
    dials.pressures["ZZ-KAT"] = 2.0
    gust = StandReadingArrived("S12", "topic", START, 1, False, False, "gust_kt", 31.0, Quality.GOOD)
    dials.winds["S12"]["gust_kt"] = 31.0
    tape.observe(Step(START + 300 * MILLISECOND, gust, [], 0.0, 0.0))
    dials.winds["S12"]["gust_kt"] = 12.0
    sample(tape, START + SECOND)
    answer = tape.copy("ZZ-KAT", "S12", START + SECOND).describe()
    assert answer["since"] == format_time(START)
    assert points(answer[PRESSURE]) == [(0.0, 1.0), (0.2, 40.0), (1.0, 2.0)]
    assert points(answer["wind_kt"]) == [(0.0, 10.0), (0.3, 10.0), (1.0, 10.0)]
    assert points(answer["gust_kt"]) == [(0.3, 31.0), (1.0, 12.0)]
    assert tape.copy("ZZ-KAT", "", START).describe()["wind_kt"] == []


def test_who_left_is_let_go_and_who_never_told_is_not_kept() -> None:
    dials = Dials()
    tape = Tape(dials, START)
    dials.pressures = {"ZZ-KAT": 1.0, "ZZ-OLM": None}
    dials.winds = {"S12": {"wind_kt": None, "gust_kt": None}}
    for second in range(3):
        sample(tape, START + second * SECOND)
    assert set(tape._pressures) == {"ZZ-KAT"}
    assert tape._winds == {}
    del dials.pressures["ZZ-KAT"]
    sample(tape, START + 3 * SECOND)
    assert tape.bytes_used == 0
    assert tape.copy("ZZ-KAT", "", START + 3 * SECOND).describe()[PRESSURE] == []


def test_half_an_hour_of_nothing_known_is_let_go_too() -> None:
    dials = Dials()
    tape = Tape(dials, START)
    dials.pressures["ZZ-KAT"] = 1.0
    sample(tape, START)
    dials.pressures["ZZ-KAT"] = None
    sample(tape, START + 30 * MINUTE)
    assert points(tape.copy("ZZ-KAT", "", START + 30 * MINUTE).describe()[PRESSURE]) == [(0.0, 1.0), (1800.0, None)]
    sample(tape, START + 30 * MINUTE + SECOND)
    assert tape.bytes_used == 0


def test_since_moves_with_the_window() -> None:
    tape = Tape(Dials(), START)
    assert tape.copy("ZZ-KAT", "", START + MINUTE).describe()["since"] == format_time(START)
    assert tape.copy("ZZ-KAT", "", START + 40 * MINUTE).describe()["since"] == format_time(START + 10 * MINUTE)


async def test_it_samples_once_a_second_and_lives_through_a_fault(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    waited: list[float] = []

    async def pass_time(seconds: float) -> None:
        if seconds == 0:
            return
        waited.append(seconds)
        if len(waited) > 3:
            raise asyncio.CancelledError

    monkeypatch.setattr("monitor.adapters.tape.asyncio.sleep", pass_time)
    dials = Dials()
    dials.pressures["ZZ-KAT"] = 5.0
    tape = Tape(dials, START)

    def now() -> int:
        if len(waited) == 2:
            raise RuntimeError("once")
        return START + (len(waited) - 1) * SECOND

    with pytest.raises(asyncio.CancelledError):
        await tape.serve_samples(now)
    assert waited == [1.0] * 4
    assert "no sample was taken" in caplog.text
    assert points(tape.copy("ZZ-KAT", "", START + 2 * SECOND).describe()[PRESSURE]) == [(0.0, 5.0), (2.0, 5.0)]


@pytest.fixture
async def bench() -> Any:
    made = Bench(Hand()).up()
    made.deliver(arrival())
    yield made
    made.engine.stop()


def test_what_is_known_is_asked_of_a_running_engine(bench: Bench) -> None:
    """A reading that is not good, or too old, is a gap; one of nobody we know is none."""
    gauges = EngineGauges(bench.engine, bench.clock)
    bench.deliver(reading(f"airframe/{PRESSURE}", 12.5, 1.0))
    assert gauges.registrations() == [REG]
    assert gauges.pressure(REG) == 12.5
    assert gauges.pressure("ZZ-NONE") is None
    bench.deliver(reading(f"airframe/{PRESSURE}", 13.5, 2.0, quality="bad"))
    assert gauges.pressure(REG) is None
    topic = f"apron/v1/{demo_site().name}/stand/{STAND}/"
    for signal, value in (("wind_kt", 11.0), ("gust_kt", 19.5)):
        payload = b'{"time": %f, "value": %f}' % (START / SECOND, value)
        bench.deliver(Message(topic + signal, payload, False))
    assert gauges.stand_names() == [STAND]
    assert gauges.weather(STAND) == {"wind_kt": 11.0, "gust_kt": 19.5}
    bench.deliver(
        Message(topic + "gust_kt", b'{"time": %f, "value": 1, "quality": "bad"}' % (START / SECOND + 1), False)
    )
    assert gauges.weather(STAND) == {"wind_kt": 11.0, "gust_kt": None}
    assert gauges.weather("nowhere") == {"wind_kt": None, "gust_kt": None}
    bench.clock.at = START + 120 * SECOND
    bench.deliver(reading("airframe/heartbeat", 2, 120.0))
    assert gauges.weather(STAND)["wind_kt"] is None
