"""An aerodrome as an outside client meets it: JSON in by topic, encoded messages out by topic.

Owns the way in and out of the checks in this folder: every input is written as the wire
contract has it and decoded by ``Wire``, every output is encoded by ``Wire`` and parsed
again as plain JSON, and retained messages are kept as a broker would keep them. It never
looks into the core's state.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from monitor.adapters.wire import Wire
from monitor.config import default_config_path, load
from monitor.core.airframe import DoorType, Site
from monitor.core.effects import Effect, RejectInput
from monitor.core.events import Command
from monitor.core.system import System
from monitor.engine import take_message
from monitor.ports import Message, Outgoing

SECOND = 1_000_000
START = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
START_US = int(START.timestamp()) * SECOND
REG = "ZZ-ALD"

Json = dict[str, Any]

SECURE: Json = {"closed": True, "latched": True, "locked": True, "handle_lifted": False}
DISENGAGED: Json = {"lever_armed": False, "girt_left": False, "girt_right": False}
ENGAGED: Json = {"lever_armed": True, "girt_left": True, "girt_right": True}
CABIN: Json = {
    **SECURE,
    "outside_handle_lifted": False,
    "flap_pressed": False,
    "hold_open": False,
    "travel": 0.0,
    **DISENGAGED,
    "pin_fitted": True,
    "slide_released": False,
    "slide_erect": False,
    "slide_bottle_bar": 190.0,
    "assist_bottle_bar": 105.0,
    "access": "none",
    "barrier": False,
}
CARGO: Json = {
    **SECURE,
    "lock_flags": True,
    "selector": "neutral",
    "actuator_bar": 140.0,
    "hand_pump": False,
    "hold_open": False,
    "travel": 0.0,
    "access": "none",
    "barrier": False,
}
OVERWING: Json = {
    **SECURE,
    "cover_fitted": True,
    "slide_released": False,
    "slide_erect": False,
    "slide_bottle_bar": 190.0,
}
HEALTHY: dict[str, Json] = {
    "cabin": CABIN,
    "cargo": CARGO,
    "overwing": OVERWING,
    "window": {**SECURE, "travel": 0.0},
    "bulk": {**SECURE, "travel": 0.0, "access": "none", "barrier": False},
    "hatch": SECURE,
}
PARKED: Json = {
    "weight_on_wheels": True,
    "engine_1_running": False,
    "engine_2_running": False,
    "differential_pressure_hpa": 0.0,
    "ground_speed_kt": 0.0,
    "parking_brake": True,
    "chocks": True,
    "beacon": False,
    "passengers_aboard": 0,
    "refuelling": False,
    "emergency": False,
}


@cache
def demo_site() -> Site:
    """The demo's site, read once: reading it is slow."""
    return load(default_config_path()).site


def site_with(*doors: DoorType, name: str = "alder") -> Site:
    """The demo's site with one type cut down to ``doors`` and no procedures, so that thousands of them step quickly."""
    site = demo_site()
    airframe = replace(site.types[name], doors={door.name: door for door in doors})
    return replace(site, types={**site.types, name: airframe}, procedures={})


def alder_door(name: str, **changes: Any) -> DoorType:
    """One door of the alder, changed where a check asks for it."""
    return replace(demo_site().types["alder"].doors[name], **changes)


def stamp(at: int) -> str:
    """RFC 3339 of ``at`` (µs), written here rather than by what is judged."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Apron:
    """One instance of the monitor's core behind its wire, with a clock that this class alone moves."""

    def __init__(self, site: Site | None = None) -> None:
        self.site = site if site is not None else demo_site()
        self.wire = Wire(self.site.name, "outside", frozenset(self.site.types))
        self.system = System(self.site)
        self.now = START_US
        self.sent: list[Outgoing] = []
        self.retained: dict[str, Json] = {}
        self.events: list[Json] = []
        self.rejected: list[RejectInput] = []
        self.effects: list[Effect] = []
        self._seq: dict[str, int] = {}
        self._stamped = 0

    # In

    def send(
        self,
        path: str,
        value: Any,
        *,
        reg: str = REG,
        quality: str = "good",
        retain: bool = False,
        behind: float = 0.0,
    ) -> None:
        """Send one reading now; ``behind`` (s) is how much older than now its stamp is."""
        payload = {"time": stamp(self._tick() - round(behind * SECOND)), "seq": self._next(reg + path), "value": value}
        if quality != "good":
            payload["quality"] = quality
        self._deliver(f"aircraft/{reg}/{path}", json.dumps(payload).encode(), retain=retain)

    def bundle(self, readings: Json, *, reg: str = REG) -> None:
        """Send readings that take effect together."""
        payload = {"time": stamp(self._tick()), "seq": self._next(reg), "readings": readings}
        self._deliver(f"aircraft/{reg}/bundle", json.dumps(payload).encode())

    def door(self, name: str, *, reg: str = REG, **signals: Any) -> None:
        """Send readings of one door that take effect together."""
        self.bundle({f"door/{name}/{signal}": value for signal, value in signals.items()}, reg=reg)

    def airframe(self, *, reg: str = REG, **signals: Any) -> None:
        """Send airframe readings that take effect together."""
        self.bundle({f"airframe/{signal}": value for signal, value in signals.items()}, reg=reg)

    def withdraw(self, path: str, *, reg: str = REG) -> None:
        """Withdraw a reading with an empty payload."""
        self._deliver(f"aircraft/{reg}/{path}", b"")

    def raw(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Deliver anything at all, as a broker would; ``topic`` is the whole topic."""
        self._take(take_message(self.system, self.wire, Message(topic, payload, retain), self.now)[1])

    def command(self, command: Command) -> list[Effect]:
        """Let a person act; returns what followed."""
        effects = self.system.step(command, self.now)
        self._take(effects)
        return effects

    def advance(self, seconds: float) -> None:
        """Let time pass; what falls due is judged at its own moment, as the engine's timer has it."""
        goal = self.now + round(seconds * SECOND)
        while (due := self.system.next_deadline()) is not None and due <= goal:
            self.now = max(self.now, due)
            self._take(self.system.advance(self.now))
        self.now = goal
        self._take(self.system.advance(goal))

    def park(self, *, reg: str = REG, airframe_type: str = "alder", engaged: bool = False, **airframe: Any) -> None:
        """Report a complete, healthy, closed aircraft on stand S12, with a heartbeat."""
        self.send("airframe/type", airframe_type, reg=reg)
        self.send("airframe/stand", "S12", reg=reg)
        readings: Json = {f"airframe/{name}": value for name, value in {**PARKED, **airframe}.items()}
        for door in self.site.types[airframe_type].doors.values():
            signals = {**HEALTHY[door.kind], **(ENGAGED | {"pin_fitted": False} if engaged and door.slide else {})}
            for signal, value in signals.items():
                if signal in door.signals:
                    readings[f"door/{door.name}/{signal}"] = value
        self.bundle(readings, reg=reg)
        self.beat(reg=reg)

    def beat(self, *, reg: str = REG) -> None:
        """Send the aircraft's next heartbeat."""
        self.send("airframe/heartbeat", self._next(f"{reg} beats"), reg=reg)

    def live(self, seconds: float, *, reg: str = REG, pressure: float | None = 0.0) -> None:
        """Let time pass with a heartbeat and a pressure reading every 5 s."""
        left = seconds
        while left > 0:
            self.advance(min(5.0, left))
            left -= 5.0
            self.beat(reg=reg)
            if pressure is not None:
                self.send("airframe/differential_pressure_hpa", pressure, reg=reg)

    # Out

    def alert(self, code: str, door: str = "-", *, reg: str = REG) -> Json | None:
        """The retained alert, or ``None`` where there is none."""
        return self.retained.get(f"sillwatch/v1/active/{self.site.name}/{reg}/{door}/{code}")

    def standing(self, *, reg: str = REG) -> set[tuple[str, str, str]]:
        """(door, code, state) of every retained alert of the aircraft."""
        found = (doc for topic, doc in self.retained.items() if topic.split("/")[2] == "active")
        return {(doc["door"], doc["code"], doc["state"]) for doc in found if doc["aircraft"] == reg}

    def state(self, door: str, *, reg: str = REG) -> str:
        """The door's state as its retained message has it."""
        document = self.retained.get(f"sillwatch/v1/door/{self.site.name}/{reg}/{door}")
        return "unknown" if document is None else str(document["state"])

    def told(self, code: str, door: str | None = None) -> list[str]:
        """The last words of the event types told of a code, in order."""
        return [
            event["type"].removeprefix("sillwatch.alert.")
            for event in self.events
            if event["data"]["code"] == code and door in (None, event["data"]["door"])
        ]

    # Within

    def _tick(self) -> int:
        """A sender's stamp that no other has: an equal one on another topic would be a repeat."""
        self._stamped = max(self.now, self._stamped + 1)
        return self._stamped

    def _next(self, key: str) -> int:
        self._seq[key] = self._seq.get(key, 0) + 1
        return self._seq[key]

    def _deliver(self, tail: str, payload: bytes, *, retain: bool = False) -> None:
        self.raw(f"apron/v1/{self.site.name}/{tail}", payload, retain=retain)

    def _take(self, effects: list[Effect]) -> None:
        for effect in effects:
            self.effects.append(effect)
            if isinstance(effect, RejectInput):
                self.rejected.append(effect)
            outgoing = self.wire.encode(effect)
            if outgoing is None:
                continue
            self.sent.append(outgoing)
            if not outgoing.retain:
                self.events.append(json.loads(outgoing.payload))
            elif outgoing.payload:
                self.retained[outgoing.topic] = json.loads(outgoing.payload)
            else:
                self.retained.pop(outgoing.topic, None)
