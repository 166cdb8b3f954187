"""What the monitor does where the broker has no access list, and anybody may publish anything.

It is told there, plainly, that only an access list keeps others from speaking as an aircraft;
what can be seen to be wrong is refused all the same.
"""

from __future__ import annotations

import json
from urllib.parse import urlsplit

import pytest

from tests.acceptance.clients import Sender, Watcher, publish, read_retained
from tests.acceptance.programs import SITE, until
from tests.security.conftest import Open
from tests.security.raw_mqtt import RawClient
from tests.stories import ARMED, demo_site

pytestmark = pytest.mark.broker

DROPPED = "sillwatch_readings_dropped_total"
REJECTED = "sillwatch_inputs_rejected_total"


@pytest.fixture(scope="module")
def sender(unguarded: Open) -> Sender:
    """An alder at its stand, complete and healthy, its L1 armed."""
    sender = Sender(unguarded.url, "ZT-OPN").arrive(demo_site().types["alder"])
    unguarded.instance.wait_door(sender.reg, "L1", "closed_locked")
    sender.at_door("L1", **ARMED)
    unguarded.instance.wait_door(sender.reg, "L1", "armed")
    return sender


def test_a_forged_output_changes_nothing_that_the_monitor_says(unguarded: Open, sender: Sender) -> None:
    alert = f"sillwatch/v1/active/{SITE}/{sender.reg}/L1/slide-deployed"
    door = f"sillwatch/v1/door/{SITE}/{sender.reg}/L1"
    forged = json.dumps(
        {"alert_id": "forged", "code": "slide-deployed", "state": "unacknowledged", "priority": "warning"}
    )
    publish(unguarded.url, alert, forged, retain=True)
    publish(unguarded.url, door, json.dumps({"state": "closed_locked"}), retain=True)
    publish(unguarded.url, f"sillwatch/v1/event/{SITE}/{sender.reg}/L1/slide-deployed", forged)
    sender.at_door("L1", **ARMED)
    assert unguarded.instance.door(sender.reg, "L1")["state"] == "armed"
    assert unguarded.instance.list_all("/api/v1/alerts", aircraft=sender.reg) == []
    assert [row for row in unguarded.instance.list_all("/api/v1/history") if row.get("id") == "forged"] == []


def test_forged_outputs_are_swept_at_the_next_connection(unguarded: Open, sender: Sender) -> None:
    """Cut off by a client that takes its name, it comes back and puts right what lies retained."""
    forged = f"sillwatch/v1/active/{SITE}/{sender.reg}/R2/slide-deployed"
    publish(unguarded.url, forged, json.dumps({"alert_id": "forged"}), retain=True)
    reconnects = unguarded.instance.counter("sillwatch_broker_reconnects_total")
    address = urlsplit(unguarded.url)
    assert address.hostname is not None
    assert address.port is not None
    with RawClient(address.hostname, address.port, client_id=f"sillwatch-{SITE}") as thief:
        assert thief.accepted
        until(
            lambda: unguarded.instance.counter("sillwatch_broker_reconnects_total") > reconnects, "back on the broker"
        )
    unguarded.instance.wait_ready()
    until(lambda: forged not in read_retained(unguarded.url, unguarded.folder, forged), "the forged alert is gone")


def test_a_recorded_reading_is_not_taken_again(unguarded: Open, sender: Sender) -> None:
    """What was heard a minute ago says nothing of now; sent again it is dropped, and counted."""
    instance = unguarded.instance
    with Watcher(unguarded.url, unguarded.folder, f"{sender.root}/#") as recorder:
        sender.at_door("L2", **ARMED)
        (recorded,) = recorder.wait(f"{sender.root}/bundle")
    instance.wait_door(sender.reg, "L2", "armed")
    sender.at_door("L2", lever_armed=False, girt_left=False, girt_right=False, pin_fitted=True)
    instance.wait_door(sender.reg, "L2", "closed_locked")
    before = sum(instance.counter(DROPPED, reason=reason) for reason in ("older", "repeat"))
    for _ in range(3):
        publish(unguarded.url, recorded.topic, recorded.payload)
    until(
        lambda: sum(instance.counter(DROPPED, reason=reason) for reason in ("older", "repeat")) > before,
        "dropped, counted",
    )
    assert instance.door(sender.reg, "L2")["state"] == "closed_locked"


def test_names_that_only_look_right_are_rejected_and_kept(unguarded: Open, sender: Sender) -> None:
    instance = unguarded.instance
    names = [
        f"{sender.reg}\r\nX-Injected: yes", f"{sender.reg}\u202e", f"{sender.reg}\u200b", "ZT-ОРN", "ＺＴ－ＯＰＮ", "zt-opn",
        f" {sender.reg}", f"{sender.reg} ", "..", ".", "../ZT-OPN", "ZT-OPN/..", "%5A%54", "ZT-OPN%00", "", "-" * 11,
        "<script>alert(1)</script>", "$SYS", "ZT.OPN", "A" * 5000,
    ]  # fmt: skip
    before = instance.counter(REJECTED, reason="topic")
    known = {row["aircraft"] for row in instance.list_all("/api/v1/aircraft")}
    address = urlsplit(unguarded.url)
    assert address.hostname is not None
    assert address.port is not None
    sent = []
    for name in names:  # some this broker itself does not take: it hangs up
        with RawClient(address.hostname, address.port) as client:
            if client.publish(f"apron/v1/{SITE}/aircraft/{name}/door/L1/closed", b"{}"):
                sent.append(name)
    assert len(sent) > len(names) // 2
    until(lambda: instance.counter(REJECTED, reason="topic") == before + len(sent), "each is rejected")
    assert {row["aircraft"] for row in instance.list_all("/api/v1/aircraft")} == known
    told = instance.get("/api/v1/quarantine", limit=100)
    assert "x-injected" not in told.headers
    assert told.json()["items"]
    assert all("\n" not in line or line.startswith("#") for line in instance.get("/metrics").text.split("\n"))
    assert "X-Injected" not in instance.get("/metrics").text
    assert all(line.startswith(("timestamp=", "serving ")) for line in instance.err.splitlines() if "njected" in line)
