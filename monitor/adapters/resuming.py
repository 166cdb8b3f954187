"""What comes on a session that was resumed, brought back into its order.

Owns what waits there, for how long, and in which order it then goes on. By MQTT (3.1.1 and
5.0, section 4.6) what is delivered again comes first and in its order. nats-server delivers
each message again only once that one is ``ack_wait`` old: to a client that is back sooner it
gives newer ones first, a handle's return before its lifting, which then is older and dropped.
So where a session of MQTT 3.1.1, the only version that it speaks, was resumed, everything
waits for :data:`HOLD_S`, and then what was delivered again goes first, by its senders'
stamps; as long as some still come, they are waited for, up to :data:`HOLD_MAX_S`. Never drops, and holds no more than the broker keeps in flight.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final

from monitor.core.events import ReadingsArrived, StandReadingArrived
from monitor.ports import Codec, Message, settle_nothing

HOLD_S: Final = 2.5
"""By then our own broker, and one set up as ``deploy/`` has it (``ack_wait`` is 2 s), has delivered everything again."""

QUIET_S: Final = 0.5
"""Nothing was delivered again for so long: that was all of it."""
HOLD_MAX_S: Final = 6.0
"""An alert waits no longer than this, however slow the broker is."""

Settle = Callable[[], None]


class Resuming:
    """Passes deliveries on to ``offer``; on the event loop's thread."""

    def __init__(self, codec: Codec, offer: Callable[[Message, Settle], None]) -> None:
        self._codec = codec
        self._offer = offer
        self._held: list[tuple[Message, Settle]] = []
        self._timer: asyncio.TimerHandle | None = None
        self._begun = self._last_again = 0.0

    @property
    def waiting(self) -> int:
        """Deliveries that are held."""
        return len(self._held)

    def note_connected(self, version: str, session_present: bool) -> None:
        """Begin to hold where the broker may not keep to the order; what an earlier connection brought goes on first."""
        self.close()
        self._release()
        if version == "3.1.1" and session_present:
            loop = asyncio.get_running_loop()
            self._begun = loop.time()
            self._timer = loop.call_later(HOLD_S, self._look)

    def take(self, message: Message, settle: Settle) -> None:
        """Pass a delivery on, now or in its order; one of QoS 0 has none and is never made again."""
        if self._timer is None or settle is settle_nothing:
            self._offer(message, settle)
        else:
            self._held.append((message, settle))
            if message.again:
                self._last_again = asyncio.get_running_loop().time()

    def _look(self) -> None:
        loop = asyncio.get_running_loop()
        until = min(self._last_again + QUIET_S, self._begun + HOLD_MAX_S)
        if loop.time() < until:
            self._timer = loop.call_at(until, self._look)
        else:
            self._release()

    def close(self) -> None:
        """Pass nothing held on any more: at the end it is the broker's to deliver again."""
        if self._timer is not None:
            self._timer.cancel()

    def _release(self) -> None:
        self._timer = None
        held, self._held = self._held, []
        again = [each for each in held if each[0].again]
        stamps: list[int] = []
        for message, _ in again:
            stamp = self._stamp(message)
            # What has no stamp stays behind what it came behind.
            stamps.append(stamp if stamp is not None else stamps[-1] if stamps else 0)
        for number in sorted(range(len(again)), key=stamps.__getitem__):
            self._offer(*again[number])
        # What is retained is the newest of its topic and comes by a way of its own: it may stand before older ones.
        for message, settle in sorted(held, key=lambda each: each[0].retained):
            if not message.again:
                self._offer(message, settle)

    def _stamp(self, message: Message) -> int | None:
        decoded = self._codec.decode(message)
        first = decoded[0] if isinstance(decoded, list) else decoded
        return first.time if isinstance(first, (ReadingsArrived, StandReadingArrived)) else None
