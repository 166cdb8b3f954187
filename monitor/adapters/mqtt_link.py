"""One MQTT connection, from CONNECT to its end.

Owns everything that reaches below aiomqtt's surface: acknowledging by hand, taking
messages straight from the socket's callback (:mod:`monitor.adapters.mqtt_reading`), and
writing to the socket at once. No other module may touch ``_client``. A link is used once;
a reconnect makes a new one, so that a packet identifier of an old connection can never be
acknowledged on a new one.

Measured: a message taken from aiomqtt's queue by a task costs about twice the processor
time of one taken from the callback.
"""

from __future__ import annotations

import asyncio
import logging
import math
import socket
import threading
from collections.abc import Callable, Coroutine, Iterable
from functools import partial
from typing import Any, Final, Literal, TypeVar

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.client import (
    MQTT_CLEAN_START_FIRST_ONLY,
    MQTT_ERR_SUCCESS,
    PINGREQ,
    PUBACK,
    PUBLISH,
    CleanStartOption,
    Client,
    ConnectFlags,
    DisconnectFlags,
    MQTTMessage,
)
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.adapters.mqtt_phrases import say_closed_early, say_end, say_error
from monitor.adapters.mqtt_reading import SocketReader
from monitor.adapters.mqtt_settings import MqttSettings, OnMessage
from monitor.adapters.mqtt_silence import SilenceWatch
from monitor.ports import Message, Outgoing, settle_nothing

Version = Literal["5", "3.1.1"]
_T = TypeVar("_T")

_UNSUPPORTED_VERSION: Final = 0x84
_PACKET_IDS: Final = 65_535
_GOODBYE_S_MAX: Final = 0.5
_QUIET: Final = logging.getLogger("monitor.mqtt.paho")
_QUIET.setLevel(logging.CRITICAL)  # every failure it would report reaches us as a reason, and is logged once there


class LinkError(Exception):
    """The connection could not be made or did not do its duty; the message is a short phrase.

    ``version_refused`` says that the broker may well speak another version of MQTT.
    """

    def __init__(self, why: str, *, version_refused: bool = False) -> None:
        super().__init__(why)
        self.version_refused = version_refused


class Link:
    """One connection of the client ``sillwatch-{instance}``.

    ``on_up`` is called with "session present" before any message of the connection is
    handed to ``on_message``. Both are called on the loop's thread and must not raise.
    While ``is_full`` says so the socket is not read: what comes waits at the broker.
    """

    def __init__(
        self,
        settings: MqttSettings,
        version: Version,
        *,
        on_up: Callable[[Link], None],
        on_message: OnMessage,
        is_full: Callable[[], bool] = lambda: False,
    ) -> None:
        self._settings = settings
        self.version: Version = version
        self._on_up = on_up
        self._hand_over = on_message
        self._is_full = is_full
        self._loop = asyncio.get_running_loop()
        self._thread = threading.get_ident()
        self._opening: asyncio.Task[Any] | None = None
        self._writing: int | None = None
        self._wrote_this_turn = False
        self._unsettled: dict[int, int] = {}
        self._deliveries = 0
        self._heard = 0
        self._drained: tuple[int, asyncio.Future[None]] | None = None
        self.up = False
        self.accepted = False
        self.session_present = False
        self.refused = 0
        self.unacked: dict[int, Outgoing] = {}
        self.ended: asyncio.Future[str] = self._loop.create_future()
        self._aio = self._make_client()
        self._client: Client = self._aio._client
        self._silence = SilenceWatch(
            settings.keepalive_s,
            heard_at=lambda: self._reader.heard_at,
            ask=lambda: self._client._send_simple_command(PINGREQ),
            give_up=self.cut,
        )

    def _make_client(self) -> aiomqtt.Client:
        settings, five = self._settings, self.version == "5"
        address = settings.address
        properties = None
        clean_start: CleanStartOption = MQTT_CLEAN_START_FIRST_ONLY
        if five:
            clean_start = False
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = settings.session_expiry_s
            properties.ReceiveMaximum = settings.receive_max
        aio = aiomqtt.Client(
            address.host,
            address.port,
            username=settings.username if settings.username is not None else address.username,
            password=settings.password if settings.password is not None else address.password,
            logger=_QUIET,
            identifier=settings.client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311,
            will=aiomqtt.Will(settings.status_topic, settings.offline, qos=1, retain=True),
            clean_session=None if five else False,
            clean_start=clean_start,
            timeout=settings.connect_s_max,
            keepalive=settings.keepalive_s,
            max_inflight_messages=0,  # 3.1.1 sets no limit; a limit of version 5 is taken from the broker's answer
            properties=properties,
            tls_context=settings.tls_context(),
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )
        client = aio._client
        client.disable_logger()
        client.manual_ack_set(True)
        client.connect_timeout = settings.connect_s_max
        client.on_connect = self._on_connack
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_publish_received
        client.on_publish = self._on_puback
        self._reader = SocketReader(client, is_full=lambda: self.up and self._is_full(), cut=self.cut)
        client.on_socket_register_write = self._on_register_write
        client.on_socket_unregister_write = self._on_unregister_write
        aio._disconnected.add_done_callback(self._on_broken)
        return aio

    # -- life ------------------------------------------------------------------------------

    async def open(self) -> None:
        """Connect and wait for the broker's answer; raises :class:`LinkError`."""
        # A task of its own: the thread inside that connects cannot be cancelled, only outlived (see close).
        self._opening = asyncio.create_task(self._aio.__aenter__())
        try:
            await asyncio.shield(self._opening)
        except MqttConnectError as error:
            refused = isinstance(error.rc, ReasonCode) and error.rc.value == _UNSUPPORTED_VERSION
            raise LinkError(f"the broker refuses: {say_error(error)}", version_refused=refused) from None
        except _ClosedEarlyError as error:
            raise LinkError(str(error), version_refused=True) from None
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            if self._reader.alert is None and self._client.socket() is not None:
                raise LinkError(
                    "the broker does not answer", version_refused=True
                ) from None  # nor will it, to that version
            raise LinkError(say_error(error)) from None
        self._aio.timeout = self._settings.answer_s_max

    async def close(self) -> None:
        """End the connection, with a DISCONNECT where it still stands, and leave nothing running."""
        if self._opening is not None and not self._opening.done():
            self._fail_opening(aiomqtt.MqttError("given up"))
            await asyncio.wait({self._opening}, timeout=self._settings.connect_s_max + 1)
        if self.up:
            self.up = False
            if self._client.disconnect() == MQTT_ERR_SUCCESS:
                await asyncio.wait({self.ended}, timeout=_GOODBYE_S_MAX)
        self._end("closed")
        self._client._sock_close()
        if self._opening is not None and self._opening.done() and not self._opening.cancelled():
            self._opening.exception()
        if self._aio._misc_task is not None:
            self._aio._misc_task.cancel()
            await asyncio.gather(self._aio._misc_task, return_exceptions=True)
        for future in (self._aio._connected, self._aio._disconnected):
            if not future.done():
                future.cancel()
            elif not future.cancelled():
                future.exception()

    def cut(self, why: str) -> None:
        """Drop the socket without a DISCONNECT; the broker then publishes the will.

        May be called from anywhere: the socket itself is closed in the loop's next turn, since
        paho would wait for itself if it were closed inside one of its callbacks.
        """
        self._end(why)
        self._loop.call_soon(self._client._sock_close)

    def _end(self, why: str) -> None:
        self.up = False
        self._silence.stop()
        self._unsettled.clear()
        if not self.ended.done():
            self.ended.set_result(why)
        if self._drained is not None and not self._drained[1].done():
            self._drained[1].set_result(None)

    def _fail_opening(self, error: aiomqtt.MqttError) -> None:
        if not self._aio._connected.done():
            self._aio._connected.set_exception(error)

    # -- sending ---------------------------------------------------------------------------

    def publish(self, outgoing: Outgoing) -> bool:
        """Write the message to the socket now, at QoS 1; return whether it was taken."""
        info = self._client.publish(outgoing.topic, outgoing.payload, 1, outgoing.retain)
        if info.rc != MQTT_ERR_SUCCESS:
            return False
        self.unacked[info.mid] = outgoing
        # The first of a turn goes straight to the socket: the alert leaves before the step that raised it
        # is finished. The rest of the turn, what does not fit and every error are left to _flush, which
        # paho has asked for: one system call for all, and no paho callback inside another.
        if not self._wrote_this_turn:
            self._wrote_this_turn = True
            self._client._packet_write()
        return True

    async def drained(self, left: int) -> None:
        """Wait until at most ``left`` messages lack the broker's acknowledgement, or the link has ended."""
        if len(self.unacked) > left and self.up:
            future: asyncio.Future[None] = self._loop.create_future()
            self._drained = (left, future)
            await future

    async def subscribe(self, filters: Iterable[str], *, qos: int, retained_if_new: bool = False) -> list[str]:
        """Subscribe, and return the filters that the broker refused; raises :class:`LinkError`.

        With ``retained_if_new`` a version 5 broker sends retained messages only where the
        session did not have the subscription yet.
        """
        wanted = list(filters)
        topics: list[Any] = [(name, qos) for name in wanted]
        if self.version == "5":
            handling = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB if retained_if_new else 0
            topics = [(name, SubscribeOptions(qos=qos, retainHandling=handling)) for name in wanted]
        try:
            answers = await self._await_answer(self._aio.subscribe(topics, timeout=math.inf))
        except aiomqtt.MqttError as error:
            raise LinkError(f"subscribing failed: {say_error(error)}") from None
        codes = [answer.value if isinstance(answer, ReasonCode) else answer for answer in answers]
        return [name for name, code in zip(wanted, codes, strict=True) if code >= 0x80]

    async def unsubscribe(self, filters: Iterable[str]) -> None:
        """Unsubscribe; raises :class:`LinkError`."""
        try:
            await self._await_answer(self._aio.unsubscribe(list(filters), timeout=math.inf))
        except aiomqtt.MqttError as error:
            raise LinkError(f"unsubscribing failed: {say_error(error)}") from None

    async def _await_answer(self, asking: Coroutine[Any, Any, _T]) -> _T:
        """Wait for an answer, which may come behind everything retained: for as long as that comes, or waits for us."""
        answer = asyncio.create_task(asking)
        try:
            while True:
                before = self._heard
                await asyncio.wait({answer}, timeout=self._settings.answer_s_max)
                if answer.done():
                    return answer.result()
                if self._heard == before and not (self._unsettled or self._is_full()):
                    raise aiomqtt.MqttError("no answer")
        finally:
            answer.cancel()
            await asyncio.gather(answer, return_exceptions=True)

    # -- paho's callbacks ------------------------------------------------------------------

    def _on_connack(
        self, client: Client, userdata: Any, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if not reason.is_failure:
            if self.version == "5":
                allowed = getattr(properties, "ReceiveMaximum", _PACKET_IDS)
                client._max_inflight_messages = 0 if allowed >= _PACKET_IDS else allowed
            self.session_present = bool(flags.session_present)
            self.accepted = self.up = True
            self._silence.start()
            self._on_up(self)
        self._aio._on_connect(client, userdata, flags, reason, properties)

    def _on_disconnect(
        self, client: Client, userdata: Any, flags: DisconnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self._end(say_end(reason, by_broker=flags.is_disconnect_packet_from_server))
        if self._reader.alert is not None:
            self._fail_opening(aiomqtt.MqttError(self._reader.alert))
        self._fail_opening(_ClosedEarlyError(say_closed_early(tls=self._settings.address.tls)))
        self._aio._on_disconnect(client, userdata, flags, reason, properties)

    def _on_broken(self, disconnected: asyncio.Future[None]) -> None:
        """Hear of what aiomqtt caught while reading: bytes that are no MQTT, mostly."""
        error = None if disconnected.cancelled() else disconnected.exception()
        if error is not None:
            self._fail_opening(_ClosedEarlyError("the broker's answer is no MQTT"))
            self._end(say_error(error))

    def _on_publish_received(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = message._topic.decode("utf-8", "backslashreplace")
        settle = settle_nothing
        self._heard += 1
        if message.qos:
            mid = message.mid
            self._deliveries = delivery = self._deliveries + 1
            self._unsettled[mid] = delivery
            settle = partial(self._settle, mid, message.qos, delivery)
        self._hand_over(Message(topic, bytes(message.payload), message.retain, bool(message.dup)), settle)

    def _settle(self, mid: int, qos: int, delivery: int) -> None:
        # Only the last delivery under a packet identifier may acknowledge it, once: after that the
        # broker may give the identifier to another message (MQTT 5.0 section 4.3.2).
        if self._unsettled.get(mid) == delivery:
            del self._unsettled[mid]
            self._client.ack(mid, qos)

    def _on_puback(
        self, client: Client, userdata: Any, mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self.unacked.pop(mid, None)
        if reason.is_failure:
            self.refused += 1
        if self._drained is not None and len(self.unacked) <= self._drained[0] and not self._drained[1].done():
            self._drained[1].set_result(None)

    # -- the socket's write side -----------------------------------------------------------

    def _on_register_write(self, client: Client, userdata: Any, sock: Any) -> None:
        if threading.get_ident() == self._thread:
            self._loop.call_soon(self._flush)
        else:  # paho connects in a thread of the executor
            self._loop.call_soon_threadsafe(self._flush)

    def _flush(self) -> None:
        self._wrote_this_turn = False
        try:
            self._merge_waiting()
            self._client.loop_write()
        except Exception as error:
            self.cut(say_error(error))
        sock = self._client.socket()
        if sock is not None and self._writing is None and self._client.want_write():
            self._writing = sock.fileno()
            self._loop.add_writer(self._writing, self._flush)

    def _merge_waiting(self) -> None:
        """Make one packet of the acknowledgements and publications that wait: paho sends each by a call of its own."""
        waiting = self._client._out_packet
        if len(waiting) > 1 and all(
            packet["pos"] == 0
            and (packet["command"] == PUBACK or (packet["command"] & 0xF0 == PUBLISH and packet["qos"]))
            for packet in waiting
        ):
            merged = b"".join(packet["packet"] for packet in waiting)
            first = waiting[0]
            first["command"], first["packet"], first["to_process"] = PUBACK, merged, len(merged)
            waiting.clear()
            waiting.append(first)

    def _on_unregister_write(self, client: Client, userdata: Any, sock: Any) -> None:
        if self._writing is not None:
            self._loop.remove_writer(self._writing)
            self._writing = None


class _ClosedEarlyError(aiomqtt.MqttError):
    """The connection ended before the broker accepted or refused it."""
