"""The bench's picture as its pages have it: in parts, each sent anew when it changed.

Owns what each open page has seen, and the bound on how many there may be. A page that is
slow is sent the newest of each part and never a queue. Encodes each part once for all.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from typing import Any, Final

import orjson

STREAMS_MAX: Final = 16
PACE_S: Final = 0.1
"""Between two frames to one page, at least: ten a second while something moves."""
QUIET_S: Final = 10.0
"""So long without a change, and a comment is sent, so that a cut link is found out."""

_RETRY: Final = b"retry: 1000\n\n"


class TooManyError(Exception):
    """There are as many open pages as may be."""


class Picture:
    """The parts of the picture by name, and the pages that follow it."""

    def __init__(self) -> None:
        self._parts: dict[str, tuple[int, Any, bytes]] = {}
        self._version = 0
        self._changed = asyncio.Event()
        self._ended = False
        self.open = 0

    def show(self, parts: Mapping[str, Any]) -> None:
        """Take the whole picture as it is now; a part that was there and is not any more is sent as null."""
        gone = [name for name, (_, part, _) in self._parts.items() if name not in parts and part is not None]
        changed = False
        for name, part in (*parts.items(), *((name, None) for name in gone)):
            known = self._parts.get(name)
            if known is None or known[1] != part:
                self._version += 1
                self._parts[name] = (self._version, part, orjson.dumps(part))
                changed = True
        if changed:
            self._wake()

    def end(self) -> None:
        """End every stream."""
        self._ended = True
        self._wake()

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()

    def encode(self, since: int = -1) -> bytes:
        """Return the parts that changed after version ``since``, as one JSON object."""
        parts = [
            orjson.dumps(name) + b":" + encoded
            for name, (version, _, encoded) in self._parts.items()
            if version > since
        ]
        return b"{" + b",".join(parts) + b"}"

    def follow(self) -> Frames:
        """Return the frames of one page's stream; raises :class:`TooManyError`."""
        if self.open >= STREAMS_MAX:
            raise TooManyError
        self.open += 1
        return Frames(self)

    async def frames(self) -> AsyncIterator[bytes]:
        """Give the whole, and then what changes until the end."""
        seen = self._version
        yield _RETRY + b"event: picture\ndata: " + self.encode() + b"\n\n"
        while not self._ended:
            changed = self._changed
            if seen == self._version:
                try:
                    await asyncio.wait_for(changed.wait(), QUIET_S)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
            if self._ended:
                return
            frame, seen = self.encode(seen), self._version
            yield b"event: change\ndata: " + frame + b"\n\n"
            await asyncio.sleep(PACE_S)


class Frames:
    """One page's stream, and its place among those that may be; whoever opened it closes it, read or not."""

    def __init__(self, picture: Picture) -> None:
        self._picture = picture
        self._closed = False

    def __aiter__(self) -> AsyncIterator[bytes]:
        return self._picture.frames()

    def close(self) -> None:
        """Give the place up; safe to call twice."""
        if not self._closed:
            self._closed = True
            self._picture.open -= 1
