"""Listening, and ending in time whatever the clients do."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import time
from urllib.parse import urlsplit

import pytest

from monitor.adapters.web import ListenError, Stream, WebServer
from monitor.adapters.web.answers import EventStreamAnswer
from monitor.adapters.web.listening import bind
from monitor.core.effects import PublishDoor
from tests.adapters.web.conftest import render_nothing, watch_boards
from tests.adapters.web.fake_reader import FakeReader, door_document
from tests.adapters.web.http_client import DEADLINE_S, EventReader, ask

STOP_S_MAX = 2.0


def make_server(reader: FakeReader, port: int = 0, host: str = "127.0.0.1") -> WebServer:
    stream = Stream(reader)
    return WebServer(reader, stream, watch_boards(reader, stream), render_nothing, host=host, port=port)


async def test_a_taken_port_is_one_clear_line(reader: FakeReader) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(ListenError) as caught:
            await make_server(reader, port).start()
    assert str(caught.value) == (
        f"cannot listen on 127.0.0.1:{port}: the port is taken by another program; stop that one or choose another port"
    )


@pytest.mark.parametrize(
    ("host", "port", "part"),
    [
        ("0.0.0.0", 0, "only loopback is served"),
        ("::", 0, "only loopback is served"),
        ("192.0.2.7", 0, "only loopback is served"),
        ("no.such.host.invalid", 0, "no such host"),
        ("127.0.0.1", 70000, "from 0 to 65535"),
    ],
)
def test_it_listens_on_loopback_only(host: str, port: int, part: str) -> None:
    with pytest.raises(ListenError, match=part) as caught:
        bind(host, port)
    assert "\n" not in str(caught.value)


async def test_it_can_be_named_localhost_and_started_again(reader: FakeReader) -> None:
    server = make_server(reader, host="localhost")
    url = await server.start()
    assert (await ask(url, "/healthz")).status == 200
    await server.stop()
    await server.stop()
    again = make_server(reader, port=urlsplit(url).port or 0)
    assert (await ask(await again.start(), "/healthz")).status == 200
    await again.stop()


async def test_it_leaves_the_signals_alone(reader: FakeReader) -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    server = make_server(reader)
    await server.start()
    during = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    await server.stop()
    assert during == before


async def test_it_stops_in_time_with_open_streams(reader: FakeReader) -> None:
    server = make_server(reader)
    url = await server.start()
    async with EventReader(url) as one, EventReader(url) as other:
        for events in (one, other):
            await events.wait_for("beat")
        begin = time.perf_counter()
        await server.stop()
        assert time.perf_counter() - begin < STOP_S_MAX
        for events in (one, other):
            with pytest.raises(EOFError, match="the stream ended"):  # not cut off
                await events.wait_for("nothing more")


async def test_it_stops_in_time_with_a_client_that_takes_nothing(reader: FakeReader) -> None:
    stream = Stream(reader, queue_max=4)
    reader.observers.append(stream)
    server = WebServer(reader, stream, watch_boards(reader, stream), render_nothing, port=0)
    url = await server.start()
    loop = asyncio.get_running_loop()
    with socket.socket() as deaf:
        deaf.setblocking(False)
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        await loop.sock_connect(deaf, ("127.0.0.1", urlsplit(url).port))
        await loop.sock_sendall(deaf, b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
        large = {**door_document("ZZ-KAT", "L1", "open"), "evidence": ["x" * 100_000]}
        async with asyncio.timeout(DEADLINE_S):
            while stream.resyncs == 0:
                reader.tell(PublishDoor("ZZ-KAT", "L1", large))
                await asyncio.sleep(0)
        begin = time.perf_counter()
        await server.stop()
        assert time.perf_counter() - begin < STOP_S_MAX
    assert stream.clients == 0


async def test_a_client_that_is_stuck_loses_its_place(reader: FakeReader) -> None:
    stream = Stream(reader)
    client = stream.join(None)

    async def receive() -> dict[str, object]:
        await asyncio.Event().wait()
        raise AssertionError

    async def send(message: dict[str, object]) -> None:
        if message["type"] == "http.response.body":
            await asyncio.Event().wait()

    answer = EventStreamAnswer(client, stuck_s=0.01)
    scope = {"type": "http", "asgi": {"spec_version": "2.3"}}
    async with asyncio.timeout(DEADLINE_S):
        with contextlib.suppress(OSError):
            await answer(scope, receive, send)  # type: ignore[arg-type]
    assert stream.clients == 0


async def test_a_connection_that_only_waits_does_not_hold_it_up(reader: FakeReader) -> None:
    server = make_server(reader)
    url = await server.start()
    _, writer = await asyncio.open_connection("127.0.0.1", urlsplit(url).port)
    writer.write(b"POST /api/v1/alerts/x/close HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n")
    writer.write(b"Content-Type: application/json\r\n\r\n{")
    await writer.drain()
    assert (await ask(url, "/healthz")).status == 200
    begin = time.perf_counter()
    await server.stop()
    assert time.perf_counter() - begin < STOP_S_MAX
    writer.close()
    await asyncio.gather(writer.wait_closed(), return_exceptions=True)
