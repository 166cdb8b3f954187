"""The broker of a story: what it retains, what it keeps for a client that is away, and what it loses.

Owns the faults of the broker's side. It is the fake that passes the feed's contract suite; only
acknowledgements may get lost, sessions may be forgotten, and a client may die while it is told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from typing import Any, Final

from monitor.adapters.mqtt_fake import MemoryBroker, MemoryFeed
from monitor.ports import Message

INPUTS: Final = "apron/v1/"


class Killed(BaseException):
    """The process is no more; nothing of what it was doing goes on."""


class Broker(MemoryBroker):
    """A broker some of whose acknowledgements are lost on the way, and that may forget its sessions."""

    def __init__(self, hear: Callable[[Message], None], loses: Callable[[], bool]) -> None:
        super().__init__()
        self._hear = hear
        self._loses = loses
        self.accepted: list[Message] = []
        """Every input that it took while our session was there to have it."""

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        message = Message(topic, payload, retain)
        if not topic.startswith(INPUTS):
            self._hear(message)
        elif self.listening:
            self.accepted.append(message)
        super().publish(topic, payload, retain=retain)

    @property
    def listening(self) -> bool:
        return any(session.filters for session in self._sessions.values())

    @property
    def waiting(self) -> list[Message]:
        """What is delivered and not acknowledged, or still to be delivered."""
        return [message for session in self._sessions.values() for message in session.unsettled.values()]

    def drop_client(self) -> None:
        """Lose the connection of the one client that there is."""
        for session in self._sessions.values():
            self._lose(session, "connection lost")

    def forget_sessions(self) -> None:
        """Come back with nothing but what is retained, as a broker without a disk does."""
        self.drop_client()
        self._sessions.clear()
        self.accepted.clear()

    def resume(self, feed: MemoryFeed) -> None:
        session = self._sessions[feed.settings.client_id]
        waiting, session.unsettled = session.unsettled, {}
        self._deliver_all(session, waiting.values())

    def subscribe(self, feed: MemoryFeed) -> None:
        session = self._sessions[feed.settings.client_id]
        new = [name for name in feed.settings.inputs if name not in session.filters]
        session.filters.extend(new)
        self._deliver_all(session, [message for name in new for message in self.matching(name)])

    def _deliver_all(self, session: Any, messages: Iterable[Message]) -> None:
        """Deliver in order; what a process that dies meanwhile has not heard is kept for the next one."""
        waiting = deque(messages)
        try:
            while waiting:
                self._deliver(session, waiting.popleft())
        finally:
            while waiting:
                self._deliver(session, waiting.popleft())

    def _settle(self, session: Any, owner: MemoryFeed, delivery: int) -> None:  # type: ignore[override]
        if not self._loses():
            MemoryBroker._settle(session, owner, delivery)
