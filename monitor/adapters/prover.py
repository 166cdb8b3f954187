"""The service proves itself: every few seconds a handle lifts, and has to get through to the boards.

Owns sending the canary's readings, the witness at the stream, and the figures of proofs. A
proof passes once the frame that shows its lifted handle has come out of the stream *and* its
reading is on disk. Decides nothing of what a missed proof means: the core is told of those
that pass, and does.

Not proved: what lies behind the stream's queue, the HTTP server's socket and the page.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

import orjson

from monitor.core.times import SECOND, format_time
from monitor.ports import Clock, Message, Outgoing, Readout

LOG: Final = logging.getLogger(__name__)

HOME_AFTER_S: Final = 1.0
"""How long the handle stays lifted, where proofs are not closer together than that."""
_FRAME: Final = b"event: proving\n"
_DATA: Final = b"data: "

Settle = Callable[[], None]


class Feed(Protocol):
    """What is asked of the broker connection."""

    listening: asyncio.Event
    reconnects: int

    def publish(self, outgoing: Outgoing) -> None: ...


class Words(Protocol):
    """What is asked of the codec."""

    @property
    def proof_topic(self) -> str: ...
    def proof_message(self, time: int, seq: int, *, lifted: bool) -> Outgoing: ...


@dataclass(slots=True)
class _Proof:
    """A handle that was lifted: when by our clock (µs) and by the loop's (s), over which connection, and how far it is."""

    seq: int
    at: int
    began: float
    payload: bytes
    reconnects: int
    kept: bool = False
    shown: bool = False


class Prover:
    """Lifts a handle every ``every_s`` seconds while the broker delivers; 0: never.

    ``frames`` is a stream of ours alone; ``passed`` is told how long a proof took (µs); ``beat`` is
    called with each, and in place of each that is missed. ``first_seq`` is drawn by chance: two runs' proofs
    are never taken for one another's.
    """

    def __init__(
        self,
        *,
        every_s: float,
        feed: Feed,
        words: Words,
        clock: Clock,
        frames: AsyncIterator[bytes],
        passed: Callable[[int], None],
        beat: Callable[[], None],
        first_seq: int | None = None,
    ) -> None:
        self._every_s = every_s
        self._feed = feed
        self._words = words
        self._clock = clock
        self._frames = frames
        self._passed = passed
        self._beat = beat
        self._seq = secrets.randbelow(2**40) if first_seq is None else first_seq
        self._pending: _Proof | None = None
        self._lifted = True
        """Until it was set down once, an earlier run may have left it lifted."""
        self._passed_at: int | None = None
        self._took_us = 0
        self.passes = 0
        self.missed = 0

    def follow(self, message: Message, settle: Settle) -> Settle:
        """Return what is to be called once a delivery is durable: for one of our proofs, what notes that too."""
        proof = self._pending
        if proof is None or message.topic != self._words.proof_topic or message.payload != proof.payload:
            return settle

        def committed() -> None:
            settle()
            proof.kept = True
            self._judge(proof)

        return committed

    def describe(self) -> Readout | None:
        """Write when a proof last passed, how long it took, and how many were missed; ``None`` where none are sent."""
        if not self._every_s:
            return None
        at = self._passed_at
        return {
            "at": None if at is None else format_time(at),
            "took_ms": None if at is None else self._took_us / 1000,
            "age_s": None if at is None else round((self._clock.now() - at) / SECOND, 3),
            "missed": self.missed,
        }

    async def serve(self) -> None:
        """Prove for ever, until cancelled; returns at once where no proofs are sent."""
        if not self._every_s:
            return
        watching = asyncio.create_task(self._watch())
        home_after_s = min(HOME_AFTER_S, self._every_s / 2)
        try:
            while True:
                await self._feed.listening.wait()
                self._miss()
                self._lift()
                await asyncio.sleep(home_after_s)
                self._set_down()
                await asyncio.sleep(self._every_s - home_after_s)
        finally:
            watching.cancel()
            await asyncio.gather(watching, return_exceptions=True)

    def _miss(self) -> None:
        """Give up the proof that is still on its way; one that an outage swallowed is not counted."""
        proof, self._pending = self._pending, None
        if proof is None:
            return
        if proof.reconnects == self._feed.reconnects:
            self.missed += 1
            LOG.warning(
                "a proof was missed: %s",
                "it was seen and not kept" if proof.shown else "it was kept and not seen" if proof.kept else "no trace",
                extra={"action": "proof-missed"},
            )
        self._beat()

    def _lift(self) -> None:
        if self._lifted:
            self._send(lifted=False)
        began = asyncio.get_running_loop().time()
        at, message = self._write(lifted=True)
        self._pending = _Proof(self._seq, at, began, message.payload, self._feed.reconnects)
        self._lifted = True
        self._feed.publish(message)

    def _set_down(self) -> None:
        # What is sent while nobody listens would come late; the next handle is set down before it is lifted.
        if self._feed.listening.is_set():
            self._send(lifted=False)

    def _send(self, *, lifted: bool) -> None:
        self._lifted = lifted
        self._feed.publish(self._write(lifted=lifted)[1])

    def _write(self, *, lifted: bool) -> tuple[int, Outgoing]:
        self._seq += 1
        at = self._clock.now()
        return at, self._words.proof_message(at, self._seq, lifted=lifted)

    async def _watch(self) -> None:
        """Take what the stream gives, as a board does."""
        async for chunk in self._frames:
            # Frames are parted by an empty line, and their JSON holds none.
            for frame in chunk.split(b"\n\n") if _FRAME in chunk else ():
                if frame.startswith(_FRAME):
                    self._see(orjson.loads(frame.partition(_DATA)[2]))

    def _see(self, shown: dict[str, Any]) -> None:
        proof = self._pending
        if proof is not None and (shown["time"], shown["seq"]) == (proof.at, proof.seq):
            proof.shown = True
            self._judge(proof)

    def _judge(self, proof: _Proof) -> None:
        if proof is not self._pending or not (proof.kept and proof.shown):
            return
        self._pending = None
        self._passed_at = self._clock.now()
        self._took_us = round((asyncio.get_running_loop().time() - proof.began) * SECOND)
        self.passes += 1
        self._passed(self._took_us)
        self._beat()
