"""What an MQTT feed is told: the broker's address, the topics and the limits.

Owns reading a broker's address. Never opens a connection.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal
from urllib.parse import unquote, urlsplit

from monitor.ports import Message, Outgoing

Protocol = Literal["auto", "5", "3.1.1"]
"""The MQTT version to speak; ``auto`` tries 5 and falls back to 3.1.1 where 5 is refused."""

Settle = Callable[[], None]
"""Call it once the message is durable: only then is the delivery acknowledged to the broker."""

OnMessage = Callable[[Message, Settle], None]

Held = Mapping[str, Callable[[], Outgoing | None]]
"""Retained topic → what writes its message as it is by then, ``None`` if it is held no longer."""

_PORTS: Final = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """A broker's address, taken apart."""

    host: str
    port: int
    tls: bool
    username: str | None
    password: str | None


def parse_broker_url(url: str) -> BrokerAddress:
    """Read ``mqtt://[user[:password]@]host[:port]`` or ``mqtts://…``; ports default to 1883 and 8883.

    Raises ``ValueError`` with one line that says what would be right.
    """
    parts = urlsplit(url)
    try:
        port = parts.port
    except ValueError:
        raise ValueError("the broker's port is a number from 1 to 65535") from None
    if parts.scheme not in _PORTS or not parts.hostname or parts.path not in ("", "/") or parts.query or port == 0:
        shown = f"{parts.scheme}://{parts.hostname or ''}" if parts.scheme else url
        raise ValueError(f"{shown!r} is not a broker's address; write mqtt://host:port or mqtts://host:port")
    return BrokerAddress(
        host=parts.hostname,
        port=port or _PORTS[parts.scheme],
        tls=parts.scheme == "mqtts",
        username=None if parts.username is None else unquote(parts.username),
        password=None if parts.password is None else unquote(parts.password),
    )


class _ClosingSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails: paho forgets to."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _refuse_to_ask() -> str:
    """Answer for a key that has a password; without it OpenSSL would ask on the terminal and wait."""
    raise OSError("the key has a password; write it without one, readable by this program's user alone")


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """Everything a feed needs to know.

    ``inputs`` are heard at QoS 1, and at QoS 0 ``echoes``, what we send to ourselves: a broker that refuses to give
    those back is worked with all the same. What lies retained below ``outputs`` is ours alone and is
    emptied on connecting unless the engine holds it, so they must not cover another
    instance's topics. ``started`` is this run's start (RFC 3339), as in ``online``;
    ``offline`` is the will. ``username`` and ``password`` win over those in ``url``.
    """

    url: str
    instance: str
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    status_topic: str
    started: str
    online: bytes
    offline: bytes
    protocol: Protocol = "auto"
    echoes: tuple[str, ...] = ()
    own_client_id: str | None = None
    username: str | None = None
    password: str | None = None
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    keepalive_s: int = 10
    session_expiry_s: int = 24 * 3600
    receive_max: int = 4096
    backlog_max: int = 10_000
    unacked_max: int = 20_000
    connect_s_max: float = 3.0
    answer_s_max: float = 10.0
    retry_s_max: float = 15.0
    complain_every_s: float = 30.0

    @property
    def client_id(self) -> str:
        """Fixed, so that the broker keeps the session over restarts and cuts off a twin."""
        return self.own_client_id or f"sillwatch-{self.instance}"

    @property
    def address(self) -> BrokerAddress:
        """The broker's address; raises ``ValueError`` as :func:`parse_broker_url` does."""
        return parse_broker_url(self.url)

    def tls_context(self) -> ssl.SSLContext | None:
        """Return the TLS context for ``mqtts``, ``None`` for ``mqtt``; raises ``OSError`` for a bad certificate file.

        The broker's certificate and name are always checked. The files are read anew for each
        connection, so that a renewed certificate is taken up by a reconnect.
        """
        if not self.address.tls:
            return None
        context = ssl.create_default_context(cafile=self.ca_file)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.sslsocket_class = _ClosingSocket
        if self.cert_file is not None:
            context.load_cert_chain(self.cert_file, self.key_file, password=_refuse_to_ask)
        return context
