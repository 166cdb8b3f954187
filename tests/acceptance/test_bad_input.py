"""What a sender can do wrong, over a real broker: counted, kept for a person, and harmless.

Every case is sent with mosquitto's own client and has to come out by its reason in the
metrics and the quarantine, while the door it names goes on as before.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import NamedTuple

import pytest

from monitor.core.times import parse_time
from tests.acceptance.clients import Sender, publish
from tests.acceptance.conftest import Live, MakeBroker
from tests.acceptance.programs import SITE, Instance, running_broker, until
from tests.stories import ARMED, demo_site

pytestmark = pytest.mark.broker

REJECTED = "sillwatch_inputs_rejected_total"
YEAR_S = 365.25 * 86400


class Bad(NamedTuple):
    """A message that cannot be used: below the aircraft's own topic unless it begins with ``/``."""

    reason: str
    path: str
    payload: str | bytes


def value(raw: str, **more: object) -> str:
    """A reading whose value is written as ``raw``; ``0`` stands for a stamp that does not matter."""
    rest = "".join(f", {json.dumps(key)}: {json.dumps(item)}" for key, item in more.items())
    return f'{{"time": 1772359200, "value": {raw}{rest}}}'


BAD = {
    "not JSON": Bad("not-json", "door/L1/closed", "closed!"),
    "cut off": Bad("not-json", "door/L1/closed", '{"time": 1772359200, "val'),
    "not UTF-8": Bad("not-utf8", "door/L1/closed", b'{"time": 1, "value": "\xff"}'),
    "no object": Bad("not-object", "door/L1/closed", "[true]"),
    "no value": Bad("missing-field", "door/L1/closed", '{"time": 1772359200}'),
    "no time": Bad("missing-field", "door/L1/closed", '{"value": true}'),
    "wrong type": Bad("wrong-type", "door/L1/closed", value('"yes"')),
    "a number for a bool": Bad("wrong-type", "door/L1/closed", value("1")),
    "a bool for a number": Bad("wrong-type", "door/L1/travel", value("true")),
    "unknown door signal": Bad("unknown-signal", "door/L1/mood", value("true")),
    "unknown airframe signal": Bad("unknown-signal", "airframe/mood", value("true")),
    "out of range": Bad("out-of-range", "door/L1/travel", value("1.5")),
    "negative count": Bad("out-of-range", "airframe/passengers_aboard", value("-1")),
    "unknown word": Bad("out-of-range", "door/L1/access", value('"ladder"')),
    "NaN": Bad("not-finite", "door/L1/travel", value("NaN")),
    "infinite": Bad("not-finite", "door/L1/travel", value("1e999")),
    "400 digits": Bad("out-of-range", "airframe/passengers_aboard", value("9" * 400)),
    "time of 400 digits": Bad("bad-time", "door/L1/closed", '{"time": ' + "9" * 400 + ', "value": true}'),
    "time without an offset": Bad("bad-time", "door/L1/closed", '{"time": "2026-03-01T10:15:00", "value": true}'),
    "negative seq": Bad("bad-seq", "door/L1/closed", value("true", seq=-1)),
    "unknown quality": Bad("bad-quality", "door/L1/closed", value("true", quality="superb")),
    "unknown type": Bad("unknown-type", "airframe/type", value('"zeppelin"')),
    "unknown door": Bad("unknown-door", "door/L9/closed", value("true")),
    "empty bundle": Bad("empty-bundle", "bundle", '{"time": 1772359200, "readings": {}}'),
    "deep": Bad("not-json", "door/L1/closed", "[" * 20_000),
    "empty level": Bad("topic", "door//closed", value("true")),
    "too many levels": Bad("topic", "door/L1/closed/now", value("true")),
    "another kind of thing": Bad("topic", f"/apron/v1/{SITE}/tractor/T1/speed", value("true")),
    "registration in small letters": Bad("topic", f"/apron/v1/{SITE}/aircraft/zt-1/door/L1/closed", value("true")),
}


def send_bad(live: Live, sender: Sender, bad: Bad) -> str:
    topic = bad.path[1:] if bad.path.startswith("/") else f"{sender.root}/{bad.path}"
    publish(live.url, topic, bad.payload)
    return topic


def quarantined(instance: Instance, topic: str) -> list[dict[str, object]]:
    return [row for row in instance.ask("/api/v1/quarantine", limit=200)["items"] if row["topic"] == topic]


def test_every_kind_is_counted_kept_and_harmless(live: Live) -> None:
    instance = live.instance
    sender = live.arrived()
    before = {bad.reason: instance.counter(REJECTED, reason=bad.reason) for bad in BAD.values()}
    aircraft = instance.door(sender.reg, "L1")
    doors = {door: instance.door(sender.reg, door)["state"] for door in demo_site().types["alder"].doors}
    topics = {name: send_bad(live, sender, bad) for name, bad in BAD.items()}
    # What comes after them is delivered and judged, so all of them were taken and acknowledged.
    sender.at_door("R2", **ARMED)
    instance.wait_door(sender.reg, "R2", "armed")
    doors["R2"] = "armed"
    wanted = {reason: sum(bad.reason == reason for bad in BAD.values()) for reason in before}
    found = {reason: instance.counter(REJECTED, reason=reason) - count for reason, count in before.items()}
    assert found == wanted
    rows = until(
        lambda: (rows := instance.ask("/api/v1/quarantine", limit=len(BAD))["items"])[len(BAD) - 1 :] and rows,
        "the quarantine",
    )
    kept = [(row["reason"], row["topic"]) for row in reversed(rows)]
    assert kept == [(bad.reason, topics[name]) for name, bad in BAD.items()]
    assert all(len(row["detail"]) > 10 for row in rows)
    assert all(parse_time(row["at"]) > 0 for row in rows)
    assert {door: instance.door(sender.reg, door)["state"] for door in doors} == doors
    assert instance.door(sender.reg, "L1")["since"] == aircraft["since"]
    assert instance.list_all("/api/v1/alerts", aircraft=sender.reg) == []
    assert instance.wait_ready()["ready"] is True


def test_ten_megabytes_are_one_rejected_message(live: Live) -> None:
    instance = live.instance
    sender = live.arrived()
    before = instance.counter(REJECTED, reason="too-large")
    topic = f"{sender.root}/door/L1/closed"
    publish(live.url, topic, value('"' + "x" * 10_000_000 + '"'), folder=live.folder)
    sender.at_door("L1", **ARMED)
    instance.wait_door(sender.reg, "L1", "armed")
    assert instance.counter(REJECTED, reason="too-large") == before + 1
    [row] = until(lambda: quarantined(instance, topic), "the quarantine")
    assert row["reason"] == "too-large"
    assert isinstance(row["size"], int)
    assert row["size"] > 10_000_000
    assert len(str(row["payload"])) <= 1024


def test_a_bad_reading_in_a_bundle_is_rejected_alone(live: Live) -> None:
    instance = live.instance
    sender = live.arrived()
    before = instance.counter(REJECTED, reason="out-of-range")
    sender.bundle({**{f"door/L1/{k}": v for k, v in ARMED.items()}, "door/L1/travel": 7.0})
    instance.wait_door(sender.reg, "L1", "armed")
    assert instance.counter(REJECTED, reason="out-of-range") == before + 1
    [row] = until(lambda: quarantined(instance, f"{sender.root}/bundle"), "the quarantine")
    assert "door/L1/travel" in str(row["detail"])


def test_the_quarantine_is_read_page_by_page(live_mosquitto: Live) -> None:
    instance = live_mosquitto.instance
    sender = live_mosquitto.sender()
    for number in range(5):
        publish(live_mosquitto.url, f"{sender.root}/door/L1/closed", f"nonsense {number}")
    topic = f"{sender.root}/door/L1/closed"
    until(lambda: len(quarantined(instance, topic)) == 5, "all five")
    whole = instance.list_all("/api/v1/quarantine", limit=2)
    ours = [row["payload"] for row in whole if row["topic"] == topic]
    assert ours == [f"nonsense {number}" for number in (4, 3, 2, 1, 0)]


def test_more_bad_messages_than_the_broker_may_have_in_flight(make_broker: MakeBroker, tmp_path: Path) -> None:
    """Were one of them left unacknowledged, the window would close and nothing more come."""
    config = tmp_path / "site.yaml"
    config.write_text(f"site: {{name: {SITE}, elevation_m: 210, stands: [S12]}}\nbroker: {{in_flight_max: 3}}\n")
    with running_broker(make_broker("mosquitto")) as broker:
        instance = Instance(tmp_path, broker.url, config=config)
        try:
            instance.start()
            sender = Sender(broker.url, "ZT-1")
            for number in range(12):
                publish(broker.url, f"{sender.root}/door/L1/closed", f"nonsense {number}")
            sender.arrive(demo_site().types["alder"])
            instance.wait_door("ZT-1", "L1", "closed_locked")
            assert instance.counter(REJECTED, reason="not-json") == 12
            # Acknowledged for good: the next start is not given them again.
            instance.end()
            instance.start()
            sender.at_door("L1", **ARMED)
            instance.wait_door("ZT-1", "L1", "armed")
            assert instance.counter(REJECTED, reason="not-json") == 0
            assert len(instance.list_all("/api/v1/quarantine")) == 12
        finally:
            instance.close()


# Times that cannot be right


@pytest.mark.parametrize("clock_s", [-56 * YEAR_S, 74 * YEAR_S], ids=["1970", "2100"])
def test_a_sender_in_another_age_is_heard(live: Live, clock_s: float) -> None:
    """Neither rejected nor muting: what it says counts, and alerts, and its clock is told of."""
    instance = live.instance
    sender = live.arrived(clock_s=clock_s)
    before = instance.counter(REJECTED, reason="bad-time")
    sender.at_door("L1", **ARMED)
    instance.wait_door(sender.reg, "L1", "armed")
    sender.send("door/L1/handle_lifted", True)
    alert = instance.wait_alert(sender.reg, "armed-handle-moved", "L1")
    assert "late" not in alert
    sender.send("door/L1/handle_lifted", False)
    instance.wait_door(sender.reg, "L1", "armed")
    instance.wait_alert(sender.reg, "clock-skew")
    assert instance.counter(REJECTED, reason="bad-time") == before


@pytest.mark.parametrize("stamp", ["2100-01-01T00:00:00Z", "1970-01-01T00:00:01Z", 4102444800, 1])
def test_one_reading_of_another_age_mutes_nothing(live_mosquitto: Live, stamp: object) -> None:
    instance = live_mosquitto.instance
    sender = live_mosquitto.arrived()
    odd = json.dumps({"time": stamp, "value": True})
    publish(live_mosquitto.url, f"{sender.root}/door/L1/lever_armed", odd)
    sender.at_door("L1", **ARMED)
    instance.wait_door(sender.reg, "L1", "armed")
    sender.send("door/L1/lever_armed", False)
    sender.at_door("L1", girt_left=False, girt_right=False)
    instance.wait_door(sender.reg, "L1", "closed_locked")
    assert quarantined(instance, f"{sender.root}/door/L1/lever_armed") == []
