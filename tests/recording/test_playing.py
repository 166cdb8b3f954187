"""A capture played again: at its pace times the speed, its payloads' times moved with it and nothing else altered."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.adapters.capture import CaptureLine
from monitor.adapters.wire import parse_stamp
from monitor.core.times import SECOND, format_time
from monitor.ports import Message, Outgoing
from monitor.recording.lengths import parse_length
from monitor.recording.playing import AGAIN_AFTER, Player
from monitor.recording.retiming import retime
from tests.stories import START

NOW = START + 77_777 * SECOND
TOPIC = "apron/v1/site/aircraft/ZT-1/door/L1/closed"


class Stage:
    """A clock that moves when it is waited for, and a broker that writes down."""

    def __init__(self, *, speed: float = 1.0, keep_times: bool = False, as_recorded: bool = False) -> None:
        self.at = NOW
        self.sent: list[tuple[int, Outgoing]] = []
        self.stall = 0
        self.ends_after: int | None = None
        self.player = Player(
            speed=speed,
            keep_times=keep_times,
            as_recorded=as_recorded,
            now=lambda: self.at,
            wait=self._wait,
            send=self._send,
        )

    def _wait(self, length: int) -> bool:
        self.at += length
        return True

    def _send(self, outgoing: Outgoing) -> bool:
        if len(self.sent) == self.ends_after:
            return False
        self.sent.append((self.at, outgoing))
        self.at, self.stall = self.at + self.stall, 0
        return True

    def times(self) -> list[int]:
        return [parse_stamp(json.loads(outgoing.payload)["time"]) for _, outgoing in self.sent]


def line(at: float, *, time: float | None = None, topic: str = TOPIC, retain: bool = False, **more: Any) -> CaptureLine:
    stamp = format_time(START + round((at if time is None else time) * SECOND))
    payload = json.dumps({"time": stamp, "value": True, **more}).encode()
    return CaptureLine(START + round(at * SECOND), Message(topic, payload, retain))


@pytest.mark.parametrize("speed", [0.5, 1.0, 20.0])
def test_pace_and_times_go_together(speed: float) -> None:
    stage = Stage(speed=speed)
    assert stage.player.play([line(10, time=9.9), line(12, time=11.5), line(20, time=20.2, retain=True)])
    due = [NOW + round(after * SECOND / speed) for after in (0, 2, 10)]
    assert [at for at, _ in stage.sent] == due
    # As far behind or ahead of its message as it was recorded, by the speed.
    assert stage.times() == [at + round(off * SECOND / speed) for at, off in zip(due, (-0.1, -0.5, 0.2), strict=True)]
    assert [outgoing.retain for _, outgoing in stage.sent] == [False, False, True]
    assert stage.player.played.sent == 3


def test_all_is_marked_as_simulated_unless_it_is_not_wanted() -> None:
    lines = [line(0), line(1, simulated=False), CaptureLine(START, Message(TOPIC, b"", True))]
    stage = Stage()
    stage.player.play(lines)
    assert [json.loads(out.payload).get("simulated") for _, out in stage.sent[:2]] == [True, True]
    assert stage.sent[2][1] == Outgoing(TOPIC, b"", True)
    stage = Stage(as_recorded=True, keep_times=True)
    stage.player.play(lines)
    assert [out.payload for _, out in stage.sent] == [each.message.payload for each in lines if each.message]


def test_a_monitors_own_words_are_left_out() -> None:
    stage = Stage()
    stage.player.play([line(0, topic="sillwatch/v1/status/x"), line(0, topic="$SYS/uptime"), line(1)])
    assert [out.topic for _, out in stage.sent] == [TOPIC]
    assert (stage.player.played.sent, stage.player.played.left_out) == (1, 2)


def test_what_no_broker_can_carry_is_left_out() -> None:
    """A hand-made capture may hold it; the client's library would raise at it."""
    stage = Stage()
    stage.player.play([line(0, topic="a/+/b"), line(0, topic="a/#"), line(1)])
    assert [out.topic for _, out in stage.sent] == [TOPIC]
    assert (stage.player.played.sent, stage.player.played.unsendable) == (1, 2)


def test_a_stall_is_not_made_up_for() -> None:
    stage = Stage()
    stage.stall = 60 * SECOND
    stage.player.play([line(0), line(1), line(2), line(3)])
    assert [at - NOW for at, _ in stage.sent] == [0, 60 * SECOND, 61 * SECOND, 62 * SECOND]
    assert stage.times() == [at for at, _ in stage.sent]


def test_it_begins_again_behind_its_end() -> None:
    stage = Stage()
    for _ in range(2):
        assert stage.player.play([line(0), line(5), CaptureLine(START + 8 * SECOND, None)])
    again = 8 * SECOND + AGAIN_AFTER
    assert [at - NOW for at, _ in stage.sent] == [0, 5 * SECOND, again, again + 5 * SECOND]
    assert stage.times() == sorted(set(stage.times()))


def test_it_ends_where_it_is_told_to() -> None:
    stage = Stage()
    stage.ends_after = 1
    assert not stage.player.play([line(0), line(1), line(2)])
    assert len(stage.sent) == 1


# Payloads

_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@given(
    st.dictionaries(st.text().filter(lambda key: key not in ("time", "simulated")), _VALUES, max_size=4),
    st.integers(0, 2**32),
    st.booleans(),
    st.sampled_from([None, 0, 1]),
)
@settings(max_examples=40)
def test_nothing_but_the_time_and_the_mark_is_altered(
    fields: dict[str, Any], seconds: int, simulated: bool, indent: int | None
) -> None:
    document = {"time": seconds, **fields}
    payload = json.dumps(document, indent=indent).encode()
    moved = retime(payload, lambda at: at + 7 * SECOND, simulated=simulated)
    expected = {**document, "time": seconds + 7, **({"simulated": True} if simulated else {})}
    assert json.loads(moved) == expected
    back = retime(moved, lambda at: at - 7 * SECOND, simulated=False)
    if not simulated:
        assert back == payload
    assert retime(payload, None, simulated=False) == payload


@pytest.mark.parametrize(
    "payload",
    [b"", b"{", b"[1]", b"null", b"7", b"\xff", b'{"time": 1} x', b'{"time" 1}', b'{"a": 1,}', b"[" * 5000, b'{"a":'],
)
def test_what_is_no_object_is_left_alone(payload: bytes) -> None:
    assert retime(payload, lambda at: at + 1, simulated=True) == payload


@pytest.mark.parametrize("time", ['"yesterday"', "true", "null", "1e400", "NaN", "[]", '"\\ud800"'])
def test_a_time_that_is_none_stays(time: str) -> None:
    payload = f'{{"time":{time},"value":0.30000000000000004440}}'.encode()
    assert retime(payload, lambda at: at + SECOND, simulated=False) == payload
    assert retime(payload, lambda at: at + SECOND, simulated=True) == payload[:-1] + b',"simulated":true}'


def test_a_time_keeps_its_form() -> None:
    def move(at: int) -> int:
        return at + 1500

    assert retime(b'{ "time" : 1772359200.125 }', move, simulated=False) == b'{ "time" : 1772359200.1265 }'
    assert retime(b'{"time":1772359200}', move, simulated=False) == b'{"time":1772359200.0015}'
    text = retime(b'{"time":"2026-03-01T12:00:00+02:00"}', move, simulated=False)
    assert text == b'{"time":"2026-03-01T10:00:00.001500Z"}'
    assert retime(b'{"a":{"time":1},"simulated":false}', move, simulated=True) == b'{"a":{"time":1},"simulated":true}'
    assert retime(b"{}", move, simulated=True) == b'{"simulated":true}'


@pytest.mark.parametrize(("text", "length"), [("90s", 90), ("30min", 1800), ("1.5h", 5400), ("2d", 172_800)])
def test_lengths(text: str, length: int) -> None:
    assert parse_length(text) == length * SECOND


@pytest.mark.parametrize("text", ["", "90", "0s", "s", "-5s", "5 weeks", "1h30min"])
def test_what_is_no_length(text: str) -> None:
    with pytest.raises(ValueError, match="is not a length of time"):
        parse_length(text)
