"""The engine's order of work: publish, then make durable, then let the sender know.

The journal is the one in memory, whose disk obeys the test: it commits when told to, or
never. Time is the event loop's, which is virtual wherever something has to fall due.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any, Final, NamedTuple

import pytest

from monitor.adapters.journal_memory import MemoryJournal
from monitor.core import snapshot
from monitor.core.effects import Effect, PublishEvent, RecordAudit, RefuseCommand
from monitor.core.events import AlertAcknowledged, AlertShelved, DoorReset, Event
from monitor.core.times import MILLISECOND, MINUTE, SECOND
from monitor.engine import CLOCK, FAULT, MESSAGE, SNAPSHOT_EVERY, Engine, restore
from monitor.ports import Entry, Message, Outgoing, Step
from tests.stories import ARMED, REG, STAND, START, codec, demo_site, healthy_airframe, healthy_door

ROOT: Final = f"apron/v1/{demo_site().name}/aircraft/{REG}"
OUT: Final = f"sillwatch/v1/{{}}/{demo_site().name}/{REG}/"


class Told(NamedTuple):
    """What the engine did to the world, in order."""

    what: str
    where: str
    payload: bytes = b""

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


class Hand:
    """A clock that a test sets; in a test with virtual time, the loop's."""

    def __init__(self, at: int = START) -> None:
        self.at = at

    def now(self) -> int:
        return self.at


class LoopHand(Hand):
    """Our time as the event loop's."""

    def now(self) -> int:
        at = START + round(asyncio.get_running_loop().time() * SECOND)
        return at - at % MILLISECOND


class Disk(MemoryJournal):
    """The journal in memory, told when to commit; it writes down when something was appended."""

    def __init__(self, log: list[Told]) -> None:
        self.log = log
        self.waiting: list[Callable[[], None]] = []
        super().__init__(defer=self.waiting.append)

    def append(self, entry: Entry, committed: Callable[[], None] | None = None) -> None:
        self.log.append(Told("append", entry.topic or entry.kind, entry.payload))
        super().append(entry, committed)

    def commit(self) -> None:
        """Let everything that was appended reach the disk."""
        waiting, self.waiting[:] = list(self.waiting), []
        for run in waiting:
            run()


class Bench:
    """An engine between a sender, a broker and a disk that write down what they see."""

    def __init__(self, clock: Hand, *, journal: Disk | None = None) -> None:
        self.journal = journal if journal is not None else Disk([])
        self.log = self.journal.log
        self.clock = clock
        self.wire = codec()
        self.steps: list[Step] = []
        self.engine = Engine(
            restored=restore(demo_site(), self.journal, self.wire),
            codec=self.wire,
            clock=clock,
            journal=self.journal,
            publisher=self,
            observers=[self],
        )

    # Publisher and observer

    def publish(self, outgoing: Outgoing) -> None:
        self.log.append(Told("publish" if outgoing.payload else "empty", outgoing.topic, outgoing.payload))

    def observe(self, step: Step) -> None:
        self.steps.append(step)
        self.log.append(Told("observe", type(step.event).__name__))

    # Senders

    def deliver(self, message: Message) -> None:
        """Deliver as the broker does."""
        self.engine.receive(message, lambda: self.log.append(Told("settle", message.topic)))

    def commit(self) -> None:
        self.journal.commit()

    def up(self) -> Bench:
        """Start, with the broker there and everything so far on disk."""
        self.engine.start()
        self.engine.note_connected()
        self.commit()
        return self

    # What was seen

    def words(self, *, of: str) -> list[str]:
        """What happened that concerns one topic or one door's outputs."""
        return [told.what for told in self.log if of in told.where]

    def events(self, code: str = "") -> list[Any]:
        """The CloudEvents that went out, of one code if named."""
        return [
            t.json
            for t in self.log
            if t.what == "publish" and t.where.startswith(OUT.format("event")) and code in t.where
        ]

    def lifecycle(self, code: str) -> list[str]:
        return [event["type"].removeprefix("sillwatch.alert.") for event in self.events(code)]


def reading(path: str, value: Any, at: float, **more: Any) -> Message:
    """One reading as it is delivered; ``at`` is its stamp in seconds of the story."""
    return Message(f"{ROOT}/{path}", json.dumps({"time": START / SECOND + at, "value": value, **more}).encode(), False)


def bundle(readings: dict[str, Any], at: float) -> Message:
    return Message(f"{ROOT}/bundle", json.dumps({"time": START / SECOND + at, "readings": readings}).encode(), False)


def arrival(at: float = 0.0) -> Message:
    """A complete, healthy alder at its stand, its front left slide engaged."""
    airframe = demo_site().types["alder"]
    readings: dict[str, Any] = {"airframe/type": "alder", "airframe/stand": STAND, "airframe/heartbeat": 1}
    readings.update({f"airframe/{name}": value for name, value in healthy_airframe(airframe).items()})
    for door in airframe.doors.values():
        readings.update({f"door/{door.name}/{name}": value for name, value in healthy_door(door).items()})
    readings.update({f"door/L1/{name}": value for name, value in ARMED.items()})
    return bundle(readings, at)


HANDLE: Final = reading("door/L1/handle_lifted", True, 1.0)
HANDLE_HOME: Final = reading("door/L1/handle_lifted", False, 3.0)
DISAGREE: Final = reading("door/CA/latched", False, 1.0)
"""Locked without latched: raised by the clock alone, a second later."""


def alert_of(bench: Bench, code: str) -> dict[str, Any]:
    """The last event's document of a code."""
    data: dict[str, Any] = bench.events(code)[-1]["data"]
    return data


# Order


async def test_published_first_then_durable_then_settled() -> None:
    bench = Bench(Hand()).up()
    bench.deliver(arrival())
    bench.commit()
    bench.log.clear()
    bench.clock.at += SECOND
    bench.deliver(HANDLE)
    what = [told.what for told in bench.log]
    assert what.index("publish") < what.index("append") < what.index("observe")
    assert {t.where.split("/")[2] for t in bench.log if t.what == "publish"} == {"event", "active", "door"}
    assert "publish" not in what[what.index("append") :], "nothing waits for the disk"
    assert "settle" not in what, "not acknowledged before it is on disk"
    bench.commit()
    assert bench.words(of="handle_lifted") == ["append", "settle"]
    bench.engine.stop()


async def test_settled_in_the_order_of_arrival_and_each_once() -> None:
    bench = Bench(Hand()).up()
    messages = [arrival(), HANDLE, HANDLE_HOME, Message("apron/v1/nonsense", b"{", False)]
    for message in messages:
        bench.clock.at += SECOND
        bench.deliver(message)
    bench.commit()
    bench.commit()
    assert [t.where for t in bench.log if t.what == "settle"] == [message.topic for message in messages]
    bench.engine.stop()


async def test_what_cannot_be_read_is_journalled_and_settled() -> None:
    bench = Bench(Hand()).up()
    bad = Message(f"{ROOT}/door/L1/closed", b"perhaps", False)
    bench.deliver(bad)
    assert [t.what for t in bench.log if t.where == bad.topic] == ["append"]
    bench.commit()
    assert [t.what for t in bench.log if t.where == bad.topic] == ["append", "settle"]
    assert not [t for t in bench.log if t.what in ("publish", "empty")]
    entry = list(bench.journal.entries_after(0))[-1]
    assert (entry.kind, entry.topic, entry.payload) == (MESSAGE, bad.topic, bad.payload)
    [row] = (await bench.journal.quarantine()).rows
    assert (row["reason"], row["topic"], row["payload"]) == ("not-json", bad.topic, "perhaps")
    assert bench.engine.received == 1
    bench.engine.stop()


async def test_a_fault_of_ours_sets_one_delivery_aside(monkeypatch: pytest.MonkeyPatch) -> None:
    """The next delivery is taken, and a restart meets the fault the same way."""
    bench = Bench(Hand()).up()
    bench.deliver(arrival())
    system = bench.engine.system
    step = system.step

    def fail_at_the_handle(event: Event, now: int) -> list[Effect]:
        if getattr(event, "topic", "") == HANDLE.topic and getattr(event, "time", 0) == START + SECOND:
            raise ZeroDivisionError("ours")
        return step(event, now)

    monkeypatch.setattr(system, "step", fail_at_the_handle)
    bench.clock.at += SECOND
    bench.deliver(HANDLE)
    bench.clock.at += 3 * SECOND
    bench.deliver(reading("door/L1/handle_lifted", True, 4.0))
    bench.commit()
    assert [t.what for t in bench.log if t.where == HANDLE.topic] == ["append", "append", "settle", "settle"]
    assert [row["reason"] for row in (await bench.journal.quarantine()).rows] == [FAULT]
    assert bench.lifecycle("armed-handle-moved") == ["raised"]
    bench.engine.stop()


# People


async def test_an_action_is_answered_only_once_it_is_durable() -> None:
    bench = Bench(Hand()).up()
    bench.deliver(arrival())
    bench.clock.at += SECOND
    bench.deliver(HANDLE)
    bench.commit()
    alert = alert_of(bench, "armed-handle-moved")
    bench.log.clear()
    bench.clock.at += SECOND
    answer = asyncio.create_task(
        bench.engine.submit(AlertAcknowledged(alert["alert_id"], "Ann", "going", None, "tablet 3"))
    )
    for _ in range(10):
        await asyncio.sleep(0)
    assert bench.lifecycle("armed-handle-moved") == ["acknowledged"], "told at once"
    assert not answer.done(), "answered before it was on disk"
    bench.commit()
    effects = await answer
    [audit] = [effect for effect in effects if isinstance(effect, RecordAudit)]
    assert (audit.by, audit.origin, audit.before, audit.after) == ("Ann", "tablet 3", "unacknowledged", "acknowledged")
    assert (await bench.journal.audit()).rows[0]["origin"] == "tablet 3"
    bench.engine.stop()


async def test_an_action_outlives_whoever_asked() -> None:
    """A client that gives up waiting has still acted: the commit then finds nobody to tell."""
    bench = Bench(Hand()).up()
    bench.deliver(arrival())
    bench.clock.at += SECOND
    bench.deliver(HANDLE)
    alert = alert_of(bench, "armed-handle-moved")
    answer = asyncio.create_task(bench.engine.submit(AlertAcknowledged(alert["alert_id"], "Ann", "", None)))
    await asyncio.sleep(0)
    answer.cancel()
    await asyncio.gather(answer, return_exceptions=True)
    bench.commit()
    assert bench.lifecycle("armed-handle-moved") == ["raised", "acknowledged"]
    assert len((await bench.journal.audit()).rows) == 1
    bench.engine.stop()


@pytest.mark.parametrize(
    ("command", "kind"),
    [
        (AlertAcknowledged("nothing", "Ann", "", None), "not-found"),
        (DoorReset("XX-NIL", "L1", "Ann", "looked"), "not-found"),
        (DoorReset(REG, "L1", "Ann", "looked"), "conflict"),
        (AlertShelved("armed-handle-moved", "Ann", "known", START + MINUTE, None), "refused"),
    ],
)
async def test_a_refused_action_changes_nothing(command: Any, kind: str) -> None:
    bench = Bench(Hand()).up()
    bench.deliver(arrival())
    bench.clock.at += SECOND
    bench.deliver(HANDLE)
    bench.commit()
    if isinstance(command, AlertShelved):
        command = command._replace(alert_id=alert_of(bench, command.alert_id)["alert_id"])
    before = snapshot.dump(bench.engine.system.record)
    bench.log.clear()
    answer = asyncio.create_task(bench.engine.submit(command))
    await asyncio.sleep(0)
    bench.commit()
    [refusal] = await answer
    assert isinstance(refusal, RefuseCommand)
    assert refusal.kind == kind
    assert len(refusal.detail) > 10
    assert not [t for t in bench.log if t.what in ("publish", "empty")]
    assert (await bench.journal.audit()).rows == []
    assert snapshot.dump(bench.engine.system.record) == before
    bench.engine.stop()


# Deadlines


@pytest.mark.looptime
async def test_what_falls_due_is_judged_without_further_input() -> None:
    bench = Bench(LoopHand()).up()
    bench.deliver(arrival())
    await asyncio.sleep(1)
    bench.deliver(DISAGREE)
    assert bench.lifecycle("lock-disagree") == []
    await asyncio.sleep(0.9)
    assert bench.lifecycle("lock-disagree") == []
    await asyncio.sleep(0.2)
    assert bench.lifecycle("lock-disagree") == ["raised"]
    [event] = bench.events("lock-disagree")
    assert event["time"] == "2026-03-01T10:00:02.000Z", "the moment of the change, not that of the timer"
    bench.commit()
    assert list(bench.journal.entries_after(0))[-1].kind == CLOCK
    bench.engine.stop()


@pytest.mark.looptime
async def test_a_deadline_that_is_put_off_or_gone_is_not_kept() -> None:
    bench = Bench(LoopHand()).up()
    bench.deliver(arrival())
    await asyncio.sleep(1)
    bench.deliver(DISAGREE)
    await asyncio.sleep(0.5)
    bench.deliver(reading("door/CA/latched", True, 1.5))
    await asyncio.sleep(5)
    assert bench.lifecycle("lock-disagree") == []
    bench.engine.stop()


@pytest.mark.looptime
async def test_a_fault_of_ours_in_a_deadline_stops_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(LoopHand()).up()
    bench.deliver(arrival())
    await asyncio.sleep(1)
    bench.deliver(DISAGREE)
    advance, failed = bench.engine.system.advance, []

    def fail_once(now: int) -> list[Effect]:
        effects = advance(now)
        if not failed:
            failed.append(now)
            raise ZeroDivisionError("ours")
        return effects

    monkeypatch.setattr(bench.engine.system, "advance", fail_once)
    await asyncio.sleep(2)
    assert failed == [START + 2 * SECOND]
    await asyncio.sleep(60)
    assert bench.lifecycle("feed-lost") == ["raised"]
    bench.engine.stop()


@pytest.mark.looptime
async def test_nothing_falls_due_after_the_stop() -> None:
    bench = Bench(LoopHand()).up()
    bench.deliver(arrival())
    await asyncio.sleep(1)
    bench.deliver(DISAGREE)
    bench.engine.stop()
    seen = len(bench.log)
    await asyncio.sleep(60)
    assert len(bench.log) == seen


@pytest.mark.looptime
async def test_the_broker_lost_for_two_seconds_is_told_of_the_site() -> None:
    bench = Bench(LoopHand()).up()
    bench.engine.note_disconnected("connection lost")
    await asyncio.sleep(1.9)
    assert not [t for t in bench.log if "feed-lost" in t.where]
    await asyncio.sleep(0.2)
    told = [t for t in bench.log if "/-/-/feed-lost" in t.where]
    assert {t.where.split("/")[2] for t in told} == {"event", "active"}
    bench.engine.note_connected()
    states = [t.json["data"]["state"] for t in bench.log if "/event/" in t.where and "feed-lost" in t.where]
    assert states == ["unacknowledged", "rtn_unacknowledged"]
    bench.engine.stop()


# What a crash leaves


async def test_a_crash_before_the_commit_repeats_every_id() -> None:
    """Published, never on disk: the broker delivers again, to a monitor that starts from nothing."""
    first = Bench(Hand()).up()
    messages = [arrival(), HANDLE, HANDLE_HOME]
    for message in messages:
        first.clock.at += SECOND
        first.deliver(message)
    assert "settle" not in [t.what for t in first.log]
    lost = first.journal.reopened()
    assert [e.kind for e in lost.entries_after(0)] == ["monitor-started", "broker-connected"]

    second = Bench(Hand(first.clock.at - 2 * SECOND)).up()
    for message in messages:
        second.clock.at += SECOND
        second.deliver(message)
    second.commit()
    told = [(e["id"], e["type"], e["data"]["alert_id"]) for e in first.events()]
    assert [t[1] for t in told if t] == ["sillwatch.alert.raised", "sillwatch.alert.cleared"]
    assert [(e["id"], e["type"], e["data"]["alert_id"]) for e in second.events()] == told


async def test_a_crash_before_one_commit_repeats_its_ids() -> None:
    """All but the last delivery is on disk, as after a kill -9 between publishing and committing."""
    first = Bench(Hand()).up()
    first.deliver(arrival())
    first.commit()
    first.clock.at += SECOND
    first.deliver(HANDLE)
    [raised] = first.events("armed-handle-moved")

    second = _restarted(first, later=5 * SECOND)
    assert second.events() == []
    second.deliver(HANDLE)
    [again] = second.events("armed-handle-moved")
    assert (again["id"], again["data"]["alert_id"]) == (raised["id"], raised["data"]["alert_id"])


@pytest.mark.looptime
async def test_an_alert_raised_by_the_clock_keeps_its_id_too() -> None:
    first = Bench(LoopHand()).up()
    first.deliver(arrival())
    await asyncio.sleep(1)
    first.deliver(DISAGREE)
    first.commit()
    await asyncio.sleep(2)
    [raised] = first.events("lock-disagree")
    first.engine.stop()

    second = _restarted(first)
    await asyncio.sleep(2)
    [again] = second.events("lock-disagree")
    assert (again["id"], again["data"]["alert_id"]) == (raised["id"], raised["data"]["alert_id"])
    second.engine.stop()


async def test_a_delivery_that_comes_twice_tells_nothing_twice() -> None:
    """Committed, but the acknowledgement was lost on the way."""
    first = Bench(Hand()).up()
    first.deliver(arrival())
    first.clock.at += SECOND
    first.deliver(HANDLE)
    first.commit()
    second = _restarted(first, later=5 * SECOND)
    second.deliver(HANDLE)
    assert second.events() == []


def _disk_of(first: Bench) -> Disk:
    """Another disk with what is committed on the first one's."""
    disk = Disk([])
    for entry in first.journal.reopened().entries_after(0):
        disk.append(entry)
    saved = first.journal.latest_snapshot()
    if saved is not None:
        disk.save_snapshot(saved)
    disk.commit()
    return disk


def _restarted(first: Bench, *, later: int = 0) -> Bench:
    """A new process on what the first one's disk has, connected again."""
    clock = first.clock if isinstance(first.clock, LoopHand) else Hand(first.clock.at + later)
    return Bench(clock, journal=_disk_of(first)).up()


# Snapshots


STORY: Final[Sequence[tuple[float, Message]]] = (
    (0.0, arrival()),
    (1.0, HANDLE),
    (1.0, DISAGREE),
    (2.5, reading("airframe/heartbeat", 2, 2.5)),
    (3.0, HANDLE_HOME),
    (3.2, Message(f"{ROOT}/door/L1/closed", b"{", False)),
    (4.0, reading("airframe/differential_pressure_hpa", 4.0, 4.0)),
    (4.5, reading("door/R2/handle_lifted", True, 4.5)),
    (6.0, bundle({"door/R2/handle_lifted": False, "door/L2/slide_released": True, "door/L2/closed": False}, 6.0)),
    (7.0, reading("airframe/engine_1_running", True, 7.0)),
    (9.0, reading("door/CA/latched", True, 9.0)),
    (11.0, reading("airframe/heartbeat", 3, 11.0)),
    (20.0, reading("door/L2/slide_released", False, 20.0)),
)


async def _play(bench: Bench, story: Iterable[tuple[float, Message]]) -> None:
    loop = asyncio.get_running_loop()
    for at, message in story:
        await asyncio.sleep(max(0.0, at - loop.time()))
        bench.deliver(message)


def _published(bench: Bench) -> list[Told]:
    return [told for told in bench.log if told.what in ("publish", "empty")]


@pytest.mark.looptime
@pytest.mark.parametrize("cut", range(1, len(STORY)))
async def test_a_snapshot_and_the_rest_are_as_good_as_no_interruption(cut: int) -> None:
    """Whatever the position: the state read back goes on as the one that never stopped."""
    whole = Bench(LoopHand()).up()
    await _play(whole, STORY[:cut])
    if cut % 2:
        whole.engine.save_snapshot()
    whole.commit()
    other = Bench(LoopHand(), journal=_disk_of(whole))
    other.engine._running = True  # takes up the work without telling of a start
    other.engine._arm()
    before = _published(whole)
    whole.log.clear()
    other.log.clear()
    await _play(_Both(whole, other), STORY[cut:])
    await asyncio.sleep(120)
    assert [e["type"] for e in whole.events("feed-lost")] == ["sillwatch.alert.raised"]
    assert _news(before, _published(other)) == _news(before, _published(whole))
    assert snapshot.dump(other.engine.system.record) == snapshot.dump(whole.engine.system.record)
    whole.engine.stop()
    other.engine.stop()


def _news(before: Iterable[Told], published: Iterable[Told]) -> list[tuple[str, Any]]:
    """What a subscriber learns: a door's document that says again what stood already is no news."""
    standing = {told.where: _said(told) for told in before}
    news = []
    for told in published:
        said = _said(told)
        if "/door/" not in told.where or standing.get(told.where) != said:
            news.append((told.where, said))
        standing[told.where] = said
    return news


def _said(told: Told) -> Any:
    if "/door/" not in told.where or not told.payload:
        return told.payload
    document = told.json
    document["evidence"] = [(e["signal"], e["value"], e["quality"], e["stale"]) for e in document["evidence"]]
    return document


class _Both(Bench):
    """Two engines that hear the same."""

    def __init__(self, *benches: Bench) -> None:
        self.benches = benches

    def deliver(self, message: Message) -> None:
        for bench in self.benches:
            bench.deliver(message)


@pytest.mark.looptime
async def test_a_stop_leaves_a_snapshot_and_a_restart_replays_nothing() -> None:
    bench = Bench(LoopHand()).up()
    await _play(bench, STORY)
    bench.engine.stop()
    bench.commit()
    restored = restore(demo_site(), bench.journal, codec())
    assert restored.replayed == 0
    assert restored.position == restored.snapshot_position == bench.journal.last_position()
    assert snapshot.dump(restored.system.record) == snapshot.dump(bench.engine.system.record)


@pytest.mark.looptime
async def test_snapshots_come_by_themselves() -> None:
    bench = Bench(LoopHand()).up()
    bench.deliver(arrival())
    for beat in range(2, 130):
        await asyncio.sleep(5)
        bench.deliver(reading("airframe/heartbeat", beat, 5.0 * beat))
    bench.commit()
    saved = bench.journal.latest_snapshot()
    assert saved is not None
    assert START + SNAPSHOT_EVERY <= saved.at <= START + SNAPSHOT_EVERY + 10 * SECOND
    assert restore(demo_site(), bench.journal, codec()).replayed < 20
    bench.engine.stop()


async def test_a_snapshot_of_another_form_is_passed_over() -> None:
    """An upgrade that cannot read the old snapshot replays the journal instead."""
    bench = Bench(Hand()).up()
    bench.deliver(arrival())
    bench.clock.at += SECOND
    bench.deliver(HANDLE)
    bench.engine.stop()
    bench.commit()
    saved = bench.journal.latest_snapshot()
    assert saved is not None
    bench.journal.save_snapshot(replace(saved, body=b'{"aircraft": 7}'))
    bench.commit()
    restored = restore(demo_site(), bench.journal, codec())
    assert restored.replayed == len(list(bench.journal.entries_after(0)))
    assert restored.system.record.aircraft[REG].doors["L1"].state == "armed_unlocked"


# What stands


@pytest.mark.looptime
async def test_what_is_held_is_what_was_published_last() -> None:
    """A reconnect publishes exactly the documents that a subscriber of the whole story holds."""
    bench = Bench(LoopHand()).up()
    await _play(bench, STORY)
    await asyncio.sleep(3)
    standing: dict[str, Any] = {}
    for told in _published(bench):
        if "/event/" not in told.where:
            standing[told.where] = told.json if told.payload else None
    written = {topic: write() for topic, write in bench.engine.held_outputs().items()}
    held: dict[str, Any] = {}
    for topic, outgoing in written.items():
        assert outgoing is not None
        assert (outgoing.topic, outgoing.retain) == (topic, True)
        held[topic] = json.loads(outgoing.payload)
    assert held.keys() == {topic for topic, document in standing.items() if document is not None}
    keys = ("state", "priority", "alert_id", "changed_at", "since", "slide", "deaf_to")
    for topic, document in held.items():
        assert {key: document.get(key) for key in keys} == {key: standing[topic].get(key) for key in keys}, topic
    bench.engine.stop()


async def test_observers_hear_of_every_step_with_its_effects() -> None:
    bench = Bench(Hand()).up()
    late: list[Step] = []

    class Late:
        def observe(self, step: Step) -> None:
            late.append(step)

    bench.engine.add_observer(Late())
    bench.deliver(arrival())
    bench.clock.at += SECOND
    bench.deliver(HANDLE)
    assert bench.steps[-2:] == late
    assert late[-1].now == bench.clock.at
    assert late[-1].received <= late[-1].done
    assert [e.type for e in late[-1].effects if isinstance(e, PublishEvent)] == ["raised"]
    bench.engine.stop()
