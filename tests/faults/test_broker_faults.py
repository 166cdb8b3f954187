"""A broker that is killed, silent, slow or somewhere else, before the real program."""

from __future__ import annotations

import json
import math
import os
import re
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.core.times import SECOND, parse_time
from tests.acceptance.clients import Sender, Watcher, publish, read_retained
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.programs import SITE, Instance, running_broker, until
from tests.faults.conftest import KEEPALIVE_S
from tests.faults.proxy import Proxy
from tests.stories import ARMED, demo_site

pytestmark = pytest.mark.broker

MakeInstance = Callable[..., Instance]
PutProxy = Callable[[str], Proxy]
ALDER = demo_site().types["alder"]
RETRY_S_MIN = 0.125
"""The shortest wait after a first failure, its jitter taken off; it doubles from there."""


def losses(instance: Instance) -> int:
    """How often it lost a broker that it had."""
    return instance.err.count('event="broker lost"')


def arrived(instance: Instance, url: str, reg: str = "ZF-1", *, clock_s: float = 0.0) -> Sender:
    """A healthy alder that the instance knows; the sender goes past any proxy."""
    sender = Sender(url, reg, clock_s=clock_s).arrive(ALDER)
    instance.wait_door(reg, "L1", "closed_locked")
    return sender


def send_at(sender: Sender, path: str, value: Any, *, ago_s: float, seq: int, retain: bool = False) -> None:
    """Send one reading with a stamp of its own."""
    body = json.dumps({"time": time.time() - ago_s, "seq": seq, "value": value})
    publish(sender.url, f"{sender.root}/{path}", body, retain=retain)


def test_a_connection_that_falls_silent_is_noticed(
    make_broker: MakeBroker, instance_on: MakeInstance, proxy_to: PutProxy
) -> None:
    """Half-open: no end of the connection is ever seen, on either side."""
    with running_broker(make_broker("mosquitto")) as broker:
        proxy = proxy_to(broker.url)
        instance = instance_on(proxy.url).start().forget_slow_start()
        sender = arrived(instance, broker.url)
        silent = time.time() * SECOND
        proxy.stall()
        lost = instance.wait_alert("-", "feed-lost")
        noticed = re.search(r'event="broker lost" .*why="nothing heard for ([0-9.]+) s"', instance.err)
        assert noticed is not None, instance.err
        assert float(noticed[1]) >= KEEPALIVE_S
        # By the monitor's own clock: one and a half keep-alives, two seconds more until it is told.
        told_after = (parse_time(lost["raised_at"]) - silent) / SECOND
        assert told_after >= KEEPALIVE_S / 2
        sender.at_door("L1", **ARMED)
        sender.send("door/L1/handle_lifted", True)
        proxy.cut()
        proxy.resume()
        raised = instance.wait_alert("ZF-1", "armed-handle-moved", "L1")
        assert "late" not in raised
        instance.wait_alert("-", "feed-lost", state="rtn_unacknowledged")
        assert losses(instance) == 1


def test_a_slow_line_is_no_lost_one(make_broker: MakeBroker, instance_on: MakeInstance, proxy_to: PutProxy) -> None:
    with running_broker(make_broker("mosquitto")) as broker:
        proxy = proxy_to(broker.url)
        instance = instance_on(proxy.url).start()
        proxy.slow_down(0.02)
        sender = arrived(instance, broker.url)
        sender.at_door("L1", **ARMED)
        sender.send("door/L1/handle_lifted", True)
        instance.wait_alert("ZF-1", "armed-handle-moved", "L1")
        assert losses(instance) == 0
        assert len(proxy.calls) == 1


def test_what_was_sent_meanwhile_is_late_and_none_of_it_is_lost(
    make_broker: MakeBroker, instance_on: MakeInstance, proxy_to: PutProxy, tmp_path: Path
) -> None:
    """Two handles moved while nobody heard: one went home again, one is still lifted."""
    with running_broker(make_broker("mosquitto")) as broker:
        proxy = proxy_to(broker.url)
        # One version alone: else a line that is closed at once is tried with the other one too, which is no retry.
        instance = instance_on(proxy.url, protocol="5").start()
        # Its clock is fast, so that a backlog of half a minute needs no half minute.
        sender = arrived(instance, broker.url, clock_s=25.0)
        for door in ("L1", "R1"):
            sender.at_door(door, **ARMED)
            send_at(sender, f"door/{door}/handle_lifted", False, ago_s=-25, seq=1)
            instance.wait_door("ZF-1", door, "armed")
        proxy.refuse(True)
        proxy.cut()
        until(lambda: losses(instance) == 1, "the loss")
        before = len(proxy.calls)
        until(lambda: len(proxy.calls) >= before + 4, "attempts")
        attempts = proxy.calls[before - 1 :]
        # So many attempts take at least this long when each wait doubles: a slow machine only takes longer.
        assert len(attempts) - 1 <= 1 + math.log2(1 + (attempts[-1] - attempts[0]) / RETRY_S_MIN)
        send_at(sender, "door/L1/handle_lifted", True, ago_s=20, seq=2)
        send_at(sender, "door/L1/handle_lifted", False, ago_s=19, seq=3)
        send_at(sender, "door/R1/handle_lifted", True, ago_s=18, seq=2)
        with Watcher(broker.url, tmp_path, f"sillwatch/v1/event/{SITE}/ZF-1/+/armed-handle-moved") as watcher:

            def told(door: str) -> list[tuple[str, bool]]:
                events = [seen.json for seen in watcher.seen if f"/{door}/" in seen.topic]
                return [(e["type"].removeprefix("sillwatch.alert."), e["data"].get("late", False)) for e in events]

            proxy.refuse(False)
            until(
                lambda: told("L1") == [("raised", True), ("cleared", True)] and told("R1") == [("raised", True)],
                lambda: f"the backlog: {told('L1')} {told('R1')}",
            )
            sender.beat()
            until(
                lambda: told("R1") == [("raised", True), ("reraised", False)],
                lambda: f"what still holds, told again: {told('R1')}",
            )
            assert told("L1") == [("raised", True), ("cleared", True)], "what is over sounds no more"
        held = instance.alert("ZF-1", "armed-handle-moved", "R1")
        assert held is not None
        assert (held["state"], held.get("late", False)) == ("unacknowledged", False)


@pytest.mark.parametrize("kind", ["default", "mosquitto"])
def test_a_killed_broker_comes_back_with_what_it_kept(
    make_broker: MakeBroker, instance_on: MakeInstance, kind: str
) -> None:
    broker = make_broker(kind)
    broker.start()
    instance = instance_on(broker.url).start()
    sender = arrived(instance, broker.url)
    os.kill(broker.pid, signal.SIGKILL)
    until(lambda: losses(instance) == 1, "the loss")
    broker.stop()
    broker.start()
    instance.wait_ready()
    sender.at_door("L1", **ARMED)
    sender.send("door/L1/handle_lifted", True)
    raised = instance.wait_alert("ZF-1", "armed-handle-moved", "L1")
    topic = f"sillwatch/v1/active/{SITE}/ZF-1/L1/armed-handle-moved"
    until(lambda: topic in read_retained(broker.url, instance.folder, topic), "its retained message")
    assert read_retained(broker.url, instance.folder, topic)[topic].json["alert_id"] == raised["alert_id"]
    assert instance.counter("sillwatch_broker_reconnects_total") == 1


def test_another_address_gets_everything_and_its_retained_readings_are_read(
    make_broker: MakeBroker, instance_on: MakeInstance, proxy_to: PutProxy, tmp_path: Path
) -> None:
    """The name leads to another broker: no session there, none of our outputs, other readings retained."""
    with running_broker(make_broker("mosquitto")) as first, running_broker(make_broker("mosquitto")) as second:
        proxy = proxy_to(first.url)
        instance = instance_on(proxy.url).start()
        sender = arrived(instance, first.url)
        sender.at_door("L1", **ARMED)
        sender.send("door/L1/handle_lifted", True)
        raised = instance.wait_alert("ZF-1", "armed-handle-moved", "L1")
        sender.url = second.url
        sender.send("door/L1/handle_lifted", False, retain=True)
        proxy.upstream = second.url
        proxy.cut()
        instance.wait_alert("ZF-1", "armed-handle-moved", "L1", state="rtn_unacknowledged")
        door = f"sillwatch/v1/door/{SITE}/ZF-1/L1"
        active = f"sillwatch/v1/active/{SITE}/ZF-1/L1/armed-handle-moved"
        until(
            lambda: {door, active} <= read_retained(second.url, tmp_path, door, active).keys(),
            "our outputs on the other broker",
        )
        assert read_retained(second.url, tmp_path, active)[active].json["alert_id"] == raised["alert_id"]
        until(
            lambda: read_retained(second.url, tmp_path, door)[door].json["state"] == "armed",
            "the door as it now is",
        )


def test_what_was_told_to_nobody_is_told_after_a_kill(
    make_broker: MakeBroker, instance_on: MakeInstance, proxy_to: PutProxy, tmp_path: Path
) -> None:
    """The broker is away, an alert begins, and then we are killed: its event comes all the same, with its id."""
    with running_broker(make_broker("mosquitto")) as broker:
        proxy = proxy_to(broker.url)
        instance = instance_on(proxy.url).start().forget_slow_start()
        proxy.refuse(True)
        proxy.cut()
        lost = instance.wait_alert("-", "feed-lost")
        # What is told first is on disk a moment later.
        [event] = until(lambda: instance.told_of(lost), "its record")
        instance.end(signal.SIGKILL)
        topic = f"sillwatch/v1/event/{SITE}/-/-/feed-lost"
        with Watcher(broker.url, tmp_path, topic) as watcher:
            proxy.refuse(False)
            instance.start()
            until(lambda: [s.json["id"] for s in watcher.on(topic)][:1] == [event["id"]], lambda: f"{watcher.seen}")
            assert watcher.on(topic)[0].json["data"] == event["data"]


def test_of_two_by_one_name_the_older_stops_once_it_hears_of_the_other(
    make_broker: MakeBroker, instance_on: MakeInstance, proxy_to: PutProxy
) -> None:
    """The older one was cut off when the newer one came; back again, it takes nothing from it."""
    with running_broker(make_broker("default")) as broker:
        proxy = proxy_to(broker.url)
        older, newer = instance_on(proxy.url, "older").start(), instance_on(broker.url, "newer")
        proxy.refuse(True)
        proxy.cut()
        until(lambda: losses(older) == 1, "the loss")
        newer.start()
        proxy.refuse(False)
        assert older.running.wait() == 1
        assert "has taken over" in older.err.splitlines()[-1]
        assert "Traceback" not in older.err
        newer.wait_ready()
        arrived(newer, broker.url)
