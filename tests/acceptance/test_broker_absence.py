"""A broker that is not there yet, goes away and comes back.

The page and the answers stay up throughout and say what is wrong; nobody has to restart
anything.
"""

from __future__ import annotations

import os
import re
import signal
import socket
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.core.times import SECOND, parse_time
from tests.acceptance.clients import Sender, Watcher
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.programs import HOST, SITE, Instance, until
from tests.stories import ARMED, demo_site

pytestmark = pytest.mark.broker

COMPLAIN_EVERY_S = 30.0
SITE_EVENTS = f"sillwatch/v1/event/{SITE}/-/-/feed-lost"


class Nobody:
    """A listener that is no broker: it hangs up on everybody, or keeps them and says nothing."""

    def __init__(self, *, hangs_up: bool) -> None:
        self.calls: list[float] = []
        self._hangs_up = hangs_up
        self._kept: list[socket.socket] = []
        self._listener = socket.create_server((HOST, 0))
        self.url = f"mqtt://{HOST}:{self._listener.getsockname()[1]}"
        self._thread = threading.Thread(target=self._accept)
        self._thread.start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.calls.append(time.monotonic())
            self._kept.append(connection)
            if self._hangs_up:
                connection.close()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join()
        for connection in self._kept:
            connection.close()


@pytest.fixture
def nobody(request: pytest.FixtureRequest) -> Iterator[Nobody]:
    """No broker; the parameter says whether it hangs up."""
    nobody = Nobody(hangs_up=request.param)
    yield nobody
    nobody.close()


def complaints(instance: Instance) -> list[datetime]:
    """When it said on stderr that there is no broker."""
    stamps = re.findall(r"^timestamp=(\S+) .*event=\"no broker\"", instance.err, re.MULTILINE)
    return [datetime.fromisoformat(stamp) for stamp in stamps]


@pytest.mark.parametrize("nobody", [True], indirect=True, ids=["hangs up"])
def test_it_keeps_trying_and_says_so_now_and_then(nobody: Nobody, tmp_path: Path) -> None:
    calls = nobody.calls
    instance = Instance(tmp_path, nobody.url)
    try:
        instance.start(ready=False)
        until(lambda: len(calls) >= 5, "five attempts")
        said = complaints(instance)
        assert 1 <= len(said) <= 1 + (calls[-1] - calls[0]) / COMPLAIN_EVERY_S
        assert all((later - earlier).total_seconds() >= COMPLAIN_EVERY_S for earlier, later in pairwise(said))
        waits = [later - earlier for earlier, later in pairwise(calls)]
        assert max(waits) > 2 * min(waits), "the waits between attempts grow"
        code, took_s = instance.end()
        assert code == 0
        assert took_s < 3.0
        assert "Traceback" not in instance.err
    finally:
        instance.close()


@pytest.mark.parametrize("nobody", [False], indirect=True, ids=["says nothing"])
def test_it_ends_in_time_while_a_connection_hangs(nobody: Nobody, tmp_path: Path) -> None:
    instance = Instance(tmp_path, nobody.url)
    try:
        instance.start(ready=False)
        until(lambda: nobody.calls, "an attempt")
        assert instance.get("/readyz").status_code == 503
        code, took_s = instance.end()
        assert code == 0
        assert took_s < 3.0
        assert "Traceback" not in instance.err
    finally:
        instance.close()


def test_it_ends_in_time_while_its_broker_is_frozen(make_broker: MakeBroker, tmp_path: Path) -> None:
    broker = make_broker("mosquitto")
    broker.start()
    instance = Instance(tmp_path, broker.url)
    try:
        instance.start()
        Sender(broker.url, "ZT-1").arrive(demo_site().types["alder"])
        instance.wait_door("ZT-1", "L1", "closed_locked")
        os.kill(broker.pid, signal.SIGSTOP)
        answer = instance.post("/api/v1/aircraft/ZT-1/presence", {"presence": "away", "by": "Ann"})
        assert answer.status_code == 200, "people are answered all the same"
        code, took_s = instance.end()
        assert code == 0
        assert took_s < 3.0
        assert "Traceback" not in instance.err
    finally:
        os.kill(broker.pid, signal.SIGCONT)
        instance.close()
        broker.stop()


def test_a_broker_that_comes_late(make_broker: MakeBroker, tmp_path: Path) -> None:
    broker = make_broker("mosquitto")
    instance = Instance(tmp_path, broker.url)
    try:
        instance.start(ready=False)
        until(lambda: complaints(instance), lambda: f"said on stderr: {instance.err}")
        assert broker.url in instance.err
        not_ready = instance.get("/readyz")
        assert not_ready.status_code == 503
        assert not_ready.headers["content-type"] == "application/problem+json"
        assert not_ready.json()["reasons"] == ["the broker is not connected"]
        assert instance.ask("/healthz")["alive"] is True
        assert instance.get("/").status_code == 200
        assert instance.ask("/api/v1/aircraft")["items"] == []
        assert instance.counter("sillwatch_ready") == 0
        lost = instance.wait_alert("-", "feed-lost")
        assert lost["priority"] == "warning"

        broker.start()
        instance.wait_ready()
        assert instance.counter("sillwatch_ready") == 1
        instance.wait_alert("-", "feed-lost", state="rtn_unacknowledged")
        Sender(broker.url, "ZT-1").arrive(demo_site().types["alder"])
        instance.wait_door("ZT-1", "L1", "closed_locked")
        assert len(complaints(instance)) == 1
        assert instance.end()[0] == 0
    finally:
        instance.close()


@pytest.mark.parametrize("kind", ["default", "mosquitto"])
def test_a_broker_that_goes_and_comes_back(make_broker: MakeBroker, tmp_path: Path, kind: str) -> None:
    broker = make_broker(kind)
    broker.start()
    instance = Instance(tmp_path, broker.url)
    try:
        instance.start().forget_slow_start()
        sender = Sender(broker.url, "ZT-1").arrive(demo_site().types["alder"])
        instance.wait_door("ZT-1", "L1", "closed_locked")
        broker.stop()
        until(lambda: instance.get("/readyz").status_code == 503, "not ready")
        lost = instance.wait_alert("-", "feed-lost")
        [line] = re.findall(r'^timestamp=(\S+) .*event="broker lost"', instance.err, re.MULTILINE)
        gone = datetime.fromisoformat(line).timestamp() * SECOND
        assert 1.9 * SECOND <= parse_time(lost["raised_at"]) - gone <= 3 * SECOND
        assert instance.door("ZT-1", "L1")["state"] == "closed_locked", "its readings are not stale yet"
        assert instance.alert("ZT-1", "feed-lost") is None, "one alert for the site, not one for each aircraft"

        assert instance.program is not None
        os.kill(instance.program.pid, signal.SIGSTOP)  # whoever comes back before us does, however slow this machine is
        broker.start()
        with Watcher(broker.url, tmp_path, SITE_EVENTS) as watcher:
            os.kill(instance.program.pid, signal.SIGCONT)
            instance.wait_ready()
            over = instance.wait_alert("-", "feed-lost", state="rtn_unacknowledged")
            assert over["alert_id"] == lost["alert_id"]
            types = [row["type"] for row in instance.told_of(lost)]
            assert types == ["sillwatch.alert.cleared", "sillwatch.alert.raised"]
            # What happened while the broker was away reaches those who came back before us.
            until(
                lambda: "sillwatch.alert.cleared" in [seen.json["type"] for seen in watcher.on(SITE_EVENTS)],
                lambda: f"cleared on the broker: {watcher.seen}",
            )
        sender.at_door("L1", **ARMED)
        instance.wait_door("ZT-1", "L1", "armed")
        assert instance.counter("sillwatch_broker_reconnects_total") == 1
        answer = instance.post(f"/api/v1/alerts/{lost['alert_id']}/acknowledge", {"by": "Ann"})
        assert answer.json()["state"] == "normal"
    finally:
        instance.close()
        broker.stop()
