"""How the captures of this folder are told: an invented aircraft's messages, second by second.

Owns the form of the captures: invented registrations, a sender 20 ms behind, a heartbeat and
a pressure reading every 5 s while the feed is up. It writes the wire contract's JSON by
itself and knows nothing of what the monitor makes of it.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

SITE = "tarnwick"
START = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
LATENCY_S = 0.02
BEAT_S = 5.0

Json = dict[str, Any]

SECURE: Json = {"closed": True, "latched": True, "locked": True, "handle_lifted": False}
SLIDE_OFF: Json = {"lever_armed": False, "girt_left": False, "girt_right": False, "pin_fitted": True}
SLIDE_ON: Json = {"lever_armed": True, "girt_left": True, "girt_right": True, "pin_fitted": False}
CABIN: Json = {
    **SECURE,
    "outside_handle_lifted": False,
    "flap_pressed": False,
    "hold_open": False,
    "travel": 0.0,
    "slide_released": False,
    "slide_erect": False,
    "slide_bottle_bar": 200.0,
    "assist_bottle_bar": 110.0,
    "access": "none",
    "barrier": False,
}
CARGO: Json = {
    **SECURE,
    "lock_flags": True,
    "selector": "neutral",
    "actuator_bar": 145.0,
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
    "slide_bottle_bar": 200.0,
}
WINDOW: Json = {**SECURE, "travel": 0.0}
BULK: Json = {**SECURE, "travel": 0.0, "access": "none", "barrier": False}
ALDER: dict[str, Json] = {
    **dict.fromkeys(("WL", "WR"), WINDOW),
    **dict.fromkeys(("L1", "R1", "L2", "R2"), CABIN),
    **dict.fromkeys(("OL1", "OR1"), OVERWING),
    **dict.fromkeys(("CF", "CA"), CARGO),
    "CB": BULK,
    **dict.fromkeys(("H1", "H2", "H3", "H4"), SECURE),
}
CEDAR_WINDOW: Json = {**WINDOW, "rope_stowed": True}
CEDAR: dict[str, Json] = {
    **dict.fromkeys(("WL", "WR"), CEDAR_WINDOW),
    **dict.fromkeys(("L1", "R1", "L2", "R2", "L3", "R3", "L4", "R4"), CABIN),
    **dict.fromkeys(("CF", "CA"), CARGO),
    "CB": BULK,
    **dict.fromkeys(("H1", "H2", "H3"), SECURE),
}
AIRFRAME: Json = {
    "power": "on",
    "weight_on_wheels": True,
    "ground_speed_kt": 0.0,
    "parking_brake": True,
    "chocks": True,
    "beacon": False,
    "refuelling": False,
    "emergency": False,
}


def clock(seconds: float) -> str:
    """RFC 3339 of a moment of the story."""
    return (START + timedelta(seconds=seconds)).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Telling:
    """One capture being told; ``at`` is in seconds from 10:00:00."""

    def __init__(self) -> None:
        self.at = 0.0
        self.lines: list[str] = []
        self.crafts: list[Craft] = []

    def craft(self, reg: str, **arrival: Any) -> Craft:
        """Bring in an aircraft that is heard from now on; with ``typed=False`` its type is not said yet."""
        craft = Craft(self, reg)
        self.crafts.append(craft)
        craft.arrive(**arrival)
        return craft

    def until(self, at: float) -> None:
        """Let the clock run to ``at``; aircraft that are heard beat on the way, others leave it to the clock."""
        while (beat := round(self.at // BEAT_S + 1) * BEAT_S) <= at:
            self.at = beat
            heard = [craft for craft in self.crafts if craft.heard]
            for craft in heard:
                craft.beat()
            if not heard:
                self.tick()
        self.at = at

    def after(self, seconds: float) -> None:
        """Let the clock run on."""
        self.until(round(self.at + seconds, 3))

    def tick(self) -> None:
        """Write a line that only advances the clock."""
        self.lines.append(json.dumps({"at": clock(self.at)}))

    def line(self, topic: str, payload: Json | None, *, retain: bool = False) -> None:
        """Write one message."""
        line: Json = {"at": clock(self.at), "topic": f"apron/v1/{SITE}/{topic}", "payload": payload}
        if retain:
            line["retain"] = True
        self.lines.append(json.dumps(line))

    def text(self) -> str:
        """The capture as a file's text."""
        return "".join(f"{line}\n" for line in self.lines)


class Craft:
    """One aircraft's sender."""

    def __init__(self, telling: Telling, reg: str) -> None:
        self.telling = telling
        self.reg = reg
        self.heard = True
        self.pressure = 0.1
        self.beats = 0
        self.seq: dict[str, int] = {}

    def arrive(
        self,
        *,
        kind: str = "alder",
        stand: str = "S12",
        engaged: bool = False,
        passengers: int = 0,
        pressure: float = 0.1,
        typed: bool = True,
        doors: dict[str, Json] | None = None,
    ) -> None:
        """Report everything at once, as a gateway does that has just connected; all is shut unless ``doors`` says."""
        self.pressure = pressure
        layout, engines = (ALDER, 2) if kind == "alder" else (CEDAR, 4)
        if typed:
            self.say("airframe/type", kind)
        self.say("airframe/stand", stand)
        readings: Json = {f"airframe/{name}": value for name, value in AIRFRAME.items()}
        readings["airframe/passengers_aboard"] = passengers
        readings |= {f"airframe/engine_{n}_running": False for n in range(1, engines + 1)}
        for door, healthy in layout.items():
            slide = (SLIDE_ON if engaged else SLIDE_OFF) if healthy is CABIN else {}
            signals = {**healthy, **slide, **(doors or {}).get(door, {})}
            readings |= {f"door/{door}/{signal}": value for signal, value in signals.items()}
        self.together(readings)
        self.beat()

    def say(self, path: str, value: Any, *, quality: str | None = None, stamp: float | None = None) -> None:
        """Send one reading on its own topic; ``stamp`` (s) where the sender's time is not 20 ms ago."""
        fields: Json = {"value": value} if quality is None else {"value": value, "quality": quality}
        self._send(path, fields, stamp)

    def door(self, name: str, *, stamp: float | None = None, **signals: Any) -> None:
        """Send readings of one door one after another, 100 ms apart, each on its own topic."""
        for n, (signal, value) in enumerate(signals.items()):
            if n:
                self.telling.after(0.1)
            self.say(f"door/{name}/{signal}", value, stamp=stamp)

    def together(self, readings: Json, *, stamp: float | None = None) -> None:
        """Send a bundle."""
        self._send("bundle", {"readings": readings}, stamp)

    def withdraw(self, path: str) -> None:
        """Send an empty payload."""
        self.telling.line(f"aircraft/{self.reg}/{path}", None)

    def beat(self, *, stamp: float | None = None) -> None:
        """Send heartbeat and cabin pressure."""
        self.beats += 1
        self.together(
            {"airframe/heartbeat": self.beats, "airframe/differential_pressure_hpa": self.pressure}, stamp=stamp
        )

    def open_inside(self, name: str) -> None:
        """Work a cabin door from inside, in order: handle, lock, latch, leaf, hold-open lock."""
        self.door(name, handle_lifted=True, locked=False, latched=False, closed=False, travel=0.2)
        self.telling.after(2.0)
        self.door(name, travel=0.7)
        self.telling.after(2.0)
        self.door(name, travel=1.0, hold_open=True)

    def close_inside(self, name: str) -> None:
        """The way back."""
        self.door(name, hold_open=False, travel=0.7)
        self.telling.after(2.0)
        self.door(name, travel=0.2)
        self.telling.after(2.0)
        self.door(name, travel=0.0, closed=True, latched=True, locked=True, handle_lifted=False)

    def _send(self, tail: str, fields: Json, stamp: float | None) -> None:
        self.seq[tail] = self.seq.get(tail, 0) + 1
        time = round(self.telling.at - LATENCY_S, 3) if stamp is None else stamp
        payload = {"time": clock(time), "seq": self.seq[tail], **fields}
        self.telling.line(f"aircraft/{self.reg}/{tail}", payload)
