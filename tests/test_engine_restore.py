"""What a crash, a stop and an upgrade leave: the same ids, the same state, the same documents."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core import snapshot
from monitor.core.times import SECOND
from monitor.engine import SNAPSHOT_EVERY, restore
from monitor.ports import JournalError, Message
from tests.engine_bench import (
    ANSWERS,
    DISAGREE,
    HANDLE,
    HANDLE_HOME,
    ROOT,
    Bench,
    Disk,
    Hand,
    LoopHand,
    Told,
    arrival,
    bundle,
    reading,
)
from tests.stories import REG, START, codec, demo_site

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


async def test_a_row_that_nobody_here_can_read_is_refused_in_a_sentence() -> None:
    first = Bench(Hand()).up()
    first.deliver(arrival())
    first.commit()
    disk = _disk_of(first)
    last = list(disk.entries_after(0))[-1]
    disk.append(replace(last, position=last.position + 1, kind="moon-rose"))
    disk.commit()
    with pytest.raises(
        JournalError, match=r"^input \d+ of the journal cannot be read: .*moon-rose.*; if a newer Sillwatch"
    ):
        restore(demo_site(), disk, codec())


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
    standing.update({outgoing.topic: json.loads(outgoing.payload) for outgoing in bench.answers})
    written = {topic: write() for topic, write in bench.engine.held_outputs().items()}
    held: dict[str, Any] = {}
    for topic, outgoing in written.items():
        assert outgoing is not None
        assert (outgoing.topic, outgoing.retain) == (topic, True)
        held[topic] = json.loads(outgoing.payload)
    assert held.keys() == {topic for topic, document in standing.items() if document is not None}
    keys = ("state", "priority", "alert_id", "changed_at", "since", "slide", "deaf_to")
    for topic, document in held.items():
        if topic.startswith(ANSWERS):
            assert document == standing[topic]
        assert {key: document.get(key) for key in keys} == {key: standing[topic].get(key) for key in keys}, topic
    bench.engine.stop()
