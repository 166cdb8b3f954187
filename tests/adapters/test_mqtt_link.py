"""What the link relies on below aiomqtt's surface, pinned at the level of bytes."""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest

from monitor.adapters.mqtt_link import Link, LinkError, Version
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.ports import Message, Outgoing
from tests.adapters.mqtt_peer import (
    ACCEPTED,
    CONNECT,
    DISCONNECT,
    PUBACK,
    PUBLISH,
    Listener,
    Peer,
    listening,
    publish_packet,
)

TOPIC = "apron/v1/t/stand/S1/wind_kt"


def settings(url: str, **overrides: Any) -> MqttSettings:
    given: dict[str, Any] = {
        "url": url,
        "instance": "one",
        "inputs": ("apron/v1/t/#",),
        "outputs": (),
        "status_topic": "sillwatch/v1/status/one",
        "started": "2026-03-01T10:00:00Z",
        "online": b"on",
        "offline": b"off",
        "connect_s_max": 1.0,
    }
    return MqttSettings(**(given | overrides))


@dataclass
class Ends:
    """Both ends of one connection."""

    link: Link
    peer: Peer
    heard: list[tuple[Message, Callable[[], None]]] = field(default_factory=list)
    connect: bytes = b""

    async def hear(self, count: int) -> None:
        deadline = asyncio.get_running_loop().time() + 5
        while len(self.heard) < count:
            assert asyncio.get_running_loop().time() < deadline, f"heard only {len(self.heard)}"
            await asyncio.sleep(0.002)


@asynccontextmanager
async def connected(
    listener: Listener, *, version: Version = "3.1.1", connack: bytes = ACCEPTED, **overrides: Any
) -> AsyncIterator[Ends]:
    heard: list[tuple[Message, Callable[[], None]]] = []
    link = Link(
        settings(listener.url, **overrides),
        version,
        on_up=lambda link: None,
        on_message=lambda message, settle: heard.append((message, settle)),
    )
    opening = asyncio.create_task(link.open())
    peer = await listener.accept()
    kind, body = await peer.next()
    assert kind == CONNECT
    peer.send(connack)
    await opening
    try:
        yield Ends(link, peer, heard, body)
    finally:
        await link.close()


async def test_the_connect_keeps_the_session_and_carries_the_will() -> None:
    async with listening() as listener, connected(listener) as ends:
        # Protocol name, level 4, flags: will, will QoS 1, will retain, no clean session; keep-alive 10 s.
        assert ends.connect[:10] == b"\x00\x04MQTT\x04" + bytes([0b00101100]) + b"\x00\x0a"
        assert b"sillwatch-one" in ends.connect
        assert ends.connect.endswith(b"\x00\x17sillwatch/v1/status/one\x00\x03off")


async def test_version_5_asks_for_a_session_that_lasts() -> None:
    """MQTT 5.0 sections 3.1.2.11.2 and 3.1.2.11.3: Session Expiry Interval (17), Receive Maximum (33)."""
    async with (
        listening() as listener,
        connected(
            listener, version="5", connack=b"\x20\x03\x00\x00\x00", session_expiry_s=3600, receive_max=77
        ) as ends,
    ):
        assert ends.connect[7] & 0b10 == 0  # no clean start
        assert bytes([17]) + struct.pack("!I", 3600) in ends.connect
        assert bytes([33]) + struct.pack("!H", 77) in ends.connect


async def test_a_delivery_is_acknowledged_when_it_is_settled_and_only_once() -> None:
    async with listening() as listener, connected(listener) as ends:
        ends.peer.send(publish_packet(TOPIC, b"5", mid=7) + publish_packet(TOPIC, b"6", mid=8))
        await ends.hear(2)
        assert ends.peer.nothing_came()
        ends.heard[1][1]()
        assert await ends.peer.next() == (PUBACK, b"\x00\x08")
        ends.heard[1][1]()
        ends.heard[0][1]()
        assert await ends.peer.next() == (PUBACK, b"\x00\x07")
        # The broker gives identifier 8 to another message: the old settlement must not touch it.
        ends.peer.send(publish_packet(TOPIC, b"7", mid=8))
        await ends.hear(3)
        ends.heard[1][1]()
        await asyncio.sleep(0)
        assert ends.peer.nothing_came()


async def test_of_a_delivery_repeated_under_one_identifier_only_the_last_acknowledges() -> None:
    async with listening() as listener, connected(listener) as ends:
        ends.peer.send(publish_packet(TOPIC, b"5", mid=7) * 2)
        await ends.hear(2)
        ends.heard[0][1]()
        ends.peer.send(publish_packet(TOPIC, b"6", mid=9))
        await ends.hear(3)
        ends.heard[2][1]()
        assert await ends.peer.next() == (PUBACK, b"\x00\x09")
        ends.heard[1][1]()
        assert await ends.peer.next() == (PUBACK, b"\x00\x07")


async def test_a_settlement_from_before_acknowledges_nothing_on_a_new_connection() -> None:
    async with listening() as listener:
        async with connected(listener) as before:
            before.peer.send(publish_packet(TOPIC, b"5", mid=7))
            await before.hear(1)
            before.peer.sock.close()
            await asyncio.wait_for(before.link.ended, 5)
        async with connected(listener) as after:
            after.peer.send(publish_packet(TOPIC, b"6", mid=7))
            await after.hear(1)
            before.heard[0][1]()
            after.link.publish(Outgoing("marker", b"", False))
            assert (await after.peer.next())[0] == PUBLISH
            after.heard[0][1]()
            assert await after.peer.next() == (PUBACK, b"\x00\x07")


async def test_qos_0_needs_no_settlement_and_the_retain_flag_is_passed_on() -> None:
    async with listening() as listener, connected(listener) as ends:
        ends.peer.send(publish_packet(TOPIC, b"5", mid=0, retain=True))
        await ends.hear(1)
        message, settle = ends.heard[0]
        settle()
        assert message == Message(TOPIC, b"5", True)
        assert type(message.payload) is bytes
        ends.link.publish(Outgoing("marker", b"", False))
        assert (await ends.peer.next())[0] == PUBLISH


async def test_a_topic_that_is_no_utf_8_reaches_the_codec() -> None:
    async with listening() as listener, connected(listener) as ends:
        ends.peer.send(b"\x32\x06\x00\x02\xff\xfe\x00\x05")
        await ends.hear(1)
        assert ends.heard[0][0].topic == "\\xff\\xfe"


async def test_a_publication_is_on_the_wire_before_publish_returns() -> None:
    async with listening() as listener, connected(listener) as ends:
        assert ends.link.publish(Outgoing("sillwatch/v1/event/x", b"now", False))
        # No await in between: the peer reads what the call itself has written.
        kind, body = ends.peer.packet()
        assert kind == PUBLISH
        assert body == b"\x00\x14sillwatch/v1/event/x" + struct.pack("!H", next(iter(ends.link.unacked))) + b"now"


async def test_a_turn_s_publications_and_acknowledgements_leave_whole_and_in_order() -> None:
    async with listening() as listener, connected(listener) as ends:
        ends.peer.send(b"".join(publish_packet(TOPIC, b"%d" % mid, mid=mid) for mid in range(1, 51)))
        await ends.hear(50)
        for number, (_, settle) in enumerate(ends.heard):
            ends.link.publish(Outgoing("x", b"%d" % number, False))
            settle()
        packets = [await ends.peer.next() for _ in range(100)]
        assert [body[5:] for kind, body in packets if kind == PUBLISH] == [b"%d" % number for number in range(50)]
        assert [body for kind, body in packets if kind == PUBACK] == [struct.pack("!H", mid) for mid in range(1, 51)]


async def test_what_a_slow_reader_cannot_take_arrives_whole_later() -> None:
    async with listening() as listener, connected(listener) as ends:
        payloads = [bytes([number]) * 2_000_000 for number in range(1, 9)]
        for payload in payloads:
            assert ends.link.publish(Outgoing("x", payload, False))
        got = [await ends.peer.next() for _ in payloads]
        assert [body[5:] for _, body in got] == payloads


async def test_version_5_keeps_to_the_broker_s_receive_maximum() -> None:
    """MQTT 5.0 section 3.2.2.3.3: no more unacknowledged publications than the broker allows."""
    connack = b"\x20\x06\x00\x00\x03\x21\x00\x02"
    async with listening() as listener, connected(listener, version="5", connack=connack) as ends:
        for number in range(5):
            ends.link.publish(Outgoing("x", b"%d" % number, False))
        first = [await ends.peer.next() for _ in range(2)]
        await asyncio.sleep(0)
        assert ends.peer.nothing_came()
        ends.peer.send(b"".join(bytes([0x40, 2]) + body[3:5] for _, body in first))
        second = [await ends.peer.next() for _ in range(2)]
        assert [body[-1:] for _, body in first + second] == [b"0", b"1", b"2", b"3"]


async def test_an_acknowledgement_that_refuses_is_counted() -> None:
    """MQTT 5.0 section 3.4.2.1: reason codes from 0x80 are failures; 0x87 is "not authorized"."""
    async with listening() as listener, connected(listener, version="5", connack=b"\x20\x03\x00\x00\x00") as ends:
        ends.link.publish(Outgoing("x", b"", False))
        _, body = await ends.peer.next()
        ends.peer.send(bytes([0x40, 4]) + body[3:5] + b"\x87\x00")
        await asyncio.wait_for(ends.link.drained(0), 5)
        assert (ends.link.refused, ends.link.unacked) == (1, {})


async def test_waiting_for_acknowledgements_ends_with_the_link() -> None:
    async with listening() as listener, connected(listener) as ends:
        ends.link.publish(Outgoing("x", b"", False))
        waiting = asyncio.create_task(ends.link.drained(0))
        await ends.peer.next()
        assert not waiting.done()
        ends.peer.sock.close()
        await asyncio.wait_for(waiting, 5)
        assert len(ends.link.unacked) == 1


async def test_nagle_is_off() -> None:
    async with listening() as listener, connected(listener) as ends:
        sock = ends.link._client.socket()
        assert sock is not None
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0


async def test_closing_says_disconnect_and_cutting_does_not() -> None:
    async with listening() as listener:
        async with connected(listener) as ends:
            pass
        assert (await ends.peer.next())[0] == DISCONNECT
        async with connected(listener) as ends:
            ends.link.cut("test")
        with pytest.raises(EOFError):
            await ends.peer.next()


@pytest.mark.parametrize(
    ("answer", "why", "version_refused"),
    [
        (b"\x20\x02\x00\x01", "instead of accepting it", True),
        (b"\x20\x02\x00\x05", "the broker refuses: not authorized", False),
        (b"\xf0\x00", "instead of accepting it", True),
        (None, "instead of accepting it", True),
        (b"", "the broker does not answer", True),
    ],
)
async def test_a_refusal_says_why(answer: bytes | None, why: str, version_refused: bool) -> None:
    async with listening() as listener:
        link = Link(
            settings(listener.url, connect_s_max=0.3),
            "3.1.1",
            on_up=lambda link: None,
            on_message=lambda message, settle: None,
        )
        opening = asyncio.create_task(link.open())
        peer = await listener.accept()
        await peer.next()
        if answer is None:
            peer.sock.close()
        else:
            peer.send(answer)
        with pytest.raises(LinkError, match=why) as caught:
            await asyncio.wait_for(opening, 5)
        assert caught.value.version_refused is version_refused
        assert "\n" not in str(caught.value)
        await link.close()


async def test_nobody_listening_is_no_refusal_of_a_version() -> None:
    async with listening() as listener:
        url = listener.url
    link = Link(settings(url), "5", on_up=lambda link: None, on_message=lambda message, settle: None)
    with pytest.raises(LinkError, match="connection refused") as caught:
        await link.open()
    assert not caught.value.version_refused
    await link.close()


async def test_giving_up_while_connecting_leaves_nothing() -> None:
    async with listening() as listener:
        link = Link(settings(listener.url), "5", on_up=lambda link: None, on_message=lambda message, settle: None)
        opening = asyncio.create_task(link.open())
        await listener.accept()
        opening.cancel()
        await asyncio.gather(opening, return_exceptions=True)
        await asyncio.wait_for(link.close(), 3)
        assert link._client.socket() is None
