"""Deliveries that the broker makes again: on record already, so that no input is there twice.

Owns which deliveries were taken lately and which of them are durable. A broker that heard no
acknowledgement, because we or the connection died before it could be sent, delivers again
and says so; what was on disk by then only wants its acknowledgement. After a start even a
delivery that does not say so counts as made again where the journal holds the very same
bytes: a broker may forget with our connection that it had sent them. Never judges any other:
a sender that repeats itself is the core's matter.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from typing import Final

from monitor.ports import Entry, Message, settle_nothing

DELIVERY: Final = "message"

WINDOW_MIN: Final = 20_000
"""Newer ones may come in between: as many as a busy apron sends until a broker makes a delivery again."""
_WAITING_MAX: Final = 2
"""Under one packet identifier only the last acknowledgement counts; a second is kept for another one."""

Settle = Callable[[], None]


class Redeliveries:
    """Remembers the last ``window`` deliveries: at least as many as the broker may have in flight.

    :attr:`again` counts those that were on record already.
    """

    def __init__(self, window: int) -> None:
        self.window = window
        self.again = 0
        self._recalled: set[int] = set()
        # What is durable has no list; for the others it holds the later deliveries that wait for it.
        self._taken: OrderedDict[int, deque[Settle] | None] = OrderedDict()

    def recall(self, entries: Iterable[Entry]) -> None:
        """Take up what the journal's last entries hold."""
        for entry in entries:
            if entry.kind == DELIVERY:
                key = hash((entry.topic, entry.payload, entry.retained))
                self._remember(key, None)
                if entry.payload and not entry.retained:  # a withdrawal has no stamp: two of them are two
                    self._recalled.add(key)

    def follow(self, message: Message, settle: Settle) -> Settle | None:
        """Return what to call once the delivery is durable, or ``None`` where it is not to be taken again.

        A repeated delivery whose first one still waits for the disk is acknowledged with it.
        """
        if settle is settle_nothing:
            return settle
        # What was only retained was not heard: the same bytes sent live are another delivery.
        key = hash((message.topic, message.payload, message.retained))
        if key in self._taken and (message.again or key in self._recalled):
            self.again += 1
            waiting = self._taken[key]
            if waiting is None:
                settle()
            else:
                waiting.append(settle)
            return None
        followers: deque[Settle] = deque(maxlen=_WAITING_MAX)
        self._remember(key, followers)

        def settle_all() -> None:
            if self._taken.get(key) is followers:
                self._taken[key] = None
            settle()
            for each in followers:
                each()

        return settle_all

    def _remember(self, key: int, waiting: deque[Settle] | None) -> None:
        self._taken[key] = waiting
        self._taken.move_to_end(key)  # the newest stands last
        if len(self._taken) > self.window:
            self._taken.popitem(last=False)
