"""A reader for tests: an invented apron in plain dicts, and a small log of what was submitted.

Owns no rule of the real core: an acknowledgement only rewrites its alert's state, and
what a command leads to can be set by the test.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any

from monitor.core.alarm_health import NothingRecordedError
from monitor.core.effects import Effect, PublishActive, PublishDoor, PublishEvent, RefuseCommand
from monitor.core.events import AlertAcknowledged, Command
from monitor.core.times import SECOND, format_time, parse_time
from monitor.ports import Observer, Outside, Readout, Step
from tests.adapters.web.fake_drilling import FakeDrilling
from tests.adapters.web.fake_outside import FakeOutside

START = parse_time("2026-03-01T10:15:00.000Z")


def door_document(reg: str, door: str, state: str, slide: str = "disengaged", kind: str = "cabin") -> Readout:
    """A door's document of the wire contract."""
    return {
        "site": "tarnwick",
        "aircraft": reg,
        "stand": "S12",
        "door": door,
        "kind": kind,
        "state": state,
        "since": format_time(START - 60 * SECOND),
        "slide": slide,
        "evidence": [],
        "quality": "good",
        "blind": state == "unknown",
        "deaf_to": [],
    }


def alert_document(reg: str, door: str, code: str, priority: str, **changes: Any) -> Readout:
    """An alert's document of the wire contract."""
    return {
        "alert_id": f"{reg}-{door}-{code}-1",
        "code": code,
        "priority": priority,
        "state": "unacknowledged",
        "site": "tarnwick",
        "aircraft": reg,
        "stand": "S12",
        "door": door,
        "raised_at": format_time(START - 7 * SECOND),
        "changed_at": format_time(START - 7 * SECOND),
        "text": "The handle was moved with the slide engaged.",
        "action": f"Stop and keep clear of {door}.",
        "consequence": "The slide may deploy.",
        "evidence": [],
        "basis": "common practice",
        **changes,
    }


def stand_document(stand: str, wind_kt: float | None, **changes: Any) -> Readout:
    """A stand of the snapshot."""
    return {
        "stand": stand,
        "wind_kt": wind_kt,
        "gust_kt": None,
        "wind_from_deg": None,
        "why": {"gust_kt": "never reported", "wind_from_deg": "never reported"},
        "received_at": format_time(START),
        **changes,
    }


def sender_document(row: Readout) -> Readout:
    """An aircraft as a sender."""
    return {
        **{key: row[key] for key in ("aircraft", "stand", "presence", "feed")},
        "clock_offset_s": 0.05,
        "heartbeat": 17,
        "heartbeat_age_s": 0.5,
        "last_message_age_s": 0.5,
        "messages_per_s": None,
    }


class FakeReader:
    """Answers from ``rows``, ``doors`` and ``active``; clock and health are plain attributes."""

    def __init__(self) -> None:
        self.clock = START
        self.outside: Outside = FakeOutside()
        self.drilling = FakeDrilling()
        self.rows: dict[str, Readout] = {}
        self.doors: dict[str, dict[str, Readout]] = {}
        self.active: list[Readout] = []
        self.rules: list[Readout] = []
        self.running: list[Readout] = []
        self.answers: dict[str, Readout] = {}
        self.kinds: Readout = {"alder": {"type": "alder", "engines": [1, 2], "doors": []}}
        self.weather: dict[str, Readout] = {"S12": stand_document("S12", 10.0)}
        self.measured: Readout = {
            "rates": {"messages_per_s": {"1m": 2.0, "10m": 1.5}, "events_per_s": {"1m": 0.0, "10m": 0.1}},
            "latency_ms": {"step": {"p50": 0.2, "p95": 0.5, "p99": 0.9, "max": 1.2, "count": 900}},
            "dropped": {"repeat": 3},
            "rejected": {},
        }
        self.healthy: Readout = {
            "ready": True,
            "reasons": [],
            "broker": {"connected": True, "reconnects": 0, "unacknowledged": 0, "backlog": 0, "dropped": 0},
            "journal": {"healthy": True, "depth": 3},
            "loop_lag_s": 0.001,
            "proof": {"at": format_time(START), "took_ms": 41.0, "age_s": 3.0, "missed": 0},
            "instance": "one",
            "version": "0.1.0",
            "started": format_time(START),
            "site": "tarnwick",
            "timezone": "UTC",
        }
        self.submitted: list[Command] = []
        self.effects: list[Effect] | None = None
        self.durable = asyncio.Event()
        self.durable.set()
        self.asked: list[tuple[str, Readout]] = []
        self.recorded_from = 0
        self.observers: list[Observer] = []

    # What tests do to the apron

    def add_aircraft(self, reg: str, doors: dict[str, Readout], **changes: Any) -> None:
        """Put an aircraft on the apron, without telling anyone."""
        self.rows[reg] = {
            "aircraft": reg,
            "type": "alder",
            "stand": "S12",
            "presence": "present",
            "feed": "live",
            "simulated": False,
            "door_states": {name: document["state"] for name, document in doors.items()},
            "alerts": {"warning": 0, "caution": 0, "advisory": 0},
            "last_message_at": format_time(self.clock),
            "age_s": 0.0,
            **changes,
        }
        self.doors[reg] = doors

    def tell(self, *effects: Effect, event: Any = None) -> None:
        """Let the observers hear of a step, after the dicts were brought up to it."""
        for effect in effects:
            if isinstance(effect, PublishDoor) and effect.document is not None:
                self.doors.setdefault(effect.aircraft, {})[effect.door] = effect.document
            elif isinstance(effect, PublishActive):
                place = (effect.aircraft, effect.door, effect.code)
                self.active = [a for a in self.active if (a["aircraft"], a["door"], a["code"]) != place]
                if effect.document is not None:
                    self.active.append(effect.document)
        for observer in self.observers:
            observer.observe(Step(self.clock, event, effects, 0.0, 0.0))

    # The reader's protocol

    def list_aircraft(self) -> list[Readout]:
        return list(self.rows.values())

    def aircraft(self, reg: str) -> Readout | None:
        if reg not in self.rows:
            return None
        doors = {name: {**document, "signals": {}} for name, document in self.doors[reg].items()}
        return {**self.rows[reg], "signals": {}, "doors": doors, "alerts": [], "deaf_to": [], "held": None}

    def door_documents(self, reg: str) -> dict[str, Readout]:
        return dict(self.doors.get(reg, {}))

    async def look_ahead(self, reg: str, door: str) -> Readout | None:
        known = door in self.doors.get(reg, {})
        return {"aircraft": reg, "door": door, "actions": []} if known else None

    def row(self, reg: str) -> Readout | None:
        row = self.rows.get(reg)
        return None if row is None else dict(row)

    def registrations(self) -> list[str]:
        return list(self.rows)

    def readiness(self, reg: str) -> Readout | None:
        return self.answers.get(reg)

    def types(self) -> Readout:
        return self.kinds

    def stands(self) -> Readout:
        return {name: dict(stand) for name, stand in self.weather.items()}

    def stand(self, name: str) -> Readout | None:
        return self.stands().get(name)

    def senders(self) -> list[Readout]:
        return [sender_document(row) for row in self.rows.values()]

    def vitals(self) -> Readout:
        return self.measured

    async def curves(self, reg: str) -> Readout | None:
        row = self.rows.get(reg)
        if row is None:
            return None
        since = format_time(START)
        pressure = [{"at": since, "value": 12.5}, {"at": format_time(START + SECOND), "value": None}]
        return {
            "aircraft": reg,
            "stand": row["stand"],
            "since": since,
            "differential_pressure_hpa": pressure,
            "wind_kt": [],
            "gust_kt": [],
        }

    def alerts(self) -> list[Readout]:
        return list(self.active)

    def permits(self) -> list[Readout]:
        return list(self.running)

    def catalogue(self) -> list[Readout]:
        return self.rules

    def health(self) -> Readout:
        return self.healthy

    def now(self) -> int:
        return self.clock

    async def history(self, **asked: Any) -> Readout:
        self.asked.append(("history", asked))
        return {"items": [{"id": "e1"}], "next": "41"}

    async def quarantine(self, **asked: Any) -> Readout:
        self.asked.append(("quarantine", asked))
        return {"items": [], "next": None}

    async def audit(self, **asked: Any) -> Readout:
        self.asked.append(("audit", asked))
        return {"items": [], "next": None}

    async def verify_audit(self) -> Readout:
        return {"whole": False, "items": 7, "first_broken": 3, "head": {"number": 7, "hash": "ab"}, "pruned_up_to": 0}

    async def alarm_health(self, **asked: Any) -> Readout:
        self.asked.append(("alarm-health", asked))
        if asked["until"] <= self.recorded_from:
            raise NothingRecordedError("Nothing is known of that period.")
        return {"roles": {}}

    async def watched(self, reg: str, **asked: Any) -> Readout | None:
        self.asked.append((f"watched {reg}", asked))
        return {"aircraft": reg, "doors": {}} if reg in self.rows else None

    async def timeline(self, reg: str, **asked: Any) -> Readout | None:
        self.asked.append((f"timeline {reg}", asked))
        return {"aircraft": reg, "doors": {}, "alerts": []} if reg in self.rows else None

    async def submit(self, command: Command) -> Sequence[Effect]:
        self.submitted.append(command)
        await self.durable.wait()
        if self.effects is not None:
            return self.effects
        if isinstance(command, AlertAcknowledged):
            return self._acknowledge(command)
        return []

    def _acknowledge(self, command: AlertAcknowledged) -> list[Effect]:
        for alert in self.active:
            if alert["alert_id"] == command.alert_id:
                changed = {**alert, "state": "acknowledged", "by": command.by, "changed_at": format_time(self.clock)}
                place = (alert["aircraft"], alert["door"], alert["code"])
                effects: list[Effect] = [
                    PublishActive(*place, changed),
                    PublishEvent(*place, "acknowledged", "e2", self.clock, changed),
                ]
                self.tell(*effects, event=command)
                return effects
        return [RefuseCommand("not-found", f"No alert {command.alert_id} is active.")]
