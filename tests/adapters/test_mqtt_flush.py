"""What was kept for a broker goes out one after the other, however little may be under way at once."""

from __future__ import annotations

import asyncio

import pytest

from monitor.ports import Outgoing
from tests.adapters.mqtt_peer import ACCEPTED, CONNECT, PUBLISH, SUBSCRIBE, UNSUBSCRIBE, Peer, listening
from tests.adapters.test_mqtt_feed import STATUS, make_feed

EVENT = "sillwatch/v1/event/t/A/L1/x"


async def play_broker(peer: Peer, events: int) -> list[bytes]:
    """Answer everything until so many events have come; returns them."""
    got: list[bytes] = []
    while len(got) < events:
        kind, body = await peer.next()
        if kind == CONNECT:
            peer.send(ACCEPTED)
        elif kind == SUBSCRIBE:
            peer.send(b"\x90\x04" + body[:2] + b"\0\0" if STATUS.encode() in body else b"\x90\x03" + body[:2] + b"\1")
        elif kind == UNSUBSCRIBE:
            peer.send(b"\xb0\x02" + body[:2])
        elif kind == PUBLISH:
            topic_end = 2 + body[1]
            if body[2:topic_end] == EVENT.encode():
                got.append(body[topic_end + 2 :])
            peer.send(b"\x40\x02" + body[topic_end : topic_end + 2])
    return got


@pytest.mark.parametrize("most", [1, 2, 3])
async def test_what_was_kept_goes_out_with_one_message_under_way(most: int) -> None:
    """With room for one alone the loop must still wait for the answer, and not turn for ever."""
    async with listening() as listener:
        feed = make_feed(listener.url, unacked_max=most)
        for number in range(5):
            feed.publish(Outgoing(EVENT, b"event %d" % number, False))
        task = asyncio.create_task(feed.run())
        peer = await listener.accept()
        assert await play_broker(peer, 5) == [b"event %d" % number for number in range(5)]
        stopping = asyncio.create_task(feed.stop())
        peer.sock.close()
        await asyncio.gather(stopping, task)
        assert feed.backlog == feed.dropped == 0 or feed.backlog == 1, "the last may lack its answer"
