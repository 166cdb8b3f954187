"""A small HTTP client for tests, with nothing between the test and the bytes.

Owns one request per connection and one reader of server-sent events; every wait has
a deadline.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any, NamedTuple
from urllib.parse import urlsplit

DEADLINE_S = 5.0


class Answer(NamedTuple):
    """A whole response; header names in lower case."""

    status: int
    headers: dict[str, str]
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)


class Event(NamedTuple):
    """One server-sent event."""

    name: str
    id: str | None
    data: Any


def _write_head(url: str, method: str, path: str, headers: dict[str, str]) -> bytes:
    host = urlsplit(url).netloc
    lines = [f"{method} {path} HTTP/1.1"]
    lines += [f"{name}: {value}" for name, value in {"Host": host, **headers}.items() if value is not None]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


async def _read_head(reader: asyncio.StreamReader) -> tuple[int, dict[str, str]]:
    head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
    headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in head[1:] if line)}
    return int(head[0].split(" ")[1]), headers


async def _open(url: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    parts = urlsplit(url)
    return await asyncio.open_connection(parts.hostname, parts.port, limit=2**22)


async def until(condition: Callable[[], bool]) -> None:
    """Let the loop turn until the condition holds."""
    async with asyncio.timeout(DEADLINE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for sets no event
            await asyncio.sleep(0.001)


async def ask(
    url: str, path: str, *, method: str = "GET", body: Any = None, headers: dict[str, str] | None = None
) -> Answer:
    """Send one request and read the whole answer; a body that is not bytes is sent as JSON."""
    sent = dict(headers or {})
    raw = b""
    if body is not None:
        raw = body if isinstance(body, bytes) else json.dumps(body).encode()
        sent.setdefault("Content-Type", "application/json")
        sent.setdefault("Content-Length", str(len(raw)))
    async with asyncio.timeout(DEADLINE_S):
        reader, writer = await _open(url)
        try:
            writer.write(_write_head(url, method, path, {"Connection": "close", **sent}) + raw)
            status, got = await _read_head(reader)
            return Answer(status, got, await reader.read())
        finally:
            writer.close()
            await writer.wait_closed()


class EventReader:
    """An open stream."""

    def __init__(self, url: str, last_event_id: str | None = None, board: str | None = None) -> None:
        self._url = url
        self._path = "/api/v1/stream" if board is None else f"/api/v1/stream?board={board}"
        self._last_event_id = last_event_id
        self.status = 0
        self.headers: dict[str, str] = {}

    async def __aenter__(self) -> EventReader:
        self._reader, self._writer = await _open(self._url)
        headers = {"Last-Event-ID": self._last_event_id} if self._last_event_id is not None else {}
        self._writer.write(_write_head(self._url, "GET", self._path, headers))
        async with asyncio.timeout(DEADLINE_S):
            self.status, self.headers = await _read_head(self._reader)
        self._text = ""
        return self

    async def __aexit__(self, *_: object) -> None:
        self._writer.close()
        await asyncio.gather(self._writer.wait_closed(), return_exceptions=True)

    async def next_event(self) -> Event:
        """Read the next event; raises ``EOFError`` at the end of the stream."""
        async with asyncio.timeout(DEADLINE_S):
            while True:
                while "\n\n" in self._text:
                    block, _, self._text = self._text.partition("\n\n")
                    fields = dict(line.split(": ", 1) for line in block.split("\n"))
                    if "event" in fields:
                        return Event(fields["event"], fields.get("id"), json.loads(fields["data"]))
                self._text += (await self._read_chunk()).decode()

    async def wait_for(self, name: str) -> Event:
        """Read on to the next event of that name."""
        while True:
            event = await self.next_event()
            if event.name == name:
                return event

    async def _read_chunk(self) -> bytes:
        size = int(await self._reader.readuntil(b"\r\n"), 16)
        chunk = await self._reader.readexactly(size + 2)
        if size == 0:
            raise EOFError("the stream ended")
        return chunk[:-2]
