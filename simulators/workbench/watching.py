"""What a monitor at the same broker answers for the bench's aircraft: read, never written.

Owns a connection of its own that subscribes to the retained outputs of the wire contract,
and what they say now. It knows no monitor but by what that publishes.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import aiomqtt
import orjson

from monitor.adapters.mqtt_settings import BrokerAddress
from monitor.adapters.wire_topics import OUTPUT_ROOT, parse_output_topic
from simulators.rig import open_client

_RETRY_S: Final = 1.0
_KEPT_MAX: Final = 200
"""Doors, alerts and runs that are kept, each; of more than that a page could show nothing."""
_ALERTS_MAX: Final = 50
_TEXT_MAX: Final = 500
_PRIORITIES: Final = ("warning", "caution", "advisory")
_TROUBLES: Final = ("skipped", "out-of-order", "too-slow", "cannot-tell")
_DONE: Final = ("taken", "out-of-order", "too-slow")
_STEPS_MAX: Final = 50
_log = logging.getLogger(__name__)


class Watch:
    """What is retained about one aircraft; ``on_change`` is called when it is another."""

    def __init__(self, site: str, reg: str, on_change: Callable[[], None]) -> None:
        self._site, self._reg = site, reg
        self._on_change = on_change
        self._online: set[str] = set()
        self._doors: dict[str, dict[str, Any]] = {}
        self._alerts: dict[tuple[str, str], dict[str, Any]] = {}
        self._runs: dict[str, dict[str, Any]] = {}

    @property
    def filters(self) -> tuple[str, ...]:
        """What is subscribed to."""
        return (
            f"{OUTPUT_ROOT}/status/+",
            f"{OUTPUT_ROOT}/door/{self._site}/{self._reg}/+",
            f"{OUTPUT_ROOT}/active/{self._site}/{self._reg}/+/+",
            f"{OUTPUT_ROOT}/procedure/{self._site}/{self._reg}/+",
        )

    def describe(self) -> dict[str, Any]:
        """Return what is known now; of the alerts the most urgent first, and of those the newest."""
        newest = list(self._alerts.values())[::-1]
        alerts = sorted(newest, key=lambda alert: _PRIORITIES.index(alert["priority"]))
        return {
            "heard": bool(self._online),
            "doors": dict(self._doors),
            "alerts": alerts[:_ALERTS_MAX],
            "runs": dict(self._runs),
        }

    def forget(self) -> None:
        """Nothing is known any more: the broker is not reached."""
        self._online.clear()
        self._doors.clear()
        self._alerts.clear()
        self._runs.clear()
        self._on_change()

    def take(self, topic: str, payload: bytes) -> None:
        """Take one message; what is not of the contract is passed over."""
        document: Any = None
        if payload:
            try:
                document = orjson.loads(payload)
            except orjson.JSONDecodeError:
                return
            if not isinstance(document, dict):
                return
        match topic.split("/"):
            case [*_, "status", instance]:
                known = document is not None and document.get("state") == "online"
                (self._online.add if known else self._online.discard)(instance)
            case _:
                self._take_output(topic, document)
        self._on_change()

    def _take_output(self, topic: str, document: dict[str, Any] | None) -> None:
        found = parse_output_topic(self._site, topic)
        if found is None or found.aircraft != self._reg or found.door is None:
            return
        if found.kind == "door":
            _keep(self._doors, found.door, None if document is None else _door(document))
        elif found.kind == "active" and found.code is not None:
            _keep(self._alerts, (found.door, found.code), None if document is None else _alert(document, found.door))
        elif found.kind == "procedure":
            _keep(self._runs, found.door, None if document is None else _run(document))

    async def run(self, address: BrokerAddress, ca_file: Path | None, stop: asyncio.Event) -> None:
        """Stay subscribed until ``stop`` is set."""
        while not stop.is_set():
            try:
                await self._listen(address, ca_file, stop)
            except aiomqtt.MqttError as error:
                _log.debug("the monitor's answers are not read: %s", error)
            self.forget()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), _RETRY_S)

    async def _listen(self, address: BrokerAddress, ca_file: Path | None, stop: asyncio.Event) -> None:
        async with open_client(address, ca_file) as client:
            for topic in self.filters:
                await client.subscribe(topic, qos=1)
            reading = asyncio.create_task(self._read(client))
            ending = asyncio.create_task(stop.wait())
            await asyncio.wait({reading, ending}, return_when=asyncio.FIRST_COMPLETED)
            ending.cancel()
            if not reading.done():
                reading.cancel()
                await asyncio.gather(reading, return_exceptions=True)
                return
            reading.result()

    async def _read(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            payload = message.payload
            self.take(str(message.topic), payload if isinstance(payload, bytes) else b"")


K = TypeVar("K")


def _keep(kept: dict[K, dict[str, Any]], key: K, told: dict[str, Any] | None) -> None:
    """Put what was told in the place of what was told before; the newest stands last."""
    kept.pop(key, None)
    if told is not None and len(kept) < _KEPT_MAX:
        kept[key] = told


def _text(document: dict[str, Any], name: str) -> str:
    """Read a text of a document; whatever else stands there is none."""
    found = document.get(name)
    return found[:_TEXT_MAX] if isinstance(found, str) else ""


def _door(document: dict[str, Any]) -> dict[str, Any]:
    return {name: _text(document, name) or None for name in ("state", "slide", "quality")}


def _alert(document: dict[str, Any], door: str) -> dict[str, Any]:
    told = {name: _text(document, name) for name in ("alert_id", "code", "priority", "state", "text", "action")}
    # One of an urgency that is not known is taken for the worst.
    priority = told["priority"] if told["priority"] in _PRIORITIES else _PRIORITIES[0]
    return {**told, "door": door, "priority": priority}


def _run(document: dict[str, Any]) -> dict[str, Any]:
    """Shorten a run of a procedure to what the strip says of it."""
    steps = [(_text(step, "state"), _text(step, "text")) for step in _entries(document, "steps")]
    troubles = [{"what": state, "text": text} for state, text in steps if state in _TROUBLES]
    troubles += [{"what": "forbidden", "text": _text(each, "text")} for each in _entries(document, "forbidden")]
    troubles += [{"what": "unseen", "text": _text(each, "text")} for each in _entries(document, "unseen")]
    return {
        "run_id": _text(document, "run_id"),
        "title": _text(document, "title"),
        "state": _text(document, "state"),
        "done": sum(state in _DONE for state, _ in steps),
        "of": len(steps),
        "due": [text for state, text in steps if state == "due"],
        "troubles": troubles,
    }


def _entries(document: dict[str, Any], name: str) -> list[dict[str, Any]]:
    found = document.get(name)
    return [each for each in found[:_STEPS_MAX] if isinstance(each, dict)] if isinstance(found, list) else []
