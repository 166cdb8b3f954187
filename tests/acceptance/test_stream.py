"""The live stream, read as a browser reads it: a snapshot, then changes, then on from where it was cut.

Source of the format: the WHATWG HTML standard, "Server-sent events".
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

import httpx
import pytest

from tests.acceptance.conftest import Live
from tests.acceptance.programs import Instance, until
from tests.stories import ARMED

pytestmark = pytest.mark.broker

FRAMES_MAX = 5000


class Frame(NamedTuple):
    """One event of the stream."""

    id: str
    name: str
    data: Any


@contextmanager
def open_stream(instance: Instance, last: str | None = None) -> Iterator[Iterator[Frame]]:
    """Open the stream, after ``last`` where it is given."""
    headers = {"Accept": "text/event-stream", **({"Last-Event-ID": last} if last is not None else {})}
    with instance.http.stream("GET", "/api/v1/stream", headers=headers, timeout=20) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].partition(";")[0] == "text/event-stream"
        assert answer.headers["cache-control"] == "no-store"
        yield _frames(answer)


def _frames(answer: httpx.Response) -> Iterator[Frame]:
    fields: dict[str, str] = {}
    for line in answer.iter_lines():
        if line:
            name, _, value = line.partition(": ")
            fields[name] = value
        elif "event" in fields:
            yield Frame(fields.get("id", ""), fields["event"], json.loads(fields["data"]))
            fields.clear()
        else:
            fields.clear()


def read_until(frames: Iterator[Frame], wanted: Callable[[Frame], bool]) -> list[Frame]:
    """Read up to the frame that is wanted; the stream's own beats bound the wait."""
    read: list[Frame] = []
    for frame in frames:
        read.append(frame)
        if wanted(frame):
            return read
        assert len(read) < FRAMES_MAX, "never came"
    raise AssertionError(f"the stream ended after {[frame.name for frame in read]}")


def of(reg: str, name: str, **fields: Any) -> Callable[[Frame], bool]:
    """A frame of one kind about one aircraft."""

    def matches(frame: Frame) -> bool:
        if frame.name != name or frame.data.get("aircraft") != reg:
            return False
        return all((frame.data.get("document") or frame.data).get(key) == value for key, value in fields.items())

    return matches


def test_a_snapshot_and_then_changes(live_mosquitto: Live) -> None:
    live, sender = live_mosquitto, live_mosquitto.arrived()
    sender.at_door("L1", **ARMED)
    live.instance.wait_door(sender.reg, "L1", "armed")
    with open_stream(live.instance) as frames:
        snapshot = next(frames)
        assert snapshot.name == "snapshot"
        assert snapshot.data["site"] == live.instance.wait_ready()["site"]
        [row] = [row for row in snapshot.data["aircraft"] if row["aircraft"] == sender.reg]
        assert row["doors"]["L1"]["state"] == "armed"
        assert row["door_states"]["R2"] == "closed_locked"
        sender.send("door/L1/handle_lifted", True)
        read = read_until(frames, of(sender.reg, "active", code="armed-handle-moved"))
        ours = [f for f in read if f.data.get("aircraft") == sender.reg and f.name in ("event", "active", "door")]
        assert {frame.name for frame in ours} >= {"event", "active"}
        # The aircraft's row is told ahead of the door where it is new to the stream, else soon after it.
        read += read_until(frames, of(sender.reg, "door", state="armed_unlocked"))
        if not any(of(sender.reg, "aircraft")(frame) for frame in read):
            read += read_until(frames, of(sender.reg, "aircraft"))
    ids = [frame.id for frame in (snapshot, *read) if frame.id]
    assert len(ids) == len(set(ids))


def test_beats_say_that_it_lives(live_mosquitto: Live) -> None:
    sender = live_mosquitto.arrived()
    with open_stream(live_mosquitto.instance) as frames:
        first = read_until(frames, lambda frame: frame.name == "beat")[-1]
        second = read_until(frames, lambda frame: frame.name == "beat" and frame.data["health"]["ready"])[-1]
    assert first.data["now"] < second.data["now"]
    assert sender.reg in second.data["heard"]
    assert second.id == "", "a beat is no change to go on from"


def test_a_known_id_goes_on_from_there(live_mosquitto: Live) -> None:
    """A page that lost its connection misses nothing and is not started over."""
    live, sender = live_mosquitto, live_mosquitto.arrived()
    sender.at_door("L1", **ARMED)
    with open_stream(live.instance) as frames:
        next(frames)
        sender.send("door/L1/handle_lifted", True)
        last = read_until(frames, of(sender.reg, "active", code="armed-handle-moved"))[-1]
    sender.send("door/L1/handle_lifted", False)
    live.instance.wait_alert(sender.reg, "armed-handle-moved", "L1", state="rtn_unacknowledged")
    with open_stream(live.instance, last.id) as frames:
        missed = read_until(frames, lambda frame: frame.name == "beat")
    assert "snapshot" not in [frame.name for frame in missed]
    events = [frame.data["type"] for frame in missed if frame.name == "event" and frame.data["aircraft"] == sender.reg]
    assert events == ["sillwatch.alert.cleared"]
    assert last.id not in [frame.id for frame in missed]


def test_an_id_of_another_run_gets_a_snapshot(live_mosquitto: Live) -> None:
    for unknown in ("0123456789ab-7", "nonsense", "", "-1"):
        with open_stream(live_mosquitto.instance, unknown) as frames:
            assert next(frames).name == "snapshot"


def test_a_client_that_leaves_is_let_go(live_mosquitto: Live) -> None:
    instance = live_mosquitto.instance
    with open_stream(instance) as frames:
        next(frames)
        assert instance.counter("sillwatch_stream_clients") >= 1
    until(lambda: instance.counter("sillwatch_stream_clients") == 0, "no client left")
