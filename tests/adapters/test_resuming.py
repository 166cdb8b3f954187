"""After a session was resumed what the broker delivers again goes first, by its stamps, and nothing is lost."""

from __future__ import annotations

import asyncio
import itertools
import json

import pytest

from monitor.adapters.broker import ACK_WAIT_S
from monitor.adapters.resuming import HOLD_MAX_S, HOLD_S, QUIET_S, Resuming
from monitor.ports import Message, settle_nothing
from tests.stories import codec

TOPIC = "apron/v1/tarnwick/aircraft/ZK-01/door/L1/handle_lifted"


def word(time: int, *, again: bool = False, retained: bool = False) -> Message:
    return Message(TOPIC, json.dumps({"time": time, "value": True}).encode(), retained, again)


def times(passed: list[Message]) -> list[int]:
    return [json.loads(message.payload)["time"] if message.payload else 0 for message in passed]


@pytest.fixture
def passed() -> list[Message]:
    return []


@pytest.fixture
def resuming(passed: list[Message]) -> Resuming:
    return Resuming(codec(), lambda message, _settle: passed.append(message))


def settle() -> None:
    """Some delivery's acknowledgement."""


def test_it_holds_for_longer_than_our_own_broker_waits() -> None:
    assert HOLD_S > ACK_WAIT_S


@pytest.mark.looptime
async def test_newer_ones_wait_for_what_is_delivered_again(resuming: Resuming, passed: list[Message]) -> None:
    resuming.note_connected("3.1.1", True)
    for message in (word(5), word(4, again=True), word(6), word(2, again=True), word(3, again=True)):
        resuming.take(message, settle)
    assert passed == []
    assert resuming.waiting == 5
    await asyncio.sleep(HOLD_S + 0.01)
    assert times(passed) == [2, 3, 4, 5, 6]
    assert resuming.waiting == 0
    resuming.take(word(7), settle)
    resuming.take(word(1, again=True), settle)
    assert times(passed)[5:] == [7, 1], "later on nothing waits"


@pytest.mark.looptime
async def test_a_slow_broker_is_waited_for_but_not_for_ever(resuming: Resuming, passed: list[Message]) -> None:
    resuming.note_connected("3.1.1", True)
    resuming.take(word(9), settle)
    await asyncio.sleep(HOLD_S - 0.1)
    resuming.take(word(8, again=True), settle)
    await asyncio.sleep(QUIET_S - 0.01)
    assert passed == []
    resuming.take(word(7, again=True), settle)
    await asyncio.sleep(QUIET_S + 0.01)
    assert times(passed) == [7, 8, 9]
    resuming.note_connected("3.1.1", True)
    for number in range(int(HOLD_MAX_S / 0.1) + 1):
        resuming.take(word(20 + number, again=True), settle)
        await asyncio.sleep(0.1)
    assert resuming.waiting == 0


@pytest.mark.parametrize(("version", "present"), [("5", True), ("3.1.1", False)])
async def test_nothing_waits_where_the_broker_keeps_the_order_or_the_session_is_new(
    resuming: Resuming, passed: list[Message], version: str, present: bool
) -> None:
    resuming.note_connected(version, present)
    resuming.take(word(1), settle)
    assert times(passed) == [1]


@pytest.mark.looptime
async def test_what_is_retained_goes_last_and_what_has_no_stamp_stays_where_it_came(
    resuming: Resuming, passed: list[Message]
) -> None:
    resuming.note_connected("3.1.1", True)
    withdrawn = Message(TOPIC, b"", False, True)
    for message in (word(9, retained=True), word(8), word(3, again=True), withdrawn, word(2, again=True)):
        resuming.take(message, settle)
    await asyncio.sleep(HOLD_S + 0.01)
    assert times(passed) == [2, 3, 0, 8, 9]


async def test_what_has_no_acknowledgement_has_no_order_to_wait_for(resuming: Resuming, passed: list[Message]) -> None:
    resuming.note_connected("3.1.1", True)
    resuming.take(word(1), settle_nothing)
    assert times(passed) == [1]
    resuming.close()


@pytest.mark.looptime
async def test_a_connection_lost_meanwhile_loses_nothing(resuming: Resuming, passed: list[Message]) -> None:
    resuming.note_connected("3.1.1", True)
    resuming.take(word(2), settle)
    resuming.take(word(1, again=True), settle)
    resuming.note_connected("3.1.1", True)
    assert times(passed) == [1, 2], "before anything that the new one brings"
    resuming.take(word(4), settle)
    resuming.take(word(3, again=True), settle)
    await asyncio.sleep(HOLD_S + 0.01)
    assert times(passed) == [1, 2, 3, 4]


@pytest.mark.looptime
async def test_at_the_end_nothing_is_passed_on(resuming: Resuming, passed: list[Message]) -> None:
    resuming.note_connected("3.1.1", True)
    resuming.take(word(1), settle)
    resuming.close()
    await asyncio.sleep(2 * HOLD_S)
    assert passed == []


@pytest.mark.looptime
@pytest.mark.parametrize("order", list(itertools.permutations([(1, True), (2, True), (3, False)])))
async def test_in_whichever_order_they_come(
    resuming: Resuming, passed: list[Message], order: tuple[tuple[int, bool], ...]
) -> None:
    resuming.note_connected("3.1.1", True)
    for time, again in order:
        resuming.take(word(time, again=again), settle)
    await asyncio.sleep(HOLD_S + 0.01)
    assert times(passed) == [1, 2, 3]
