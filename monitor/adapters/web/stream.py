"""The live stream: what happens, to every open page, as server-sent events.

Owns the numbering of events, the buffer of past ones and one bounded queue per
client. A frame is encoded once for all. A slow client loses its queue, never
anyone's time: it starts again from a fresh snapshot, and is counted.

Source of the format: the WHATWG HTML standard, "Server-sent events".
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections import deque
from collections.abc import Iterable
from typing import Any, Final

import orjson

from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.core.effects import EVENT_TYPE_PREFIX, PublishActive, PublishDoor, PublishEvent
from monitor.core.times import SECOND, format_time
from monitor.ports import Readout, Step

LOG: Final = logging.getLogger(__name__)

BEAT_S: Final = 2.0
SWEEP_S: Final = 0.25
RING_MAX: Final = 2048
QUEUE_MAX: Final = 256
CLIENTS_MAX: Final = 500

_RETRY: Final = b"retry: 1000\n\n"
_VOLATILE: Final = frozenset({"last_message_at", "age_s", "clock_offset_s"})


def _lasting(row: Readout) -> Readout:
    """Leave out what changes with every message."""
    return {key: value for key, value in row.items() if key not in _VOLATILE}


def encode_frame(name: str, data: Any, frame_id: str | None = None) -> bytes:
    """Write one event; JSON has no bare line break, so ``data`` is one line."""
    head = f"id: {frame_id}\nevent: {name}\ndata: " if frame_id else f"event: {name}\ndata: "
    return head.encode() + orjson.dumps(data) + b"\n\n"


class Client:
    """One open stream: an asynchronous iterator of chunks, ended by :meth:`end`."""

    def __init__(self, stream: Stream, first: bytes) -> None:
        self._stream = stream
        self._queue: deque[bytes] = deque([first])
        self._wake = asyncio.Event()
        self._stale = False
        self._ended = False

    def offer(self, frame: bytes) -> None:
        """Queue a frame; at a full queue drop all of them and ask for a snapshot instead."""
        if self._stale:
            return
        if len(self._queue) >= self._stream.queue_max:
            self._queue.clear()
            self._stale = True
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

    def __aiter__(self) -> Client:
        return self

    async def __anext__(self) -> bytes:
        while True:
            if self._stale:
                self._stale = False
                return self._stream.snapshot_frame()
            if self._queue:
                chunk = b"".join(self._queue)
                self._queue.clear()
                return chunk
            if self._ended:
                raise StopAsyncIteration
            self._wake.clear()
            await self._wake.wait()


class Stream:
    """Turns steps into frames and hands them to every client; an ``Observer``."""

    def __init__(
        self,
        reader: Reader,
        *,
        run: str | None = None,
        beat_s: float = BEAT_S,
        sweep_s: float = SWEEP_S,
        ring_max: int = RING_MAX,
        queue_max: int = QUEUE_MAX,
        clients_max: int = CLIENTS_MAX,
    ) -> None:
        self._reader = reader
        self._run = run if run is not None else secrets.token_hex(6)
        self._beat_s = beat_s
        self._sweep_s = sweep_s
        self.queue_max = queue_max
        self._clients_max = clients_max
        self._clients: set[Client] = set()
        self._ring: deque[tuple[int, bytes]] = deque(maxlen=ring_max)
        self._last = 0
        self._rows: dict[str, Readout] = {}
        self._doors: dict[str, dict[str, Readout]] = {}
        self._dirty = True
        self._snapshot: tuple[int, int, bytes] | None = None
        self._closed = False
        self._ring_max = ring_max
        self._watched = -ring_max
        self.resyncs = 0
        """How many times a slow client was sent back to a snapshot, since the start."""

    @property
    def clients(self) -> int:
        """How many streams are open now."""
        return len(self._clients)

    def observe(self, step: Step) -> None:
        """Send on what one step changed."""
        if step.event is not None:
            self._dirty = True
        for effect in step.effects:
            if isinstance(effect, PublishDoor):
                self._send_door(effect)
            elif isinstance(effect, PublishActive):
                self._send(
                    "active",
                    {
                        "aircraft": effect.aircraft,
                        "door": effect.door,
                        "code": effect.code,
                        "document": effect.document,
                    },
                )
            elif isinstance(effect, PublishEvent):
                data = effect._asdict()
                data["time"] = format_time(effect.time)
                data["type"] = f"{EVENT_TYPE_PREFIX}{effect.type}"
                self._send("event", data)

    def join(self, last_event_id: str | None) -> Client:
        """Open a stream: changes since a known ``last_event_id``, else a snapshot, then a beat.

        Raises ``ProblemError`` where there is no place left.
        """
        if self._closed or len(self._clients) >= self._clients_max:
            raise ProblemError("too-many-streams", f"{len(self._clients)} streams are open; no more are taken.")
        missed = self._frames_since(last_event_id)
        begin = self.snapshot_frame() if missed is None else b"".join(missed)
        client = Client(self, _RETRY + begin + self._beat_frame())
        self._clients.add(client)
        return client

    def forget(self, client: Client) -> None:
        """Take a client out."""
        self._watched = self._last
        self._clients.discard(client)

    def close(self) -> None:
        """End every stream and take no more."""
        self._closed = True
        for client in self._clients:
            client.end()

    async def serve_beats(self) -> None:
        """Send a beat every two seconds, and changed rows soon after they change, until cancelled."""
        loop = asyncio.get_running_loop()
        beat_at = loop.time() + self._beat_s
        while True:
            await asyncio.sleep(min(self._sweep_s, max(0.0, beat_at - loop.time())))
            beats = loop.time() >= beat_at
            if beats:
                beat_at = loop.time() + self._beat_s
            if not self._clients:
                continue
            try:
                if self._dirty or beats:
                    self._send_rows()
                if beats:
                    self._offer(self._beat_frame())
            except Exception:
                # Without a beat every page says that it is not live: that is the honest answer.
                LOG.exception("the live stream could not send", extra={"action": "stream-beat"})

    def snapshot_frame(self) -> bytes:
        """Write everything a page needs to start; built once for all who join in one second without a change."""
        now = self._reader.now()
        if self._snapshot is None or self._snapshot[0] != self._last or now - self._snapshot[1] >= SECOND:
            self._snapshot = (self._last, now, self._build_snapshot(now))
        return self._snapshot[2]

    def _build_snapshot(self, now: int) -> bytes:
        health = self._reader.health()
        rows = [{**row, "doors": self._doors_of(row["aircraft"])} for row in self._reader.list_aircraft()]
        data = {
            "site": health.get("site"),
            "timezone": health.get("timezone"),
            "now": format_time(now),
            "health": health,
            "aircraft": rows,
            "alerts": self._reader.alerts(),
        }
        return encode_frame("snapshot", data, f"{self._run}-{self._last}")

    def _doors_of(self, reg: str) -> dict[str, Readout]:
        """Return an aircraft's door documents, kept while somebody watches: a snapshot is then little work."""
        doors = self._doors.get(reg)
        if doors is None:
            doors = self._doors[reg] = self._reader.door_documents(reg)
        return doors

    def _beat_frame(self) -> bytes:
        heard = {row["aircraft"]: row.get("last_message_at") for row in self._reader.list_aircraft()}
        now = format_time(self._reader.now())
        return encode_frame("beat", {"now": now, "health": self._reader.health(), "heard": heard})

    def _send_door(self, effect: PublishDoor) -> None:
        reg, door, document = effect
        if document is not None and self._clients and reg not in self._rows:
            self._introduce(reg)
        if not self._clients:
            self._doors.pop(reg, None)
        elif document is None:
            self._doors_of(reg).pop(door, None)
        else:
            self._doors_of(reg)[door] = document
        self._send("door", {"aircraft": reg, "door": door, "document": document})

    def _introduce(self, reg: str) -> None:
        """Send a new aircraft's row ahead of its doors."""
        row = self._reader.row(reg)
        if row is not None:
            self._rows[reg] = _lasting(row)
            self._send("aircraft", {"aircraft": reg, "document": self._rows[reg]})

    def _send_rows(self) -> None:
        """Send the rows that differ from the last sent, an aircraft that left as null."""
        self._dirty = False
        rows = {row["aircraft"]: _lasting(row) for row in self._reader.list_aircraft()}
        before, self._rows = self._rows, rows
        for reg, row in rows.items():
            if before.get(reg) != row:
                self._send("aircraft", {"aircraft": reg, "document": row})
        for reg in before.keys() - rows.keys():
            self._doors.pop(reg, None)
            self._send("aircraft", {"aircraft": reg, "document": None})

    def _send(self, name: str, data: Readout) -> None:
        self._last += 1
        if not self._clients and self._last - self._watched > self._ring_max:
            # Nobody watches, and whoever did is too far behind for anything but a snapshot.
            self._ring.clear()
            return
        frame = encode_frame(name, data, f"{self._run}-{self._last}")
        self._ring.append((self._last, frame))
        self._offer(frame)

    def _offer(self, frame: bytes) -> None:
        for client in self._clients:
            client.offer(frame)

    def _frames_since(self, last_event_id: str | None) -> Iterable[bytes] | None:
        """Return the frames after an id of this run, or ``None`` where the buffer cannot tell."""
        run, _, number = (last_event_id or "").rpartition("-")
        if run != self._run or not number.isascii() or not number.isdecimal() or len(number) > 18:
            return None
        last = int(number)
        oldest = self._ring[0][0] if self._ring else self._last + 1
        if not oldest - 1 <= last <= self._last:
            return None
        return [frame for position, frame in self._ring if position > last]
