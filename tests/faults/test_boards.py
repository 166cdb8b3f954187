"""Pages that take nothing, or too many of them: nobody else waits, and there is an end to everything."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from typing import Final

import pytest
import uvicorn

from monitor.adapters.web import Boards, BoardWatch, Stream, WebServer
from monitor.adapters.web.connections import BY_ADDRESS_MAX as BY_ADDRESS_PLACES
from monitor.adapters.web.connections import (
    HANDLES_KEPT,
    TURNED_AWAY_MAX,
    Places,
    bound_protocol,
    group_address,
    places_for,
)
from monitor.adapters.web.stream import BY_ADDRESS_MAX, CLIENTS_MAX
from monitor.core.effects import PublishDoor
from monitor.core.times import SECOND
from tests.adapters.web.conftest import render_nothing
from tests.adapters.web.fake_reader import FakeReader, door_document

DEADLINE_S: Final = 60.0
REQUEST: Final = b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n"
SMALL: Final = 4096
LARGE: Final = 1 << 20
PADDING: Final = 100_000
HOW_MANY: Final = 90
"""9 MB: more than a kernel keeps for a connection that nobody reads."""


async def until(condition: Callable[[], object], what: str | Callable[[], str]) -> None:
    try:
        async with asyncio.timeout(DEADLINE_S):
            while not condition():  # noqa: ASYNC110 - sockets bring it about
                await asyncio.sleep(0.005)
    except TimeoutError:
        raise AssertionError(what if isinstance(what, str) else what()) from None


class Page:
    """One connection of a page, from an address of its own; it reads only when told to."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    @classmethod
    async def open(cls, port: int, address: str, request: bytes = REQUEST, *, deaf: bool = False) -> Page:
        sock = socket.socket()
        if deaf:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, SMALL)
        sock.bind((address, 0))
        sock.setblocking(False)
        await asyncio.get_running_loop().sock_connect(sock, ("127.0.0.1", port))
        reader, writer = await asyncio.open_connection(sock=sock, limit=SMALL if deaf else LARGE)
        writer.write(request)
        return cls(reader, writer)

    async def head(self) -> bytes:
        async with asyncio.timeout(DEADLINE_S):
            return await self.reader.readuntil(b"\r\n\r\n")

    async def read_for(self, word: bytes) -> None:
        """Read on until something has come."""
        seen = b""
        async with asyncio.timeout(DEADLINE_S):
            while word not in seen:
                data = await self.reader.read(LARGE)
                assert data, "the stream ended"
                seen = seen[-200:] + data

    def close(self) -> None:
        self.writer.transport.abort()


class Service:
    """A server on an apron of two aircraft, and whatever opens it."""

    def __init__(self, reader: FakeReader, stream: Stream, server: WebServer, port: int) -> None:
        self.reader, self.stream, self.server, self.port = reader, stream, server, port
        self.pages: list[Page] = []

    @property
    def connections(self) -> int:
        """How many connections, and with them file handles, the server holds."""
        return self.server.connections

    async def open(self, address: str, request: bytes = REQUEST, *, deaf: bool = False) -> Page:
        page = await Page.open(self.port, address, request, deaf=deaf)
        self.pages.append(page)
        return page

    def tell(self, state: str) -> None:
        self.reader.tell(PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", state)))


@pytest.fixture
async def service(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Service]:
    monkeypatch.setattr("monitor.adapters.web.connections.BoundedProtocol.takes_nothing_s", 2.0)
    reader = FakeReader()
    reader.add_aircraft("ZZ-KAT", {"L1": door_document("ZZ-KAT", "L1", "armed", "engaged")})
    stream = Stream(reader)
    reader.observers.append(stream)
    server = WebServer(
        reader, stream, BoardWatch(Boards(stream.carries), reader, within=3 * SECOND), render_nothing, port=0
    )
    url = await server.start()
    made = Service(reader, stream, server, int(url.rpartition(":")[2]))
    yield made
    for page in made.pages:
        page.close()
    await server.stop()


async def test_five_hundred_pages_and_one_that_never_reads(service: Service) -> None:
    """The one that reads nothing is cut off; every other gets every change, and no more places are given."""
    await service.open("127.0.0.1", deaf=True)
    await until(lambda: service.stream.clients == 1, "the deaf one is there")
    others = [await service.open(f"127.0.1.{1 + number // 60}") for number in range(CLIENTS_MAX - 1)]
    await until(lambda: service.stream.clients == CLIENTS_MAX, lambda: f"{service.stream.clients} are open")
    late = await service.open("127.0.2.1")
    refused = await late.head()
    assert refused.startswith(b"HTTP/1.1 503 ")
    assert b"retry-after: 5" in refused.lower()
    some = others[::100]
    for page in some:
        await page.read_for(b"event: snapshot")
    for page in others:
        if page not in some:
            page.close()
    await until(lambda: service.stream.clients == 1 + len(some), "the others went")
    reading = [asyncio.create_task(page.read_for(b'"slide_deployed"')) for page in some]
    padding = "x" * PADDING
    for number in range(HOW_MANY):
        service.reader.tell(PublishDoor("ZZ-KAT", "R1", {"state": f"ajar {number}", "padding": padding}))
        await asyncio.sleep(0)
    service.tell("slide_deployed")
    await asyncio.gather(*reading)
    await until(lambda: service.stream.clients == len(some), "the deaf one was cut off, and nobody else")


async def test_two_thousand_streams_from_one_address_keep_nobody_else_out(service: Service) -> None:
    held: list[Page] = []
    answers: dict[bytes, int] = {}
    for _ in range(40):
        batch = await asyncio.gather(*(_try_to_open(service, "127.0.0.9") for _ in range(50)))
        held += [page for page in batch if page is not None]
        assert service.connections <= BY_ADDRESS_PLACES + TURNED_AWAY_MAX, "no more handles than the bound"
    other = await service.open("127.0.0.10")
    assert (await other.head()).startswith(b"HTTP/1.1 200 ")
    await other.read_for(b"event: snapshot")
    assert service.stream.clients <= BY_ADDRESS_MAX + 1
    for page in held:
        try:
            head = await asyncio.wait_for(page.reader.readuntil(b"\r\n"), DEADLINE_S)
        except (asyncio.IncompleteReadError, ConnectionError):
            continue
        answers[head[9:12]] = answers.get(head[9:12], 0) + 1
    assert answers[b"200"] == BY_ADDRESS_MAX
    assert set(answers) <= {b"200", b"429"}
    service.tell("slide_deployed")
    await other.read_for(b'"slide_deployed"')


async def _try_to_open(service: Service, address: str) -> Page | None:
    try:
        return await service.open(address)
    except OSError:
        return None


async def test_an_address_is_told_when_to_come_back(service: Service) -> None:
    pages = [await service.open("127.0.0.9") for _ in range(BY_ADDRESS_MAX)]
    for page in pages:
        assert (await page.head()).startswith(b"HTTP/1.1 200 ")
    more = await service.open("127.0.0.9")
    head = await more.head()
    assert head.startswith(b"HTTP/1.1 429 ")
    assert b"retry-after: 30" in head.lower()
    pages[0].close()
    await until(lambda: service.stream.clients == BY_ADDRESS_MAX - 1, "one went")
    again = await service.open("127.0.0.9")
    assert (await again.head()).startswith(b"HTTP/1.1 200 ")


# The bounds themselves


def test_a_network_of_ipv6_is_one_address_and_ipv4_is_itself() -> None:
    assert group_address("2001:db8:0:1::5") == group_address("2001:db8:0:1:ffff::9") == "2001:db8:0:1::/64"
    assert group_address("2001:db8:0:2::5") != group_address("2001:db8:0:1::5")
    assert group_address("::ffff:192.0.2.7") == group_address("192.0.2.7") == "192.0.2.7"
    assert group_address("fe80::1%eth0") == "fe80::/64"
    assert group_address("") == ""


def test_handles_are_left_for_the_journal() -> None:
    assert places_for(1024) == 1024 - HANDLES_KEPT
    assert places_for(1_000_000) == 1024
    assert places_for(10) == 8


def test_places_end_for_one_before_they_end_for_all() -> None:
    places = Places(5, by_address=3, turned_away=1, is_proxy=lambda address: address == "proxy")
    assert [places.take("a") for _ in range(4)] == [None, None, None, "too-many-from-here"]
    assert [places.turn_away("a"), places.turn_away("a"), places.turn_away("b")] == [True, False, True]
    assert [places.take("proxy"), places.take("proxy"), places.take("b")] == [None, None, "too-many-connections"]
    places.give_back("a")
    places.see_off("a")
    assert places.take("b") is None
    assert places.turn_away("a")
    assert (places.held, places.refused) == (5, 4)


def test_a_proxy_of_ipv6_is_known_by_its_address_and_others_count_by_network() -> None:
    places = Places(8, by_address=1, is_proxy=lambda address: address == "fd00::5")
    assert [places.take("fd00::5") for _ in range(3)] == [None] * 3
    assert [places.take("fd00:1::6"), places.take("fd00:1::7")] == [None, "too-many-from-here"]


async def test_a_connection_that_says_nothing_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    async def app(scope: object, receive: object, send: object) -> None:
        raise AssertionError("nothing was asked")

    config = uvicorn.Config(app, http=bound_protocol(Places(8), silent_s=0.05), lifespan="off", log_config=None)
    config.load()
    state = uvicorn.server.ServerState()
    loop = asyncio.get_running_loop()
    server = await loop.create_server(
        lambda: config.http_protocol_class(config=config, server_state=state, app_state={}), "127.0.0.1", 0
    )
    port = server.sockets[0].getsockname()[1]
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    async with asyncio.timeout(DEADLINE_S):
        with pytest.raises((ConnectionResetError, asyncio.IncompleteReadError)):
            await reader.readexactly(1)
    writer.close()
    server.close()
    await server.wait_closed()
