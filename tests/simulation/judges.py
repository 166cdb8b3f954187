"""While a story is told: no lost alert, no false secure, no false yes.

Owns holding what goes out against the independent picture of what came in. Imports neither
the door table, the alert table, a rule nor the engine.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any, Final, NamedTuple

from monitor.core.airframe import AirframeType, DoorType
from monitor.core.effects import Effect, PublishEvent, RecordAudit
from monitor.ports import Entry, Outgoing, Step
from tests.simulation import sense
from tests.simulation.picture import Aircraft, Door, Picture, S, cases
from tests.simulation.sense import AIR_SIGNALS, HAZARDS, OTHER_SIGNALS, STATE_SIGNALS, Sensed
from tests.simulation.site import sim_site
from tests.simulation.world import Delivery, Witness, World

LATER: Final = 2_600_000
SOONER: Final = 600_000
"""By how much (µs) what is told may be later or sooner than the judge works it out, who does not look all the time."""
UNLOOKED: Final = 2_500_000
YES: Final = "nothing seen against it"
SIGNALS: Final = (*STATE_SIGNALS, *OTHER_SIGNALS)
NEVER_SOONER: Final = ("pin-left-in", "girt-disagree", "unlocked-lingering", "unguarded-drop")
"""Codes that have no other way to be raised than the judge's row."""

Place = tuple[str, str, str]
Case = tuple[Sensed, dict[str, Any], dict[str, Any]]
Sets = tuple[tuple[str, frozenset[Any]], ...]


class Judge(Witness):
    """Looks at a door whenever something is delivered that concerns it, and at all of them now and then."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.picture = Picture()
        self.standing: dict[Place, str] = {}
        self.ids: dict[Place, str] = {}
        self.permits: list[str] = []
        self.states: dict[tuple[str, str], str] = {}
        self.answers: dict[str, Any] = {}
        self.since: dict[Place, int] = {}
        self.not_since: dict[Place, int] = {}
        self.looked: dict[str, int] = {}

    # What happens

    def before_delivery(self, delivery: Delivery) -> None:
        aircraft = self.picture.aircraft.get(_reg(delivery.message.topic))
        if aircraft is not None and self.looked.get(aircraft.reg, 0) < delivery.at - UNLOOKED:
            self._look(aircraft, aircraft.doors, delivery.at, told=True)

    def delivered(self, delivery: Delivery) -> None:
        topic, payload, retained = delivery.message[:3]
        known = self.picture.aircraft.get(_reg(topic))
        asleep = known is None or known.beats.alive(delivery.at) is not True
        aircraft = self.picture.take(topic, payload, retained, delivery.at)
        if aircraft is None:
            return
        touched = aircraft.doors.keys() if asleep else _touched(topic, payload, aircraft)
        self._look(aircraft, touched, delivery.at, told=True)

    def stepped(self, step: Step) -> None:
        for effect in step.effects:
            self._note_audit(effect)

    def output(self, outgoing: Outgoing, now: int) -> None:
        kind, *levels = outgoing.topic.split("/")[2:]
        if kind == "door":
            _, reg, door = levels
            if outgoing.payload:
                self.states[reg, door] = json.loads(outgoing.payload)["state"]
            else:
                self.states.pop((reg, door), None)
        elif kind == "event":
            _, reg, door, code = levels
            event = json.loads(outgoing.payload)
            self.standing[reg, door, code] = event["data"]["state"]
            self.ids[reg, door, code] = event["data"]["alert_id"]
            if event["type"].endswith(".raised"):
                self._hear_raise((reg, door, code), now)
        elif kind == "readiness" and outgoing.payload:
            document = json.loads(outgoing.payload)
            if self.answers.get(levels[1]) != document:
                self.answers[levels[1]] = document
                self._hear_answers(levels[1], document, now)

    def tick(self, now: int) -> None:
        for aircraft in self.picture.aircraft.values():
            self._look(aircraft, aircraft.doors, now, told=True)

    def restored(self, restored: Any, entries: list[Entry]) -> None:
        """A new process knows what is on disk: so does the judge from here on."""
        self.picture = Picture()
        for memory in (self.standing, self.states, self.answers, self.since, self.not_since, self.looked):
            memory.clear()
        for entry in entries:
            if entry.topic:
                aircraft = self.picture.take(entry.topic, entry.payload, entry.retained, entry.at)
                if aircraft is not None:
                    self._look(aircraft, _touched(entry.topic, entry.payload, aircraft), entry.at, told=False)
            for effect in self.world.rows[entry.position].effects:
                self._note_audit(effect)
                if isinstance(effect, PublishEvent):
                    self.standing[effect.aircraft, effect.door, effect.code] = effect.data["state"]
        self.since.clear()

    def standing_ids(self) -> list[str]:
        """The alerts that a person may act on, by what was told."""
        return [self.ids[place] for place, state in self.standing.items() if state != "normal" and place in self.ids]

    def _note_audit(self, effect: Effect) -> None:
        """Follow what a person changed."""
        if not isinstance(effect, RecordAudit):
            return
        reg, *rest = effect.subject.split("/")
        aircraft = self.picture.aircraft.get(reg)
        if aircraft is None:
            return
        if effect.action == "reset":
            door = aircraft.door(rest[0])
            door.deployed = door.erected = False
        elif effect.action == "declare-presence":
            aircraft.told_away = effect.after != "present"
        elif effect.action == "grant-permit":
            self.permits.append(rest[-1])
            aircraft.slide_out = aircraft.slide_out or effect.after.startswith("slide-removed")

    # What it means

    def _look(self, aircraft: Aircraft, doors: Iterable[str], now: int, *, told: bool) -> None:
        self.looked[aircraft.reg] = now
        kind = aircraft.type()
        airframe = sim_site().types.get(kind or "")
        if airframe is None:
            return
        present = aircraft.present(now)
        air = _air(aircraft, airframe, now)
        for name in list(doors):
            spec = airframe.doors.get(name)
            if spec is None:
                continue
            door = aircraft.door(name)
            self._follow_deployed(aircraft, spec, door, present, now)
            read = _read(aircraft, airframe, spec, air, now)
            if read is None:
                self._lose_track(aircraft, spec)
            elif told:
                self._hold_state(aircraft, spec, door, read.ways, present)
                self._hold_hazards(aircraft, spec, read, present, now)

    @staticmethod
    def _follow_deployed(aircraft: Aircraft, spec: DoorType, door: Door, present: bool | None, now: int) -> None:
        if not spec.slide:
            return
        released = aircraft.at_door(spec.name, "slide_released", now)
        if present is None and (door.deployed or True in released):
            door.deployed = None
        elif released == frozenset({True}) and present:
            door.deployed = True
        elif True in released and not door.deployed:
            door.deployed = None
        if door.deployed is not False and True in aircraft.at_door(spec.name, "slide_erect", now):
            door.erected = True

    def _lose_track(self, aircraft: Aircraft, spec: DoorType) -> None:
        """Say nothing of how long something has held at a door that may be in too many ways."""
        for hazard in HAZARDS:
            self.since.pop((aircraft.reg, spec.name, hazard.code), None)

    def _disputed(self, reg: str) -> bool:
        return self.standing.get((reg, "-", "identity-conflict"), "normal") != "normal"

    def _hold_state(
        self, aircraft: Aircraft, spec: DoorType, door: Door, found: Sequence[Case], present: bool | None
    ) -> None:
        state = self.states.get((aircraft.reg, spec.name))
        if state is None or present is None:
            return
        allowed: set[str] = set()
        for sensed, _, _ in found if present else ():
            allowed.add(sensed.state)
            if sensed.lenient:
                allowed.add("unknown")
        if not present or self._disputed(aircraft.reg):
            allowed.add("unknown")
        if spec.slide and door.deployed is not False:
            allowed.add("slide_deployed")
            if door.deployed is True:
                allowed &= {"slide_deployed", "unknown"}
        self.world.tally.count("states")
        if state not in allowed:
            self.fault(f"{aircraft.reg} {spec.name} is told {state}, its readings say {' or '.join(sorted(allowed))}")

    def _hold_hazards(self, aircraft: Aircraft, spec: DoorType, read: Read, present: bool | None, now: int) -> None:
        evacuating = self._may_be_evacuating(aircraft, now)
        quiet = present is not True or self._disputed(aircraft.reg)
        for hazard in HAZARDS:
            answers = read.holds.get(hazard.code)
            if answers is None:
                continue
            place = (aircraft.reg, spec.name, hazard.code)
            if answers == {False}:
                self.not_since[place] = now
            over = hazard.code == "slide-slow" and aircraft.door(spec.name).erected
            if answers != {True} or quiet or over or (evacuating and hazard.code not in sense.TOLD_IN_EVACUATION):
                self.since.pop(place, None)
                continue
            since = self.since.setdefault(place, now)
            if now - since < hazard.after_s * S + (LATER if hazard.after_s else 0):
                continue
            self.world.tally.count("hazards")
            if not self._stands(place) and not any(self._stands((*place[:2], code)) for code in hazard.stands_in_for):
                self.fault(f"{' '.join(place)} has held for {(now - since) / S:.1f} s and was never raised")

    def _stands(self, place: Place) -> bool:
        return self.standing.get(place, "normal") not in ("normal", "rtn_unacknowledged", "latched")

    def _may_be_evacuating(self, aircraft: Aircraft, now: int) -> bool:
        out = sum(1 for door in aircraft.doors.values() if door.deployed is not False)
        calm = aircraft.air("emergency", now) == frozenset({False})
        stands = self.standing.get((aircraft.reg, "-", "evacuation-in-progress"), "normal") != "normal"
        return stands or out >= 2 or (out >= 1 and not calm)

    def _hear_raise(self, place: Place, now: int) -> None:
        reg, door, code = place
        hazard = next((hazard for hazard in HAZARDS if hazard.code == code), None)
        not_since = self.not_since.get(place)
        if hazard is None or code not in NEVER_SOONER or not_since is None:
            return
        spec = self._spec(reg, door)
        if spec is None or spec.kind not in hazard.kinds:
            return
        self.world.tally.count("delays")
        if now < not_since + hazard.after_s * S - SOONER:
            self.fault(f"{' '.join(place)} is raised {(now - not_since) / S:.1f} s after it surely did not hold")

    def _spec(self, reg: str, door: str) -> DoorType | None:
        aircraft = self.picture.aircraft.get(reg)
        airframe = sim_site().types.get(aircraft.type() or "") if aircraft is not None else None
        return airframe.doors.get(door) if airframe is not None else None

    def _hear_answers(self, reg: str, document: Any, now: int) -> None:
        aircraft = self.picture.aircraft.get(reg)
        airframe = sim_site().types.get(aircraft.type() or "") if aircraft is not None else None
        if aircraft is None or airframe is None:
            return
        air = _air(aircraft, airframe, now)
        leave = document["leave"]["verdict"] == YES
        for name, spec in airframe.doors.items():
            opens = document["doors"][name]["verdict"] == YES
            if not opens and not leave:
                continue
            read = _read(aircraft, airframe, spec, air, now)
            if read is None:
                continue
            self.world.tally.count("answers")
            against = [sense.against_opening(spec, airframe, *case) for case in read.ways]
            if opens and all(against):
                self.fault(f"{reg} {name}: nothing seen against opening, but {against[0]}")
            against = [sense.against_leaving(spec, *case) for case in read.ways]
            if leave and all(against):
                self.fault(f"{reg}: nothing seen against leaving, but {name}: {against[0]}")


def _reg(topic: str) -> str:
    levels = topic.split("/")
    return levels[4] if len(levels) > 4 and levels[3] == "aircraft" else ""


def _touched(topic: str, payload: bytes, aircraft: Aircraft) -> Iterable[str]:
    """The doors that a message may have changed: its own, or all where it speaks of the airframe."""
    levels = topic.split("/")[5:]
    if levels[0] == "door":
        return levels[1:2]
    if levels[0] == "airframe":
        return () if levels[1] == "heartbeat" else aircraft.doors.keys()
    try:
        places = json.loads(payload).get("readings", {})
    except (ValueError, AttributeError):
        return ()
    if any(place.startswith("airframe/") and place != "airframe/heartbeat" for place in places):
        return aircraft.doors.keys()
    return {place.split("/")[1] for place in places if place.startswith("door/")}


def _air(aircraft: Aircraft, airframe: AirframeType, now: int) -> dict[str, frozenset[Any]]:
    signals = (*AIR_SIGNALS, *(f"engine_{number}_running" for number in airframe.engines))
    return {signal: aircraft.air(signal, now) for signal in signals}


class Read(NamedTuple):
    """Every way in which a door and what is around it could be, and by these whether each hazard holds."""

    ways: tuple[Case, ...]
    holds: dict[str, frozenset[bool | None]]


def _read(
    aircraft: Aircraft, airframe: AirframeType, spec: DoorType, air: dict[str, frozenset[Any]], now: int
) -> Read | None:
    """Read a door as it may be now; ``None``: it may be in too many ways to say anything."""
    mine = {s: aircraft.at_door(spec.name, s, now) for s in SIGNALS if s in spec.signals}
    deployed = aircraft.door(spec.name).deployed
    return _work_out(airframe.name, spec.name, tuple(mine.items()), tuple(air.items()), deployed)


@lru_cache(maxsize=20_000)
def _work_out(kind: str, door: str, mine: Sets, air: Sets, deployed: bool | None) -> Read | None:
    """Work out what stays the same for as long as nothing changes."""
    airframe = sim_site().types[kind]
    spec = airframe.doors[door]
    ways = cases({**dict(mine), **{f"air {signal}": values for signal, values in air}})
    if ways is None:
        return None
    found: list[Case] = []
    for way in ways:
        around = {signal: way.pop(f"air {signal}") for signal, _ in air}
        either = (False, True) if deployed is None else (deployed,)
        found.extend((sense.sense(spec, way, deployed=each), way, around) for each in either)
    mine_too = [hazard for hazard in HAZARDS if spec.kind in hazard.kinds]
    holds = {hazard.code: frozenset(hazard.holds(spec, airframe, *case) for case in found) for hazard in mine_too}
    return Read(tuple(found), holds)
