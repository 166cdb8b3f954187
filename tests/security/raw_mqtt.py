"""MQTT 3.1.1 by hand: packets that a decent client library would refuse to send.

Owns one blocking connection for attacks. Says what the broker answered, and that it hung up.
Source: MQTT 3.1.1 (OASIS 2014), chapters 2 and 3.
"""

from __future__ import annotations

import socket
import ssl
from types import TracebackType

DEADLINE_S = 30.0

CONNACK, PUBLISH, PUBACK, SUBACK = 0x20, 0x30, 0x40, 0x90


class HungUpError(Exception):
    """The broker ended the connection."""


def text(value: str | bytes) -> bytes:
    """A length and UTF-8, as section 1.5.3 writes strings; bytes go as they are."""
    raw = value if isinstance(value, bytes) else value.encode()
    return len(raw).to_bytes(2, "big") + raw


def packet(first: int, body: bytes) -> bytes:
    """A control packet with its remaining length (section 2.2.3)."""
    length, left = bytearray(), len(body)
    while True:
        left, digit = divmod(left, 128)
        length.append(digit | 0x80 if left else digit)
        if not left:
            return bytes([first]) + bytes(length) + body


def publication(topic: str | bytes, payload: bytes, *, retain: bool = False, identifier: int = 1) -> bytes:
    """A PUBLISH at QoS 1."""
    return packet(0x32 | retain, text(topic) + identifier.to_bytes(2, "big") + payload)


class RawClient:
    """One connection as ``user``; ``context`` is for TLS, ``will`` a topic and a payload."""

    def __init__(
        self,
        host: str,
        port: int,
        *,
        context: ssl.SSLContext | None = None,
        client_id: str = "attacker",
        user: str = "",
        password: str = "",
        will: tuple[str, bytes] | None = None,
        clean: bool = True,
    ) -> None:
        raw = socket.create_connection((host, port), timeout=DEADLINE_S)
        try:
            self._socket = raw if context is None else context.wrap_socket(raw, server_hostname=host)
        except BaseException:
            raw.close()
            raise
        flags = 0x02 if clean else 0
        body = text(client_id)
        if will is not None:
            flags |= 0x04 | 0x08 | 0x20  # a will at QoS 1, retained
            body += text(will[0]) + text(will[1])
        if user:
            flags |= 0xC0
            body += text(user) + text(password)
        try:
            self.send(packet(0x10, text("MQTT") + bytes([4, flags]) + (60).to_bytes(2, "big") + body))
            answer = self.receive()
        except BaseException:
            self.drop()
            raise
        self.accepted = answer[0] == CONNACK and answer[1][1] == 0

    def __enter__(self) -> RawClient:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.drop()

    def send(self, data: bytes) -> None:
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise HungUpError(str(error)) from None

    def receive(self) -> tuple[int, bytes]:
        """The next packet's type and body; raises :class:`HungUpError`."""
        first = self._take(1)[0]
        length = shift = 0
        while True:
            digit = self._take(1)[0]
            length |= (digit & 0x7F) << shift
            shift += 7
            if digit < 0x80:
                return first & 0xF0, self._take(length)

    def publish(self, topic: str | bytes, payload: bytes, *, retain: bool = False) -> bool:
        """Publish at QoS 1; true where the broker acknowledged, false where it hung up."""
        try:
            self.send(publication(topic, payload, retain=retain))
            while self.receive()[0] != PUBACK:
                pass
        except HungUpError:
            return False
        return True

    def subscribe(self, name: str) -> bool:
        """Ask for a filter at QoS 0; true where it was granted."""
        try:
            self.send(packet(0x82, (1).to_bytes(2, "big") + text(name) + b"\x00"))
            while True:
                kind, body = self.receive()
                if kind == SUBACK:
                    return body[2] < 0x80
        except HungUpError:
            return False

    def messages_until(self, last: str) -> list[tuple[str, bytes]]:
        """What is delivered at QoS 0, topic and payload, up to and without the message on ``last``."""
        seen: list[tuple[str, bytes]] = []
        while True:
            kind, body = self.receive()
            if kind == PUBLISH:
                end = 2 + int.from_bytes(body[:2], "big")
                topic = body[2:end].decode()
                if topic == last:
                    return seen
                seen.append((topic, body[end:]))

    def topics_until(self, last: str) -> list[str]:
        """The topics of :meth:`messages_until`."""
        return [topic for topic, _ in self.messages_until(last)]

    def drop(self) -> None:
        """Close without a DISCONNECT: the broker publishes the will."""
        self._socket.close()

    def _take(self, count: int) -> bytes:
        taken = b""
        while len(taken) < count:
            try:
                more = self._socket.recv(count - len(taken))
            except TimeoutError:
                raise AssertionError("the broker neither answered nor hung up") from None
            except OSError as error:
                raise HungUpError(str(error)) from None
            if not more:
                raise HungUpError("end of the stream")
            taken += more
        return taken
