"""A plain connection to the broker for these commands: to hear, acknowledging by hand, or to send.

Owns connecting in the version of MQTT that the broker speaks, connecting again, and what is
settled on which connection. It runs on threads of the library's; what it is given is called there. Unlike
the monitor's own feed it has no words of its own: a recorder that only listens says nothing.
"""

from __future__ import annotations

import logging
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.adapters.mqtt_phrases import say_error
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.ports import Message, Outgoing, settle_nothing

Take = Callable[[Message, Callable[[], None]], None]

RECEIVE_MAX: Final = 4096
SENDING_MAX: Final = 512
"""Messages on their way to the broker: more are not begun before it has acknowledged some."""
SESSION_S: Final = 300
"""For how long a broker of MQTT 5 keeps what comes while the connection is lost."""
_ANSWER_S: Final = 10.0
_LOOK_S: Final = 0.1
_RETRY_S: Final = (1, 15)
_GOODBYE_S: Final = 2.0
FRUITLESS_MAX: Final = 5
"""So many connections in a row that end without one message taken: the broker refuses one of them."""

_QUIET: Final = logging.getLogger("monitor.recording.paho")
_QUIET.setLevel(logging.CRITICAL)


class ConnectionFailedError(Exception):
    """The broker is not reached, or refuses; the message is a short phrase."""


class StoppedError(ConnectionFailedError):
    """stopped before the broker answered"""

    def __init__(self) -> None:
        super().__init__(type(self).__doc__)


class Connection:
    """One client; ``take`` hears every message of ``filters`` with what acknowledges it, once that is called.

    ``told`` hears ``lost`` with why, and ``back``, when a connection that stood ends and stands again.
    """

    def __init__(
        self,
        settings: MqttSettings,
        *,
        filters: Sequence[str] = (),
        take: Take | None = None,
        told: Callable[[str, str], None] = lambda _event, _why: None,
    ) -> None:
        self._settings = settings
        self._filters = list(filters)
        self._take = take
        self._told = told
        self._lock = threading.Lock()
        self._room = threading.Condition(self._lock)
        self._sending: set[int] = set()
        self._early: set[int] = set()
        self._fruitless = 0
        self._answered = threading.Event()
        self._stands = False
        self._made = 0
        self._refused = ""
        self._ready = False
        self._client: paho.Client | None = None

    # Life

    def open(self, stop: threading.Event) -> None:
        """Connect and subscribe, unless ``stop`` is set meanwhile; raises :class:`ConnectionFailedError`."""
        protocol = self._settings.protocol
        versions = [MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311]
        if protocol != "auto":
            versions = [versions[protocol == "3.1.1"]]
        for number, version in enumerate(versions, start=1):
            try:
                self._try(version, stop)
                return
            except ConnectionFailedError:
                self.close()
                if number == len(versions) or stop.is_set():
                    raise

    def _try(self, version: MQTTProtocolVersion, stop: threading.Event) -> None:
        five = version == MQTTProtocolVersion.MQTTv5
        address = self._settings.address
        client = self._client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"sillwatch-{'capture' if self._filters else 'replay'}-{secrets.token_hex(4)}",
            protocol=version,
            clean_session=None if five else True,
            manual_ack=True,
        )
        client.enable_logger(_QUIET)
        user = self._settings.username if self._settings.username is not None else address.username
        if user is not None:
            client.username_pw_set(user, self._settings.password or address.password)
        try:
            context = self._settings.tls_context()
        except OSError as error:
            raise ConnectionFailedError(f"the certificate files cannot be used: {error.strerror or error}") from None
        if context is not None:
            client.tls_set_context(context)
        client.max_inflight_messages_set(SENDING_MAX)
        client.reconnect_delay_set(*_RETRY_S)
        client.connect_timeout = self._settings.connect_s_max
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        properties = None
        if five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = SESSION_S if self._filters else 0
            properties.ReceiveMaximum = RECEIVE_MAX
        self._answered.clear()
        self._refused = ""
        connect = partial(
            client.connect,
            address.host,
            address.port,
            self._settings.keepalive_s,
            clean_start=False if five and self._filters else paho.MQTT_CLEAN_START_FIRST_ONLY,
            properties=properties,
        )
        _reach(connect, stop)
        client.loop_start()
        end = time.monotonic() + _ANSWER_S
        while not self._answered.wait(_LOOK_S) and not stop.is_set() and time.monotonic() < end:
            pass
        if not self._ready:
            if stop.is_set() and not self._refused:
                raise StoppedError
            raise ConnectionFailedError(self._refused or "the broker does not answer")

    def close(self) -> None:
        """End the connection and leave no session behind; what is on its way is waited for a moment."""
        client, self._client = self._client, None
        if client is None:
            return
        with self._lock:
            self._room.wait_for(lambda: not self._sending or not self._stands, _GOODBYE_S)
            self._made += 1
            self._stands = False
        properties = None
        if client.protocol == MQTTProtocolVersion.MQTTv5:
            properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0
        client.on_disconnect = None
        client.disconnect(properties=properties)
        client.loop_stop()

    # Sending

    def send(self, outgoing: Outgoing, stop: threading.Event) -> None:
        """Send a message at QoS 1 once there is room for it, unless ``stop`` is set meanwhile.

        Raises :class:`ConnectionFailedError` where the broker ends every connection at what it is sent.
        """
        client = self._client
        with self._lock:
            while len(self._sending) >= SENDING_MAX and not stop.is_set():
                self._check_use()
                self._room.wait(0.1)
            self._check_use()
            if client is None or stop.is_set():
                return
        info = client.publish(outgoing.topic, outgoing.payload, 1, outgoing.retain)
        with self._lock:
            # The answer may have come before we know what it answers.
            if info.mid in self._early:
                self._early.discard(info.mid)
            else:
                self._sending.add(info.mid)

    def drain(self, stop: threading.Event) -> int:
        """Wait until the broker has everything, or ``stop`` is set; returns how many it has not. Raises as :meth:`send`."""
        with self._lock:
            while self._sending and not stop.is_set():
                self._check_use()
                self._room.wait(0.1)
            return len(self._sending)

    def _check_use(self) -> None:
        if self._fruitless >= FRUITLESS_MAX:
            raise ConnectionFailedError(
                f"the broker ended {FRUITLESS_MAX} connections in a row without taking a message: one is too large for"
                " it, or has a topic that it refuses; its log may say which"
            )

    # The library's callbacks, on its thread

    def _on_connect(self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        if reason.is_failure:
            self._refused = f"the broker refuses: {str(reason).lower()}"
            self._answered.set()
            return
        with self._lock:
            self._made += 1
            self._stands = True
        if self._filters and not (self._ready and flags.session_present):
            client.subscribe([(name, 1) for name in self._filters])
        else:
            self._come_up()

    def _on_subscribe(
        self, client: paho.Client, userdata: Any, mid: int, reasons: Sequence[ReasonCode], properties: Any
    ) -> None:
        refused = [name for name, reason in zip(self._filters, reasons, strict=False) if reason.is_failure]
        if refused:
            self._refused = f"the broker refuses to let us read {', '.join(refused)}"
            self._answered.set()
            return
        self._come_up()

    def _come_up(self) -> None:
        if self._ready:
            self._told("back", "")
        self._ready = True
        self._answered.set()

    def _on_disconnect(
        self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any
    ) -> None:
        with self._lock:
            stood, self._stands = self._stands, False
            self._made += 1
            if stood and self._sending:
                self._fruitless += 1
        if stood and self._ready:
            self._told("lost", "connection lost")
        elif not self._ready:
            self._refused = self._refused or "the broker closed the connection instead of accepting it"
            self._answered.set()

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        if self._take is None:
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        settle = partial(self._settle, self._made, message.mid, message.qos) if message.qos else settle_nothing
        self._take(Message(topic, bytes(message.payload), message.retain, bool(message.dup)), settle)

    def _settle(self, made: int, mid: int, qos: int) -> None:
        # A number of an earlier connection may name another message by now.
        with self._lock:
            client = self._client
            if client is not None and made == self._made:
                client.ack(mid, qos)

    def _on_publish(self, client: paho.Client, userdata: Any, mid: int, reason: ReasonCode, properties: Any) -> None:
        with self._lock:
            self._fruitless = 0
            if mid in self._sending:
                self._sending.discard(mid)
            else:
                self._early.add(mid)
            self._room.notify_all()


def _reach(connect: Callable[[], object], stop: threading.Event) -> None:
    """Connect on a thread of its own, which is left to itself where ``stop`` is set: no system call heeds a signal."""
    failed: list[Exception] = []
    done = threading.Event()

    def reach() -> None:
        try:
            connect()
        except Exception as error:
            failed.append(error)
        done.set()

    threading.Thread(target=reach, name="connect", daemon=True).start()
    while not done.wait(_LOOK_S):
        if stop.is_set():
            raise StoppedError
    if failed:
        if not isinstance(failed[0], (OSError, ValueError)):
            raise failed[0]
        raise ConnectionFailedError(say_error(failed[0]))
