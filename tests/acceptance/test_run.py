"""``sillwatch run`` as its clients know it: what stands on the broker, and what survives what.

Each story runs on the default broker and on mosquitto; sensors and watchers are
mosquitto's own clients. Sources: the wire contract and CloudEvents 1.0.
"""

from __future__ import annotations

import json
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent

from monitor import __version__
from monitor.core.times import parse_time
from tests.acceptance.clients import Sender, Watcher, publish, read_retained
from tests.acceptance.conftest import Live, MakeBroker
from tests.acceptance.programs import SILLWATCH, SITE, Broker, Instance, running_broker, sillwatch, until
from tests.stories import ARMED, demo_site

pytestmark = pytest.mark.broker

ALERT_KEYS = {
    *("alert_id", "code", "priority", "state", "site", "aircraft", "stand", "door", "raised_at", "changed_at"),
    *("text", "action", "consequence", "evidence", "basis"),
}
ALERT_FLAGS = {"late", "drill", "simulated", "blind"}
ENVELOPE_KEYS = {"specversion", "id", "source", "type", "subject", "time", "datacontenttype", "data"}
DOOR_KEYS = {"state", "since", "slide", "evidence", "quality", "blind", "deaf_to"}
STATUS = "sillwatch/v1/status/+"


@pytest.fixture(params=["default", "mosquitto"])
def broker(request: pytest.FixtureRequest, make_broker: MakeBroker) -> Iterator[Broker]:
    """A broker of this test's own."""
    with running_broker(make_broker(request.param)) as broker:
        yield broker


@pytest.fixture
def instance(broker: Broker, tmp_path: Path) -> Iterator[Instance]:
    """An instance that is not started yet, on a broker of its own."""
    instance = Instance(tmp_path, broker.url)
    yield instance
    instance.close()


def read_status(url: str, folder: Path) -> dict[str, Any]:
    """The one retained status message."""
    [seen] = read_retained(url, folder, STATUS).values()
    return dict(seen.json)


def words(events: list[Any]) -> list[str]:
    return [event.json["type"].removeprefix("sillwatch.alert.") for event in events]


# What stands on the broker


def test_every_door_has_a_retained_document(live: Live) -> None:
    sender = live.arrived()
    sender.at_door("L1", **ARMED)
    live.instance.wait_door(sender.reg, "L1", "armed")
    root = f"sillwatch/v1/door/{SITE}/{sender.reg}/"
    retained = read_retained(live.url, live.folder, root + "#")
    assert {topic.removeprefix(root) for topic in retained} == set(demo_site().types["alder"].doors)
    documents = {topic.removeprefix(root): seen.json for topic, seen in retained.items()}
    assert all(document.keys() >= DOOR_KEYS for document in documents.values())
    armed = documents["L1"]
    assert (armed["state"], armed["slide"], armed["quality"], armed["blind"]) == ("armed", "engaged", "good", False)
    assert parse_time(armed["since"]) > 0
    assert {e["signal"] for e in armed["evidence"]} >= {"closed", "latched", "locked", "lever_armed", "girt_left"}
    assert all(item["code"] and item["why"] for item in armed["deaf_to"])
    assert documents["OL1"]["state"] == "armed"
    assert {name: d["state"] for name, d in documents.items() if name not in ("L1", "OL1", "OR1")} == {
        name: "closed_locked" for name in documents if name not in ("L1", "OL1", "OR1")
    }


def test_an_alert_from_raised_to_normal(live: Live) -> None:
    sender = live.arrived()
    sender.at_door("L1", **ARMED)
    place = f"{SITE}/{sender.reg}/L1/armed-handle-moved"
    event_topic, active_topic = f"sillwatch/v1/event/{place}", f"sillwatch/v1/active/{place}"
    with Watcher(live.url, live.folder, event_topic, active_topic) as watcher:
        sender.send("door/L1/handle_lifted", True)
        [raised] = watcher.wait(event_topic)
        [standing] = watcher.wait(active_topic)
        alert = standing.json
        answer = live.instance.post(
            f"/api/v1/alerts/{alert['alert_id']}/acknowledge", {"by": "Ann", "reason": "going there"}
        )
        assert answer.status_code == 200, answer.text
        watcher.wait(event_topic, 2)
        acknowledged = watcher.wait(active_topic, 2)[1].json
        sender.send("door/L1/handle_lifted", False)
        watcher.wait(event_topic, 3)
        emptied = watcher.wait(active_topic, 3)[2]
        events = watcher.on(event_topic)
    assert raised.json.keys() == ENVELOPE_KEYS
    assert raised.json["source"] == f"/sillwatch/{SITE}"
    assert raised.json["subject"] == f"{sender.reg}/L1"
    assert (raised.json["specversion"], raised.json["datacontenttype"]) == ("1.0", "application/json")
    assert raised.json["time"] == raised.json["data"]["changed_at"] == alert["raised_at"]
    assert alert == raised.json["data"]
    assert alert.keys() >= ALERT_KEYS
    assert not alert.keys() & ALERT_FLAGS, "a flag stands only where it is true"
    place_of = ("site", "aircraft", "stand", "door", "code", "priority", "state")
    assert [alert[key] for key in place_of] == [
        *(SITE, sender.reg, sender.stand, "L1", "armed-handle-moved", "warning", "unacknowledged"),
    ]
    assert any(e["signal"] == "door/L1/handle_lifted" and e["value"] is True for e in alert["evidence"])
    assert all(isinstance(alert[key], str) and alert[key] for key in ("text", "action", "consequence", "basis"))
    assert acknowledged["state"] == "acknowledged"
    assert (acknowledged["by"], acknowledged["reason"]) == ("Ann", "going there")
    assert words(events) == ["raised", "acknowledged", "cleared"]
    assert {event.json["data"]["alert_id"] for event in events} == {alert["alert_id"]}
    assert len({event.json["id"] for event in events}) == 3
    assert events[2].json["data"]["state"] == "normal"
    assert emptied.payload == b""
    assert not any(event.retained for event in events)
    assert read_retained(live.url, live.folder, event_topic, active_topic) == {}


def test_the_active_message_is_retained_while_the_alert_stands(live: Live) -> None:
    sender = live.arrived()
    sender.at_door("R2", **ARMED)
    sender.send("door/R2/handle_lifted", True)
    alert = live.instance.wait_alert(sender.reg, "armed-handle-moved", "R2")
    topic = f"sillwatch/v1/active/{SITE}/{sender.reg}/R2/armed-handle-moved"
    assert read_retained(live.url, live.folder, topic)[topic].json == alert
    sender.send("door/R2/handle_lifted", False)
    waiting = live.instance.wait_alert(sender.reg, "armed-handle-moved", "R2", state="rtn_unacknowledged")
    assert waiting["alert_id"] == alert["alert_id"]
    assert read_retained(live.url, live.folder, topic)[topic].json["state"] == "rtn_unacknowledged"


def test_an_event_is_a_cloud_event_to_others(live: Live) -> None:
    sender = live.arrived()
    sender.at_door("L2", **ARMED)
    topic = f"sillwatch/v1/event/{SITE}/{sender.reg}/L2/armed-handle-moved"
    with Watcher(live.url, live.folder, topic) as watcher:
        sender.send("door/L2/handle_lifted", True)
        [raised] = watcher.wait(topic)
    event = JSONFormat().read(CloudEvent, raised.payload)
    assert event.get_type() == "sillwatch.alert.raised"
    assert event.get_source() == f"/sillwatch/{SITE}"
    assert event.get_subject() == f"{sender.reg}/L2"
    assert event.get_id() == raised.json["id"]
    data = event.get_data()
    assert isinstance(data, dict)
    assert data["door"] == "L2"


def test_a_simulated_reading_marks_what_it_leads_to(live: Live) -> None:
    sender = live.arrived()
    sender.bundle({f"door/L1/{name}": value for name, value in ARMED.items()}, simulated=True)
    sender.send("door/L1/handle_lifted", True, simulated=True)
    assert live.instance.wait_alert(sender.reg, "armed-handle-moved", "L1")["simulated"] is True


def test_the_status_while_running(live: Live) -> None:
    status = read_status(live.url, live.folder)
    assert status.keys() == {"state", "version", "started"}
    assert (status["state"], status["version"]) == ("online", __version__)
    assert status["started"] == live.instance.wait_ready()["started"]


def test_the_history_has_what_was_published(live: Live) -> None:
    sender = live.arrived()
    sender.at_door("R1", **ARMED)
    topic = f"sillwatch/v1/event/{SITE}/{sender.reg}/"
    with Watcher(live.url, live.folder, topic + "#") as watcher:
        sender.send("door/R1/handle_lifted", True)
        sender.send("door/R1/handle_lifted", False)
        published = [seen.json for seen in watcher.wait(topic, 2)]
    rows = until(
        lambda: (found := live.instance.list_all("/api/v1/history", aircraft=sender.reg))[1:] and found, "two rows"
    )
    keys = ("id", "type", "time", "data")
    assert [[row[key] for key in keys] for row in reversed(rows)] == [[e[key] for key in keys] for e in published]


# Ends and starts


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_quietly_and_says_offline(instance: Instance, number: signal.Signals) -> None:
    instance.start()
    online = read_status(instance.broker, instance.folder)
    with instance.http.stream("GET", "/api/v1/stream") as stream:
        # An open page must not hold the end up.
        assert next(stream.iter_lines())
        code, took_s = instance.end(number)
    assert code == 0
    assert took_s < 3.0
    assert "Traceback" not in instance.err
    assert read_status(instance.broker, instance.folder) == {**online, "state": "offline"}


def test_kill_and_restart_lose_nothing(instance: Instance) -> None:
    instance.start()
    status = read_status(instance.broker, instance.folder)
    sender = Sender(instance.broker, "ZT-K9").arrive(demo_site().types["alder"])
    sender.at_door("L1", **ARMED)
    sender.at_door("L2", **ARMED)
    sender.send("door/L1/handle_lifted", True)
    sender.at_door("L2", closed=False, latched=False, locked=False, handle_lifted=True, slide_released=True)
    before = instance.wait_alert("ZT-K9", "armed-handle-moved", "L1")
    deployed = instance.wait_alert("ZT-K9", "slide-deployed", "L2")
    answer = instance.post(f"/api/v1/alerts/{before['alert_id']}/acknowledge", {"by": "Ann", "reason": "I am there"})
    assert answer.status_code == 200, answer.text

    instance.end(signal.SIGKILL)
    will = until(
        lambda: (found := read_status(instance.broker, instance.folder))["state"] == "offline" and found, "the will"
    )
    assert will == {**status, "state": "offline"}
    # While nobody watches: the slide's sensor falls back, and the broker keeps it.
    sender.send("door/L2/slide_released", False)

    instance.start()
    assert read_status(instance.broker, instance.folder)["state"] == "online"
    after = instance.wait_alert("ZT-K9", "armed-handle-moved", "L1", state="acknowledged")
    kept = ("alert_id", "raised_at", "by", "reason", "priority", "text")
    assert {key: after[key] for key in kept} == {key: answer.json()[key] for key in kept}
    over = instance.wait_alert("ZT-K9", "slide-deployed", "L2", state="rtn_unacknowledged")
    assert over["alert_id"] == deployed["alert_id"]
    assert instance.door("ZT-K9", "L2")["state"] == "slide_deployed"
    ids = [event["id"] for event in instance.list_all("/api/v1/history", aircraft="ZT-K9")]
    assert len(ids) == len(set(ids))
    assert instance.list_all("/api/v1/audit")[0]["action"] == "acknowledge"
    assert instance.end()[0] == 0


def test_a_restart_empties_what_it_does_not_hold(instance: Instance) -> None:
    ours = [
        f"sillwatch/v1/door/{SITE}/ZT-GONE/L1",
        f"sillwatch/v1/active/{SITE}/ZT-GONE/L1/armed-handle-moved",
        f"sillwatch/v1/active/{SITE}/ZT-GONE/-/feed-lost",
    ]
    foreign = "sillwatch/v1/door/elsewhere/ZT-GONE/L1"
    for topic in (*ours, foreign):
        publish(instance.broker, topic, json.dumps({"state": "armed"}), retain=True)
    instance.start()
    sender = Sender(instance.broker, "ZT-HERE").arrive(demo_site().types["alder"])
    instance.wait_door("ZT-HERE", "L1", "closed_locked")
    until(
        lambda: not read_retained(instance.broker, instance.folder, *ours),
        lambda: f"emptied: {read_retained(instance.broker, instance.folder, *ours)}",
    )
    instance.end()
    sender.at_door("L1", **ARMED)
    publish(instance.broker, f"sillwatch/v1/door/{SITE}/ZT-HERE/L1", "", retain=True)
    instance.start()
    instance.wait_door("ZT-HERE", "L1", "armed")
    here = f"sillwatch/v1/door/{SITE}/ZT-HERE/L1"
    until(
        lambda: (
            (found := read_retained(instance.broker, instance.folder, here)) and found[here].json["state"] == "armed"
        ),
        "what is held is published again",
    )
    assert set(read_retained(instance.broker, instance.folder, "sillwatch/v1/door/elsewhere/#")) == {foreign}


def test_a_later_run_takes_over(live_mosquitto: Live, make_broker: MakeBroker, tmp_path: Path) -> None:
    """A monitor that sees a newer start on its own status topic stops, and says why."""
    with running_broker(make_broker("mosquitto")) as broker:
        first, second = Instance(tmp_path / "first", broker.url), Instance(tmp_path / "second", broker.url)
        try:
            first.start()
            second.start()
            assert first.running.wait() == 1
            assert "has taken over" in first.err.splitlines()[-1]
            assert "Traceback" not in first.err
            # The first one's will may come after the second one's word, which is then said again.
            started = second.wait_ready()["started"]
            until(lambda: read_status(broker.url, tmp_path)["started"] == started, "the second one's status")
        finally:
            first.close()
            second.close()


# Where it cannot run


@pytest.mark.parametrize("taken", ["port", "folder"])
def test_what_is_taken_is_one_clear_line(live_mosquitto: Live, tmp_path: Path, taken: str) -> None:
    instance = live_mosquitto.instance
    port = instance.http.base_url.port if taken == "port" else 0
    data = tmp_path if taken == "port" else instance.data
    program = sillwatch(
        tmp_path, "run", "--broker", live_mosquitto.url, "--http", f"127.0.0.1:{port}", "--data", str(data)
    )
    try:
        assert program.wait(60) == 1
        [line] = program.err.strip().splitlines()
        assert line.startswith("sillwatch: ")
        assert (f"127.0.0.1:{port}" if taken == "port" else str(instance.data)) in line
        assert program.out == ""
    finally:
        program.close()
    assert instance.wait_ready()["ready"] is True


def test_sillwatch_is_installed_as_a_command(live_mosquitto: Live) -> None:
    """The console script itself, on the path that the environment gives it."""
    done = subprocess.run([SILLWATCH, "--version"], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout.strip()) == (0, f"sillwatch {__version__}")
    assert live_mosquitto.instance.ask("/healthz") == {"alive": True, "version": __version__}
