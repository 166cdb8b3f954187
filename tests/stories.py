"""Stories: what senders and people do at one aircraft, and what Sillwatch says of it.

Owns the kit that the tests of the core tell their cases with. A story speaks the wire
contract, topic and JSON, and goes through the real codec into the real core; it keeps
what came out. It asserts nothing and waits for nothing: its clock is a number.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any, Final, NamedTuple

from monitor.adapters.wire import Wire
from monitor.config import default_config_path, load
from monitor.core import snapshot
from monitor.core.airframe import AirframeType, DoorType, Site
from monitor.core.effects import (
    CountDropped,
    CountImplausible,
    Document,
    Effect,
    PublishActive,
    PublishDoor,
    PublishEvent,
    PublishReadiness,
    RecordAudit,
    RefuseCommand,
    RejectInput,
)
from monitor.core.events import (
    AlertAcknowledged,
    AlertClosed,
    AlertShelved,
    AlertUnacknowledged,
    AlertUnshelved,
    DoorReset,
    Event,
    PresenceDeclared,
)
from monitor.core.system import System
from monitor.core.times import SECOND, parse_time
from monitor.engine import take_message
from monitor.ports import Message

START: Final = parse_time("2026-03-01T10:00:00Z")
REG: Final = "TW-101"
STAND: Final = "S12"
BEAT_S: Final = 5.0
"""How often a story's sender beats, well within the contract's 10 s."""

PRESSURE: Final = "airframe/differential_pressure_hpa"
AUTO: Final = -1
"""``seq`` counts up by itself on each topic; ``None`` leaves it out."""


@cache
def demo_site() -> Site:
    """The demo's site, read once: loading it is slow."""
    return load(default_config_path()).site


@cache
def codec() -> Wire:
    """The site's codec; it holds no state that a test could leave behind."""
    site = demo_site()
    return Wire(site.name, "stories", frozenset(site.types))


_HEALTHY: Final[Mapping[str, Any]] = {
    "closed": True, "latched": True, "locked": True, "handle_lifted": False, "outside_handle_lifted": False,
    "flap_pressed": False, "hold_open": False, "travel": 0.0, "lever_armed": False, "girt_left": False,
    "girt_right": False, "pin_fitted": True, "slide_released": False, "slide_erect": False,
    "slide_bottle_bar": 210.0, "assist_bottle_bar": 120.0, "access": "none", "barrier": False, "cover_fitted": True,
    "selector": "neutral", "actuator_bar": 150.0, "hand_pump": False, "lock_flags": True, "rope_stowed": True,
}  # fmt: skip
"""A door closed, latched, locked and at rest, its slide disengaged."""

ARMED: Final[Mapping[str, Any]] = {"lever_armed": True, "girt_left": True, "girt_right": True, "pin_fitted": False}
DISARMED: Final[Mapping[str, Any]] = {"lever_armed": False, "girt_left": False, "girt_right": False, "pin_fitted": True}
UNLOCKED: Final[Mapping[str, Any]] = {"handle_lifted": True, "latched": False, "locked": False}
LOCKED: Final[Mapping[str, Any]] = {"handle_lifted": False, "latched": True, "locked": True}
OUT: Final[Mapping[str, Any]] = {"closed": False, "latched": False, "locked": False, "handle_lifted": True}


def healthy_door(spec: DoorType) -> dict[str, Any]:
    """Every fitted signal of a door that is closed, locked and at rest."""
    return {signal: _HEALTHY[signal] for signal in sorted(spec.signals) if signal in _HEALTHY}


def healthy_airframe(airframe: AirframeType) -> dict[str, Any]:
    """Every airframe signal of an aircraft at rest on its stand, nobody aboard."""
    return {
        "power": "on",
        **{f"engine_{number}_running": False for number in airframe.engines},
        "differential_pressure_hpa": 0.0,
        "weight_on_wheels": True,
        "ground_speed_kt": 0.0,
        "parking_brake": True,
        "beacon": False,
        "chocks": True,
        "passengers_aboard": 0,
        "refuelling": False,
        "emergency": False,
    }


class Told(NamedTuple):
    """One lifecycle change as it was published; ``at`` in seconds since the story's start."""

    at: float
    type: str
    code: str
    door: str
    priority: str
    state: str
    data: Document
    id: str
    aircraft: str

    @property
    def brief(self) -> tuple[str, str, str, str]:
        return (self.type, self.code, self.door, self.priority)


class Story:
    """One aircraft at a site, told second by second.

    All times given to a story are seconds since its start. While ``beating``, the aircraft's
    heartbeat goes out every 5 s as the clock moves, and the last differential pressure midway.
    ``skew`` is how far the sender's clock is ahead of ours, in seconds. ``answering``: the retained
    answers are worked out too, which takes most of the time and which few stories look at.
    """

    def __init__(
        self,
        *,
        site: Site | None = None,
        type: str = "alder",  # noqa: A002 the contract's own word
        reg: str = REG,
        stand: str = STAND,
        start: int = START,
        system: System | None = None,
        answering: bool = False,
    ) -> None:
        self.site = site if site is not None else demo_site()
        self.answering = answering
        self.system = system if system is not None else System(self.site, answering=answering)
        self.type, self.reg, self.stand, self.start = type, reg, stand, start
        self.now = start
        self.beating = False
        self.skew = 0.0
        self.effects: list[Effect] = []
        self.events: list[Told] = []
        self.doors: dict[tuple[str, str], Document | None] = {}
        self.active: dict[tuple[str, str, str], Document | None] = {}
        self._seqs: dict[str, int] = {}
        self._beats = 0
        self._pressure: float | None = None

    # The clock

    @property
    def clock(self) -> float:
        """Seconds since the start."""
        return (self.now - self.start) / SECOND

    def micros(self, at: float) -> int:
        """A moment of the story on the core's clock (µs)."""
        return self.start + round(at * SECOND)

    def advance(self, seconds: float) -> Story:
        """Let time pass; what falls due is judged."""
        return self.until(self.clock + seconds)

    def until(self, at: float) -> Story:
        """Let time pass up to and including ``at``."""
        target = self.micros(at)
        half = round(BEAT_S * SECOND / 2)
        while self.beating:
            turn = (self.now - self.start) // half + 1
            if self.start + turn * half > target:
                break
            self.now = self.start + turn * half
            if turn % 2:
                self._refresh_pressure()
            else:
                self._beat()
        self.now = max(self.now, target)
        self._note(self.system.advance(self.now))
        return self

    # What senders do

    def deliver(self, topic: str, payload: bytes, *, at: float | None = None, retain: bool = False) -> list[Effect]:
        """Deliver one message as it is; return what followed."""
        if at is not None and self.micros(at) > self.now:
            self.until(at)
        effects = take_message(self.system, codec(), Message(topic, payload, retain), self.now)[1]
        return self._note(effects)

    def topic(self, path: str) -> str:
        """The topic of ``door/L1/closed``, ``airframe/beacon``, ``bundle`` or ``stand/S12/wind_kt``."""
        root = f"apron/v1/{self.site.name}"
        return f"{root}/{path}" if path.startswith("stand/") else f"{root}/aircraft/{self.reg}/{path}"

    def send(
        self,
        path: str,
        value: Any,
        at: float | None = None,
        *,
        quality: str | None = None,
        time: float | str | None = None,
        seq: int | None = AUTO,
        retain: bool = False,
        **more: Any,
    ) -> list[Effect]:
        """Send one reading; ``time`` is its stamp (seconds of the story, or text as it goes out)."""
        body: dict[str, Any] = {"value": value, **more}
        if quality is not None:
            body["quality"] = quality
        effects = self._send(path, body, at, time=time, seq=seq, retain=retain)
        self._note_pressure({path: body})
        return effects

    def bundle(
        self,
        readings: Mapping[str, Any],
        at: float | None = None,
        *,
        time: float | str | None = None,
        seq: int | None = AUTO,
        retain: bool = False,
        **more: Any,
    ) -> list[Effect]:
        """Send many readings of one instant."""
        effects = self._send("bundle", {"readings": dict(readings), **more}, at, time=time, seq=seq, retain=retain)
        self._note_pressure(readings)
        return effects

    def withdraw(self, path: str, at: float | None = None) -> list[Effect]:
        """Withdraw a reading with an empty payload."""
        effects = self.deliver(self.topic(path), b"", at=at)
        self._note_pressure({path: None})
        return effects

    def _note_pressure(self, readings: Mapping[str, Any]) -> None:
        """Remember what a beat refreshes: a good pressure as it was last sent."""
        if PRESSURE in readings:
            given = readings[PRESSURE]
            if isinstance(given, Mapping):
                given = given["value"] if given.get("quality", "good") == "good" else None
            self._pressure = given

    def _send(
        self,
        path: str,
        body: dict[str, Any],
        at: float | None,
        *,
        time: float | str | None,
        seq: int | None,
        retain: bool,
    ) -> list[Effect]:
        if at is not None and self.micros(at) > self.now:
            self.until(at)
        if time is None:
            body["time"] = self.now / SECOND + self.skew
        else:
            body["time"] = time if isinstance(time, str) else self.micros(time) / SECOND
        topic = self.topic(path)
        if seq is AUTO:
            seq = self._seqs[topic] = self._seqs.get(topic, 0) + 1
        elif seq is not None:
            self._seqs[topic] = seq
        if seq is not None:
            body["seq"] = seq
        return self.deliver(topic, json.dumps(body).encode(), retain=retain)

    def beat(self, at: float | None = None) -> list[Effect]:
        """Send the aircraft's heartbeat, and the pressure, for which no heartbeat vouches."""
        if at is not None and self.micros(at) > self.now:
            self.until(at)
        return self._beat() + self._refresh_pressure()

    def _beat(self) -> list[Effect]:
        self._beats += 1
        return self.send("airframe/heartbeat", self._beats)

    def _refresh_pressure(self) -> list[Effect]:
        return [] if self._pressure is None else self.send(PRESSURE, self._pressure)

    def door_bundle(self, door: str, *readings: Mapping[str, Any], at: float | None = None) -> list[Effect]:
        """Send readings of one door together."""
        together = {f"door/{door}/{signal}": value for part in readings for signal, value in part.items()}
        return self.bundle(together, at)

    def baseline(self, *, beating: bool = True) -> Story:
        """Bring the aircraft to its stand, complete and healthy, all doors closed, slides disengaged."""
        airframe = self.site.types[self.type]
        readings: dict[str, Any] = {"airframe/type": self.type, "airframe/stand": self.stand}
        readings.update({f"airframe/{name}": value for name, value in healthy_airframe(airframe).items()})
        for door in airframe.doors.values():
            readings.update({f"door/{door.name}/{name}": value for name, value in healthy_door(door).items()})
        if beating:
            self._beats += 1
            readings["airframe/heartbeat"] = self._beats
        self.bundle(readings)
        self.beating = beating
        return self

    # What people do

    def step(self, event: Event, at: float | None = None) -> list[Effect]:
        """Hand the core one event as it is; return what followed."""
        if at is not None and self.micros(at) > self.now:
            self.until(at)
        return self._note(self.system.step(event, self.now))

    def alert_id(self, code: str, door: str = "-") -> str:
        """The id of the alert that stands at a place; ``KeyError`` where none does."""
        alert = self.alert(code, door)
        if alert is None:
            raise KeyError(f"no {code} stands at {door}; there are {self.standing()}")
        return str(alert["alert_id"])

    def acknowledge(
        self, code: str, door: str = "-", *, by: str = "Ann", reason: str = "seen", seen: int | None = None
    ) -> list[Effect]:
        return self.step(AlertAcknowledged(self.alert_id(code, door), by, reason, seen, "board"))

    def unacknowledge(self, code: str, door: str = "-", *, by: str = "Ann", seen: int | None = None) -> list[Effect]:
        return self.step(AlertUnacknowledged(self.alert_id(code, door), by, "too early", seen, "board"))

    def shelve(
        self,
        code: str,
        door: str = "-",
        *,
        minutes: float = 10,
        by: str = "Ann",
        reason: str = "known",
        seen: int | None = None,
    ) -> list[Effect]:
        until = self.now + round(minutes * 60 * SECOND)
        return self.step(AlertShelved(self.alert_id(code, door), by, reason, until, seen, "board"))

    def unshelve(self, code: str, door: str = "-", *, by: str = "Ann") -> list[Effect]:
        return self.step(AlertUnshelved(self.alert_id(code, door), by, "back", None, "board"))

    def close(self, code: str, door: str = "-", *, by: str = "Ann", reason: str = "looked") -> list[Effect]:
        return self.step(AlertClosed(self.alert_id(code, door), by, reason, None, "board"))

    def reset(self, door: str, *, by: str = "Ann", reason: str = "new slide fitted") -> list[Effect]:
        return self.step(DoorReset(self.reg, door, by, reason, "board"))

    def declare(self, presence: str, *, by: str = "Ann") -> list[Effect]:
        return self.step(PresenceDeclared(self.reg, presence, by, "seen", "board"))

    # What was said

    def _note(self, effects: list[Effect]) -> list[Effect]:
        """Keep what followed; hand it back without answers that merely fell due to be looked at."""
        self.effects += effects
        for effect in effects:
            if isinstance(effect, PublishEvent):
                self.events.append(self._tell(effect))
            elif isinstance(effect, PublishDoor):
                self.doors[effect.aircraft, effect.door] = effect.document
            elif isinstance(effect, PublishActive):
                self.active[effect.aircraft, effect.door, effect.code] = effect.document
        return [effect for effect in effects if not isinstance(effect, PublishReadiness)]

    def _tell(self, effect: PublishEvent) -> Told:
        data, at = effect.data, (effect.time - self.start) / SECOND
        place = effect.code, effect.door, data["priority"], data["state"]
        return Told(at, effect.type, *place, data, effect.id, effect.aircraft)

    def door(self, name: str) -> Document:
        """The door's retained document as it stands; ``KeyError`` where none does."""
        document = self.doors[self.reg, name]
        if document is None:
            raise KeyError(f"the document of {name} was emptied")
        return document

    def state(self, name: str) -> str:
        """The door's state, as published."""
        return str(self.door(name)["state"])

    def states(self) -> dict[str, str]:
        """Every door's state, as published."""
        return {door: d["state"] for (reg, door), d in self.doors.items() if reg == self.reg and d is not None}

    def alert(self, code: str, door: str = "-", *, reg: str | None = None) -> Document | None:
        """The alert's retained document, ``None`` where the alert is normal. The site's: ``reg="-"``."""
        return self.active.get((reg if reg is not None else self.reg, door, code))

    def standing(self) -> set[tuple[str, str]]:
        """(code, door) of every alert of this aircraft that is not normal."""
        return {(code, door) for (reg, door, code), doc in self.active.items() if doc is not None and reg == self.reg}

    def told(self, code: str | None = None, door: str | None = None) -> list[Told]:
        """The lifecycle changes so far, of one code and door if named."""
        return [e for e in self.events if code in (None, e.code) and door in (None, e.door)]

    def types(self, code: str, door: str | None = None) -> list[str]:
        """The words of those changes, in order."""
        return [event.type for event in self.told(code, door)]

    def dropped(self) -> list[str]:
        """Why readings were dropped, in order."""
        return [effect.reason for effect in self.effects if isinstance(effect, CountDropped)]

    def value(self, path: str) -> Any:
        """What the core holds for ``door/L1/closed`` or ``airframe/beacon``; ``None`` where it was never sent."""
        aircraft = self.system.record.aircraft[self.reg]
        owner, _, signal = path.rpartition("/")
        readings = aircraft.readings if owner == "airframe" else aircraft.doors[owner.removeprefix("door/")].readings
        reading = readings.get(signal)
        return None if reading is None else reading.value

    def rejected(self) -> list[RejectInput]:
        return [effect for effect in self.effects if isinstance(effect, RejectInput)]

    def jumps(self) -> list[tuple[str, str, str]]:
        """(door, from, to) of every implausible jump, in order."""
        return [(e.door, e.source, e.target) for e in self.effects if isinstance(e, CountImplausible)]

    def audits(self) -> list[RecordAudit]:
        return [effect for effect in self.effects if isinstance(effect, RecordAudit)]

    def copy(self) -> Story:
        """Go on from here elsewhere: the state through a snapshot and back, nothing said so far."""
        other = Story(
            site=self.site, type=self.type, reg=self.reg, stand=self.stand, start=self.start,
            answering=self.answering,
            system=System(
                self.site, snapshot.restore(snapshot.dump(self.system.record)), answering=self.answering
            ),
        )  # fmt: skip
        other.now, other.beating, other.skew = self.now, self.beating, self.skew
        other.doors, other.active = dict(self.doors), dict(self.active)
        other._seqs, other._beats, other._pressure = dict(self._seqs), self._beats, self._pressure
        return other


def refusal(effects: Iterable[Effect]) -> RefuseCommand | None:
    """The refusal among what followed, if the action was refused."""
    return next((effect for effect in effects if isinstance(effect, RefuseCommand)), None)


def alder(*, beating: bool = True, **options: Any) -> Story:
    """A complete, healthy alder on stand S12, 1 s after its first message."""
    return Story(**options).baseline(beating=beating).until(1.0)
