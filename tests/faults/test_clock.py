"""Wall clocks that are set, and time zones that change, under a running engine.

The steady clock and the wall clock are the test's; between them stands the service's own.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any, Final

import pytest

from monitor.adapters.clock import SystemClock
from monitor.adapters.journal_memory import MemoryJournal
from monitor.core.events import AlertAcknowledged, AlertShelved, PermitGranted
from monitor.core.system import System
from monitor.core.times import HOUR, MINUTE, SECOND, format_time, parse_time
from monitor.engine import Engine, restore
from monitor.ports import Outgoing
from tests.engine_bench import Bench, Hand, arrival, bundle, reading
from tests.stories import REG, START, codec, demo_site

STEPS: Final = (-7 * MINUTE, -90 * SECOND, 90 * SECOND, 7 * MINUTE, 3 * HOUR)
STEP_S: Final = 0.25


class Machine(Hand):
    """A machine whose wall clock can be set; :meth:`now` is the service's clock on it."""

    def __init__(self) -> None:
        super().__init__()
        self._steady = 1_000 * SECOND
        self._ahead = START - self._steady
        self._clock = SystemClock(steady=lambda: self._steady * 1000, wall=lambda: self.wall() * 1000)

    def wall(self) -> int:
        return self._steady + self._ahead

    def set_wall(self, by: int) -> None:
        """Set the wall clock forward, or back."""
        self._ahead += by

    def pass_time(self, seconds: float) -> None:
        self._steady += round(seconds * SECOND)

    def now(self) -> int:
        return self._clock.now()


class Watched:
    """An engine on such a machine; deadlines are met as its timer would."""

    def __init__(self) -> None:
        self.machine = Machine()
        self.bench = Bench(self.machine)
        self.bench.up()
        self.beats = 1

    @property
    def system(self) -> System:
        return self.bench.engine.system

    def wait(self, seconds: float) -> None:
        """Let time pass in small steps, each as the engine's timer sees it."""
        for _ in range(round(seconds / STEP_S)):
            self.machine.pass_time(STEP_S)
            due = self.system.next_deadline()
            if due is not None and due <= self.machine.now():
                self.bench.engine._on_due()

    def beat_for(self, seconds: float) -> None:
        """The same, with the sender's heartbeat every 5 s; its own clock is right throughout."""
        for _ in range(round(seconds / 5)):
            self.wait(5)
            self.beats += 1
            self.bench.deliver(reading("airframe/heartbeat", self.beats, self.stamp()))
            self.bench.deliver(reading("airframe/differential_pressure_hpa", 0.0, self.stamp()))

    def stamp(self) -> float:
        """A sender's stamp: true time, which the steady clock keeps."""
        return (self.machine._steady - 1_000 * SECOND) / SECOND

    def close(self) -> None:
        self.bench.engine.stop()


@pytest.fixture
async def watched() -> Watched:
    made = Watched()
    made.bench.deliver(arrival())
    made.wait(1)
    return made


@pytest.mark.parametrize("step", STEPS)
async def test_a_delay_neither_skips_nor_doubles(watched: Watched, step: int) -> None:
    """`unlocked-lingering` comes 60 s after the handle moved, wherever the wall clock went meanwhile."""
    watched.beat_for(10)
    watched.bench.deliver(reading("door/R1/handle_lifted", True, watched.stamp()))
    watched.wait(20)
    watched.machine.set_wall(step)
    watched.beat_for(35)
    assert watched.bench.lifecycle("unlocked-lingering") == []
    watched.beat_for(10)
    assert watched.bench.lifecycle("unlocked-lingering") == ["raised"]
    watched.close()


@pytest.mark.parametrize("step", STEPS)
async def test_nothing_goes_stale_and_no_feed_is_lost_or_kept_alive(watched: Watched, step: int) -> None:
    watched.beat_for(10)
    watched.machine.set_wall(step)
    watched.beat_for(60)
    assert watched.bench.lifecycle("feed-lost") == watched.bench.lifecycle("signal-stale") == []
    watched.wait(40)
    assert watched.bench.lifecycle("feed-lost") == ["raised"], "30 s of silence are 30 s"
    watched.close()


@pytest.mark.parametrize("step", [step for step in STEPS if abs(step) < HOUR])
async def test_late_is_what_is_late_by_its_sender(watched: Watched, step: int) -> None:
    """What comes at once is not late after a step, and a backlog is late in spite of it."""
    watched.beat_for(60)
    watched.machine.set_wall(step)
    watched.beat_for(60)
    watched.bench.deliver(reading("door/L1/handle_lifted", True, watched.stamp()))
    (raised,) = watched.bench.events("armed-handle-moved")
    assert "late" not in raised["data"]
    held = watched.stamp()
    watched.wait(45)
    readings: dict[str, Any] = {"door/L1/handle_lifted": False, "door/R1/lever_armed": True, "door/R1/girt_left": True}
    readings |= {"door/R1/girt_right": True, "door/R1/handle_lifted": True, "airframe/heartbeat": watched.beats + 1}
    watched.bench.deliver(bundle(readings, held + 1))
    late = watched.bench.events("armed-handle-moved")[-1]
    assert late["subject"].endswith("/R1")
    assert late["data"]["late"] is True
    watched.close()


@pytest.mark.parametrize("step", STEPS)
async def test_a_shelf_and_a_permit_last_as_long_as_was_said(watched: Watched, step: int) -> None:
    watched.bench.deliver(reading("door/CA/latched", False, watched.stamp()))
    watched.wait(2)
    (raised,) = watched.bench.events("lock-disagree")
    until = watched.machine.now() + 60 * SECOND
    engine = watched.bench.engine
    engine._take_event(AlertShelved(raised["data"]["alert_id"], "anna", "looked at", until, None))
    engine._take_event(PermitGranted("ground-run", REG, ("R1",), ("unlocked-lingering",), until, "anna", "test"))
    watched.machine.set_wall(step)
    watched.beat_for(55)
    assert watched.bench.lifecycle("lock-disagree") == ["raised", "shelved"]
    assert len(watched.system.record.permits) == 1
    watched.beat_for(10)
    assert watched.bench.lifecycle("lock-disagree")[2:] == ["unshelved", "reraised"]
    assert watched.system.record.permits == {}
    watched.close()


@pytest.mark.parametrize("step", STEPS)
async def test_a_start_after_a_step_never_goes_behind_the_record(watched: Watched, step: int) -> None:
    """What is on record has happened: acknowledged stays acknowledged, and time goes on from there."""
    watched.bench.deliver(reading("door/CA/latched", False, watched.stamp()))
    watched.wait(2)
    (raised,) = watched.bench.events("lock-disagree")
    watched.bench.engine._take_event(AlertAcknowledged(raised["data"]["alert_id"], "anna", "", None))
    watched.bench.commit()
    watched.close()
    watched.bench.commit()
    at = watched.system.record.at
    wall = watched.machine.wall() + step
    restored = restore(demo_site(), watched.bench.journal, codec())
    clock = SystemClock(
        not_before=restored.system.record.at, steady=lambda: 5 * SECOND * 1000, wall=lambda: wall * 1000
    )
    assert clock.now() == max(wall, at)
    published: list[Outgoing] = []

    class Broker:
        def publish(self, outgoing: Outgoing) -> None:
            published.append(outgoing)

    engine = Engine(restored=restored, codec=codec(), clock=clock, journal=MemoryJournal(), publisher=Broker())
    assert engine.system.record.at == at
    tracker = engine.system.find_tracker(REG, "CA", "lock-disagree")
    assert tracker is not None
    assert tracker.alert is not None
    assert tracker.alert.acknowledged


# Time zones


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    yield monkeypatch
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("name", ["Pacific/Kiritimati", "America/St_Johns", "Europe/Lisbon", "UTC"])
async def test_the_machines_time_zone_is_nowhere_in_what_is_told(name: str, zone: pytest.MonkeyPatch) -> None:
    """The zone changes under a running service: every time told stays UTC and what it was."""
    watched = Watched()
    watched.bench.deliver(arrival())
    watched.beat_for(5)
    zone.setenv("TZ", name)
    time.tzset()
    at = watched.machine.now()
    watched.bench.deliver(reading("door/L1/handle_lifted", True, watched.stamp()))
    (raised,) = watched.bench.events("armed-handle-moved")
    assert parse_time(raised["time"]) == at
    assert raised["time"] == format_time(at)
    assert raised["time"].endswith("Z")
    watched.close()


@pytest.mark.parametrize("moment", ["2026-03-29T00:59:50Z", "2026-10-25T00:59:50Z"])
async def test_the_hour_that_is_left_out_or_comes_twice_is_one_like_any_other(
    moment: str, zone: pytest.MonkeyPatch
) -> None:
    """Summer time begins and ends in a zone with it: a delay over that moment is as long as ever."""
    zone.setenv("TZ", "Europe/Lisbon")
    time.tzset()
    zone.setattr("tests.faults.test_clock.START", parse_time(moment))
    watched = Watched()
    assert watched.machine.now() == parse_time(moment)
    offset = (parse_time(moment) - parse_time("2026-03-01T10:00:00Z")) / SECOND
    watched.bench.deliver(arrival(offset))
    watched.wait(9.5)
    watched.bench.deliver(reading("door/CA/latched", False, offset + watched.stamp()))
    watched.wait(0.75)
    assert watched.bench.lifecycle("lock-disagree") == []
    watched.wait(0.5)
    assert watched.bench.lifecycle("lock-disagree") == ["raised"]
    watched.close()
