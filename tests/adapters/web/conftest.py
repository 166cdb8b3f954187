"""A running server on an invented apron, for the tests of the HTTP side."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest

from monitor.adapters.web import Boards, BoardWatch, Stream, WebServer
from monitor.core.times import SECOND
from tests.adapters.web.fake_reader import FakeReader, alert_document, door_document


def render_nothing(accept: str) -> tuple[bytes, str]:
    """Stand for the metrics page: says back what was asked for."""
    return f"# {accept}\n".encode(), "text/plain; version=0.0.4; charset=utf-8"


@pytest.fixture
def reader() -> FakeReader:
    fake = FakeReader()
    fake.add_aircraft("ZZ-KAT", {"L1": door_document("ZZ-KAT", "L1", "armed", "engaged")})
    fake.add_aircraft("ZZ-OLM", {"L1": door_document("ZZ-OLM", "L1", "ajar")}, stand="S14", type="birch")
    fake.active = [
        alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning"),
        alert_document("ZZ-OLM", "L1", "unsecured-leaf", "caution", state="acknowledged"),
    ]
    fake.rules = [{"code": code, "priority": "caution"} for code in ("wind-limit", "bottle-low")]
    return fake


@pytest.fixture
def stream(reader: FakeReader) -> Stream:
    made = Stream(reader, run="run", beat_s=0.05, sweep_s=0.01, queue_max=8, ring_max=6, clients_max=3)
    reader.observers.append(made)
    return made


def watch_boards(reader: FakeReader, stream: Stream) -> BoardWatch:
    """A watch over warnings that no board has drawn for 3 s."""
    made = BoardWatch(Boards(stream.carries), reader, within=3 * SECOND)
    made.take_up()
    reader.observers.append(made)
    return made


@pytest.fixture
def watch(reader: FakeReader, stream: Stream) -> BoardWatch:
    return watch_boards(reader, stream)


@pytest.fixture
async def url(reader: FakeReader, stream: Stream, watch: BoardWatch) -> AsyncIterator[str]:
    server = WebServer(reader, stream, watch, render_nothing, port=0, submit_timeout_s=0.2)
    yield await server.start()
    await server.stop()
