"""A broker and a feed in memory, for tests that need no wire.

Owns nothing real. :class:`MemoryFeed` has the face of :class:`~monitor.adapters.mqtt.MqttFeed`
and passes the same contract suite; it must never be started by the shipped commands.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial

from paho.mqtt.client import topic_matches_sub

from monitor.adapters.mqtt_settings import Held, MqttSettings, OnMessage
from monitor.adapters.mqtt_status import Verdict, judge_status
from monitor.ports import Message, Outgoing


@dataclass(slots=True)
class _Session:
    """What the broker keeps for one client: filters, what waits for a settlement, who is on now."""

    filters: list[str] = field(default_factory=list)
    unsettled: dict[int, Message] = field(default_factory=dict)
    owner: MemoryFeed | None = None


class MemoryBroker:
    """Retained messages and sessions, as a broker has them; everything is delivered at once."""

    def __init__(self) -> None:
        self.retained: dict[str, bytes] = {}
        self.up = asyncio.Event()
        self.up.set()
        self._sessions: dict[str, _Session] = {}
        self._watchers: list[tuple[str, Callable[[Message], None]]] = []
        self._deliveries = 0

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Take a message from anybody."""
        if retain and payload:
            self.retained[topic] = payload
        elif retain:
            self.retained.pop(topic, None)
        message = Message(topic, payload, False)
        for name, hear in list(self._watchers):
            if topic_matches_sub(name, topic):
                hear(message)
        for session in self._sessions.values():
            if any(topic_matches_sub(name, topic) for name in session.filters):
                self._deliver(session, message)

    @contextmanager
    def watch(self, name: str, hear: Callable[[Message], None]) -> Iterator[None]:
        """Hand every message that matches the filter to ``hear``, retained ones first."""
        for message in self.matching(name):
            hear(message)
        watcher = (name, hear)
        self._watchers.append(watcher)
        try:
            yield
        finally:
            self._watchers.remove(watcher)

    def matching(self, name: str) -> list[Message]:
        """Return the retained messages that match the filter, flagged so."""
        return [
            Message(topic, payload, True) for topic, payload in self.retained.items() if topic_matches_sub(name, topic)
        ]

    def stop(self) -> None:
        """Go away: every connection is lost, sessions and retained messages stay."""
        self.up.clear()
        for session in self._sessions.values():
            self._lose(session, "connection lost")

    def start(self) -> None:
        """Come back."""
        self.up.set()

    def cut(self, client_id: str) -> None:
        """Lose one client's connection."""
        self._lose(self._sessions[client_id], "connection lost")

    def connect(self, feed: MemoryFeed) -> bool:
        """Give the session to ``feed`` and return whether there was one already."""
        client_id = feed.settings.client_id
        present = client_id in self._sessions
        session = self._sessions.setdefault(client_id, _Session())
        self._lose(session, "session taken over")
        session.owner = feed
        return present

    def resume(self, feed: MemoryFeed) -> None:
        """Deliver again what the session has unsettled."""
        session = self._sessions[feed.settings.client_id]
        waiting, session.unsettled = session.unsettled, {}
        for message in waiting.values():
            self._deliver(session, message)

    def subscribe(self, feed: MemoryFeed) -> None:
        """Subscribe the feed to its inputs; retained ones are delivered where the subscription is new."""
        session = self._sessions[feed.settings.client_id]
        for name in (*feed.settings.inputs, *feed.settings.echoes):
            if name not in session.filters:
                session.filters.append(name)
                for message in self.matching(name):
                    self._deliver(session, message)

    def leave(self, feed: MemoryFeed) -> None:
        """Disconnect cleanly: no will."""
        session = self._sessions.get(feed.settings.client_id)
        if session is not None and session.owner is feed:
            session.owner = None

    def _lose(self, session: _Session, why: str) -> None:
        owner, session.owner = session.owner, None
        if owner is not None:
            owner.lose(why)
            self.publish(owner.settings.status_topic, owner.settings.offline, retain=True)

    def _deliver(self, session: _Session, message: Message) -> None:
        self._deliveries += 1
        session.unsettled[self._deliveries] = message
        if session.owner is not None:
            session.unsettled[self._deliveries] = message._replace(again=True)
            session.owner.deliver(message, partial(self._settle, session, session.owner, self._deliveries))

    @staticmethod
    def _settle(session: _Session, owner: MemoryFeed, delivery: int) -> None:
        if session.owner is owner and owner.connected:
            session.unsettled.pop(delivery, None)


class MemoryFeed:
    """The feed's face on a :class:`MemoryBroker`."""

    def __init__(
        self,
        broker: MemoryBroker,
        settings: MqttSettings,
        *,
        on_message: OnMessage,
        on_connected: Callable[[bool], None],
        on_disconnected: Callable[[str], None],
        held_topics: Callable[[], Held],
        on_superseded: Callable[[str], None],
    ) -> None:
        self.settings = settings
        self.on_message = on_message
        self.on_connected = on_connected
        self.on_disconnected = on_disconnected
        self.held_topics = held_topics
        self.on_superseded = on_superseded
        self.connected = False
        self.reconnects = 0
        self.sent = 0
        self.offered = 0
        self.dropped = 0
        self.unacked = 0
        self.refused = 0
        self._broker = broker
        self._backlog: deque[Outgoing] = deque()
        self._ever_connected = False
        self._ending = asyncio.Event()
        self._lost = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._superseded = False
        self._failure: Exception | None = None

    @property
    def backlog(self) -> int:
        """Events kept until the broker is back."""
        return len(self._backlog)

    @property
    def unanswered(self) -> int:
        """Events that the broker has not acknowledged yet: it acknowledges whatever it hears at once."""
        return len(self._backlog)

    def publish(self, outgoing: Outgoing) -> None:
        """Send now if connected; otherwise keep an event for later."""
        self.offered += not outgoing.retain
        if self.connected:
            self.sent += 1
            self._broker.publish(outgoing.topic, outgoing.payload, retain=outgoing.retain)
        elif not outgoing.retain:
            self._backlog.append(outgoing)
            if len(self._backlog) > self.settings.backlog_max:
                self._backlog.popleft()
                self.dropped += 1

    async def run(self) -> None:
        """Stay connected until stopped, superseded or failed by a callback."""
        self._ended.clear()
        try:
            while not self._ending.is_set():
                await self._first_of(self._ending, self._broker.up)
                if not self._ending.is_set():
                    self._connect()
                    await self._first_of(self._ending, self._lost)
        finally:
            self._leave()
            self._ended.set()
        if self._failure is not None:
            raise self._failure

    async def stop(self) -> None:
        """Publish the offline status, disconnect and let :meth:`run` return."""
        self._ending.set()
        await self._ended.wait()

    def lose(self, why: str) -> None:
        """Hear from the broker that the connection is gone."""
        was_connected, self.connected = self.connected, False
        self._lost.set()
        if was_connected and not self._ending.is_set():
            self._guard(self.on_disconnected, why)

    def deliver(self, message: Message, settle: Callable[[], None]) -> None:
        """Hear one input from the broker."""
        self._guard(self.on_message, message, settle)

    def _connect(self) -> None:
        settings = self.settings
        self._lost.clear()
        present = self._broker.connect(self)
        self.connected = True
        self.reconnects += self._ever_connected
        for _ in range(len(self._backlog)):
            self.offered -= 1
            self.publish(self._backlog.popleft())
        self._guard(self.on_connected, present)
        self._broker.resume(self)
        for message in self._broker.matching(settings.status_topic):
            self._judge(message)
        if self._ending.is_set():
            return
        self._broker.subscribe(self)
        held = self.held_topics()
        for name in settings.outputs:
            for message in self._broker.matching(name):
                if message.topic not in held:
                    self.publish(Outgoing(message.topic, b"", True))
        self.publish(Outgoing(settings.status_topic, settings.online, True))
        for write in held.values():
            outgoing = write()
            if outgoing is not None:
                self.publish(outgoing)
        self._ever_connected = True

    async def _first_of(self, *events: asyncio.Event) -> None:
        tasks = [asyncio.create_task(event.wait()) for event in events]
        with self._broker.watch(self.settings.status_topic, self._judge_live):
            try:
                await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)

    def _judge_live(self, message: Message) -> None:
        if not message.retained and self.connected:
            self._judge(message)

    def _judge(self, message: Message) -> None:
        left_over = message.retained and not self._ever_connected
        verdict, started = judge_status(message.payload, own_started=self.settings.started, left_over=left_over)
        if verdict is Verdict.SUPERSEDED and not self._superseded:
            self._superseded = True
            self._ending.set()
            self._guard(self.on_superseded, started)
        elif verdict is Verdict.LATE_FAREWELL and not message.retained and not self._ending.is_set():
            # Answered a turn later, so that every listener hears the two in the same order.
            online = Outgoing(self.settings.status_topic, self.settings.online, True)
            asyncio.get_running_loop().call_soon(self.publish, online)

    def _leave(self) -> None:
        if self.connected and not self._superseded:
            self.publish(Outgoing(self.settings.status_topic, self.settings.offline, True))
        self.connected = False
        self._broker.leave(self)

    def _guard(self, callback: Callable[..., None], *arguments: object) -> None:
        try:
            callback(*arguments)
        except Exception as error:
            self._failure = self._failure or error
            self._ending.set()
