"""What a broker delivers again, perhaps after newer messages: taken by its own order, a sign of nothing else."""

from __future__ import annotations

import json
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.events import ReadingsArrived
from monitor.core.times import SECOND
from monitor.engine import take_message
from monitor.ports import Message
from tests.stories import START, Story, alder, codec

LATCHED: Final = "door/L1/latched"
BEACON: Final = "airframe/beacon"


def deliver_again(story: Story, path: str, value: Any, *, time: float, seq: int | None, at: float) -> None:
    """Have the broker deliver once more what was sent at ``time`` (seconds of the story)."""
    story.until(at)
    body = {"time": START / SECOND + time, "value": value, **({} if seq is None else {"seq": seq})}
    message = Message(story.topic(path), json.dumps(body).encode(), False, again=True)
    story._note(take_message(story.system, codec(), message, story.now)[1])


def test_the_codec_hands_the_flag_on() -> None:
    for path in (BEACON, "stand/S12/wind_kt"):
        message = Message(
            alder().topic(path),
            b'{"time": 1, "value": 1}' if "wind" in path else b'{"time":1,"value":true}',
            False,
            True,
        )
        event = codec().decode(message)
        assert not isinstance(event, list)
        assert event.again is True
    event = codec().decode(
        Message(alder().topic("bundle"), b'{"time":1,"readings":{"airframe/beacon":true}}', False, True)
    )
    assert isinstance(event, ReadingsArrived)
    assert event.again


def test_what_was_never_seen_counts_although_it_comes_again() -> None:
    story = alder()
    deliver_again(story, BEACON, True, time=9.0, seq=7, at=10)
    assert story.value(BEACON) is True
    assert story.dropped() == []


@pytest.mark.parametrize(("time", "seq"), [(9.0, 4), (9.0, None), (10.0, 4)])
def test_what_a_newer_one_overtook_is_dropped_by_a_name_of_its_own(time: float, seq: int | None) -> None:
    story = alder()
    story.send(BEACON, False, at=10, seq=5)
    deliver_again(story, BEACON, True, time=time, seq=seq, at=12)
    assert story.value(BEACON) is False
    assert story.dropped() == ["overtaken"]


def test_redeliveries_that_advance_for_long_are_no_sender_that_restarted() -> None:
    """A door left unlatched stays unlatched, whatever old words come in after it."""
    story = alder()
    story.send(LATCHED, False, at=30, seq=100)
    for number in range(15):
        deliver_again(story, LATCHED, True, time=1.0 + number, seq=10 + number, at=31.0 + number)
    assert story.value(LATCHED) is False
    assert story.state("L1") != "closed_locked"
    assert set(story.dropped()) == {"overtaken"}
    assert story.system.record.aircraft[story.reg].sender.epoch == 0


def test_redeliveries_between_do_not_end_the_run_of_a_sender_that_did_restart() -> None:
    story = alder()
    story.send(BEACON, False, at=30, seq=100)
    for number in range(13):
        story.send(BEACON, True, at=31.0 + number, time=1.0 + number, seq=number)
        deliver_again(story, LATCHED, True, time=30.0, seq=500 + number, at=31.5 + number)
    assert story.value(BEACON) is True, "its own readings let it in"


def test_a_restart_since_lets_no_old_redelivery_in() -> None:
    story = alder(beating=False)
    story.send(BEACON, False, at=30, seq=100)
    for number in range(13):
        # On two topics, as a whole sender that restarted; no beat comes in between.
        for path in (BEACON, "airframe/chocks"):
            story.send(path, True, at=31.0 + number, time=1.0 + number, seq=number)
    assert story.system.record.aircraft[story.reg].sender.epoch == 1
    story.send(LATCHED, False, at=45, time=14.0, seq=9)
    deliver_again(story, LATCHED, True, time=13.0, seq=8, at=46)
    assert story.value(LATCHED) is False


def test_receipt_orders_no_redelivery_where_a_stamp_is_far_ahead() -> None:
    story = alder()
    story.send(BEACON, False, at=10, time=500, seq=None)
    deliver_again(story, BEACON, True, time=9.0, seq=None, at=12)
    assert story.value(BEACON) is False


def test_its_lag_says_nothing_of_the_senders_clock() -> None:
    story = alder()
    for at in range(1, 6):
        story.beat(at)
    before = list(story.system.record.aircraft[story.reg].sender.offsets)
    deliver_again(story, BEACON, True, time=5.0, seq=9, at=20)
    assert story.system.record.aircraft[story.reg].sender.offsets == before
    assert story.told("clock-skew") == []


def test_an_alert_from_one_that_is_late_is_marked_and_told_again_once_the_backlog_is_over() -> None:
    story = alder()
    for at in range(1, 6):
        story.beat(at)
    story.send("door/L1/lever_armed", True, at=6)
    story.send("door/L1/girt_left", True, at=6)
    story.send("door/L1/girt_right", True, at=6)
    deliver_again(story, "door/L1/handle_lifted", True, time=10.0, seq=99, at=60)
    raised = story.told("armed-handle-moved", "L1")
    assert [(event.type, event.data.get("late")) for event in raised] == [("raised", True)]
    story.beat(61)
    again = story.told("armed-handle-moved", "L1")[1:]
    assert [(event.type, event.data.get("late")) for event in again] == [("reraised", None)]


def test_a_beat_out_of_its_turn_is_no_second_series() -> None:
    story = alder()
    for at in range(1, 40, 2):
        story.beat(at)
    beat = story.value("airframe/heartbeat")
    for number in range(10):
        deliver_again(story, "airframe/heartbeat", beat - 10 + number, time=20.0 + number, seq=None, at=40.0 + number)
        story.beat(40.5 + number)
    assert story.told("identity-conflict") == []


def test_old_wind_that_comes_again_is_not_let_in() -> None:
    story = alder()
    story.send("stand/S11/wind_kt", 30.0, at=30, seq=100)
    for number in range(15):
        deliver_again(story, "stand/S11/wind_kt", 2.0, time=1.0 + number, seq=10 + number, at=31.0 + number)
    assert story.system.record.stands["S11"].readings["wind_kt"].value == 30.0


@given(
    st.lists(st.booleans(), min_size=2, max_size=12),
    st.data(),
)
def test_the_newest_word_stands_in_whichever_order_it_comes_again(values: list[bool], data: st.DataObject) -> None:
    """The last word, once delivered, stays; all before it may come again in any order, any number of times."""
    story = alder()
    story.send(LATCHED, values[-1], at=20, seq=100 + len(values))
    earlier = data.draw(st.lists(st.integers(0, len(values) - 2), max_size=20))
    for turn, number in enumerate(earlier):
        deliver_again(story, LATCHED, values[number], time=1.0 + number, seq=100 + number, at=21.0 + turn)
    assert story.value(LATCHED) is values[-1]
