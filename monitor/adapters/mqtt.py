"""The MQTT feed: inputs from the broker, outputs to it, over a session that survives us.

Owns connecting and reconnecting, what is subscribed, what is kept while the broker is
away, and our own status topic. It decides nothing about doors or alerts, never reads a
payload but its own status, and never acknowledges a delivery before it is settled.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import Callable
from typing import Any, Final, TypeVar

import structlog

from monitor.adapters.mqtt_link import Link, LinkError, Version
from monitor.adapters.mqtt_settings import Held, MqttSettings, OnMessage, Settle
from monitor.adapters.mqtt_status import Verdict, judge_status
from monitor.adapters.mqtt_topics import TopicFilters
from monitor.ports import Message, Outgoing

RETRY_S_MIN: Final = 0.25
STABLE_S: Final = 5.0
"""A connection that stood this long was a good one: the next retry starts from the shortest wait."""

HELD_BATCH: Final = 200
"""Held documents sent at once after a reconnect; a new alert waits for no more than these."""

GOODBYE_S_MAX: Final = 0.5

_T = TypeVar("_T")

log = structlog.get_logger(__name__)


def retry_wait_s(failures: int, jitter: float, limit_s: float) -> float:
    """How long to wait after that many failures in a row: doubling up to the limit, less up to half by ``jitter`` 0 to 1."""
    return min(limit_s, RETRY_S_MIN * 2.0 ** min(failures - 1, 16)) * (1.0 - 0.5 * jitter)


class MqttFeed:
    """The engine's side of the broker; see :class:`~monitor.adapters.mqtt_settings.MqttSettings`.

    ``on_message(message, settle)`` is called on the loop for each input, ``settle`` once it
    is durable. ``on_connected(session_present)`` comes before the first message of a
    connection, ``on_disconnected(why)`` when one that stood is lost. ``held_topics`` returns
    every retained topic that the engine holds now, each with what writes its message. ``on_superseded(started)`` says that a
    later run of this instance is on; the feed then ends. While ``is_full()`` nothing is
    read: the broker keeps it. ``jitter`` returns 0 to 1.
    """

    def __init__(
        self,
        settings: MqttSettings,
        *,
        on_message: OnMessage,
        on_connected: Callable[[bool], None],
        on_disconnected: Callable[[str], None],
        held_topics: Callable[[], Held],
        on_superseded: Callable[[str], None],
        is_full: Callable[[], bool] = lambda: False,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self.settings = settings
        self.on_message = on_message
        self.on_connected = on_connected
        self.on_disconnected = on_disconnected
        self.held_topics = held_topics
        self.on_superseded = on_superseded
        self.is_full = is_full
        self.connected = False
        self.listening = asyncio.Event()
        """Set while the broker delivers inputs to us: connected, and subscribed."""
        self.reconnects = 0
        self.sent = 0
        self.offered = 0
        """Messages given to us that are not retained: those that are kept until they are answered."""
        self.dropped = 0
        self.failures = 0
        self._jitter = jitter
        self._link: Link | None = None
        self._backlog: deque[Outgoing] = deque()
        self._refused_before = 0
        self._subscribed = False
        self._ever_connected = False
        self._sweeping: set[str] | None = None
        self._inputs = TopicFilters((*settings.inputs, *settings.echoes))
        self._outputs = TopicFilters(settings.outputs)
        self.version: Version = "3.1.1" if settings.protocol == "3.1.1" else "5"
        """The version of MQTT that the broker speaks, as far as is known."""
        self._ending = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._superseded = False
        self._failure: Exception | None = None

    @property
    def unacked(self) -> int:
        """Messages that the broker has not acknowledged yet."""
        return len(self._link.unacked) if self._link is not None else 0

    @property
    def backlog(self) -> int:
        """Events kept until the broker is back."""
        return len(self._backlog)

    @property
    def unanswered(self) -> int:
        """How many of those offered the broker has not acknowledged yet; always the newest."""
        in_flight = self._link.unacked.values() if self._link is not None else ()
        return len(self._backlog) + sum(not outgoing.retain for outgoing in in_flight)

    @property
    def refused(self) -> int:
        """Publications that the broker acknowledged with a refusal (MQTT 5 only)."""
        return self._refused_before + (self._link.refused if self._link is not None else 0)

    # -- sending ---------------------------------------------------------------------------

    def publish(self, outgoing: Outgoing) -> None:
        """Send now if connected; otherwise keep an event for later, and leave a retained document to the reconnect."""
        self.offered += not outgoing.retain
        if (outgoing.retain or not self._backlog) and self._send(outgoing):
            return
        if not outgoing.retain:
            self._keep(outgoing)

    def _send(self, outgoing: Outgoing) -> bool:
        link = self._link
        if link is None or not link.up or self._superseded:
            return False
        if len(link.unacked) >= self.settings.unacked_max:
            link.cut("the broker acknowledges nothing")
            return False
        taken = link.publish(outgoing)
        self.sent += taken
        return taken

    def _keep(self, outgoing: Outgoing) -> None:
        self._backlog.append(outgoing)
        self._shed()

    def _shed(self) -> None:
        while len(self._backlog) > self.settings.backlog_max:
            self._backlog.popleft()
            self.dropped += 1

    def _flush_backlog(self, link: Link) -> None:
        """Send kept events in order, leaving room for new ones; what cannot go yet stays at the front."""
        # At least one at a time: where nothing could ever go, waiting for room would never end.
        room = max(self.settings.unacked_max // 2, 1)
        while self._backlog and len(link.unacked) < room and self._send(self._backlog[0]):
            self._backlog.popleft()

    # -- life ------------------------------------------------------------------------------

    async def run(self) -> None:
        """Connect, and reconnect for ever; returns after :meth:`stop` or once superseded.

        Raises what a callback raised: the state behind it cannot be trusted any further.
        """
        self._ended.clear()
        loop = asyncio.get_running_loop()
        complained: float | None = None
        try:
            while not self._ending.is_set():
                began = loop.time()
                error = await self._connect_once()
                if self._ending.is_set():
                    break
                if self.settings.protocol == "auto" and error.version_refused:
                    self.version = "3.1.1" if self.version == "5" else "5"
                    if self.version == "3.1.1":
                        continue  # the answer to our first offer, not a failure
                self.failures = 1 if loop.time() - began > STABLE_S else self.failures + 1
                if (
                    complained is None
                    or self.failures == 1
                    or loop.time() - complained >= self.settings.complain_every_s
                ):
                    complained = loop.time()
                    log.warning(
                        "no broker",
                        action="mqtt-retrying",
                        url=self._shown_url(),
                        why=str(error),
                        attempt=self.failures,
                    )
                wait_s = retry_wait_s(self.failures, self._jitter(), self.settings.retry_s_max)
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._ending.wait(), wait_s)
        finally:
            self._ended.set()
        if self._failure is not None:
            raise self._failure

    async def stop(self) -> None:
        """Publish the offline status, disconnect cleanly and let :meth:`run` return; about 1 s at most."""
        self._ending.set()
        await self._ended.wait()

    async def _connect_once(self) -> LinkError:
        """Make one connection and serve it to its end; returns why it ended or failed."""
        try:
            link = Link(self.settings, self.version, on_up=self._came_up, on_message=self._hear, is_full=self.is_full)
        except OSError as error:
            return LinkError(f"the certificate files cannot be used: {error.strerror or error}")
        try:
            await self._serve(link)
        except LinkError as error:
            return error
        except asyncio.CancelledError:
            self._ending.set()
            raise
        finally:
            await self._leave(link)
        return LinkError(link.ended.result() if link.ended.done() else "closed")

    async def _serve(self, link: Link) -> None:
        """Open and set up the link, then wait until it ends or we do."""
        ending = asyncio.create_task(self._ending.wait())
        opening = asyncio.create_task(self._open(link))
        ends: set[asyncio.Future[Any]] = {ending, link.ended}
        try:
            await asyncio.wait(ends | {opening}, return_when=asyncio.FIRST_COMPLETED)
            if link.ended.done() and not link.accepted:  # let the refusal itself be heard
                await asyncio.wait({ending, opening}, return_when=asyncio.FIRST_COMPLETED)
            if opening.done():
                opening.result()
                await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (ending, opening):
                task.cancel()
            await asyncio.gather(ending, opening, return_exceptions=True)

    async def _leave(self, link: Link) -> None:
        lost = link.ended.result() if link.ended.done() else None
        if lost is None and self._ending.is_set() and link.up and not self._superseded:
            link.publish(Outgoing(self.settings.status_topic, self.settings.offline, True))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(link.drained(0), GOODBYE_S_MAX)
        await link.close()
        was_connected, self.connected = self.connected, False
        self.listening.clear()
        self._sweeping = None
        # What was sent without an answer may be lost: events go first into the backlog, in their order.
        self._backlog.extendleft(reversed([kept for kept in link.unacked.values() if not kept.retain]))
        self._shed()
        link.unacked.clear()
        self._refused_before += link.refused
        self._link = None
        if was_connected and not self._ending.is_set():
            log.warning("broker lost", action="mqtt-disconnected", why=lost or "closed")
            self._call(self.on_disconnected, lost or "closed")

    def _came_up(self, link: Link) -> None:
        self._link = link
        self.connected = True
        self.reconnects += self._ever_connected
        self._flush_backlog(link)
        self._call(self.on_connected, link.session_present)

    async def _open(self, link: Link) -> None:
        """Connect, listen, and bring the broker's retained outputs in line with the engine's."""
        settings = self.settings
        await link.open()
        # One answer behind the other: the broker answers the second request only after it has sent what
        # the first one asked for, so that by then every retained output has been seen. QoS 0, so that
        # nothing waits behind unsettled inputs. Nor may our proofs take a place among them: nats-server, with all
        # its places taken, passes over a message and delivers it later, behind newer ones.
        self._sweeping = set()
        refused = await link.subscribe([settings.status_topic, *settings.echoes, *settings.outputs], qos=0)
        if refused:
            log.warning("the broker hides our own words", action="mqtt-refused", filters=refused)
        if settings.outputs:
            await link.unsubscribe(settings.outputs)
        seen, self._sweeping = self._sweeping, None
        if self._ending.is_set():
            return
        if not (link.version == "3.1.1" and link.session_present and self._subscribed):
            refused = await link.subscribe(settings.inputs, qos=1, retained_if_new=self._subscribed)
            if refused:
                raise LinkError(f"the broker refuses to let us read {', '.join(refused)}")
            self._subscribed = True
        self._ever_connected = True
        self.listening.set()
        stale = seen - self._held().keys()
        for topic in sorted(stale):
            self.publish(Outgoing(topic, b"", True))
        self.publish(Outgoing(settings.status_topic, settings.online, True))
        log.info(
            "broker connected",
            action="mqtt-connected",
            url=self._shown_url(),
            protocol=link.version,
            session_present=link.session_present,
            emptied=len(stale),
        )
        while self._backlog and link.up:
            await link.drained(self.settings.unacked_max // 4)
            self._flush_backlog(link)
        await self._publish_held(link)

    async def _publish_held(self, link: Link) -> None:
        # What begins to be held meanwhile goes out by itself; what ceases is no longer written.
        waiting = deque(self._held().values())
        while waiting and link.up:
            for _ in range(min(HELD_BATCH, len(waiting))):
                outgoing = self._guarded(waiting.popleft())
                if outgoing is not None:
                    self.publish(outgoing)
            await link.drained(HELD_BATCH // 2)

    def _held(self) -> Held:
        return self._guarded(self.held_topics)

    def _guarded(self, ask: Callable[[], _T]) -> _T:
        try:
            return ask()
        except Exception as error:
            self._fail(error)
            raise LinkError("the engine failed") from error

    # -- hearing ---------------------------------------------------------------------------

    def _hear(self, message: Message, settle: Settle) -> None:
        topic = message.topic
        if self._inputs.match(topic):
            try:
                self.on_message(message, settle)
            except Exception as error:
                self._fail(error)
            return
        # Our own topics, and what we never asked for: the session may still hold the filters of an
        # earlier configuration, and one broker sends retained messages that match no filter at all.
        settle()
        if topic == self.settings.status_topic:
            self._hear_status(message)
        elif message.retained and message.payload and self._outputs.match(topic):
            with contextlib.suppress(LinkError):
                self._hear_own(topic)

    def _hear_own(self, topic: str) -> None:
        if self._sweeping is not None:
            self._sweeping.add(topic)
        elif topic not in self._held():  # a broker that sends them late
            self.publish(Outgoing(topic, b"", True))

    def _hear_status(self, message: Message) -> None:
        verdict, started = judge_status(
            message.payload, own_started=self.settings.started, left_over=message.retained and not self._ever_connected
        )
        if verdict is Verdict.SUPERSEDED and not self._superseded:
            log.error("a later run of this instance is on; this one ends", action="mqtt-superseded", started=started)
            self._superseded = True
            self._ending.set()
            self._call(self.on_superseded, started)
        elif verdict is Verdict.CLOCK_WENT_BACK:
            log.warning("an earlier run claims a later start", action="mqtt-clock-went-back", started=started)
        elif verdict is Verdict.LATE_FAREWELL and not message.retained and not self._ending.is_set():
            # What was retained before our "online" is overwritten by it anyway.
            self.publish(Outgoing(self.settings.status_topic, self.settings.online, True))

    def _call(self, callback: Callable[[_T], None], argument: _T) -> None:
        try:
            callback(argument)
        except Exception as error:
            self._fail(error)

    def _fail(self, error: Exception) -> None:
        log.error("a callback failed; the feed ends", action="mqtt-failed", error=repr(error))
        if self._failure is None:
            self._failure = error
        self._ending.set()

    def _shown_url(self) -> str:
        address = self.settings.address
        return f"{'mqtts' if address.tls else 'mqtt'}://{address.host}:{address.port}"
