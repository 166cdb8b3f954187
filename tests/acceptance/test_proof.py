"""A running monitor proves itself, and its own death is noticed: proofs, heartbeat, readiness, watchdog.

One instance for all of it, with a notify socket as systemd gives one. Proofs come every second
and count as missed after three, so that nobody has to wait half a minute.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.config import default_config_path
from monitor.core.times import parse_time
from tests.acceptance.clients import Sender, Watcher, read_retained
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.programs import (
    HOST,
    SITE,
    Broker,
    Instance,
    Program,
    plain_environment,
    running_broker,
    sillwatch,
    until,
)
from tests.stories import demo_site

pytestmark = pytest.mark.broker

HEARTBEAT = f"sillwatch/v1/heartbeat/sillwatch-{SITE}"
AFTER_S = 3
PAT_S = 0.5


class Notify:
    """The socket that systemd would read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.heard: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.setblocking(False)

    def read(self) -> list[str]:
        """Everything that was told so far, line by line."""
        with contextlib.suppress(BlockingIOError):
            while True:
                self.heard += self._socket.recv(4096).decode().splitlines()
        return self.heard

    def pats(self) -> int:
        return self.read().count("WATCHDOG=1")

    def close(self) -> None:
        self._socket.close()


class Watched(Instance):
    """An instance that a service manager started."""

    environment: dict[str, str]

    def launch(self) -> Program:
        arguments = ["run", "--broker", self.broker, "--http", f"{HOST}:0", "--data", str(self.data)]
        self.program = sillwatch(
            self.folder, *arguments, "--config", str(self.config), environment=plain_environment(**self.environment)
        )
        return self.program

    def proof(self) -> dict[str, Any]:
        return dict(self.ask("/api/v1/health")["proof"])


@pytest.fixture(scope="module")
def broker(make_broker: MakeBroker) -> Iterator[Broker]:
    with running_broker(make_broker("mosquitto")) as broker:
        yield broker


@pytest.fixture(scope="module")
def notify(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Notify]:
    made = Notify(tmp_path_factory.mktemp("notify") / "socket")
    yield made
    made.close()


@pytest.fixture(scope="module")
def instance(broker: Broker, notify: Notify, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watched]:
    folder = tmp_path_factory.mktemp("proved")
    text = default_config_path().read_text(encoding="utf-8")
    for old, new in (
        ("thresholds: {}", f"thresholds: {{proof-missed: {{after_s: {AFTER_S}}}}}"),
        ("keepalive_s: 10", "keepalive_s: 600"),
        ("every_s: 10", "every_s: 1"),
    ):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (folder / "site.yaml").write_text(text, encoding="utf-8")
    made = Watched(folder, broker.url, config=folder / "site.yaml")
    made.environment = {"NOTIFY_SOCKET": str(notify.path), "WATCHDOG_USEC": str(int(3e6 * PAT_S))}
    made.start()
    yield made
    made.close()


def test_proofs_pass_and_the_page_the_metrics_and_the_outside_say_so(
    instance: Watched, broker: Broker, tmp_path: Path
) -> None:
    first = until(lambda: instance.proof()["at"], "a first proof")
    until(lambda: instance.proof()["at"] > first, "a second one")
    proof = instance.proof()
    assert proof["took_ms"] > 0
    assert proof["age_s"] >= 0
    assert instance.counter("sillwatch_proof_took_seconds") > 0
    assert instance.ask("/readyz")["proof"] is not None
    [(topic, beat)] = read_retained(broker.url, tmp_path, "sillwatch/v1/heartbeat/+").items()
    assert topic == HEARTBEAT
    assert beat.json["state"] in ("ready", "not ready")
    assert (beat.json["instance"], beat.json["site"]) == (f"sillwatch-{SITE}", SITE)
    assert beat.json["journal_position"] > 0
    assert parse_time(beat.json["time"]) >= parse_time(first)
    with Watcher(broker.url, tmp_path, HEARTBEAT) as watcher:
        later = [seen.json for seen in watcher.wait(HEARTBEAT, 3)]
    assert parse_time(later[-1]["time"]) > parse_time(later[0]["time"])
    assert later[-1]["journal_position"] > later[0]["journal_position"]


def test_a_board_is_told_of_them(instance: Watched) -> None:
    told: dict[str, Any] = {}
    with instance.http.stream("GET", "/api/v1/stream") as answer:
        name = ""
        for line in answer.iter_lines():
            name = line.removeprefix("event: ") if line.startswith("event: ") else name
            if line.startswith("data: ") and name not in told:
                told[name] = json.loads(line.removeprefix("data: "))
            if {"proof", "proving", "snapshot"} <= told.keys():
                break
    assert told["proof"].keys() == {"at", "took_ms"}
    assert "aircraft" not in told["proving"]
    assert told["snapshot"]["aircraft"] == []


def test_nobody_sees_it_as_an_aircraft(instance: Watched, broker: Broker, tmp_path: Path) -> None:
    until(lambda: instance.proof()["at"], "a first proof")
    assert instance.list_all("/api/v1/aircraft") == []
    assert instance.get("/api/v1/aircraft/proof").status_code == 404
    for path in ("alerts", "history", "quarantine"):
        assert [row for row in instance.list_all(f"/api/v1/{path}") if row.get("code") != "proof-missed"] == [], path
    health = instance.ask("/api/v1/health")
    assert (health["senders"], health["dropped"], health["rejected"]) == ([], {}, {})
    assert instance.counter("sillwatch_messages_received_total") == 0
    assert instance.counter("sillwatch_doors", state="unlocked") == 0
    outputs = [f"sillwatch/v1/{kind}/#" for kind in ("door", "readiness", "event")]
    assert read_retained(broker.url, tmp_path, *outputs) == {}
    sender = Sender(broker.url, "ZT-1").arrive(demo_site().types["alder"])
    instance.wait_door("ZT-1", "L1", "closed_locked")
    assert [row["aircraft"] for row in instance.list_all("/api/v1/aircraft")] == ["ZT-1"]
    assert sender.reg == "ZT-1"


def test_systemd_is_told_and_patted_until_nothing_runs(instance: Watched, notify: Notify) -> None:
    until(lambda: notify.pats() > 2, lambda: f"pats; told {notify.heard}")
    assert notify.heard[0] == "READY=1"
    assert "STATUS=ready" in notify.heard
    pid = instance.running.pid
    os.kill(pid, signal.SIGSTOP)
    try:
        until(lambda: Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2][0] == "T", "it stands still")
        before, end = notify.pats(), time.monotonic() + 3 * PAT_S
        until(lambda: time.monotonic() > end or notify.pats() > before, "the time in which systemd would act")
        assert notify.pats() == before
    finally:
        os.kill(pid, signal.SIGCONT)
    until(lambda: notify.pats() > before, "pats again")


def test_a_broker_that_stands_still_is_noticed_before_its_connection_is_lost(instance: Watched, broker: Broker) -> None:
    until(lambda: instance.get("/readyz").status_code == 200, "ready")
    missed = instance.proof()["missed"]
    os.kill(broker.pid, signal.SIGSTOP)
    try:
        alert = instance.wait_alert("-", "proof-missed")
        assert (alert["role"], alert["priority"], alert["site"]) == ("ops", "warning", SITE)
        answer = instance.get("/readyz")
        assert answer.status_code == 503
        assert "no proof" in answer.text
        assert instance.proof()["missed"] > missed
        assert instance.counter("sillwatch_proofs_missed_total") > missed
        assert instance.counter("sillwatch_proof_age_seconds") >= AFTER_S
        assert instance.ask("/api/v1/health")["service"]["broker"]["connected"] is True
    finally:
        os.kill(broker.pid, signal.SIGCONT)
    instance.wait_alert("-", "proof-missed", state="rtn_unacknowledged")

    def kept() -> set[str]:
        return {row["type"] for row in instance.list_all("/api/v1/history", code="proof-missed")}

    # What is told first is on disk a moment later.
    until(lambda: kept() >= {"sillwatch.alert.raised", "sillwatch.alert.cleared"}, lambda: f"both on record: {kept()}")


def test_it_says_that_it_stops(instance: Watched, notify: Notify) -> None:
    notify.read()
    code, _ = instance.end()
    assert code == 0
    assert "Traceback" not in instance.err
    assert "STOPPING=1" in notify.read()
