"""Deliveries that the broker makes again: on record already, so that no input is there twice.

Owns which deliveries were taken lately and which of them are durable. A broker that heard no
acknowledgement, because we or the connection died before it could be sent, delivers again
and says so; what was on disk by then only wants its acknowledgement. After a start even a
delivery that does not say so counts as made again where the journal holds the very same
bytes: a broker may forget with our connection that it had sent them. Never judges any other:
a sender that repeats itself is the core's matter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from monitor.ports import Entry, Message, settle_nothing

DELIVERY: Final = "message"

Settle = Callable[[], None]


class Redeliveries:
    """Remembers the last ``window`` deliveries, as many as the broker may have in flight.

    :attr:`again` counts those that were on record already.
    """

    def __init__(self, window: int) -> None:
        self.window = window
        self.again = 0
        self._recalled: set[int] = set()
        # What is durable has no list; for the others it holds the later deliveries that wait for it.
        self._taken: dict[int, list[Settle] | None] = {}

    def recall(self, entries: Iterable[Entry]) -> None:
        """Take up what the journal's last entries hold."""
        for entry in entries:
            if entry.kind == DELIVERY:
                key = hash((entry.topic, entry.payload))
                self._remember(key, None)
                if entry.payload:  # a withdrawal has no stamp: two of them are two
                    self._recalled.add(key)

    def follow(self, message: Message, settle: Settle) -> Settle | None:
        """Return what to call once the delivery is durable, or ``None`` where it is not to be taken again.

        A repeated delivery whose first one still waits for the disk is acknowledged with it.
        """
        if settle is settle_nothing:
            return settle
        key = hash((message.topic, message.payload))
        if key in self._taken and (message.again or (key in self._recalled and not message.retained)):
            self.again += 1
            waiting = self._taken[key]
            if waiting is None:
                settle()
            else:
                waiting.append(settle)
            return None
        followers: list[Settle] = []
        self._remember(key, followers)

        def settle_all() -> None:
            if self._taken.get(key) is followers:
                self._taken[key] = None
            settle()
            for each in followers:
                each()

        return settle_all

    def _remember(self, key: int, waiting: list[Settle] | None) -> None:
        self._taken.pop(key, None)  # the newest stands last
        self._taken[key] = waiting
        if len(self._taken) > self.window:
            del self._taken[next(iter(self._taken))]
