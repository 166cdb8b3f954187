"""The prover between a broker, an engine, a disk and a stream of which each may stick. Time is the loop's, virtual."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections import deque
from collections.abc import AsyncIterator
from typing import Any

import pytest
import structlog.testing

from monitor.adapters.heartbeat import describe_heartbeat
from monitor.adapters.prover import Prover
from monitor.adapters.vitals import Vitals
from monitor.adapters.web.stream import Stream
from monitor.core import readout
from monitor.core.events import ProofPassed
from monitor.core.times import MILLISECOND, SECOND, format_time
from monitor.engine import MESSAGE
from monitor.ports import Message, Outgoing, Step
from tests.adapters.web.fake_reader import FakeReader
from tests.engine_bench import HANDLE, Bench, Disk, LoopHand, alert_of, arrival, reading
from tests.stories import START

WAY_S = 0.02
"""From us to the broker and back."""
COMMIT_S = 0.005


class Feed:
    """A broker that hands back what we send, unless it is away or delivers nothing."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.listening = asyncio.Event()
        self.listening.set()
        self.reconnects = 0
        self.delivers = True
        self.sent: list[Outgoing] = []
        self.on_the_way: deque[Outgoing] = deque()
        self.prover: Prover | None = None

    def publish(self, outgoing: Outgoing) -> None:
        self.sent.append(outgoing)
        if self.delivers and not outgoing.retain:
            self.on_the_way.append(outgoing)
            asyncio.get_running_loop().call_later(WAY_S, self.deliver_next)

    def deliver_next(self) -> None:
        # In order, also where two are due at one moment.
        self.deliver(self.on_the_way.popleft())

    def deliver(self, outgoing: Outgoing) -> None:
        assert self.prover is not None
        message = Message(outgoing.topic, outgoing.payload, False)
        self.bench.engine.receive(message, self.prover.follow(message, lambda: None))

    def lose(self) -> None:
        self.listening.clear()
        self.bench.engine.note_disconnected("gone")

    def come_back(self) -> None:
        self.reconnects += 1
        self.listening.set()
        self.bench.engine.note_connected()


class Scene:
    """Everything put together, with a disk that commits soon after each step unless told otherwise."""

    def __init__(self, *, every_s: float = 10.0, disk: Disk | None = None) -> None:
        self.bench = Bench(LoopHand(), journal=disk).up()
        self.feed = Feed(self.bench)
        self.stream = Stream(FakeReader())
        self.vitals = Vitals(START)
        self.bench.engine.add_observer(self.stream)
        self.bench.engine.add_observer(self.vitals)
        self.beats: list[int] = []
        self.prover = self.feed.prover = Prover(
            every_s=every_s,
            feed=self.feed,
            words=self.bench.wire,
            clock=self.bench.clock,
            frames=self.stream.bear_witness(),
            passed=self.bench.engine.note_proof,
            beat=lambda: self.beats.append(self.bench.clock.now()),
        )
        self.disk_works = True
        self.bench.engine.add_observer(self)
        self.task = asyncio.create_task(self.prover.serve())
        self.bench.engine.expect_proofs(every_s > 0)

    def observe(self, step: Step) -> None:
        asyncio.get_running_loop().call_later(COMMIT_S, self.write)

    def write(self) -> None:
        if self.disk_works:
            self.bench.commit()

    def told(self) -> list[str]:
        """What became of the alert; a site's events stand below `-`."""
        found = [t.json for t in self.bench.log if t.what == "publish" and "/-/-/proof-missed" in t.where]
        return [event["type"].removeprefix("sillwatch.alert.") for event in found if "specversion" in event]

    def passes(self) -> list[Step]:
        return [step for step in self.bench.steps if isinstance(step.event, ProofPassed)]

    def figures(self) -> dict[str, Any]:
        figures = self.prover.describe()
        assert figures is not None
        return figures

    async def close(self) -> None:
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)
        self.bench.engine.stop()


@contextlib.asynccontextmanager
async def playing(*, every_s: float = 10.0, disk: Disk | None = None) -> AsyncIterator[Scene]:
    """A scene on the test's own loop, whose time is virtual; a fixture's would not be."""
    made = Scene(every_s=every_s, disk=disk)
    try:
        yield made
    finally:
        await made.close()


@pytest.mark.looptime
async def test_every_ten_seconds_one_passes() -> None:
    async with playing() as scene:
        await asyncio.sleep(95)
        assert len(scene.passes()) == 10
        assert (scene.prover.missed, scene.told()) == (0, [])
        figures = scene.figures()
        assert WAY_S * 1000 <= figures["took_ms"] <= WAY_S * 1000 + 10
        assert figures["at"] == format_time(scene.passes()[-1].now)
        assert figures["age_s"] == pytest.approx(5, abs=0.05)
        assert len(scene.beats) == 10


@pytest.mark.looptime
async def test_boards_are_told_of_each() -> None:
    async with playing() as scene:
        board = scene.stream.bear_witness()
        await anext(board)
        frames = b""
        while b"event: proof\n" not in frames:
            frames += await anext(board)
        proving, proof = (json.loads(frame.partition(b"data: ")[2]) for frame in frames.split(b"\n\n")[:2])
        assert set(proving) == {"time", "seq"}
        assert proof == {"at": scene.figures()["at"], "took_ms": scene.figures()["took_ms"]}


@pytest.mark.looptime
async def test_nothing_counts_or_shows_it() -> None:
    async with playing() as scene:
        bench = scene.bench
        bench.deliver(arrival())
        await asyncio.sleep(61)
        assert len(scene.passes()) == 7
        assert [row["aircraft"] for row in readout.list_aircraft(bench.engine.system, bench.clock.now())] == ["TW-101"]
        assert not [told.where for told in bench.log if told.what in ("publish", "empty") and "proof" in told.where]
        assert bench.engine.received == 1
        assert scene.vitals.rate_of("proof", bench.clock.now()) is None
        assert scene.vitals.describe(bench.clock.now())["rejected"] == {}
        assert not [topic for topic in bench.engine.held_outputs() if "proof" in topic]
        assert (await bench.journal.quarantine()).rows == []
        assert [row for row in (await bench.journal.history()).rows if row["aircraft"] == "proof"] == []


@pytest.mark.looptime
async def test_a_restart_reads_the_very_state_back() -> None:
    async with playing() as scene:
        scene.bench.deliver(arrival())
        scene.bench.deliver(HANDLE)
        await asyncio.sleep(33)
        scene.bench.commit()
        live = scene.bench.engine.system.record
        kinds = [entry.kind for entry in scene.bench.journal.entries_after(0)]
        assert {"proof-passed", "proofs-expected", MESSAGE} <= set(kinds)
        again = Disk([])
        for entry in scene.bench.journal.reopened().entries_after(0):
            again.append(entry)
        again.commit()
        restored = Bench(LoopHand(), journal=again).engine.system.record
        assert restored.proof == live.proof
        assert restored.aircraft.keys() == live.aircraft.keys()


@pytest.mark.looptime
async def test_a_disk_that_does_not_write_is_missed() -> None:
    async with playing() as scene:
        await asyncio.sleep(5)
        scene.disk_works = False
        await asyncio.sleep(34.9)
        assert scene.told() == ["raised"], "30 s after the last that passed"
        assert scene.prover.missed == 2
        scene.disk_works = True
        scene.write()
        assert scene.told() == ["raised", "cleared"]
        assert scene.figures()["took_ms"] > 9000, "the last of them got through after all"
        await asyncio.sleep(60)
        assert scene.prover.missed == 2


@pytest.mark.looptime
async def test_a_stream_that_is_stuck_is_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    async with playing() as scene:
        await asyncio.sleep(5)
        with monkeypatch.context() as patch:
            patch.setattr(scene.stream, "_offer", lambda frame: None)
            await asyncio.sleep(40)
            assert scene.told() == ["raised"]
        await asyncio.sleep(11)
        assert scene.told() == ["raised", "cleared"]


@pytest.mark.looptime
async def test_a_stream_that_fails_is_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    async with playing() as scene:
        await asyncio.sleep(5)

        def fail(frame: bytes) -> None:
            raise ZeroDivisionError("ours")

        monkeypatch.setattr(scene.stream, "_offer", fail)
        with structlog.testing.capture_logs():
            await asyncio.sleep(40)
        assert scene.told() == ["raised"]
        assert scene.bench.engine.observer_faults > 0


@pytest.mark.looptime
async def test_a_core_that_fails_at_it_is_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    async with playing() as scene:
        await asyncio.sleep(5)
        monkeypatch.setattr("monitor.core.proving.Intake", None)
        with structlog.testing.capture_logs() as logged:
            await asyncio.sleep(40)
        assert scene.told() == ["raised"]
        assert {entry["action"] for entry in logged} == {"judge"}


@pytest.mark.looptime
async def test_a_broker_that_delivers_nothing_is_missed() -> None:
    async with playing() as scene:
        await asyncio.sleep(5)
        scene.feed.delivers = False
        await asyncio.sleep(40)
        assert (scene.told(), scene.prover.missed) == (["raised"], 3)
        data = next(t.json for t in scene.bench.log if "/event/" in t.where and "proof-missed" in t.where)["data"]
        assert (data["aircraft"], data["door"], data["role"], data["priority"]) == ("-", "-", "ops", "warning")


@pytest.mark.looptime
async def test_a_broker_that_is_away_is_no_missed_proof() -> None:
    async with playing() as scene:
        await asyncio.sleep(10.01)
        scene.feed.lose()
        await asyncio.sleep(300)
        sent = len(scene.feed.sent)
        assert scene.prover.missed == 0
        scene.feed.come_back()
        await asyncio.sleep(0.5)
        moves = [json.loads(each.payload)["readings"]["door/P1/handle_lifted"] for each in scene.feed.sent[sent:]]
        assert moves == [False, True], "it stayed lifted, and nothing was kept for later"
        await asyncio.sleep(40)
        assert (scene.prover.missed, scene.told()) == (0, [])


@pytest.mark.looptime
async def test_a_loop_that_stood_still_loses_one_and_goes_on() -> None:
    """What comes out of the stream after the next handle was lifted is nobody's proof any more."""
    async with playing() as scene:
        await asyncio.sleep(5)
        scene.feed.delivers = False
        await asyncio.sleep(6)
        late = scene.feed.sent[-2]
        scene.feed.delivers = True
        await asyncio.sleep(10)
        passes = scene.prover.passes
        scene.feed.deliver(late)
        await asyncio.sleep(1)
        assert (scene.prover.passes, scene.prover.missed) == (passes, 1)


@pytest.mark.looptime
async def test_a_message_of_an_earlier_run_proves_nothing() -> None:
    async with playing() as scene:
        await asyncio.sleep(5)
        scene.feed.delivers = False
        other = scene.bench.wire.proof_message(scene.bench.clock.now() + SECOND, 7, lifted=True)
        await asyncio.sleep(6)
        scene.feed.deliver(other)
        await asyncio.sleep(5)
        assert scene.prover.passes == 1


@pytest.mark.looptime
async def test_a_handle_left_lifted_by_an_earlier_run_is_set_down_first() -> None:
    async with playing() as first:
        await asyncio.sleep(0.5)
        assert first.prover.passes == 1
        first.task.cancel()
        first.bench.commit()
        kept = Disk([])
        for entry in first.bench.journal.reopened().entries_after(0):
            kept.append(entry)
        kept.commit()
    async with playing(disk=kept) as second:
        lifted = second.bench.engine.system.record.proof.aircraft
        assert lifted is not None
        assert lifted.doors["P1"].state == "unlocked"
        await asyncio.sleep(0.5)
        assert second.prover.passes == 1


@pytest.mark.looptime
async def test_none_are_sent_where_there_are_to_be_none() -> None:
    async with playing(every_s=0) as scene:
        await asyncio.sleep(120)
        assert (scene.feed.sent, scene.prover.describe(), scene.told(), scene.beats) == ([], None, [], [])
        assert [entry.kind for entry in scene.bench.journal.entries_after(0)].count("proofs-expected") == 0


@pytest.mark.looptime
async def test_an_alert_never_waits_for_a_proof() -> None:
    async with playing() as scene:
        scene.bench.deliver(arrival())
        scene.disk_works = False
        await asyncio.sleep(20)
        scene.bench.deliver(reading("door/L1/handle_lifted", True, 20.0))
        assert alert_of(scene.bench, "armed-handle-moved")["priority"] == "warning"


def test_the_heartbeat_says_when_by_whom_and_how_far() -> None:
    health: dict[str, Any] = {
        "instance": "one",
        "version": "1",
        "site": "tarnwick",
        "started": "2026-03-01T09:00:00.000Z",
        "ready": False,
        "reasons": ["the broker is not connected"],
        "proof": None,
        "loop_lag_s": 0.0,
    }
    document = describe_heartbeat(health, now=START, position=7, audit_head={"number": 3, "hash": "ab"})
    assert document["time"] == "2026-03-01T10:00:00.000Z"
    assert (document["state"], document["reasons"]) == ("not ready", ["the broker is not connected"])
    assert (document["journal_position"], document["audit_head"]) == (7, {"number": 3, "hash": "ab"})
    assert (
        describe_heartbeat({**health, "ready": True}, now=START + MILLISECOND, position=8, audit_head={})["state"]
        == "ready"
    )
