"""A capture played to a broker again, at a multiple of its own pace.

Owns when each message goes out, under which time, and what is left out. What plays it
gives the clock, the waiting and the sending; nothing here knows a socket.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from monitor.adapters.capture import CaptureLine
from monitor.core.times import SECOND
from monitor.ports import Message, Outgoing
from monitor.recording.retiming import retime

SPEED_MIN: Final = 0.01
SPEED_MAX: Final = 1000.0
BEHIND_MAX: Final = SECOND
"""Further behind than this, what follows goes at its pace from now on instead of all at once."""
AGAIN_AFTER: Final = SECOND
"""Between the end of a capture and its beginning anew."""

PAYLOAD_MAX: Final = 268_000_000
"""MQTT 5.0, section 2.1.4: 268 435 455 bytes follow the fixed header at most, topic and properties among them."""
_WILDCARDS: Final = frozenset("+#")
_NOT_OURS: Final = ("sillwatch/", "$")
"""Only a monitor writes below the first, only a broker below the second."""


@dataclass(slots=True)
class Played:
    """What became of the messages so far: ``left_out`` were not a sensor's but a monitor's, or the broker's own.

    ``unsendable`` are none that MQTT can carry: a wildcard stands in the topic, or they are too long.
    """

    sent: int = 0
    left_out: int = 0
    unsendable: int = 0


class Player:
    """Plays passes of a capture; ``wait(µs)`` returns whether to go on, ``send`` whether it was sent.

    ``now`` in µs. Times of payloads are moved with the messages unless ``keep_times``: each stands as far from its message
    as it did, by the speed. All are marked as simulated unless ``as_recorded``.
    """

    def __init__(
        self,
        *,
        speed: float,
        keep_times: bool,
        as_recorded: bool,
        now: Callable[[], int],
        wait: Callable[[int], bool],
        send: Callable[[Outgoing], bool],
    ) -> None:
        self._speed = speed
        self._keep_times, self._as_recorded = keep_times, as_recorded
        self._now, self._wait, self._send = now, wait, send
        self._next = 0
        self.played = Played()

    def play(self, lines: Iterable[CaptureLine]) -> bool:
        """Play one pass; returns whether it came to its end."""
        for due, outgoing in self._schedule(lines):
            if (early := due - self._now()) > 0 and not self._wait(early):
                return False
            if outgoing is None:
                continue
            if outgoing.topic.startswith(_NOT_OURS):
                self.played.left_out += 1
            elif _WILDCARDS.intersection(outgoing.topic) or len(outgoing.payload) > PAYLOAD_MAX:
                self.played.unsendable += 1
            elif not self._send(outgoing):
                return False
            else:
                self.played.sent += 1
        return True

    def _schedule(self, lines: Iterable[CaptureLine]) -> Iterator[tuple[int, Outgoing | None]]:
        first: int | None = None
        start = due = max(self._now(), self._next)
        for at, message, _ in lines:
            if first is None:
                first = at
            due = start + round((at - first) / self._speed)
            if (behind := self._now() - due) > BEHIND_MAX:
                # Nothing was sent for a while: what follows is not hurried after it.
                start, due = start + behind, due + behind
            yield due, None if message is None else self._renew(message, first, start)
        self._next = due + AGAIN_AFTER

    def _renew(self, message: Message, first: int, start: int) -> Outgoing:
        def move(at: int) -> int:
            return start + round((at - first) / self._speed)

        payload = retime(message.payload, None if self._keep_times else move, simulated=not self._as_recorded)
        return Outgoing(message.topic, payload, message.retained)
