"""The engine's order of work: publish, then make durable, then let the sender know."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest

from monitor.core import snapshot
from monitor.core.effects import Effect, PublishEvent, PublishReadiness, RecordAudit, RefuseCommand
from monitor.core.events import AlertAcknowledged, AlertShelved, DoorReset, Event
from monitor.core.times import MINUTE, SECOND
from monitor.engine import CLOCK, FAULT, MESSAGE
from monitor.ports import Message, Step
from tests.engine_bench import DISAGREE, HANDLE, HANDLE_HOME, ROOT, Bench, Hand, LoopHand, alert_of, arrival, reading
from tests.stories import REG, START

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
    assert {t.where.split("/")[2] for t in bench.log if t.what == "publish"} == {"event", "active", "door", "procedure"}
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
    [refusal] = [effect for effect in await answer if not isinstance(effect, PublishReadiness)]
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
    advance = bench.engine.system.advance
    failed: list[int] = []

    def fail_once(now: int, **bounds: Any) -> list[Effect]:
        effects = advance(now, **bounds)
        if not failed and any(not isinstance(effect, PublishReadiness) for effect in effects):
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


# Answers


@pytest.mark.looptime
async def test_answers_follow_what_was_heard_and_leave_no_trace_in_the_journal() -> None:
    bench = Bench(LoopHand()).up()
    bench.deliver(arrival())
    bench.commit()
    position = bench.journal.last_position()
    await asyncio.sleep(0.1)
    [first] = bench.answers
    assert (first.topic, first.retain) == (f"sillwatch/v1/readiness/tarnwick/{REG}", True)
    assert json.loads(first.payload)["doors"]["L1"]["verdict"] == "stopped by"
    assert bench.journal.last_position() == position
    assert first.topic in bench.engine.held_outputs()
    bench.engine.stop()


@pytest.mark.looptime
async def test_while_deliveries_wait_answers_are_few_and_no_hazard_is_late() -> None:
    bench = Bench(LoopHand()).up()
    waiting = True
    bench.engine.deliveries_wait = lambda: waiting
    whole = arrival()
    bench.deliver(whole)
    bench.deliver(reading("door/CA/latched", False, 0.01))
    for number in range(100):
        others = whole.topic.replace(REG, f"ZZ-W{number:03d}")
        bench.deliver(whole._replace(topic=others, payload=whole.payload.replace(b"airframe/stand", b"airframe/gone")))
    await asyncio.sleep(0.9)
    bench.deliver(reading("door/L1/flap_pressed", True, 0.9))
    assert 40 <= len(bench.answers) <= 46, "one in 20 ms, and not none"
    assert bench.lifecycle("lock-disagree") == []
    await asyncio.sleep(0.15)
    assert bench.lifecycle("lock-disagree") == ["raised"], "in its own time: it waits for no answer"
    waiting = False
    bench.deliver(reading("door/L1/flap_pressed", False, 1.05))
    await asyncio.sleep(0.7)
    assert len({answer.topic for answer in bench.answers}) == 101, "what had waited is looked at"
    bench.engine.stop()
