"""One open page's end of the live stream.

Owns its bounded queue. A slow client loses its queue, never anyone's time: it starts
again from a fresh snapshot, and is counted.
"""

from __future__ import annotations

import asyncio
from collections import deque
from typing import Final, Protocol

RETRY: Final = b"retry: 1000\n\n"
"""Tells a browser to try again a second after it lost us."""


CHUNK_BYTES: Final = 64 * 1024
"""What is copied for one client at a time."""


class Source(Protocol):
    """What a client asks of the stream."""

    queue_max: int
    resyncs: int

    def forget(self, client: Client) -> None: ...
    async def catch_up(self, last_event_id: str | None) -> bytes: ...


class Unseen:
    """The source of a client that wants no picture: what is offered to it is all that it gets."""

    def __init__(self, queue_max: int) -> None:
        self.queue_max = queue_max
        self.resyncs = 0

    def forget(self, client: Client) -> None:
        """There is nothing to forget."""

    async def catch_up(self, last_event_id: str | None) -> bytes:
        """Nothing is missed that would have to be told again."""
        return b""


class Client:
    """One open stream: an asynchronous iterator of chunks, ended by :meth:`end`."""

    def __init__(self, stream: Source, last_event_id: str | None, board: str = "", address: str = "") -> None:
        self._stream = stream
        self.board = board
        """The board that opened it, empty where it named none."""
        self.address = address
        self._queue: deque[bytes] = deque()
        self._wake = asyncio.Event()
        self._known = last_event_id
        self._behind = True
        self._ended = False

    def offer(self, frame: bytes) -> None:
        """Queue a frame; at a full queue drop all of them and ask for a snapshot instead."""
        if self._behind:
            # What it is told when it catches up has this frame in it.
            return
        if len(self._queue) >= self._stream.queue_max:
            self._queue.clear()
            self._behind = True
            self._stream.resyncs += 1
        else:
            self._queue.append(frame)
        self._wake.set()

    def end(self) -> None:
        """Let the iteration stop after what is queued."""
        self._ended = True
        self._wake.set()

    def leave(self) -> None:
        """Give the place up; safe to call twice."""
        self._stream.forget(self)

    def _take_chunk(self) -> bytes:
        """Take frames from the queue, not much more than a socket takes at once: the rest is shared by all."""
        taken, size = [], 0
        while self._queue and size < CHUNK_BYTES:
            taken.append(self._queue.popleft())
            size += len(taken[-1])
        return b"".join(taken)

    def __aiter__(self) -> Client:
        return self

    async def __anext__(self) -> bytes:
        while True:
            if self._behind and not self._ended:  # nobody whose right has ended is told anew how all stands
                known, self._known = self._known, None
                chunk = await self._stream.catch_up(known)
                self._behind = False
                return chunk
            if self._queue:
                return self._take_chunk()
            if self._ended:
                raise StopAsyncIteration
            self._wake.clear()
            await self._wake.wait()
