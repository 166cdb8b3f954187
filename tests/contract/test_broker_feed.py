"""The feed's promises, held against every broker and the fake.

Published facts are named beside their checks: MQTT 5.0 (OASIS 2019) and MQTT 3.1.1.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable

import pytest

from monitor.adapters.mqtt_settings import MqttSettings
from monitor.ports import Outgoing
from tests.contract.brokers import Bench, Rig, until

MakeRig = Callable[..., Rig]


async def test_settled_messages_come_once_and_unsettled_ones_again_after_a_reconnect(
    bench: Bench, make_rig: MakeRig
) -> None:
    """MQTT 5.0 section 4.4: what was not acknowledged is sent again on reconnecting."""
    rig = make_rig(settle_at_once=False)
    async with rig.running(), bench.witness() as sender:
        for payload in (b"one", b"two", b"three"):
            await sender.publish(rig.input(payload.decode()), payload)
        await until(lambda: len(rig.messages) == 3, "three deliveries")
        assert not any(message.again for message in rig.messages)
        rig.settles[0]()
        await sender.publish(rig.input("four"), b"four")  # behind the acknowledgement on both connections
        await until(lambda: b"four" in rig.got(), "the fourth delivery")
        stale = list(rig.settles)
        rig.messages.clear()
        rig.settles.clear()
        bench.cut(rig.feed)
        if bench.forgets_unacknowledged:
            await until(lambda: len(rig.connections) == 2, "the reconnect")
            await sender.publish(rig.input("five"), b"five")
            await until(lambda: b"five" in rig.got(), "the marker")
            assert rig.got() == [b"five"]
            assert rig.connections == [False, True]
            return
        await until(lambda: {b"two", b"three", b"four"} <= set(rig.got()), "the redelivery")
        # MQTT 5.0 section 3.3.1.1: a delivery that is made again says so.
        assert all(message.again for message in rig.messages if message.payload in (b"two", b"three", b"four"))
        for settle in stale:
            settle()  # of a connection that is gone: must acknowledge nothing on this one
        bench.cut(rig.feed)
        rig.messages.clear()
        rig.settles.clear()
        await until(lambda: {b"two", b"three", b"four"} <= set(rig.got()), "the second redelivery")
        for settle in list(rig.settles):
            settle()
        await sender.publish(rig.input("five"), b"five")
        await until(lambda: b"five" in rig.got(), "the marker")
        assert b"one" not in rig.got()
    assert rig.feed.reconnects == 2


async def test_a_settled_message_does_not_come_back(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    async with rig.running(), bench.witness() as sender:
        await sender.publish(rig.input("closed"), b"first")
        await until(lambda: rig.got() == [b"first"], "the delivery")
        # Another exchange on the same connection, so that the acknowledgement has been read by the broker.
        await sender.publish(rig.input("closed"), b"second")
        await until(lambda: rig.got() == [b"first", b"second"], "the second delivery")
        rig.feed.publish(Outgoing(rig.event("x"), b"{}", False))
        await until(lambda: rig.feed.unacked == 0, "the broker's answer")
        bench.cut(rig.feed)
        await until(lambda: len(rig.connections) == 2, "the reconnect")
        await rig.ready()
        await sender.publish(rig.input("closed"), b"marker")
        await until(lambda: b"marker" in rig.got(), "the marker")
        assert rig.got() == [b"first", b"second", b"marker"]


async def test_what_was_published_while_we_were_away_arrives(bench: Bench, make_rig: MakeRig) -> None:
    """The session outlives a restart of the monitor: same client identifier, no clean start."""
    first = make_rig()
    async with first.running():
        pass
    assert first.connections == [False]
    async with bench.witness() as sender:
        for number in range(5):
            await sender.publish(first.input("closed"), b"%d" % number)
    second = make_rig(first.instance, started="2026-03-01T11:00:00Z")
    async with second.running():
        await until(lambda: len(second.messages) >= 5, "the queued messages")
        assert second.got() == [b"0", b"1", b"2", b"3", b"4"]
        assert second.connections == [True]


async def test_order_is_kept_and_answers_come_in_order(bench: Bench, make_rig: MakeRig) -> None:
    """MQTT 5.0 section 4.6: order holds for ordinary subscriptions."""
    rig = make_rig()
    rig.react = lambda message: rig.feed.publish(Outgoing(rig.event("echo"), message.payload, False))
    count = 300
    async with rig.running(), bench.witness(rig.event("echo")) as witness:
        expected = [b"%d" % number for number in range(count)]
        await asyncio.gather(*(witness.publish(rig.input("closed"), payload) for payload in expected))
        await until(lambda: len(witness.payloads(rig.event("echo"))) >= count, "every answer")
        assert rig.got() == expected
        assert witness.payloads(rig.event("echo")) == expected
        await until(lambda: rig.feed.unacked == 0, "every acknowledgement")
        assert rig.feed.dropped == 0


async def test_retained_inputs_come_flagged_and_an_empty_payload_deletes(bench: Bench, make_rig: MakeRig) -> None:
    """MQTT 5.0 section 3.3.1.3: a new subscription gets retained messages, flagged; an empty one deletes."""
    rig = make_rig()
    async with bench.witness() as sender:
        await sender.publish(rig.input("closed"), b"kept", retain=True)
        await sender.publish(rig.input("locked"), b"deleted", retain=True)
        await sender.publish(rig.input("locked"), b"", retain=True)
        async with rig.running():
            await sender.publish(rig.input("latched"), b"live", retain=True)
            await until(lambda: b"live" in rig.got(), "the live message")
            by_topic = {message.topic: message for message in rig.messages}
            assert by_topic[rig.input("closed")].payload == b"kept"
            assert by_topic[rig.input("closed")].retained
            assert rig.input("locked") not in by_topic
            assert not by_topic[rig.input("latched")].retained
            await sender.publish(rig.input("closed"), b"", retain=True)
            await until(lambda: b"" in rig.got(), "the withdrawal")


async def test_the_will_tells_of_an_unclean_death(bench: Bench, make_rig: MakeRig) -> None:
    """MQTT 5.0 section 3.1.2.5: the will is published when the connection ends without a DISCONNECT."""
    rig = make_rig()
    async with rig.running(), bench.witness(rig.status_topic) as witness:
        await until(lambda: rig.online in witness.payloads(rig.status_topic), "the retained status")
        bench.cut(rig.feed)
        await until(lambda: rig.offline in witness.payloads(rig.status_topic), "the will")
        await until(lambda: rig.online in witness.payloads(rig.status_topic)[2:], "online again")


async def test_a_clean_stop_says_offline_once_and_the_will_is_dropped(bench: Bench, make_rig: MakeRig) -> None:
    """[MQTT-3.1.2-10]: after a DISCONNECT the will must not be published."""
    rig = make_rig()
    async with bench.witness(rig.status_topic, rig.event("marker")) as witness:
        async with rig.running():
            await until(lambda: rig.online in witness.payloads(rig.status_topic), "online")
        await until(lambda: rig.offline in witness.payloads(rig.status_topic), "offline")
        await witness.publish(rig.event("marker"), b"marker")
        await until(lambda: witness.payloads(rig.event("marker")), "the marker")
        assert witness.payloads(rig.status_topic).count(rig.offline) == 1
    async with bench.witness(rig.status_topic) as late:
        await until(lambda: late.seen, "the retained status")
        assert late.seen[0].payload == rig.offline
        assert late.seen[0].retained
    assert rig.losses == []


async def test_retained_outputs_are_brought_in_line_on_connecting(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    rig.held = {rig.door("L1"): b'{"state": "armed"}', rig.door("R1"): b'{"state": "open"}'}
    async with bench.witness() as sender:
        await sender.publish(rig.door("L1"), b"of before", retain=True)
        await sender.publish(rig.door("GONE"), b"of before", retain=True)
    async with rig.running():
        await until(lambda: rig.feed.unacked == 0, "every acknowledgement")
        async with bench.witness(f"sillwatch/v1/door/{rig.site}/#") as witness:
            # amqtt also hands a subscriber retained messages of other topics; those are not our affair.
            doors = f"sillwatch/v1/door/{rig.site}/"
            await until(lambda: len([m for m in witness.seen if m.topic.startswith(doors)]) >= 2, "the outputs")
            assert {m.topic: m.payload for m in witness.seen if m.topic.startswith(doors)} == rig.held
    assert rig.messages == []  # our own outputs never come back as inputs


async def test_a_reconnect_publishes_everything_held_and_nothing_stale(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    rig.held = {rig.door(f"D{number}"): b"before" for number in range(450)}  # more than one batch
    async with bench.witness(f"sillwatch/v1/+/{rig.site}/#") as witness, rig.running():
        await until(lambda: rig.feed.unacked == 0 and len(witness.seen) >= 450, "the first publication")
        witness.seen.clear()
        bench.cut(rig.feed)
        await until(lambda: rig.losses, "the loss")
        rig.held = {topic: b"after" for topic in rig.held if not topic.endswith("0")}
        rig.feed.publish(Outgoing(rig.door("D1"), b"not kept", True))
        rig.feed.publish(Outgoing(rig.event("kept"), b"kept", False))
        await until(lambda: set(rig.held) <= {m.topic for m in witness.seen if m.payload == b"after"}, "all again")
        emptied = {message.topic for message in witness.seen if message.payload == b""}
        assert emptied == {rig.door(f"D{number}") for number in range(0, 450, 10)}
        assert witness.payloads(rig.event("kept")) == [b"kept"]
        assert b"not kept" not in witness.payloads(rig.door("D1"))
    assert rig.messages == []


async def test_events_survive_a_broker_that_is_stopped_and_started_again(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    rig.held = {rig.door("L1"): b"held"}
    async with rig.running():
        await bench.stop()
        await until(lambda: rig.losses, "the loss")
        assert not rig.feed.connected
        for number in range(50):
            rig.feed.publish(Outgoing(rig.event("away"), b"%d" % number, False))
        assert rig.feed.backlog == 50
        await bench.start()
        async with bench.witness(f"sillwatch/v1/+/{rig.site}/#", rig.status_topic) as witness:
            await until(lambda: len(rig.connections) == 2, "the reconnect")
            await until(lambda: rig.feed.backlog == 0 and rig.feed.unacked == 0, "the backlog to be gone")
            await until(lambda: rig.online in witness.payloads(rig.status_topic), "online again")
            await until(lambda: b"held" in witness.payloads(rig.door("L1")), "the held document")
            async with bench.witness() as sender:
                await sender.publish(rig.input("closed"), b"after")
            await until(lambda: b"after" in rig.got(), "an input after the restart")
    assert rig.feed.dropped == 0


async def test_events_sent_while_away_come_in_order_before_new_ones(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    async with rig.running(), bench.witness(rig.event("x")) as witness:
        bench.cut(rig.feed)
        await until(lambda: rig.losses, "the loss")
        for number in range(20):
            rig.feed.publish(Outgoing(rig.event("x"), b"%d" % number, False))
        await until(lambda: len(rig.connections) == 2, "the reconnect")
        rig.feed.publish(Outgoing(rig.event("x"), b"new", False))
        await until(lambda: b"new" in witness.payloads(rig.event("x")), "the new event")
        assert witness.payloads(rig.event("x")) == [b"%d" % number for number in range(20)] + [b"new"]


async def test_what_was_sent_without_an_answer_is_sent_again(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    async with rig.running(), bench.witness(rig.event("x")) as witness:
        for number in range(100):
            rig.feed.publish(Outgoing(rig.event("x"), b"%d" % number, False))
        assert rig.feed.offered == 100
        assert rig.feed.unanswered in (0, 100), "all of them, or answered at once"
        bench.cut(rig.feed)  # before any answer could be read
        await until(lambda: len(set(witness.payloads(rig.event("x")))) == 100, "every event, repeats allowed")
        await until(lambda: rig.feed.unacked == 0 and rig.feed.backlog == 0, "every acknowledgement")
        assert (rig.feed.offered, rig.feed.unanswered) == (100, 0)


async def test_the_backlog_is_bounded_and_drops_are_counted(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig(overrides={"backlog_max": 3})
    for number in range(5):
        rig.feed.publish(Outgoing(rig.event("x"), b"%d" % number, False))
        rig.feed.publish(Outgoing(rig.door("L1"), b"%d" % number, True))
    assert (rig.feed.backlog, rig.feed.dropped) == (3, 2)
    async with bench.witness(rig.event("x")) as witness, rig.running():
        await until(lambda: len(witness.seen) == 3, "the newest three")
        assert witness.payloads(rig.event("x")) == [b"2", b"3", b"4"]


async def test_an_oversized_payload_passes_through_and_hurts_nobody(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    big = b"x" * 10_000_000
    async with rig.running(), bench.witness() as sender:
        await sender.publish(rig.input("closed"), big)
        await until(lambda: any(len(message.payload) == len(big) for message in rig.messages), "ten megabytes")
        assert rig.messages[0].payload == big
        await sender.publish(rig.input("closed"), b"small")
        await until(lambda: b"small" in rig.got(), "the next message")
        assert rig.losses == []


async def test_a_later_run_supersedes_us(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    later = "2026-03-01T10:00:00.001Z"
    task = asyncio.create_task(rig.feed.run())
    await rig.ready(task)
    async with bench.witness(rig.status_topic) as witness:
        status = json.dumps({"state": "online", "version": "0", "started": later}).encode()
        await witness.publish(rig.status_topic, status, retain=True)
        await until(lambda: rig.superseded == [later], "being superseded")
        await asyncio.wait_for(task, 5)
        await witness.publish(rig.status_topic + "/marker", b"")
        assert not rig.feed.connected
    async with bench.witness(rig.status_topic) as late:
        await until(lambda: late.seen, "the retained status")
        assert late.seen[0].payload == status  # neither our farewell nor our will wrote over it


@pytest.mark.parametrize(
    "farewell", ["2026-03-01T09:59:59Z", "2026-03-01T10:00:00Z"], ids=["an earlier run's", "our own"]
)
async def test_a_late_farewell_does_not_leave_us_offline(bench: Bench, make_rig: MakeRig, farewell: str) -> None:
    """The will of a connection that is over may come after our "online": we say again what is true."""
    rig = make_rig()
    offline = json.dumps({"state": "offline", "version": "0", "started": farewell}).encode()
    async with rig.running():
        async with bench.witness() as sender:
            await sender.publish(rig.status_topic, offline, retain=True)
        await rig.ready()
    assert rig.superseded == []


async def test_an_earlier_run_gives_way_to_a_twin(bench: Bench, make_rig: MakeRig) -> None:
    """Two runs of one instance: the broker cuts off the first, which then finds a later start and ends."""
    first = make_rig()
    task = asyncio.create_task(first.feed.run())
    await first.ready(task)
    second = make_rig(first.instance, started="2026-03-01T12:00:00Z")
    async with second.running():
        await until(lambda: first.superseded, "the first to give way")
        assert first.superseded == ["2026-03-01T12:00:00Z"]
        await asyncio.wait_for(task, 5)
        if bench.queues_for_taken_over_sessions:
            # It may also keep the will of the connection taken over behind our "online", and not let us hear of it.
            await _connect_anew(bench, second)
        await second.ready()
        async with bench.witness() as sender:
            await sender.publish(second.input("closed"), b"x")
            await until(lambda: b"x" in second.got(), "an input at the second")
    assert second.superseded == []


async def _connect_anew(bench: Bench, rig: Rig) -> None:
    """Lose the connection, and wait for the next one that stands."""
    await until(lambda: rig.feed.listening.is_set() and rig.feed._link.up, "a connection to cut")
    before = len(rig.connections)
    with contextlib.suppress(OSError):  # the broker was first
        bench.cut(rig.feed)
    await until(lambda: len(rig.connections) > before and rig.feed.listening.is_set(), "a new connection")


async def test_nonsense_on_our_status_topic_is_ignored(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    async with rig.running(), bench.witness() as sender:
        for payload in (b"", b"{", b"[]", b'{"state": "online"}', b'{"started": 5, "state": 1}', b"\xff"):
            await sender.publish(rig.status_topic, payload)
        await sender.publish(rig.input("closed"), b"x")
        await until(lambda: b"x" in rig.got(), "the next input")
        assert rig.superseded == []
        assert rig.feed.connected


async def test_a_failing_callback_ends_the_feed_loudly(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()

    def fail(message: object) -> None:
        raise RuntimeError("the engine is broken")

    rig.react = fail
    task = asyncio.create_task(rig.feed.run())
    await rig.ready(task)
    async with bench.witness() as sender:
        await sender.publish(rig.input("closed"), b"x")
    with pytest.raises(RuntimeError, match="the engine is broken"):
        await asyncio.wait_for(task, 5)


async def test_stopping_while_the_broker_is_away_is_quick(bench: Bench, make_rig: MakeRig) -> None:
    rig = make_rig()
    await bench.stop()
    task = asyncio.create_task(rig.feed.run())
    if bench.wire:
        await until(lambda: rig.feed.failures, "a failed attempt")
    else:
        await asyncio.sleep(0)  # the fake waits without attempts: let it begin to
    await asyncio.wait_for(rig.feed.stop(), 2)
    await asyncio.wait_for(task, 2)
    assert rig.connections == []
    assert rig.losses == []


@pytest.mark.parametrize("protocol", ["3.1.1", "5", "auto"])
async def test_each_protocol_is_spoken_or_refused(bench: Bench, make_rig: MakeRig, protocol: str) -> None:
    if not bench.wire:
        assert MqttSettings.__dataclass_fields__["protocol"].default == "auto"  # the fake speaks no protocol
        return
    rig = make_rig(overrides={"protocol": protocol, "connect_s_max": 1.0})
    task = asyncio.create_task(rig.feed.run())
    if protocol == "5" and bench.name != "mosquitto":
        # nats-server and amqtt speak 3.1.1 only: a feed told to speak 5 keeps trying, and says so.
        await until(lambda: rig.feed.failures >= 2, "two refusals")
        assert rig.connections == []
    else:
        await rig.ready(task)
        expected = "5" if bench.name == "mosquitto" and protocol != "3.1.1" else "3.1.1"
        assert rig.feed._link.version == expected
    await rig.feed.stop()
    await task
