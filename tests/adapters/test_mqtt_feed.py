"""The feed where a real broker would be too polite: refusals, silence and limits."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import pytest
from structlog.testing import capture_logs

from monitor.adapters.mqtt import MqttFeed, retry_wait_s
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.ports import Outgoing
from tests.adapters.mqtt_peer import (
    ACCEPTED,
    CONNECT,
    DISCONNECT,
    PUBACK,
    PUBLISH,
    SUBSCRIBE,
    UNSUBSCRIBE,
    Listener,
    Peer,
    listening,
    publish_packet,
)

STATUS = "sillwatch/v1/status/one"

HELD = Outgoing("sillwatch/v1/door/t/A/L1", b"held", True)


def make_feed(url: str, callbacks: dict[str, Any] | None = None, **overrides: Any) -> MqttFeed:
    given: dict[str, Any] = {
        "url": url,
        "instance": "one",
        "inputs": ("apron/v1/t/#",),
        "outputs": ("sillwatch/v1/door/t/#",),
        "status_topic": STATUS,
        "started": "2026-03-01T10:00:00Z",
        "online": b'{"state": "online", "started": "2026-03-01T10:00:00Z"}',
        "offline": b'{"state": "offline", "started": "2026-03-01T10:00:00Z"}',
        "protocol": "3.1.1",
        "connect_s_max": 1.0,
    }
    calls: dict[str, Any] = {
        "on_message": lambda message, settle: settle(),
        "on_connected": lambda present: None,
        "on_disconnected": lambda why: None,
        "held_topics": dict,
        "on_superseded": lambda started: None,
    }
    return MqttFeed(MqttSettings(**(given | overrides)), **(calls | (callbacks or {})), jitter=lambda: 1.0)


async def until(condition: Callable[[], object], what: str) -> None:
    deadline = asyncio.get_running_loop().time() + 10
    while not condition():
        assert asyncio.get_running_loop().time() < deadline, what
        await asyncio.sleep(0.002)


async def answer_set_up(peer: Peer, *, retained: bytes = b"") -> list[tuple[int, bytes]]:
    """Play the broker until the feed is online; returns what it asked, in order."""
    asked = []
    while True:
        kind, body = await peer.next()
        asked.append((kind, body))
        if kind == CONNECT:
            peer.send(ACCEPTED)
        elif kind == SUBSCRIBE:
            filters = body.count(b"/#") + body.count(STATUS.encode())
            peer.send(bytes([0x90, 2 + filters]) + body[:2] + bytes(filters) + retained)
            retained = b""
        elif kind == UNSUBSCRIBE:
            peer.send(b"\xb0\x02" + body[:2])
        elif kind == PUBLISH and b'"online"' in body:
            return asked


async def settled(feed: MqttFeed, listener: Listener, task: asyncio.Task[None], peer: Peer) -> None:
    """Stop the feed against a peer that acknowledges what is left."""
    stopping = asyncio.create_task(feed.stop())
    while (await peer.next())[0] != DISCONNECT:
        pass
    peer.sock.close()
    await asyncio.wait_for(stopping, 3)
    await task


def test_the_wait_doubles_up_to_the_limit_and_jitter_shortens_it() -> None:
    assert [retry_wait_s(failures, 0.0, 15.0) for failures in (1, 2, 3, 7, 100_000)] == [0.25, 0.5, 1.0, 15.0, 15.0]
    assert retry_wait_s(3, 1.0, 15.0) == 0.5


async def test_a_missing_broker_is_mentioned_once_and_then_at_intervals() -> None:
    async with listening() as listener:
        url = listener.url
    feed = make_feed(url, retry_s_max=0.001, complain_every_s=3600.0)
    with capture_logs() as logs:
        task = asyncio.create_task(feed.run())
        await until(lambda: feed.failures >= 20, "twenty attempts")
        await feed.stop()
        await task
    assert [(log["action"], log["why"]) for log in logs] == [("mqtt-retrying", "connection refused")]
    feed = make_feed(url, retry_s_max=0.001, complain_every_s=0.0)
    with capture_logs() as logs:
        task = asyncio.create_task(feed.run())
        await until(lambda: feed.failures >= 5, "five attempts")
        await feed.stop()
        await task
    assert len(logs) >= 5


async def test_a_password_never_reaches_the_log() -> None:
    async with listening() as listener:
        url = listener.url
    feed = make_feed(url.replace("mqtt://", "mqtt://user:secret@"), retry_s_max=0.001)
    with capture_logs() as logs:
        task = asyncio.create_task(feed.run())
        await until(lambda: feed.failures, "an attempt")
        await feed.stop()
        await task
    assert logs
    assert "secret" not in str(logs)


async def test_the_set_up_is_in_order_and_the_sweep_ends_before_we_listen() -> None:
    async with listening() as listener:
        feed = make_feed(listener.url, {"held_topics": lambda: {HELD.topic: lambda: HELD}})
        task = asyncio.create_task(feed.run())
        peer = await listener.accept()
        stale = publish_packet("sillwatch/v1/door/t/A/R1", b"old", mid=0, retain=True)
        asked = await answer_set_up(peer, retained=stale)
        kinds = [kind for kind, _ in asked]
        assert kinds == [CONNECT, SUBSCRIBE, UNSUBSCRIBE, SUBSCRIBE, PUBLISH, PUBLISH]
        assert STATUS.encode() in asked[1][1]
        assert b"apron/v1/t/#" not in asked[1][1]
        assert asked[3][1].endswith(b"apron/v1/t/#\x01")
        assert b"/A/R1" in asked[4][1]  # emptied
        kind, body = await peer.next()
        assert kind == PUBLISH
        assert body.endswith(b"held")
        await settled(feed, listener, task, peer)


async def test_a_retained_output_that_comes_late_is_emptied_too() -> None:
    async with listening() as listener:
        feed = make_feed(listener.url, {"held_topics": lambda: {HELD.topic: lambda: HELD}})
        task = asyncio.create_task(feed.run())
        peer = await listener.accept()
        await answer_set_up(peer)
        await peer.next()
        peer.send(publish_packet("sillwatch/v1/door/t/A/L1", b"of before", mid=0, retain=True))
        peer.send(publish_packet("sillwatch/v1/door/t/A/R1", b"of before", mid=0, retain=True))
        kind, body = await peer.next()
        assert kind == PUBLISH
        assert b"/A/R1" in body
        assert len(body) == 2 + len("sillwatch/v1/door/t/A/R1") + 2
        await settled(feed, listener, task, peer)


async def test_what_we_never_asked_for_is_acknowledged_and_goes_nowhere() -> None:
    heard: list[Any] = []
    async with listening() as listener:
        feed = make_feed(listener.url, {"on_message": lambda message, settle: heard.append(message)})
        task = asyncio.create_task(feed.run())
        peer = await listener.accept()
        await answer_set_up(peer)
        peer.send(publish_packet("other/topic", b"x", mid=3) + publish_packet("apron/v1/t/x", b"y", mid=4))
        assert await peer.next() == (PUBACK, b"\x00\x03")
        await until(lambda: heard, "the input")
        assert [message.topic for message in heard] == ["apron/v1/t/x"]
        await settled(feed, listener, task, peer)


async def test_a_late_will_of_our_own_is_contradicted() -> None:
    async with listening() as listener:
        feed = make_feed(listener.url)
        task = asyncio.create_task(feed.run())
        peer = await listener.accept()
        await answer_set_up(peer)
        peer.send(publish_packet(STATUS, feed.settings.offline, mid=0))
        kind, body = await peer.next()
        assert kind == PUBLISH
        assert body.endswith(feed.settings.online)
        await settled(feed, listener, task, peer)


def event(number: int) -> Outgoing:
    return Outgoing("sillwatch/v1/event/t/A/L1/x", b"event %d" % number, False)


def payload_of(packet: tuple[int, bytes]) -> bytes:
    kind, body = packet
    assert kind == PUBLISH
    return body[2 + body[1] + 2 :]


async def test_a_broker_that_acknowledges_nothing_is_left_and_nothing_is_lost() -> None:
    losses: list[str] = []
    heard: list[Any] = []

    def react(message: Any, settle: Callable[[], None]) -> None:
        heard.append(message)
        for number in range(20):  # inside the socket's callback, where closing it at once would wait for itself
            feed.publish(event(number))

    async with listening() as listener:
        feed = make_feed(listener.url, {"on_disconnected": losses.append, "on_message": react}, unacked_max=10)
        task = asyncio.create_task(feed.run())
        peer = await listener.accept()
        await answer_set_up(peer)
        peer.send(publish_packet("apron/v1/t/x", b"go", mid=1))
        await until(lambda: losses, "the loss")
        assert losses == ["the broker acknowledges nothing"]
        assert (feed.backlog, feed.dropped) == (20, 0)
        again = await listener.accept()
        await again.next()
        again.send(ACCEPTED)
        got: list[bytes] = []
        while len(got) < 20:
            kind, body = await again.next()
            if kind == PUBLISH:
                if body[2 + body[1] + 2 :].startswith(b"event"):
                    got.append(payload_of((kind, body)))
                again.send(b"\x40\x02" + body[2 + body[1] : 2 + body[1] + 2])
            elif kind == SUBSCRIBE:
                again.send(
                    b"\x90\x04" + body[:2] + b"\x00\x00"
                    if STATUS.encode() in body
                    else b"\x90\x03" + body[:2] + b"\x01"
                )
            elif kind == UNSUBSCRIBE:
                again.send(b"\xb0\x02" + body[:2])
        assert got == [b"event %d" % number for number in range(20)]
        await settled(feed, listener, task, again)
        assert feed.dropped == 0


async def test_a_new_event_waits_for_the_older_ones() -> None:
    async with listening() as listener:
        feed = make_feed(listener.url, unacked_max=4)
        for number in range(3):
            feed.publish(event(number))
        task = asyncio.create_task(feed.run())
        peer = await listener.accept()
        await peer.next()
        peer.send(ACCEPTED)
        first = [await peer.next() for _ in range(2)]
        assert [payload_of(packet) for packet in first] == [b"event 0", b"event 1"]
        feed.publish(event(3))
        assert feed.backlog == 2
        peer.sock.close()
        await until(lambda: feed.backlog == 4, "the unanswered ones to be kept again")
        await feed.stop()
        await task
        assert [outgoing.payload for outgoing in feed._backlog] == [b"event %d" % number for number in range(4)]


async def test_refused_inputs_are_a_failure_that_says_which() -> None:
    async with listening() as listener:
        feed = make_feed(listener.url)
        with capture_logs() as logs:
            task = asyncio.create_task(feed.run())
            peer = await listener.accept()
            await peer.next()
            peer.send(ACCEPTED)
            kind, body = await peer.next()
            peer.send(b"\x90\x04" + body[:2] + b"\x80\x80")  # our own topics hidden: a warning only
            kind, body = await peer.next()
            peer.send(b"\xb0\x02" + body[:2])
            kind, body = await peer.next()
            assert kind == SUBSCRIBE
            peer.send(b"\x90\x03" + body[:2] + b"\x80")
            await until(lambda: feed.failures, "the failure")
            await feed.stop()
            await task
    assert [log["action"] for log in logs] == ["mqtt-refused", "mqtt-disconnected", "mqtt-retrying"]
    assert logs[-1]["why"] == "the broker refuses to let us read apron/v1/t/#"


async def test_a_broker_that_will_not_hand_our_own_words_back_is_worked_with_all_the_same() -> None:
    """Nothing about doors hangs on them: whoever misses them says so."""
    echo = "sillwatch/v1/proof/t/one"
    heard: list[str] = []
    callbacks = {"on_message": lambda message, settle: heard.append(message.topic)}
    async with listening() as listener:
        feed = make_feed(listener.url, callbacks, outputs=(), echoes=(echo,))
        with capture_logs() as logs:
            task = asyncio.create_task(feed.run())
            peer = await listener.accept()
            await peer.next()
            peer.send(ACCEPTED)
            kind, body = await peer.next()
            assert (kind, echo.encode() in body) == (SUBSCRIBE, True)
            peer.send(b"\x90\x04" + body[:2] + b"\x00\x80")
            kind, body = await peer.next()
            assert (kind, echo.encode() in body) == (SUBSCRIBE, False), "inputs alone: nothing takes their places"
            peer.send(b"\x90\x03" + body[:2] + b"\x01")
            await until(feed.listening.is_set, "the inputs to be heard")
            for mid, topic in enumerate(("apron/v1/t/stand/S1/wind_kt", echo), 1):
                peer.send(publish_packet(topic, b"{}", mid=mid))
            await until(lambda: len(heard) == 2, "what comes all the same")
            await feed.stop()
            await task
    assert heard == ["apron/v1/t/stand/S1/wind_kt", echo]
    assert [log["filters"] for log in logs if log["action"] == "mqtt-refused"] == [[echo]]


async def test_cancelling_the_feed_says_goodbye_too() -> None:
    async with listening() as listener:
        feed = make_feed(listener.url)
        task = asyncio.create_task(feed.run())
        peer = await listener.accept()
        await answer_set_up(peer)
        task.cancel()
        kind, body = await peer.next()
        assert kind == PUBLISH
        assert body.endswith(feed.settings.offline)
        with pytest.raises(asyncio.CancelledError):
            await task
        assert (await peer.next())[0] == DISCONNECT


async def test_a_bad_certificate_file_is_one_line_and_retried() -> None:
    async with listening() as listener:
        url = listener.url.replace("mqtt://", "mqtts://")
    feed = make_feed(url, ca_file="/nowhere/ca.pem", retry_s_max=0.001)
    with capture_logs() as logs:
        task = asyncio.create_task(feed.run())
        await until(lambda: feed.failures >= 2, "two attempts")
        await feed.stop()
        await task
    assert logs[0]["why"] == "the certificate files cannot be used: No such file or directory"
