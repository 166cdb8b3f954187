"""The read side of one MQTT connection's socket.

Owns how much is read and handed on in one turn of the loop, and leaving the socket alone
while no more can be held. Like :mod:`monitor.adapters.mqtt_link`, whose part it is, it
reaches below aiomqtt's surface.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from paho.mqtt.client import MQTT_ERR_SUCCESS, Client
from paho.mqtt.enums import MQTTErrorCode

from monitor.adapters.mqtt_phrases import say_alert, say_error

_READ_BYTES: Final = 65_536
_PACKETS_A_TURN: Final = 64
"""Twice what is taken in a turn (:mod:`monitor.adapters.intake`): what cannot be kept up with is seen, and sorted."""
_PAUSE_S: Final = 0.02


class SocketReader:
    """Serves paho's reading for one client; made before it connects.

    ``is_full`` says while the socket must not be read; ``cut`` ends the connection.
    """

    def __init__(self, client: Client, *, is_full: Callable[[], bool], cut: Callable[[str], None]) -> None:
        self._client = client
        self._is_full = is_full
        self._cut = cut
        self._loop = asyncio.get_running_loop()
        self._received = b""
        self._taken = 0
        self._reading_on = False
        self.heard_at = self._loop.time()
        """When something last came, or we would not listen (s, the loop's clock)."""
        self.alert: str | None = None
        """What the other side's TLS said of us, in a phrase."""
        client._sock_recv = partial(self._read, client._sock_recv)  # type: ignore[method-assign]
        client.loop_read = partial(self._serve_read, client.loop_read)  # type: ignore[method-assign]

    def _read(self, receive: Callable[[int], bytes], size: int) -> bytes:
        """Serve paho, which asks for a byte or two at a time, from one large read of the socket.

        Each call of the socket gives up the interpreter, and with it, under load, a
        millisecond to the journal's thread.
        """
        if self._taken >= len(self._received):
            try:
                self._received, self._taken = receive(_READ_BYTES), 0
                self.heard_at = self._loop.time()
            except ssl.SSLError as error:
                self.alert = say_alert(error)
                raise
        start, self._taken = self._taken, self._taken + size
        return self._received[start : self._taken]

    def _serve_read(self, loop_read: Callable[[], MQTTErrorCode], max_packets: int = 1) -> MQTTErrorCode:
        """Take some of the packets that wait; what then still lies here is taken in the loop's next turn."""
        sock = self._client.socket()
        if sock is not None and self._is_full():
            self.heard_at = self._loop.time()
            self._pause(sock)
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        result = loop_read()
        for _ in range(_PACKETS_A_TURN - 1):
            if result != MQTT_ERR_SUCCESS or self._taken >= len(self._received):
                return result
            result = loop_read()
        if result == MQTT_ERR_SUCCESS and self._taken < len(self._received) and not self._reading_on:
            self._reading_on = True
            self._loop.call_soon(self._read_on)
        return result

    def _read_on(self) -> None:
        self._reading_on = False
        if self._client.socket() is not None and self._taken < len(self._received):
            self.heard_at = self._loop.time()  # it did come, and we have not listened further yet
            self._read_more()

    def _read_more(self) -> None:
        try:
            self._client.loop_read()
        except Exception as error:
            self._cut(say_error(error))

    def _pause(self, sock: Any) -> None:
        """Leave the socket alone for a moment; a readable one would call again at once."""
        if self._loop.remove_reader(sock):
            self._loop.call_later(_PAUSE_S, self._resume, sock)

    def _resume(self, sock: socket.socket) -> None:
        if self._client.socket() is sock:
            self._loop.add_reader(sock, self._read_more)
            self._read_more()
