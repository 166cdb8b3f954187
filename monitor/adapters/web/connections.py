"""How many connections are held, and for how long one that does nothing.

Owns the bounds: in all, by address, and in time. Nobody can take every place, or every file
handle of the process, whose journal needs some. It knows no route and reads no request.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
import resource
from collections import Counter
from collections.abc import Callable
from typing import Any, Final

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from monitor.adapters.web.problems import KINDS, MEDIA_TYPE, TYPE_PREFIX

CONNECTIONS_MAX: Final = 1024
BY_ADDRESS_MAX: Final = 256
TURNED_AWAY_MAX: Final = 64
"""Connections of one address that are told at a time that there is no place; beyond it they are cut without a word."""
HANDLES_KEPT: Final = 256
"""File handles that are left for the journal, the broker and everything else."""

SILENT_S: Final = 10.0
"""A connection on which no request was begun for so long is closed."""
TURNED_AWAY_S: Final = 2.0
TAKES_NOTHING_S: Final = 30.0
"""A client that takes nothing of what waits for it for so long is cut off: a polite close would wait for it."""
RETRY_AFTER_S: Final = 5


def group_address(address: str) -> str:
    """Return what counts as one address: an IPv6 network of 64 bits is one place."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.IPv6Network((found, 64), strict=False))
    return str(found)


def places_for(handles: int) -> int:
    """Return how many connections may be held where the process may have so many file handles."""
    return max(8, min(CONNECTIONS_MAX, handles - HANDLES_KEPT))


class Places:
    """The places there are, and who has them. ``is_proxy`` tells which addresses stand for many."""

    def __init__(
        self,
        total: int,
        *,
        by_address: int = BY_ADDRESS_MAX,
        turned_away: int = TURNED_AWAY_MAX,
        is_proxy: Callable[[str], bool] = lambda _: False,
    ) -> None:
        self._total = total
        self._by_address = by_address
        self._turned_away_max = turned_away
        self._is_proxy = is_proxy
        self._held: Counter[str] = Counter()
        self._turned_away: Counter[str] = Counter()
        self.refused = 0
        """Connections that found no place, since the start."""

    @classmethod
    def of_process(cls, is_proxy: Callable[[str], bool]) -> Places:
        """Return as many places as this process may have file handles for."""
        return cls(places_for(resource.getrlimit(resource.RLIMIT_NOFILE)[0]), is_proxy=is_proxy)

    @property
    def held(self) -> int:
        """How many are taken."""
        return self._held.total()

    def take(self, address: str) -> str | None:
        """Take a place; ``None`` where there is one, else the kind of problem that says why not."""
        group = group_address(address)
        if self.held >= self._total:
            return "too-many-connections"
        if self._held[group] >= self._by_address and not self._is_proxy(address):
            return "too-many-from-here"
        self._held[group] += 1
        return None

    def give_back(self, address: str) -> None:
        """Give a place back."""
        self._held[address] -= 1
        self._held += Counter()

    def turn_away(self, address: str) -> bool:
        """Count one that found no place; tell whether it is to be told so, which holds it for a moment."""
        self.refused += 1
        if self._turned_away[address] >= self._turned_away_max:
            return False
        self._turned_away[address] += 1
        return True

    def see_off(self, address: str) -> None:
        """One that was told is gone."""
        self._turned_away[address] -= 1
        self._turned_away += Counter()


class BoundedProtocol(H11Protocol):
    """The server's side of one connection, held within the bounds; made by :func:`bound_protocol`."""

    places: Places
    silent_s = SILENT_S
    takes_nothing_s = TAKES_NOTHING_S

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._group: str | None = None
        self._why_not: str | None = None
        self._silence: asyncio.TimerHandle | None = None
        self._stuck: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a place, or say that there is none."""
        super().connection_made(transport)
        address = self.client[0] if self.client else ""
        group = group_address(address)
        self._why_not = self.places.take(address)
        if self._why_not is not None and not self.places.turn_away(group):
            transport.abort()
            return
        self._group = group
        self._silence = self.loop.call_later(
            self.silent_s if self._why_not is None else TURNED_AWAY_S, self._end_silence
        )

    def connection_lost(self, exc: Exception | None) -> None:
        """Give the place back."""
        super().connection_lost(exc)
        group, self._group = self._group, None
        if group is not None:
            (self.places.give_back if self._why_not is None else self.places.see_off)(group)
        for timer in (self._silence, self._stuck):
            if timer is not None:
                timer.cancel()

    def data_received(self, data: bytes) -> None:
        """Pass on what came, or answer it by the refusal."""
        if self._why_not is None:
            super().data_received(data)
        elif not self.transport.is_closing():
            self.transport.write(write_refusal(self._why_not))
            self.transport.close()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP, once; whoever still works on an answer for this connection is told that it is gone."""
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        try:
            super().send_400_response(msg)
        except h11.LocalProtocolError:  # an answer was begun already, or the request was one that gets no body
            self.transport.close()

    def pause_writing(self) -> None:
        """What is sent is not taken: wait a while for it, and no longer."""
        super().pause_writing()
        if self._stuck is None:
            self._stuck = self.loop.call_later(self.takes_nothing_s, self.transport.abort)

    def resume_writing(self) -> None:
        """It is taken after all."""
        super().resume_writing()
        if self._stuck is not None:
            self._stuck.cancel()
            self._stuck = None

    def _end_silence(self) -> None:
        # With a cycle a request was begun: from then on the server's own times count.
        if self._why_not is not None or self.cycle is None:
            self.transport.abort()


def bound_protocol(places: Places, **more: Any) -> type[BoundedProtocol]:
    """Return the protocol for a server with these places; ``more`` for tests."""
    return type("BoundedProtocol", (BoundedProtocol,), {"places": places, **more})


def write_refusal(word: str) -> bytes:
    """Write the whole answer to a connection that finds no place."""
    kind = KINDS[word]
    body = json.dumps(
        {"type": TYPE_PREFIX + word, "title": kind.title, "status": kind.status, "detail": kind.remedy}
    ).encode()
    head = (
        f"HTTP/1.1 {kind.status} {'Too Many Requests' if kind.status == 429 else 'Service Unavailable'}\r\n"
        f"Content-Type: {MEDIA_TYPE}\r\nContent-Length: {len(body)}\r\nRetry-After: {RETRY_AFTER_S}\r\n"
        "Cache-Control: no-store\r\nConnection: close\r\n\r\n"
    )
    return head.encode() + body
