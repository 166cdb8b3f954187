"""What the desk answers about a period, from a real engine and the journal in memory."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from typing import Any

import pytest

from monitor.adapters.alarm_watch import AlarmWatch
from monitor.adapters.desk import Desk, Identity
from monitor.adapters.gauges import EngineGauges
from monitor.adapters.tape import Excerpt, Tape
from monitor.adapters.vitals import Vitals
from monitor.adapters.web.measuring import AlarmHealthDocument, WatchedDocument
from monitor.core.alarm_health import ALL, ROLES, NothingRecordedError
from monitor.core.effects import PublishEvent
from monitor.core.times import HOUR, MINUTE, SECOND, format_time
from monitor.core.watched import NOT_RUNNING
from monitor.ports import Step
from tests.engine_bench import HANDLE, HANDLE_HOME, Bench, Hand, arrival, reading
from tests.stories import REG, START

DAY = 24 * HOUR


class Feed:
    """A broker connection that is there."""

    connected = True
    listening = asyncio.Event()
    reconnects = dropped = unacked = backlog = 0


class Office:
    """A running engine, whoever watches its alarms, and the desk that answers."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.watch = AlarmWatch(ROLES)
        bench.engine.add_observer(self.watch)
        self.desk = Desk(
            engine=bench.engine,
            clock=bench.clock,
            feed=Feed(),
            records=bench.journal,
            lag_s=lambda: 0.0,
            floods=self.watch.floods,
            vitals=Vitals(START),
            tape=Tape(EngineGauges(bench.engine, bench.clock), START),
            identity=Identity("one", "0", format_time(START), "tarnwick", "UTC"),
        )

    def tell(self, *stories: tuple[float, Any]) -> Office:
        """Deliver each message at its second of the story."""
        for at, message in stories:
            self.bench.clock.at = START + round(at * SECOND)
            self.bench.deliver(message)
        self.bench.commit()
        return self

    async def health(self, since_s: float, until_s: float) -> Any:
        return await self.desk.alarm_health(
            since=START + round(since_s * SECOND), until=START + round(until_s * SECOND)
        )

    async def watched(self, since_s: float, until_s: float, door: str | None = None) -> Any:
        since, until = (START + round(at * SECOND) for at in (since_s, until_s))
        return await self.desk.watched(REG, since=since, until=until, door=door)


@pytest.fixture
async def office() -> AsyncIterator[Office]:
    made = Office(Bench(Hand()).up()).tell((0, arrival()))
    yield made
    made.bench.engine.stop()


async def test_the_alarms_of_a_period_are_summed_up_from_the_journal(office: Office) -> None:
    office.tell((1, HANDLE), (3, HANDLE_HOME), (7200, reading("door/L1/handle_lifted", True, 7200)))
    document = await office.health(-3600, 3600)
    AlarmHealthDocument.model_validate(document)
    overall, roles = document["overall"], document["roles"]
    # The feed was lost after the handle, as nothing came for two hours.
    assert overall["by_code"] == {"armed-handle-moved": 1, "feed-lost": 1}
    assert overall["raised"] == sum(figures["raised"] for figures in roles.values()) == 2
    assert {alarm["door"] for alarm in overall["worst_ten"]["alarms"]} == {"L1", "-"}


async def test_time_before_the_record_begins_is_no_calm(office: Office) -> None:
    document = await office.health(-DAY / SECOND, 600)
    assert document["since"] == document["recorded_from"] == format_time(START)
    assert document["length_s"] == 600
    with pytest.raises(NothingRecordedError, match="the record begins at"):
        await office.health(-7200, -3600)


async def test_an_empty_journal_says_that_nothing_is_on_record() -> None:
    with pytest.raises(NothingRecordedError, match="nothing is on record yet"):
        await Office(Bench(Hand())).health(-60, 0)


async def test_curves_are_written_beside_the_loop_one_at_a_time(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half an hour of three curves is fifteen thousand samples: no alert may wait for them."""
    busy, threads = threading.Lock(), []
    write = Excerpt.describe

    def describe(excerpt: Excerpt) -> Any:
        assert busy.acquire(blocking=False)
        threads.append(threading.current_thread())
        try:
            return write(excerpt)
        finally:
            busy.release()

    monkeypatch.setattr(Excerpt, "describe", describe)
    answers = await asyncio.gather(*(office.desk.curves(REG) for _ in range(4)))
    assert [answer["aircraft"] for answer in answers if answer is not None] == [REG] * 4
    assert len(threads) == 4
    assert threading.main_thread() not in threads
    assert await office.desk.curves("ZZ-NONE") is None


async def test_what_is_stale_and_a_flood_is_of_the_present(office: Office) -> None:
    office.tell((1, HANDLE))
    office.bench.clock.at = START + DAY + 2 * SECOND
    document = await office.health(0, 60)
    assert "armed-handle-moved" in {alert["code"] for alert in document["stale"]["alerts"]}
    assert document["floods_now"] == dict.fromkeys((ALL, *ROLES))


def flood(role: str, at: int) -> list[PublishEvent]:
    data = {"role": role, "priority": "caution"}
    return [PublishEvent(REG, f"D{n}", "bottle-low", "raised", f"e{role}{n}", at, data) for n in range(11)]


async def test_a_flood_shows_as_it_comes_and_goes(office: Office) -> None:
    office.watch.observe(Step(START, None, flood("ops", START), 0.0, 0.0))
    assert office.desk.floods()["ops"] == office.desk.floods()[ALL] == START
    assert office.desk.floods()["door team"] is None
    assert (await office.health(-60, 60))["floods_now"]["ops"] == format_time(START)
    office.bench.clock.at = START + 10 * MINUTE
    assert office.desk.floods()["ops"] is None


async def test_a_flood_outlives_a_restart(office: Office) -> None:
    journal = office.bench.journal
    entry = list(journal.entries_after(0))[-1]
    told = tuple(flood("ops", START + SECOND))
    number = entry.position + 1
    journal.append(type(entry)(number, START + SECOND, "clock", "", b"", False, told))
    office.bench.commit()
    watch = AlarmWatch(ROLES)
    await watch.recall(journal, START + SECOND)
    assert watch.floods(START + 2 * SECOND)["ops"] == START + SECOND


async def test_what_could_be_seen_is_summed_up_from_the_journal(office: Office) -> None:
    office.tell(
        (60, reading("airframe/heartbeat", 2, 60)),
        (61, reading("door/L1/latched", True, 61, quality="bad")),
        (76, reading("door/L1/latched", True, 76)),
    )
    document = await office.watched(31, 91)
    WatchedDocument.model_validate(document)
    assert document["aircraft"] == REG
    assert document["minutes"] == 1
    assert set(document["doors"]) == {"-", *office.bench.engine.system.record.aircraft[REG].doors}
    watch = document["doors"]["L1"]["armed-handle-moved"]
    assert watch["reasons"]["bad"] == 0.25
    assert watch["watched_minutes"] + watch["deaf_minutes"] + watch["not_known_minutes"] == 1


async def test_what_was_before_an_aircraft_came_is_not_known(office: Office) -> None:
    watch = (await office.watched(-30, 30, "L1"))["doors"]["L1"]["armed-handle-moved"]
    assert (watch["not_known_minutes"], watch["watched_minutes"]) == (0.5, 0.5)


async def test_while_the_monitor_was_off_nothing_was_watched(office: Office) -> None:
    office.bench.engine.stop()
    office.bench.commit()
    again = Bench(Hand(START + 300 * SECOND), journal=office.bench.journal)
    after = Office(again.up())
    document = await after.watched(0, 300, "L1")
    after.bench.engine.stop()
    assert document["monitor_not_running"] == [
        {"since": format_time(START), "until": format_time(START + 300 * SECOND)}
    ]
    assert document["doors"]["L1"]["armed-handle-moved"]["reasons"] == {NOT_RUNNING: 5}


@pytest.mark.parametrize("door", ["L9", "X"])
async def test_there_is_no_answer_for_what_is_not_there(office: Office, door: str) -> None:
    assert await office.watched(0, 60, door) is None
    assert await office.desk.watched("TW-999", since=START, until=START + SECOND, door=None) is None
