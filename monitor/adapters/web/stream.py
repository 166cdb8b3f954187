"""The live stream: what happens, to every open page, as server-sent events.

Owns the numbering of events, the buffer of past ones and when the picture is looked at.
A frame is encoded once for all. While nobody watches, nothing is kept or encoded.

Source of the format: the WHATWG HTML standard, "Server-sent events".
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections import Counter, deque
from typing import Any, Final

import orjson

from monitor.adapters.web.client import RETRY, Client, Unseen
from monitor.adapters.web.connections import group_address
from monitor.adapters.web.picture import Picture
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.core.effects import (
    Effect,
    NoteDeafness,
    PublishActive,
    PublishDoor,
    PublishEvent,
    PublishProcedure,
    PublishReadiness,
    ShowProof,
)
from monitor.core.events import (
    BrokerConnected,
    BrokerDisconnected,
    MonitorStarted,
    ProofPassed,
    ReadingsArrived,
    StandReadingArrived,
)
from monitor.core.times import SECOND, format_time
from monitor.ports import Readout, Step

LOG: Final = logging.getLogger(__name__)

BEAT_S: Final = 2.0
SWEEP_S: Final = 0.25
RING_MAX: Final = 2048
QUEUE_MAX: Final = 256
CLIENTS_MAX: Final = 500
BY_ADDRESS_MAX: Final = 100
"""Streams of one address: nobody can take every place."""
RETRY_AFTER_S: Final = 30

PROVING: Final = "proving"
"""The frame that shows a handle lifted for proof; ``proof`` tells that one passed."""

LOOKS_A_TURN: Final = 4
"""Aircraft looked at in one turn of the loop, a few milliseconds at most: alerts go out in between."""
_ROUND: Final = 8
"""Sweeps in which every aircraft is looked at, whether anything was heard of it or not."""

_SHOWN: Final = (PublishDoor, PublishActive, PublishReadiness, PublishEvent, PublishProcedure)
_EVERYONE: Final = (BrokerConnected, BrokerDisconnected, MonitorStarted)
"""What changes every aircraft's row at once."""


def encode_frame(name: str, data: Any, frame_id: str | None = None) -> bytes:
    """Write one event; JSON has no bare line break, so ``data`` is one line."""
    head = f"id: {frame_id}\nevent: {name}\ndata: " if frame_id else f"event: {name}\ndata: "
    return head.encode() + orjson.dumps(data) + b"\n\n"


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
        by_address_max: int = BY_ADDRESS_MAX,
    ) -> None:
        self._reader = reader
        self._run = run if run is not None else secrets.token_hex(6)
        self._beat_s = beat_s
        self._sweep_s = sweep_s
        self.queue_max = queue_max
        self._clients_max = clients_max
        self._by_address_max = by_address_max
        self._addresses: Counter[str] = Counter()
        self._clients: set[Client] = set()
        self._witnesses: list[Client] = []
        """Who hears every frame and is nobody that watches: the service itself."""
        self._boards: Counter[str] = Counter()
        """How many streams each board that named itself has open."""
        self._ring: deque[tuple[int, bytes]] = deque(maxlen=ring_max)
        self._ring_max = ring_max
        self._last = 0
        self._left_at = 0
        self._picture: Picture | None = None
        self._whole = False
        """The picture was looked at as a whole since the last client came or everyone changed."""
        self._looking = asyncio.Lock()
        self._touched: set[str] = set()
        self._touched_stands: set[str] = set()
        self._round: list[str] = []
        self._snapshot: tuple[int, int, bytes] | None = None
        self._closed = False
        self.resyncs = 0
        """How many times a slow client was sent back to a snapshot, since the start."""

    @property
    def clients(self) -> int:
        """How many streams are open now."""
        return len(self._clients)

    def carries(self, board: str) -> bool:
        """Tell whether a stream that named this board is open."""
        return board in self._boards

    # From the engine

    def observe(self, step: Step) -> None:
        """Send on what one step changed, and note what to look at."""
        if type(step.event) is ProofPassed:
            self._offer(encode_frame("proof", {"at": format_time(step.now), "took_ms": step.event.took_us / 1000}))
        effects: list[Effect] = []
        for effect in step.effects:
            if isinstance(effect, _SHOWN):
                effects.append(effect)
            elif type(effect) is ShowProof:
                self._offer(encode_frame(PROVING, effect._asdict()))
        if self._clients:
            self._note(step)
        if not effects:
            return
        if self._picture is None:
            self._last += len(effects)
            return
        for effect in effects:
            self._picture.take(effect)
        if not self._clients and self._last - self._left_at > self._ring_max:
            # Nobody watches, and whoever did is too far behind for anything but a snapshot.
            self._forget_picture()

    def _note(self, step: Step) -> None:
        """Note whose row the step may have changed."""
        event = step.event
        if isinstance(event, ReadingsArrived):
            self._touched.add(event.aircraft)
        elif isinstance(event, StandReadingArrived):
            self._touched_stands.add(event.stand)
        elif isinstance(event, _EVERYONE):
            self._whole = False
        elif event is not None and (reg := getattr(event, "aircraft", "")):
            self._touched.add(reg)
        for effect in step.effects:
            if isinstance(effect, (PublishActive, PublishDoor, NoteDeafness, PublishReadiness)):
                self._touched.add(effect.aircraft)

    # From and to the clients

    def join(self, last_event_id: str | None, board: str = "", address: str = "") -> Client:
        """Open a stream: changes since a known ``last_event_id``, else a snapshot, then a beat; ``board`` opens it.

        ``address`` is where it comes from. Raises ``ProblemError`` where there is no place left.
        """
        if self._closed or len(self._clients) >= self._clients_max:
            raise ProblemError("too-many-streams", f"{len(self._clients)} streams are open; no more are taken.")
        address = group_address(address)
        if address and self._addresses[address] >= self._by_address_max:
            raise ProblemError(
                "too-many-from-here",
                f"{self._by_address_max} streams are open from your address; no more are taken.",
                headers={"Retry-After": str(RETRY_AFTER_S)},
            )
        self._addresses[address] += 1
        client = Client(self, last_event_id, board, address)
        self._clients.add(client)
        if board:
            self._boards[board] += 1
        return client

    def bear_witness(self) -> Client:
        """Open a stream for the service's own proofs, with a queue as any: frames alone, and nobody that watches."""
        witness = Client(Unseen(self.queue_max), None)
        self._witnesses.append(witness)
        return witness

    def forget(self, client: Client) -> None:
        """Take a client out; nothing to do for one that is."""
        if client not in self._clients:
            return
        self._clients.remove(client)
        self._addresses[client.address] -= 1
        self._addresses += Counter()
        if client.board:
            self._boards[client.board] -= 1
            # No entry at all for a board without a stream.
            self._boards += Counter()
        if not self._clients:
            self._left_at = self._last
            self._whole = False
            self._touched.clear()
            self._touched_stands.clear()

    def close(self) -> None:
        """End every stream and take no more."""
        self._closed = True
        for client in (*self._clients, *self._witnesses):
            client.end()

    async def catch_up(self, last_event_id: str | None) -> bytes:
        """Write what brings a client to the present: what it missed, else a snapshot, then a beat."""
        await self._look_at_all()
        self._look_at_touched()
        missed = self._frames_since(last_event_id)
        if missed is None:
            missed = self._snapshot_chunk()
        return RETRY + missed + self._beat_frame()

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
                await self._sweep(beats)
                if beats:
                    self._offer(self._beat_frame())
            except Exception:
                # Without a beat every page says that it is not live: that is the honest answer.
                LOG.exception("the live stream could not send", extra={"action": "stream-beat"})

    # Looking for what changed without a word

    async def _look_at_all(self) -> None:
        """Have the whole picture as it is now, a few aircraft a turn of the loop; nothing to do while it is."""
        async with self._looking:
            if self._whole and self._picture is not None:
                return
            # Before the first look: what comes while looking is looked at again.
            self._whole = True
            try:
                if self._picture is None:
                    # One more, so that no id from before it fits what was not told since.
                    self._last += 1
                    self._picture = Picture(self._reader, self._send)
                picture = self._picture
                regs = dict.fromkeys([*picture.registrations, *self._reader.registrations()])
                for number, reg in enumerate(regs):
                    picture.look_at(reg)
                    if number % LOOKS_A_TURN == LOOKS_A_TURN - 1:
                        await asyncio.sleep(0)
                picture.look_around()
            except BaseException:
                self._whole = False
                raise

    def _look_at_touched(self) -> None:
        if self._picture is not None:
            for reg in sorted(self._touched):
                self._picture.look_at(reg)
            for name in sorted(self._touched_stands):
                self._picture.look_at_stand(name)
            self._picture.look_at_permits()
            self._touched.clear()
            self._touched_stands.clear()

    async def _sweep(self, beats: bool) -> None:
        """Send what differs from what was last sent: of what was heard of, and of everything in turn."""
        await self._look_at_all()
        picture = self._picture
        if picture is None:
            return
        if not self._round:
            self._round = picture.registrations
        share = 1 + len(picture.registrations) // _ROUND
        self._touched.update(self._round[:share])
        del self._round[:share]
        # As many as are there now: what is touched meanwhile is the next sweep's.
        for _ in range(len(self._touched) // LOOKS_A_TURN):
            few = sorted(self._touched)[:LOOKS_A_TURN]
            self._touched.difference_update(few)
            for reg in few:
                picture.look_at(reg)
            await asyncio.sleep(0)
        self._look_at_touched()
        if beats:
            picture.look_around()

    def _forget_picture(self) -> None:
        self._picture = None
        self._snapshot = None
        self._whole = False
        self._ring.clear()

    # Frames

    def _snapshot_chunk(self) -> bytes:
        """Write everything a page needs to start: a snapshot of the last second, with what came after it."""
        now = self._reader.now()
        if self._snapshot is not None and now - self._snapshot[1] < SECOND:
            missed = self._frames_after(self._snapshot[0])
            if missed is not None:
                return self._snapshot[2] + missed
        if self._picture is None:
            raise RuntimeError("a snapshot needs a picture")
        health = self._reader.health()
        data = {
            "site": health.get("site"),
            "timezone": health.get("timezone"),
            "now": format_time(now),
            "health": health,
            **self._picture.describe(now),
        }
        frame = encode_frame("snapshot", data, f"{self._run}-{self._last}")
        self._snapshot = (self._last, now, frame)
        return frame

    def _beat_frame(self) -> bytes:
        heard = self._picture.last_heard() if self._picture is not None else {}
        now = format_time(self._reader.now())
        return encode_frame("beat", {"now": now, "health": self._reader.health(), "heard": heard})

    def _send(self, name: str, data: Readout) -> None:
        self._last += 1
        frame = encode_frame(name, data, f"{self._run}-{self._last}")
        self._ring.append((self._last, frame))
        self._offer(frame)

    def _offer(self, frame: bytes) -> None:
        for client in self._clients:
            client.offer(frame)
        for witness in self._witnesses:
            witness.offer(frame)

    def _frames_since(self, last_event_id: str | None) -> bytes | None:
        """Return the frames after an id of this run, or ``None`` where the buffer cannot tell."""
        run, _, number = (last_event_id or "").rpartition("-")
        if run != self._run or not number.isascii() or not number.isdecimal() or len(number) > 18:
            return None
        return self._frames_after(int(number))

    def _frames_after(self, last: int) -> bytes | None:
        oldest = self._ring[0][0] if self._ring else self._last + 1
        if not oldest - 1 <= last <= self._last:
            return None
        return b"".join(frame for position, frame in self._ring if position > last)
