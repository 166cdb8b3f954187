"""Every operation of the running HTTP side, called with what its own OpenAPI document allows and forbids.

Owns a whole instance (engine, journal, stream, server) in a thread, with an aircraft and an
alert on it and no broker to reach, and what has to hold of each answer. The calls are made by
schemathesis.
"""

from __future__ import annotations

import asyncio
import gc
import json
import tempfile
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

import httpx
import hypothesis
import requests
import schemathesis
from hypothesis import strategies

from monitor.config import default_config_path, load
from monitor.core.rules import known_parameters
from monitor.core.times import format_time
from monitor.ports import Message
from monitor.wiring import Instance
from tests.stories import ARMED, UNLOCKED, demo_site, healthy_airframe, healthy_door

REG: Final = "ZZ-FUZ"
DOOR: Final = "L1"
DEADLINE_S: Final = 60.0
_ENDLESS: Final = "/api/v1/stream"
_BY_DESIGN: Final = {"/readyz": (503,)}
"""Without a broker it is not ready, and says so."""


class Called(NamedTuple):
    """How many operations were called, how often, and what was wrong, one line each."""

    operations: int
    calls: int
    wrong: tuple[str, ...]


class Running:
    """An instance in a thread of its own."""

    def __init__(self, folder: Path) -> None:
        overrides = {"broker": "mqtt://127.0.0.1:1", "http": "127.0.0.1:0", "data": str(folder)}
        self._config = load(default_config_path(), overrides=overrides, environment={}, known=known_parameters())
        self._thread = threading.Thread(target=self._run, name="fuzzed-instance")
        self._up = threading.Event()
        self._failure: BaseException | None = None
        self.url = ""

    def start(self) -> None:
        self._thread.start()
        assert self._up.wait(DEADLINE_S), "the instance did not start"
        if self._failure is not None:
            raise self._failure

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(DEADLINE_S)

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        instance = Instance(self._config)
        try:
            self.url = await instance.start()
            for message in arrival():
                instance._on_message(message, lambda: None)
        except BaseException as error:
            self._failure = error
            raise
        finally:
            self._up.set()
        try:
            await instance.serve(self._stop)
        finally:
            await instance.stop()


def arrival() -> Iterator[Message]:
    """An alder at a stand, with a handle lifted at an armed door."""
    site = demo_site()
    alder = site.types["alder"]
    readings: dict[str, Any] = {"airframe/type": alder.name, "airframe/stand": "S11"}
    readings |= {f"airframe/{name}": value for name, value in healthy_airframe(alder).items()}
    for door in alder.doors.values():
        readings |= {f"door/{door.name}/{name}": value for name, value in healthy_door(door).items()}
    at = time.time_ns() // 1000
    for number, told in enumerate((readings, _at_door(ARMED), _at_door(UNLOCKED))):
        body = {"time": format_time(at + number * 1000), "readings": told}
        yield Message(f"apron/v1/{site.name}/aircraft/{REG}/bundle", json.dumps(body).encode(), False)


def _at_door(signals: Any) -> dict[str, Any]:
    return {f"door/{DOOR}/{name}": value for name, value in signals.items()}


@contextmanager
def running_instance() -> Iterator[Running]:
    """A started instance on a folder of its own, gone at the end; the garbage collector is as before."""
    thresholds = gc.get_threshold()
    with tempfile.TemporaryDirectory(prefix="fuzz-http-") as folder:
        running = Running(Path(folder))
        try:
            running.start()
            yield running
        finally:
            running.stop()
            gc.unfreeze()
            gc.set_threshold(*thresholds)


def call_everything(url: str, *, examples: int, seed: int) -> Called:
    """Call each operation ``examples`` times at most, with what is drawn from ``seed``."""
    with httpx.Client(base_url=url, timeout=DEADLINE_S) as client, requests.Session() as session:
        return _call_everything(client, session, url, examples, seed)


def _call_everything(client: httpx.Client, session: requests.Session, url: str, examples: int, seed: int) -> Called:
    schema = schemathesis.openapi.from_dict(client.get("/api/v1/openapi.json").json())
    schema.config.update(base_url=url)
    alerts = client.get("/api/v1/alerts").json()["items"]
    assert alerts, "there is no alert to act on"
    known = {"reg": REG, "door": DOOR, "alert_id": alerts[0]["alert_id"], "code": alerts[0]["code"], "word": "invalid"}
    operations = calls = 0
    wrong: list[str] = []
    for result in schema.get_all_operations():
        operation = result.ok()
        if operation.path == _ENDLESS:
            continue
        operations += 1

        @hypothesis.seed(seed)
        @hypothesis.settings(
            max_examples=examples,
            database=None,
            deadline=None,
            phases=[hypothesis.Phase.generate],
            suppress_health_check=list(hypothesis.HealthCheck),
        )
        @hypothesis.given(case=operation.as_strategy(), real=strategies.booleans())
        def call(case: Any, real: bool) -> None:
            nonlocal calls
            if real:
                case.path_parameters.update({key: known[key] for key in case.path_parameters or () if key in known})
            calls += 1
            response = case.call(session=session)
            for fault in judge(response):
                line = f"{case.method} {case.path}: {fault}; {case.as_curl_command()[:600]}"
                if len(wrong) < 20:
                    wrong.append(line)

        with warnings.catch_warnings():
            # Of the library itself, about how it draws.
            warnings.simplefilter("ignore", hypothesis.errors.HypothesisDeprecationWarning)
            call()
    assert client.get("/healthz").status_code == 200
    return Called(operations, calls, tuple(wrong))


def judge(response: Any) -> Iterator[str]:
    """Say what is wrong with an answer."""
    status, kind = response.status_code, (response.headers.get("content-type") or [""])[0]
    path = httpx.URL(response.request.url).path
    if status >= 500 and status not in _BY_DESIGN.get(path, ()):
        yield f"answered {status}"
    if status >= 400 and not kind.startswith("application/problem+json"):
        yield f"answered {status} as {kind!r}, no problem details"
    if status >= 400 and b"Traceback" in response.content:
        yield "shows a traceback"
    if kind.startswith(("application/json", "application/problem+json")) and response.content:
        try:
            json.loads(response.content, parse_constant=_refuse)
        except ValueError as error:
            yield f"answered what is not JSON: {error}"
    if "content-security-policy" not in response.headers:
        yield "carries no security headers"


def _refuse(name: str) -> Any:
    raise ValueError(f"{name} is not JSON")
