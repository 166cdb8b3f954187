"""A bare MQTT 3.1.1 sender on an event loop: it publishes at QoS 1 and counts what is acknowledged.

Owns the connection and the few packets that sending needs, with as little work for each
message as Python allows. It subscribes to nothing, sends no pings and never reconnects.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from pathlib import Path
from typing import Final

from monitor.adapters.mqtt_settings import BrokerAddress
from simulators.bench_wire import PACKET_IDS, encode_length, encode_publish, encode_text

CONNECT_S_MAX: Final = 5.0
_GOODBYE_S_MAX: Final = 0.5
_READ: Final = 1 << 16
_CONNACK, _PUBACK = 0x20, 0x40
_REFUSALS: Final = {4: "user or password is wrong", 5: "the user may not connect"}


class SenderError(RuntimeError):
    """The broker cannot be reached, refuses us or went away; the message is one line for a person."""


class Sender:
    """One connection with a clean session; open it with :meth:`connect`.

    ``sent`` counts publications, ``acknowledged`` those that the broker has taken.
    """

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, address: BrokerAddress) -> None:
        self._reader = reader
        self._writer = writer
        self._where = f"{address.host}:{address.port}"
        self._packet_id = 0
        self._taking: asyncio.Task[None] | None = None
        self.sent = 0
        self.acknowledged = 0

    @classmethod
    async def connect(cls, address: BrokerAddress, client_id: str, *, ca_file: Path | None = None) -> Sender:
        """Open a connection; ``ca_file`` is the authority to trust with TLS (``None``: the system's).

        Raises :class:`SenderError` where the broker does not answer or does not let us in.
        """
        where = f"{address.host}:{address.port}"
        context = ssl.create_default_context(cafile=ca_file) if address.tls else None
        sender = None
        try:
            async with asyncio.timeout(CONNECT_S_MAX):
                reader, writer = await asyncio.open_connection(address.host, address.port, ssl=context)
                sender = cls(reader, writer, address)
                writer.write(_connect_packet(client_id, address))
                await sender._wait_for_welcome()
        except (OSError, SenderError, asyncio.CancelledError) as error:
            if sender is not None:
                await sender.close()
            if not isinstance(error, OSError):
                raise
            why = f" ({error.strerror})" if error.strerror else ""
            raise SenderError(f"no broker answers at {where}{why}") from None
        sender._taking = asyncio.create_task(sender._take_acknowledgements())
        return sender

    @property
    def unacknowledged(self) -> int:
        """How many publications the broker has not acknowledged yet."""
        return self.sent - self.acknowledged

    def publish(self, topic: bytes, payload: bytes, *, retain: bool) -> None:
        """Write a publication; it goes out as soon as the socket takes it."""
        self._packet_id = self._packet_id % PACKET_IDS + 1
        self._writer.write(encode_publish(topic, payload, self._packet_id, retain=retain))
        self.sent += 1

    def check(self) -> None:
        """Raise :class:`SenderError` where the broker has gone."""
        if self._taking is not None and self._taking.done():
            raise SenderError(f"the broker at {self._where} closed the connection")

    async def close(self) -> None:
        """Say goodbye and close; a broker that takes nothing any more is not waited for."""
        if self._taking is not None:
            self._taking.cancel()
            await asyncio.gather(self._taking, return_exceptions=True)
        with contextlib.suppress(OSError, TimeoutError):
            self._writer.write(b"\xe0\x00")
            await asyncio.wait_for(self._writer.drain(), _GOODBYE_S_MAX)
        self._writer.transport.abort()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()

    async def _wait_for_welcome(self) -> None:
        try:
            kind, length, _, code = await self._reader.readexactly(4)
        except asyncio.IncompleteReadError:
            raise SenderError(f"the broker at {self._where} closed the connection") from None
        if kind != _CONNACK or length != 2:
            raise SenderError(f"{self._where} does not speak MQTT 3.1.1")
        if code:
            why = _REFUSALS.get(code, f"code {code}")
            raise SenderError(f"the broker at {self._where} refuses the connection ({why})")

    async def _take_acknowledgements(self) -> None:
        """Count PUBACKs, four bytes each: nothing else comes to who subscribes to nothing."""
        rest = b""
        while got := await self._reader.read(_READ):
            rest += got
            whole = len(rest) // 4
            self.acknowledged += rest[: whole * 4 : 4].count(_PUBACK)
            rest = rest[whole * 4 :]


def _connect_packet(client_id: str, address: BrokerAddress) -> bytes:
    """Write a CONNECT with a clean session and no keep-alive (MQTT 3.1.1, section 3.1)."""
    flags, body = 0x02, encode_text(client_id)
    if address.username is not None:
        flags, body = flags | 0x80, body + encode_text(address.username)
        if address.password is not None:
            flags, body = flags | 0x40, body + encode_text(address.password)
    body = encode_text("MQTT") + bytes((4, flags, 0, 0)) + body
    return b"\x10" + encode_length(len(body)) + body
