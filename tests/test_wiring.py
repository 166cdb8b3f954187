"""One instance put together: what it starts, in which order it stops, and what it lets go of."""

from __future__ import annotations

import asyncio
import fcntl
import json
import re
import socket
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor import wiring
from monitor.adapters.journal_store import JOURNAL_FILE
from monitor.adapters.web import BoardWatch
from monitor.adapters.web.checkup import HealthDocument
from monitor.config import Config, default_config_path, load
from monitor.config.notify_file import Destination, Notify
from monitor.core.events import BrokerConnected, MonitorStarted, ProofsExpected, ReadingsArrived
from monitor.core.times import SECOND
from monitor.ports import InstanceError, Message, Step
from monitor.wiring import Instance, run_instance
from tests.adapters.web.http_client import until
from tests.engine_bench import HANDLE, arrival
from tests.stories import REG

ROOT = "apron/v1/tarnwick"
BROKER_AWAY = "mqtt://127.0.0.1:1"
"""A port that nobody may listen on without being root, and nobody does."""

Make = Callable[..., Instance]


@pytest.fixture(scope="module")
def shipped() -> Config:
    return load(default_config_path(), environment={})


@pytest.fixture
def config(shipped: Config, tmp_path: Path) -> Config:
    """The shipped config on a free port and a folder of its own, with no broker there."""
    return replace(
        shipped,
        broker=shipped.broker.model_copy(update={"url": BROKER_AWAY}),
        http=shipped.http.model_copy(update={"port": 0}),
        data=shipped.data.model_copy(update={"directory": tmp_path / "data"}),
    )


@pytest.fixture
async def make() -> AsyncIterator[Make]:
    """Make instances; each that a test leaves running is stopped."""
    made: list[Instance] = []

    def make(config: Config, **options: Any) -> Instance:
        made.append(Instance(config, **options))
        return made[-1]

    yield make
    for instance in made:
        if instance.url:
            await instance.stop()


async def ask(instance: Instance, path: str) -> httpx.Response:
    async with httpx.AsyncClient(base_url=instance.url) as client:
        return await client.get(path)


def is_locked(folder: Path) -> bool:
    """Tell whether somebody holds the journal's folder."""
    for path in folder.glob("*lock*"):
        with path.open("ab") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                return True
    return False


class Ear:
    """An observer that keeps every step."""

    def __init__(self) -> None:
        self.steps: list[Step] = []

    def observe(self, step: Step) -> None:
        self.steps.append(step)


async def test_it_serves_without_a_broker(make: Make, config: Config) -> None:
    instance = make(config)
    url = await instance.start()
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+", url)
    assert (await ask(instance, "/healthz")).status_code == 200
    assert (await ask(instance, "/readyz")).json()["reasons"] == ["the broker is not connected"]
    assert (await ask(instance, "/")).status_code == 200
    assert "sillwatch_build_info" in (await ask(instance, "/metrics")).text
    assert instance.desk.health()["site"] == "tarnwick"


async def test_a_connection_that_delivers_nothing_is_not_ready(make: Make, config: Config) -> None:
    """Between connecting and subscribing, what is sent is lost to us: nobody may rely on us yet."""
    instance = make(config)
    await instance.start()
    instance._feed.connected = True
    assert instance.desk.health()["reasons"] == ["the broker does not deliver to us yet"]
    instance._feed.listening.set()
    assert instance.desk.health()["ready"] is True


async def test_a_stop_leaves_the_folder_free_and_the_state_whole(make: Make, config: Config) -> None:
    first = make(config)
    await first.start()
    folder = Path(config.data.directory)
    assert is_locked(folder)
    first._on_message(Message(f"{ROOT}/aircraft/{REG}/airframe/type", _reading("alder"), True), lambda: None)
    await first.stop()
    first.url = ""
    assert not is_locked(folder)
    assert (folder / JOURNAL_FILE).exists()
    second = make(config)
    await second.start()
    assert [row["aircraft"] for row in second.desk.list_aircraft()] == [REG]


async def test_a_configuration_that_another_start_has_changed_is_audited(make: Make, config: Config) -> None:
    changed = replace(config, alerts=config.alerts.model_copy(update={"shelve_minutes_max": 60}))
    for each in (config, changed):
        instance = make(each)
        await instance.start()
        await instance.stop()
        instance.url = ""
    last = make(changed)
    await last.start()
    [row] = (await last.desk.audit(limit=10, before=None))["items"]
    assert [row[key] for key in ("by", "action", "subject", "before", "after", "origin")] == [
        *("-", "configuration-changed", "alerts.shelve_minutes_max", "480", "60", "start")
    ]
    assert (await last.desk.verify_audit())["whole"] is True


async def test_a_message_is_settled_once_it_is_on_disk(make: Make, config: Config) -> None:
    ear = Ear()
    instance = make(config, observers=[ear])
    await instance.start()
    settled = asyncio.Event()
    instance._on_message(Message(f"{ROOT}/aircraft/{REG}/airframe/type", _reading("alder"), False), settled.set)
    assert not settled.is_set()
    await asyncio.wait_for(settled.wait(), 10)
    kinds = [type(step.event) for step in ear.steps if step.event is not None]
    assert kinds == [MonitorStarted, ProofsExpected, ReadingsArrived]
    assert BrokerConnected not in kinds


async def test_a_taken_port_lets_go_of_everything(make: Make, config: Config) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        instance = make(replace(config, http=config.http.model_copy(update={"port": port})))
        with pytest.raises(InstanceError, match=rf"^cannot listen on 127\.0\.0\.1:{port}: "):
            await instance.start()
        assert not is_locked(Path(config.data.directory))


async def test_a_missing_password_lets_go_of_everything(make: Make, config: Config, tmp_path: Path) -> None:
    broker = config.broker.model_copy(update={"user": "sill", "password_file": tmp_path / "secret"})
    instance = make(replace(config, broker=broker))
    with pytest.raises(InstanceError, match="secret: no password to read on its first line"):
        await instance.start()
    assert not is_locked(Path(config.data.directory))


async def test_a_second_instance_on_one_folder_is_refused(make: Make, config: Config) -> None:
    first, second = make(config), make(config)
    await first.start()
    with pytest.raises(InstanceError) as refused:
        await second.start()
    assert str(config.data.directory) in str(refused.value)
    assert "\n" not in str(refused.value)
    assert (await ask(first, "/healthz")).status_code == 200


async def test_it_runs_until_it_is_told_to_stop(config: Config) -> None:
    stop, said = asyncio.Event(), asyncio.Queue[str]()
    running = asyncio.create_task(run_instance(config, stop, said.put_nowait))
    url = await asyncio.wait_for(said.get(), 10)
    async with httpx.AsyncClient(base_url=url) as client:
        assert (await client.get("/healthz")).status_code == 200
    assert not running.done()
    stop.set()
    await asyncio.wait_for(running, 5)
    assert not is_locked(Path(config.data.directory))
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", int(url.rpartition(":")[2]))) != 0


async def test_it_ends_aloud_when_another_run_takes_over(config: Config) -> None:
    stop, said = asyncio.Event(), asyncio.Queue[str]()
    instances: list[Instance] = []

    class Noted(Instance):
        def __init__(self, config: Config) -> None:
            super().__init__(config)
            instances.append(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(wiring, "Instance", Noted)
        running = asyncio.create_task(run_instance(config, stop, said.put_nowait))
        await asyncio.wait_for(said.get(), 10)
    instances[0]._on_superseded("2026-03-01T10:00:00.000Z")
    with pytest.raises(InstanceError, match=r"started at 2026-03-01T10:00:00\.000Z, has taken over"):
        await asyncio.wait_for(running, 5)
    assert not is_locked(Path(config.data.directory))


async def test_a_stop_does_not_wait_for_an_open_page(make: Make, config: Config) -> None:
    instance = make(config)
    url = await instance.start()
    async with httpx.AsyncClient(base_url=url) as client, client.stream("GET", "/api/v1/stream") as answer:
        lines = answer.aiter_lines()
        assert await anext(lines)
        await asyncio.wait_for(instance.stop(), 3)
        instance.url = ""
        async for _ in lines:
            continue


async def test_the_page_shows_what_a_person_did(make: Make, config: Config) -> None:
    """Through the web, the desk and the engine to the journal and back."""
    instance = make(config)
    url = await instance.start()
    instance._on_message(Message(f"{ROOT}/aircraft/{REG}/airframe/type", _reading("alder"), False), lambda: None)
    async with httpx.AsyncClient(base_url=url) as client:
        body = {"presence": "away", "by": "Ann", "reason": "left"}
        answer = await client.post(f"/api/v1/aircraft/{REG}/presence", json=body)
        assert (answer.status_code, answer.json()["presence"]) == (200, "away")
        [row] = (await client.get("/api/v1/audit")).json()["items"]
        verdict = (await client.get("/api/v1/audit/verify")).json()
    assert (row["by"], row["action"], row["before"], row["after"]) == ("Ann", "declare-presence", "present", "away")
    head = {"number": 1, "hash": row["hash"]}
    assert verdict == {"whole": True, "items": 1, "first_broken": None, "head": head, "pruned_up_to": 0}


def _settled() -> None:
    """Nobody waits for it."""


def _reading(value: object) -> bytes:
    return json.dumps({"time": 1772359200, "value": value}).encode()


async def test_the_record_of_alarms_and_of_what_could_be_seen_is_served(make: Make, config: Config) -> None:
    instance = make(config)
    await instance.start()
    topic = f"{ROOT}/aircraft/{REG}/airframe/type"
    durable = asyncio.Event()
    instance._on_message(Message(topic, _reading("alder"), False), durable.set)
    await asyncio.wait_for(durable.wait(), 10)
    health = (await ask(instance, "/api/v1/alarm-health")).json()
    assert health["overall"]["by_code"] == {"clock-skew": 1}  # the reading bears a fixed date
    assert set(health["floods_now"]) == {"all", *health["roles"]}
    watched = (await ask(instance, f"/api/v1/aircraft/{REG}/watched?door=L1")).json()
    watch = watched["doors"]["L1"]["armed-handle-moved"]
    assert set(watch["reasons"]) == {"never seen"}
    assert watch["watched_minutes"] == 0
    page = (await ask(instance, "/metrics")).text
    assert 'sillwatch_alarm_flood{role="door team"} 0.0' in page


async def test_a_warning_that_no_board_shows_is_handed_on_until_one_does(
    make: Make, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the reading to the alert's document, and by a board's word back again."""
    monkeypatch.setattr("monitor.adapters.web.board_watch.AGAIN_AFTER", 0)
    alerts = config.alerts.model_copy(update={"on_screen_within_s": 0.05})
    instance = make(replace(config, alerts=alerts))
    url = await instance.start()
    now = instance.desk.now() / SECOND
    for number, message in enumerate((arrival(), HANDLE)):
        body = {**json.loads(message.payload), "time": now + number / 1000}
        instance._on_message(Message(message.topic, json.dumps(body).encode(), False), _settled)

    def warnings() -> list[dict[str, Any]]:
        return [alert for alert in instance.desk.alerts() if alert["code"] == "armed-handle-moved"]

    async def await_mark(marked: bool) -> dict[str, Any]:
        await until(lambda: [bool(alert.get("on_no_screen")) for alert in warnings()] == [marked])
        return warnings()[0]

    handed_on = await await_mark(True)
    assert handed_on["escalated"] is True
    async with httpx.AsyncClient(base_url=url) as client:
        assert "sillwatch_warnings_on_no_screen 1.0" in (await client.get("/metrics")).text
        state = {"name": "Gate", "page": "apron", "visible": True, "sound": True, "drawn": [handed_on["alert_id"]]}
        answer = (await client.put("/api/v1/boards/0123456789", json=state)).json()
        assert (answer["watching"], answer["unseen"]) == (0, [handed_on["alert_id"]])
        async with client.stream("GET", "/api/v1/stream?board=0123456789"):
            answer = (await client.put("/api/v1/boards/0123456789", json=state)).json()
            assert (answer["watching"], answer["unseen"]) == (1, [])
            seen = await await_mark(False)
            assert (seen["state"], seen["role"]) == ("unacknowledged", handed_on["role"])
            page = (await client.get("/metrics")).text
            assert "sillwatch_boards 1.0" in page
            assert "sillwatch_warnings_on_no_screen 0.0" in page


async def test_the_time_of_what_stands_runs_from_when_boards_can_speak(
    make: Make, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken_up: list[str] = []
    instance = make(config)
    monkeypatch.setattr(BoardWatch, "take_up", lambda _watch: taken_up.append(instance.url))
    url = await instance.start()
    assert taken_up == [url]


async def test_the_services_health_and_an_aircrafts_curves_are_served(make: Make, config: Config) -> None:
    instance = make(config)
    await instance.start()
    durable = asyncio.Event()
    topic = f"{ROOT}/aircraft/{REG}/airframe/"
    now = instance.desk.now() / SECOND
    for name, value in (("type", "alder"), ("heartbeat", 7), ("differential_pressure_hpa", 12.5)):
        body = json.dumps({"time": now, "value": value}).encode()
        instance._on_message(Message(topic + name, body, False), durable.set)
    instance._on_message(Message(topic + "wobble", b"{}", False), durable.set)
    await asyncio.wait_for(durable.wait(), 10)
    health = (await ask(instance, "/api/v1/health")).json()
    HealthDocument.model_validate(health)
    assert health["service"]["reasons"] == ["the broker is not connected"]
    assert health["rates"]["messages_per_s"]["1m"] > 0
    assert health["latency_ms"]["step"]["count"] >= 5
    assert health["latency_ms"]["commit"]["count"] >= 1
    assert health["rejected"] == {"unknown-signal": 1}
    [sender] = health["senders"]
    assert (sender["aircraft"], sender["heartbeat"]) == (REG, 7)
    assert 0 <= sender["heartbeat_age_s"] <= 10
    assert sender["messages_per_s"] > 0
    assert (health["boards"], health["stream"]) == ([], {"clients": 0, "resyncs": 0})
    curves = (await ask(instance, f"/api/v1/aircraft/{REG}/curves")).json()
    assert 12.5 in [point["value"] for point in curves["differential_pressure_hpa"]]


async def test_destinations_are_told_by_the_instance_and_an_outbox_is_let_go_of_with_it(
    make: Make, config: Config, tmp_path: Path
) -> None:
    (tmp_path / "secret").write_text("whsec_" + "a2tr" * 8)
    destination = Destination.model_validate(
        {"kind": "webhook", "url": "http://127.0.0.1:1/hook", "secret_file": tmp_path / "secret"}
    )
    told = replace(config, notify=Notify(destinations={"pager": destination}))
    first = make(told)
    await first.start()
    shown = (await ask(first, "/api/v1/deliveries")).json()
    assert [(each["name"], each["state"]) for each in shown["destinations"]] == [("pager", "working")]
    assert 'sillwatch_deliveries_waiting{destination="pager"} 0.0' in (await ask(first, "/metrics")).text
    assert first.desk.health()["unreachable"] == []
    await first.stop()
    first.url = ""
    port = socket.socket()
    port.bind(("127.0.0.1", 0))
    port.listen()
    taken = replace(told, http=told.http.model_copy(update={"port": port.getsockname()[1]}))
    with pytest.raises(InstanceError, match="taken"):
        await make(taken).start()
    port.close()
    (tmp_path / "secret").write_text("none")
    with pytest.raises(InstanceError, match="line 1 is no secret"):
        await make(told).start()
    assert not is_locked(Path(config.data.directory))
