"""A receiver on loopback that can behave as badly as any on the net.

Owns a listening socket and what was sent to it; what it answers is scripted. It speaks
just enough HTTP to misbehave at any byte of it.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field

Answer = Callable[[asyncio.StreamWriter], Awaitable[None]]


@dataclass
class Taken:
    """One request as it came."""

    line: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Receiver:
    """What a test scripts and reads: answers are used one after another, the last one for ever."""

    url: str = ""
    taken: list[Taken] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    came: asyncio.Event = field(default_factory=asyncio.Event)

    def next_answer(self) -> Answer:
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]

    @property
    def ids(self) -> list[str]:
        """The ids of the events that came, in order."""
        return [each.headers.get("webhook-id", "") for each in self.taken]


def status(code: int, *lines: str, body: bytes = b"") -> Answer:
    """A whole answer."""

    async def answer(writer: asyncio.StreamWriter) -> None:
        head = [f"HTTP/1.1 {code} Word", *lines, f"Content-Length: {len(body)}", "Connection: close", "", ""]
        writer.write("\r\n".join(head).encode() + body)

    return answer


def raw(data: bytes) -> Answer:
    """Just these bytes, then the end."""

    async def answer(writer: asyncio.StreamWriter) -> None:
        writer.write(data)

    return answer


async def stall(writer: asyncio.StreamWriter) -> None:
    """Nothing, until the client has had enough."""
    await asyncio.Event().wait()


async def drip(writer: asyncio.StreamWriter) -> None:
    """A status line, a byte at a time, for ever."""
    writer.write(b"HTTP/1.1 2")
    while True:
        writer.write(b"0")
        await writer.drain()
        await asyncio.sleep(0.01)


async def drip_body(writer: asyncio.StreamWriter) -> None:
    """A good status, and then a body that never ends."""
    writer.write(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")
    while True:
        writer.write(b"1\r\nx\r\n")
        await writer.drain()
        await asyncio.sleep(0.01)


@contextlib.asynccontextmanager
async def receiving(*answers: Answer) -> AsyncIterator[Receiver]:
    """Run a receiver."""
    receiver = Receiver(answers=list(answers or [status(204)]))
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        with contextlib.suppress(OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
            headers = {k.lower(): v.strip() for k, _, v in (line.partition(":") for line in head[1:] if line)}
            body = await reader.readexactly(int(headers.get("content-length", "0")))
            receiver.taken.append(Taken(head[0], headers, body))
            receiver.came.set()
            answer = asyncio.ensure_future(receiver.next_answer()(writer))
            gone = asyncio.ensure_future(reader.read(1))
            try:
                # A client that has had enough ends what would go on for ever.
                await asyncio.wait({answer, gone}, return_when=asyncio.FIRST_COMPLETED)
                await writer.drain()
            finally:
                answer.cancel()
                gone.cancel()
                await asyncio.gather(answer, gone, return_exceptions=True)
        writer.close()
        with contextlib.suppress(OSError, asyncio.CancelledError):
            await writer.wait_closed()
        tasks.discard(task)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    receiver.url = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    try:
        yield receiver
    finally:
        server.close()
        for task in list(tasks):
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await server.wait_closed()
