"""A bare MQTT 3.1.1 connection for measuring: frames by hand on a blocking socket.

Owns the few packets that a bench needs, written and read with as little work as Python
allows, so that what is measured is the other end. It never reconnects, sends no pings,
and is no client for anything else.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable
from typing import Final

from monitor.adapters.mqtt_settings import parse_broker_url

PACKET_IDS: Final = 65_535
ANSWER_S_MAX: Final = 20.0

_CONNACK, _PUBLISH, _PUBACK, _SUBACK = 0x20, 0x30, 0x40, 0x90
_READ: Final = 1 << 18

OnDelivery = Callable[[bytes, bytes], None]
"""(topic, payload) of a message that was delivered."""


class WireError(RuntimeError):
    """The broker did not answer as MQTT 3.1.1 asks; the message is one line for a person."""


def encode_publish(topic: bytes, payload: bytes, packet_id: int | None, *, retain: bool) -> bytes:
    """Write a PUBLISH at QoS 1, or at QoS 0 without a packet identifier (MQTT 3.1.1, section 3.3)."""
    tail = b"" if packet_id is None else struct.pack(">H", packet_id)
    length = 2 + len(topic) + len(tail) + len(payload)
    head = 0x30 | (0x02 if tail else 0) | (0x01 if retain else 0)
    return b"%c%b%b%b%b%b" % (head, encode_length(length), struct.pack(">H", len(topic)), topic, tail, payload)


def encode_length(length: int) -> bytes:
    """Write a remaining length: seven bits a byte, the least first (section 2.2.3)."""
    written = bytearray()
    while True:
        length, low = divmod(length, 128)
        written.append(low | (0x80 if length else 0))
        if not length:
            return bytes(written)


def encode_text(text: str) -> bytes:
    """Write a string with its length before it (section 1.5.3)."""
    body = text.encode()
    return struct.pack(">H", len(body)) + body


class Connection:
    """One connection with a clean session; ``on_delivery`` hears of every message.

    ``unacked`` is how many of our publications the broker has not acknowledged yet.
    Raises :class:`WireError` or ``OSError`` when it cannot be made.
    """

    def __init__(self, url: str, client_id: str, on_delivery: OnDelivery | None = None) -> None:
        address = parse_broker_url(url)
        self._on_delivery = on_delivery
        self._buffer = b""
        self._packet_id = 0
        self._granted: list[int] = []
        self._accepted = False
        self.unacked = 0
        self._socket = socket.create_connection((address.host, address.port), timeout=ANSWER_S_MAX)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # Protocol name and level 4, clean session, no keep-alive (section 3.1).
        body = encode_text("MQTT") + b"\x04\x02\x00\x00" + encode_text(client_id)
        self._socket.sendall(b"\x10" + encode_length(len(body)) + body)
        self._wait_for(lambda: self._accepted)

    def __enter__(self) -> Connection:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Say goodbye and close."""
        try:
            self._socket.sendall(b"\xe0\x00")
        except OSError:
            pass  # the broker went first
        finally:
            self._socket.close()

    def fileno(self) -> int:
        """Return the socket's number, so that ``select`` takes the connection itself."""
        return self._socket.fileno()

    def subscribe(self, name: str, *, qos: int = 1) -> None:
        """Subscribe and wait until it is granted; raises :class:`WireError`."""
        self._granted.clear()
        body = b"\x00\x01" + encode_text(name) + bytes((qos,))
        self._socket.sendall(b"\x82" + encode_length(len(body)) + body)
        self._wait_for(lambda: bool(self._granted))
        if self._granted[0] != qos:
            raise WireError(f"the broker does not grant {name} at QoS {qos}")

    def encode(self, topic: bytes, payload: bytes, *, retain: bool, qos: int = 1) -> bytes:
        """Write the next publication; it counts as sent."""
        if not qos:
            return encode_publish(topic, payload, None, retain=retain)
        self._packet_id = self._packet_id % PACKET_IDS + 1
        self.unacked += 1
        return encode_publish(topic, payload, self._packet_id, retain=retain)

    def send(self, frames: bytes) -> None:
        """Write frames to the socket."""
        self._socket.sendall(frames)

    def read(self) -> None:
        """Take what has arrived; waits where nothing has. Raises :class:`WireError` at the end of the stream."""
        got = self._socket.recv(_READ)
        if not got:
            raise WireError("the broker closed the connection")
        data = self._buffer + got if self._buffer else got
        self._buffer = data[self._take(data) :]

    def _take(self, data: bytes) -> int:
        """Take every whole packet in ``data``; return where the rest begins."""
        at, end, acks = 0, len(data), bytearray()
        while end - at >= 2:
            length, shift, body = 0, 0, at + 1
            while body < end:
                length |= (data[body] & 0x7F) << shift
                shift += 7
                body += 1
                if data[body - 1] < 0x80:
                    break
            else:
                break
            if body + length > end:
                break
            self._take_packet(data[at], data, body, body + length, acks)
            at = body + length
        if acks:
            self._socket.sendall(acks)
        return at

    def _take_packet(self, head: int, data: bytes, body: int, end: int, acks: bytearray) -> None:
        kind = head & 0xF0
        if kind == _PUBACK:
            self.unacked -= 1
        elif kind == _PUBLISH:
            topic_end = body + 2 + (data[body] << 8 | data[body + 1])
            payload = topic_end
            if head & 0x06:
                payload += 2
                acks += b"\x40\x02" + data[topic_end:payload]
            if self._on_delivery is not None:
                self._on_delivery(data[body + 2 : topic_end], data[payload:end])
        elif kind == _CONNACK:
            if data[body + 1]:
                raise WireError(f"the broker refuses the connection with code {data[body + 1]}")
            self._accepted = True
        elif kind == _SUBACK:
            self._granted.extend(data[body + 2 : end])

    def _wait_for(self, condition: Callable[[], bool]) -> None:
        while not condition():
            self.read()
