"""What is left out must never leave an older value standing: mixed senders, refused words, and readings that still wait."""

from __future__ import annotations

import asyncio
import json
from typing import Any, Final

import pytest

from monitor.adapters.intake import TAKEN_A_TURN
from monitor.core.times import SECOND
from monitor.ports import Message, settle_nothing
from tests.adapters.test_intake import CLOSED, PRESSURE, REG, ROOT, TRAVEL, Engine, Pile, intake_of, message, until
from tests.stories import START

REFUSED: Final = (("refused", 1),)
HERE: Final = (REG, "L1", "closed")


def bundle(readings: dict[str, Any], at: float) -> Message:
    body = {"time": START / SECOND + at, "readings": readings}
    return Message(f"{ROOT}/aircraft/{REG}/bundle", json.dumps(body).encode(), False)


def test_a_word_is_no_repeat_where_a_bundle_may_have_said_another_meanwhile() -> None:
    pile = Pile()
    pile.put(message(CLOSED, False, 0))
    pile.put(bundle({CLOSED: True}, 1))
    pile.put(message(CLOSED, False, 2))
    assert pile.settled == []
    last = None
    while (waiting := pile.queue.take()) is not None:
        last = json.loads(waiting.message.payload)
    assert last is not None
    assert last["value"] is False, "the door is not closed"
    pile.put(message(CLOSED, False, 3))
    assert pile.put(message(CLOSED, False, 4)) in pile.settled, "without a bundle it is"


def test_a_refused_word_is_doubted_though_older_ones_of_it_are_taken_after() -> None:
    pile = Pile(last=2)
    pile.put(message(CLOSED, True, 0))
    pile.put(message("door/R1/closed", True, 0))
    pile.put_unanswered(message(CLOSED, False, 1))
    pile.take_all()
    shed = pile.shed
    assert (shed.counts, shed.readings) == (REFUSED, (HERE,))


def test_what_was_told_is_told_again_once_an_older_reading_was_taken_after_that() -> None:
    pile = Pile(last=2)
    pile.put(message(CLOSED, True, 0))
    pile.put(message("door/R1/closed", True, 0))
    pile.put_unanswered(message(CLOSED, False, 1))
    assert pile.shed.readings == (HERE,)
    assert not pile.queue.has_shed
    pile.take_all()
    assert pile.queue.has_shed
    shed = pile.shed
    assert (shed.counts, shed.readings) == ((), (HERE,))
    pile.put(message(CLOSED, True, 2))
    pile.take_all()
    assert not pile.queue.has_shed, "a newer one is known again"


def test_a_quantity_is_doubted_though_a_bundle_older_than_it_is_taken_after() -> None:
    pile = Pile(quantities=2, last=100)
    pile.put(bundle({TRAVEL: 0.1}, 0))
    pile.put(message(TRAVEL, 0.9, 1))
    pile.put(message(CLOSED, False, 1))
    while pile.queue.take() is not None:
        pass
    assert pile.shed.readings == ((REG, "L1", "travel"),)


def test_the_weather_that_was_refused_is_told_again_likewise() -> None:
    pile = Pile(last=1)
    pile.put(message("stand/S12/wind_kt", 20.0, 0))
    pile.put_unanswered(message("stand/S12/wind_kt", 60.0, 1))
    assert pile.shed.weather == (("S12", "wind_kt"),)
    pile.take_all()
    assert pile.shed.weather == (("S12", "wind_kt"),)


async def test_what_is_taken_at_once_is_not_told_to_be_lost() -> None:
    engine = Engine()
    intake = intake_of(engine)
    engine.full = True
    intake.offer(message(CLOSED, True, 0), lambda: None)
    await until(lambda: not intake._taken)
    intake.offer(message(PRESSURE, 1.0, 1), settle_nothing)
    engine.full = False
    await until(lambda: not intake._stalled)
    assert not engine.shed
    intake.offer(message(PRESSURE, 2.0, 2), lambda: None)
    assert engine.taken[-1].endswith(PRESSURE), "at once"
    await until(lambda: engine.shed)
    assert (engine.shed[0].counts, engine.shed[0].readings) == (REFUSED, ())
    intake.close()


async def test_a_turn_takes_its_share_however_often_something_woke_the_queue() -> None:
    engine = Engine()
    intake = intake_of(engine, window=64)
    engine.depth = 48
    for n in range(200):
        intake.offer(message(CLOSED, n % 2 == 0, n), lambda: None)
    for _ in range(5):
        intake._wake()
    await asyncio.sleep(0)
    before = len(engine.taken)
    await asyncio.sleep(0)
    assert len(engine.taken) - before == TAKEN_A_TURN
    intake.close()


async def test_what_takes_long_has_a_turn_for_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    engine = Engine()
    spent = 0.0
    monkeypatch.setattr("monitor.adapters.intake.time.thread_time", lambda: spent + len(engine.taken) * 0.003)
    intake = intake_of(engine)
    for n in range(6):
        intake.offer(message(CLOSED, n % 2 == 0, n), lambda: None)
    assert len(engine.taken) == 2, "6 ms are more than a turn has"
    await asyncio.sleep(0)
    assert len(engine.taken) == 4
    await until(lambda: len(engine.taken) == 6)
    intake.close()


def test_what_the_broker_retained_waits_whatever_comes() -> None:
    """It comes once, at a start: neither its quantities nor what asks for no answer may be left out."""
    pile = Pile(quantities=2, last=4)
    for number in range(1, 5):
        pile.put(message(f"door/L{number}/travel", 0.1, 0, retain=True))
        pile.put_unanswered(message(f"door/R{number}/closed", False, 0, retain=True))
    assert pile.settled == []
    live = pile.put(message(TRAVEL, 0.2, 1))
    assert pile.settled == [live]
    assert pile.shed.counts == (("analogue", 1),)
    assert len(pile.take_all()) == 8


async def test_a_burst_within_the_brokers_window_comes_through_whole() -> None:
    engine = Engine()
    intake = intake_of(engine, window=64)
    for n in range(64):
        intake.offer(message(f"door/L{n % 4 + 1}/travel", n / 64, n), lambda: None)
    await until(lambda: not intake.waiting)
    assert len(engine.taken) == 64
    assert intake.shed == 0
    intake.close()


async def test_nothing_is_taken_or_acknowledged_once_it_is_closed() -> None:
    engine = Engine()
    intake = intake_of(engine)
    settled: list[int] = []
    for n in range(TAKEN_A_TURN + 2):
        intake.offer(message(CLOSED, n % 2 == 0, n), lambda n=n: settled.append(n))
    intake.close()
    intake.offer(message(CLOSED, True, 99), lambda: settled.append(99))
    await asyncio.sleep(0)
    assert len(engine.taken) == TAKEN_A_TURN
    assert settled == []
