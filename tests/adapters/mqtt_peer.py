"""A broker of a few lines that does exactly what a test tells it to, at the level of bytes."""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
UNSUBSCRIBE, UNSUBACK, PINGREQ, DISCONNECT = 10, 11, 12, 14

ACCEPTED = b"\x20\x02\x00\x00"


def publish_packet(topic: str, payload: bytes, *, mid: int, retain: bool = False) -> bytes:
    """A PUBLISH of MQTT 3.1.1 at QoS 1, or at QoS 0 for mid 0."""
    name = topic.encode()
    body = struct.pack("!H", len(name)) + name + (struct.pack("!H", mid) if mid else b"") + payload
    assert len(body) < 128
    return bytes([0x30 | (2 if mid else 0) | int(retain), len(body)]) + body


class Peer:
    """One accepted connection, read and written synchronously: nothing here yields to the client's loop by itself."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock
        self.sock.settimeout(5)
        self._buffer = b""

    def send(self, data: bytes) -> None:
        self.sock.sendall(data)

    def _read(self, count: int) -> bytes:
        while len(self._buffer) < count:
            data = self.sock.recv(65536)
            if not data:
                raise EOFError
            self._buffer += data
        taken, self._buffer = self._buffer[:count], self._buffer[count:]
        return taken

    def packet(self) -> tuple[int, bytes]:
        """Read one packet: its type and its body."""
        head = self._read(1)[0]
        length = shift = 0
        while True:
            byte = self._read(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                return head >> 4, self._read(length)

    async def next(self) -> tuple[int, bytes]:
        """Read one packet while the client's loop runs."""
        return await asyncio.to_thread(self.packet)

    def nothing_came(self) -> bool:
        """Say whether the client has sent nothing so far."""
        self.sock.setblocking(False)
        try:
            self._buffer += self.sock.recv(65536)
        except BlockingIOError:
            return not self._buffer
        finally:
            self.sock.settimeout(5)
        return not self._buffer


class Listener:
    """A port that hands out its connections."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(5)
        self.url = f"mqtt://127.0.0.1:{self._server.getsockname()[1]}"
        self.peers: list[Peer] = []

    async def accept(self) -> Peer:
        sock, _ = await asyncio.to_thread(self._server.accept)
        self.peers.append(Peer(sock))
        return self.peers[-1]

    def close(self) -> None:
        for peer in self.peers:
            peer.sock.close()
        self._server.close()


@asynccontextmanager
async def listening() -> AsyncIterator[Listener]:
    listener = Listener()
    try:
        yield listener
    finally:
        listener.close()
