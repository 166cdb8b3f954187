"""The bench: its traffic is what the monitor takes, its frames are MQTT, and every row is printed.

No figure is asserted: how fast a machine is, is for a reader of the table.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections.abc import Iterator

import pytest

from monitor.adapters.wire import Wire
from monitor.core.airframe import Site
from monitor.core.effects import CountDropped, CountImplausible, Effect, PublishDoor, PublishEvent, RejectInput
from monitor.core.events import Event
from monitor.core.system import System
from monitor.core.times import SECOND, format_time
from monitor.ports import Message
from simulators.bench import Row, write_table
from simulators.bench_load import describe_times
from simulators.bench_traffic import ARMED, Sent, Traffic, park
from simulators.bench_wire import encode_publish

BEGIN = 1_800_000_000 * SECOND
RATE = 500
WRONG = (RejectInput, CountDropped, CountImplausible)


class Listener:
    """The real codec and core, fed without a broker."""

    def __init__(self, site: Site) -> None:
        self.wire = Wire(site.name, "bench", frozenset(site.types))
        self.system = System(site)
        self.effects: list[Effect] = []

    def hear(self, sent: Sent, at: int) -> list[Effect]:
        message = Message(sent.topic.decode(), sent.encode(format_time(at).encode()), False)
        decoded = self.wire.decode(message)
        parts: list[Event | RejectInput] = decoded if isinstance(decoded, list) else [decoded]  # type: ignore[list-item]
        effects: list[Effect] = []
        for part in parts:
            effects += [part] if isinstance(part, RejectInput) else self.system.step(part, at)
        self.effects += effects
        return effects


def stream(traffic: Traffic, count: int) -> Iterator[tuple[int, Sent]]:
    for number in range(count):
        yield BEGIN + SECOND + number * SECOND // RATE // 1000 * 1000, traffic.next(RATE)


def test_the_monitor_takes_everything_and_raises_every_lift(site: Site) -> None:
    traffic = Traffic(site.types["alder"], site.name, lifts_per_s=20)
    listener = Listener(site)
    for sent in traffic.add(50):
        listener.hear(sent, BEGIN)
    lifted = 0
    for at, sent in stream(traffic, 12_000):
        effects = listener.hear(sent, at)
        if sent.lifted is not None:
            lifted += 1
            raised = [
                f"{effect.data['aircraft']}/{effect.data['door']}"
                for effect in effects
                if isinstance(effect, PublishEvent) and effect.code == "armed-handle-moved"
            ]
            assert raised == [sent.lifted.decode()]
    assert lifted > 300
    assert [effect for effect in listener.effects if isinstance(effect, WRONG)] == []


def test_the_mix_is_heartbeats_pressure_travel_and_discretes(site: Site) -> None:
    traffic = Traffic(site.types["alder"], site.name, lifts_per_s=20)
    traffic.add(50)
    kinds = [sent.topic.decode().rsplit("/", 1)[1] for _, sent in stream(traffic, 10 * RATE)]
    assert kinds.count("heartbeat") == pytest.approx(50 * 2, abs=50)
    assert kinds.count("differential_pressure_hpa") == pytest.approx(50 * 10, abs=50)
    assert kinds.count("travel") > len(kinds) / 4
    assert {"closed", "latched", "locked", "lock_flags", "hold_open", "selector", "access"} <= set(kinds)


def test_a_seed_gives_one_stream_and_another_seed_another(site: Site) -> None:
    def first(seed: int) -> list[Sent]:
        traffic = Traffic(site.types["alder"], site.name, lifts_per_s=20, seed=seed)
        return [*traffic.add(5), *(sent for _, sent in stream(traffic, 500))]

    assert first(1) == first(1)
    assert first(1) != first(2)


def test_no_handle_is_lifted_twice_before_it_is_back(site: Site) -> None:
    traffic = Traffic(site.types["alder"], site.name, lifts_per_s=50)
    traffic.add(2)
    up: set[str] = set()
    lifts = 0
    for _, sent in stream(traffic, 5_000):
        if sent.topic.endswith(b"/handle_lifted") and sent.topic.split(b"/")[-2].decode() in ARMED:
            place = sent.topic.decode()
            assert (place in up) is (sent.lifted is None)
            up ^= {place}
            lifts += sent.lifted is not None
    assert lifts > 2 * len(ARMED)


def test_parked_aircraft_have_every_door_known(site: Site) -> None:
    listener = Listener(site)
    ticks = itertools.count()
    for sent in park(site.types["alder"], site.name, 3, lambda: next(ticks) * 3.0):
        listener.hear(sent, BEGIN)
    assert [effect for effect in listener.effects if isinstance(effect, WRONG)] == []
    documents = {
        (effect.aircraft, effect.door): effect.document
        for effect in listener.effects
        if isinstance(effect, PublishDoor)
    }
    assert len(documents) == 3 * len(site.types["alder"].doors)
    assert {document["state"] for document in documents.values() if document} == {"closed_locked", "armed"}


@pytest.mark.parametrize("length", [1, 110, 111, 16_370, 16_371])
def test_a_frame_says_its_own_length(length: int) -> None:
    frame = encode_publish(b"a/topic", b"x" * length, 258, retain=True)
    assert frame[0] == 0x33
    size, shift, at = 0, 0, 1
    while True:
        size |= (frame[at] & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if frame[at - 1] < 0x80:
            break
    assert size == len(frame) - at
    assert frame[at:] == b"\x00\x07a/topic\x01\x02" + b"x" * length


def test_a_frame_at_qos_0_has_no_identifier() -> None:
    assert encode_publish(b"t", b"p", None, retain=False) == b"\x30\x04\x00\x01tp"


def test_times_become_median_and_99th_percentile() -> None:
    spread = describe_times([number / 1000 for number in range(1, 101)], 500.0)
    assert (spread.samples, spread.sent_per_s) == (100, 500.0)
    assert spread.median_ms == pytest.approx(50.5)
    assert spread.p99_ms == pytest.approx(99.01)


def test_the_table_says_met_not_met_and_why_it_cannot_tell() -> None:
    table = write_table(
        [Row("a", "1", "", "more", True), Row("b", "2", "", "less", False), Row("c", "3", "", "x", None, "y")]
    )
    assert [line.split()[-1] for line in table.splitlines()[1:]] == ["met", "met", "y"]
    assert "not met" in table


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_a_quick_run_prints_every_row() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "simulators.bench", "--quick"], capture_output=True, text=True, timeout=280
    )
    assert done.returncode == 0, done.stderr
    head, titles, *rows, tail = done.stdout.splitlines()
    assert all(word in head for word in ("cores", "Python", "nats-server"))
    assert titles.split() == ["what", "figure", "beside", "it", "aim"]
    begins = (
        *("bare echo at 500", "sensor to alert at 500", "bare echo at 2,000", "sensor to alert at 2,000"),
        *("empty aiomqtt subscriber", "Sillwatch, highest rate", "resident memory a door"),
    )
    assert len(rows) == len(begins)
    for row, begin in zip(rows, begins, strict=True):
        assert row.startswith(begin)
    for row, aim in zip(rows, ("", "3 ms", "", "3 ms", "", "0.5 of", "8 kB"), strict=True):
        assert aim in row
    assert tail.startswith("measured in")


def test_a_wrong_broker_is_wrong_use() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "simulators.bench", "--broker", "pigeon"], capture_output=True, text=True
    )
    assert done.returncode == 2
    assert "pigeon" in done.stderr
