"""Alerts told outside by the real program to a real receiver, which is killed in between.

Sources: CloudEvents 1.0 and Standard Webhooks, each by its own library.
"""

from __future__ import annotations

import base64
import json
import signal
import threading
from collections import Counter
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from standardwebhooks.webhooks import Webhook

from monitor.config import default_config_path
from tests.acceptance.clients import Sender, Watcher
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.programs import HOST, SITE, Instance, running_broker, sillwatch, until
from tests.stories import ARMED, demo_site

pytestmark = pytest.mark.broker

SECRET = "whsec_" + base64.b64encode(b"real" * 8).decode()
PATH = "/hooks/hunter2"


class Hook(ThreadingHTTPServer):
    """Keeps what it is sent; answers 204 once ``good`` is set, and until then nothing at all."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__((HOST, 0), _Handler)
        self.good = threading.Event()
        self.taken: list[tuple[dict[str, str], bytes]] = []

    @property
    def ids(self) -> list[str]:
        return [headers["webhook-id"] for headers, _ in list(self.taken)]

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that was killed is no error here."""


class _Handler(BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["content-length"]))
        self.server.taken.append(({name.lower(): value for name, value in self.headers.items()}, body))
        self.server.good.wait()
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        """Say nothing."""


@pytest.fixture
def hook() -> Iterator[Hook]:
    hook = Hook()
    serving = threading.Thread(target=hook.serve_forever, kwargs={"poll_interval": 0.05})
    serving.start()
    yield hook
    hook.good.set()
    hook.shutdown()
    serving.join()
    hook.server_close()


@pytest.fixture
def config(hook: Hook, tmp_path: Path) -> Path:
    (tmp_path / "hook.secret").write_text(SECRET)
    (tmp_path / "hook.url").write_text(f"http://{HOST}:{hook.server_port}{PATH}")
    path = tmp_path / "site.yaml"
    told = "destinations: {hook: {kind: webhook, url_file: hook.url, secret_file: hook.secret}}"
    text = default_config_path().read_text(encoding="utf-8")
    assert text.count("destinations: {}") == 1
    path.write_text(text.replace("destinations: {}", told))
    return path


def events_due(instance: Instance) -> set[str]:
    """The ids of the durable events that have to be told: nobody is simulated here, and nothing is a drill."""
    return {event["id"] for event in instance.list_all("/api/v1/history") if not event["data"].get("late")}


def test_kills_lose_nothing_that_is_due_and_ids_repeat(
    make_broker: MakeBroker, hook: Hook, config: Path, tmp_path: Path
) -> None:
    with running_broker(make_broker("mosquitto")) as broker:
        instance = Instance(tmp_path, broker.url, config=config)
        said = ""
        try:
            instance.start()
            sender = Sender(broker.url, "ZT-DEL").arrive(demo_site().types["alder"])
            sender.at_door("L1", **ARMED)
            instance.wait_door(sender.reg, "L1", "armed")
            place = f"sillwatch/v1/event/{SITE}/{sender.reg}/L1/armed-handle-moved"
            with Watcher(broker.url, tmp_path, place) as watcher:
                sender.send("door/L1/handle_lifted", True)
                [raised] = watcher.wait(place)
                for kills in range(1, 3):
                    # It was taken, and nobody knows: the moment at which a kill costs most.
                    until(lambda kills=kills: hook.ids.count(raised.json["id"]) >= kills, "the event at the hook")  # type: ignore[misc]
                    instance.end(signal.SIGKILL)
                    said += instance.err
                    instance.start(ready=False)
                hook.good.set()
                instance.wait_ready()
                # No board is open, so that the next role is asked, and the hook serves every role.
                until(lambda: any("-escalated-" in identity for identity in hook.ids), "told that it was handed on")
                alert = instance.wait_alert(sender.reg, "armed-handle-moved", "L1")
                instance.post(f"/api/v1/alerts/{alert['alert_id']}/acknowledge", {"by": "Ann"})
                by_wire = {seen.json["id"]: seen.payload for seen in watcher.wait(place, 2)}
            until(
                lambda: events_due(instance) <= set(hook.ids),
                lambda: f"{events_due(instance) - set(hook.ids)} of {instance.ask('/api/v1/deliveries')}",
            )
            [shown] = until(
                lambda: [
                    each
                    for each in instance.ask("/api/v1/deliveries")["destinations"]
                    if (each["state"], each["waiting"], each["dead"]) == ("working", 0, 0)
                ],
                "everything told",
            )
            assert instance.counter("sillwatch_deliveries_total", destination="hook", outcome="delivered") >= 2
            answers = json.dumps(shown) + instance.get("/metrics").text + instance.get("/api/v1/health").text
            assert instance.end()[0] == 0
            said += instance.err
        finally:
            instance.close()
    counted = Counter(hook.ids)
    assert counted[raised.json["id"]] >= 3, "sent again under its own id after each kill"
    bodies = {headers["webhook-id"]: body for headers, body in hook.taken}
    for identity, payload in by_wire.items():
        assert bodies[identity] == payload, "byte for byte what the broker carries"
    for headers, body in hook.taken:
        event = JSONFormat().read(CloudEvent, body)
        assert event.get_id() == headers["webhook-id"]
        assert Webhook(SECRET).verify(body, headers)["specversion"] == "1.0"
        escalated = "-escalated-" in event.get_id()
        assert event.get_type().startswith("sillwatch.delivery.escalated" if escalated else "sillwatch.alert.")
    assert "delivery-start" in said
    for secret in ("hunter2", SECRET):
        assert secret not in said + answers
    listed = sillwatch(tmp_path, "deliveries", "list", "--data", str(instance.data))
    assert listed.wait() == 0
    [destination] = map(json.loads, listed.out.splitlines())
    assert (destination["name"], destination["waiting"]) == ("hook", 0)
