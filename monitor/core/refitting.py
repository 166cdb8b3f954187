"""Which doors an aircraft has: those of its type, as this configuration knows it.

Owns how its records follow a type that was told, taken away or changed, and the end of what they
said till then: what nobody judges any more must not go on standing. Judges nothing.
"""

from __future__ import annotations

from typing import Final

from monitor.core import permits, reports
from monitor.core.door import State
from monitor.core.effects import NoteDeafness, PublishDoor, PublishReadiness, RejectInput
from monitor.core.intake import Changes, next_change_of_life, refresh_life
from monitor.core.rules import AIRCRAFT_RULES, DOOR_RULES
from monitor.core.settling import Settling
from monitor.core.signals import HEARTBEAT, Quality
from monitor.core.state import AircraftRecord, DoorRecord, Presence, Sender
from monitor.core.view import View

_SEEABLE: Final = tuple(dict.fromkeys(rule.code for rule in DOOR_RULES if rule.needs))


class Refitting(Settling):
    """Keeps aircraft in line with their types."""

    def _take_up(self, now: int) -> None:
        """Look at every aircraft anew: the configuration may have changed meanwhile, or this version know more rules.

        Raises the first fault once all were looked at: one aircraft's keeps no other from being judged.
        """
        faults = []
        for work in (self._refit, self._judge_anew):
            for aircraft in list(self.record.aircraft.values()):
                try:
                    work(aircraft, now)
                except Exception as fault:
                    faults.append(fault)
        if faults:
            raise faults[0]

    def _judge_anew(self, aircraft: AircraftRecord, now: int) -> None:
        self.settle(aircraft, {None: {"*"}}, now)

    def _refit(self, aircraft: AircraftRecord, now: int) -> None:
        """Give an aircraft the doors that its type has by now, or none where that type is no longer configured."""
        airframe = self.airframe(aircraft)
        if airframe is None:
            if aircraft.type:
                self._drop_type(aircraft, now)
            self._adopt_known_type(aircraft, now)
        elif list(aircraft.doors) != list(airframe.doors):
            for door in [door for name, door in aircraft.doors.items() if name not in airframe.doors]:
                self._drop_door(aircraft, door, now)
            known = aircraft.doors
            aircraft.doors = {name: known.get(name) or DoorRecord(name, since=now) for name in airframe.doors}
        self._take_up_runs(aircraft, now)

    def _drop_type(self, aircraft: AircraftRecord, now: int) -> None:
        """From now on nothing of it can be judged: it is like one that never said its type."""
        told = aircraft.presence is not Presence.AWAY
        if told:
            self._end_everything(aircraft, now, "type no longer configured")
        doors, aircraft.type, aircraft.doors = aircraft.doors, "", {}
        if told:
            self._note_deafness(View(self.record, now, aircraft), aircraft, AIRCRAFT_RULES)
            for door in doors.values():
                self._note_unwatched(aircraft, door, "type not known", now)

    def _drop_door(self, aircraft: AircraftRecord, door: DoorRecord, now: int) -> None:
        """End what stands at a door that its type no longer has, and forget it."""
        for code, tracker in list(door.trackers.items()):
            place = self.place(aircraft.reg, door.name, code, now)
            self.ledger.dismiss(place, tracker, by=None, reason="door no longer configured")
        if aircraft.presence is not Presence.AWAY:
            self._end_run(aircraft, door, now, "door no longer configured")
            self._empty_door(aircraft, door, now)
            self._note_unwatched(aircraft, door, "not fitted", now)
        del aircraft.doors[door.name]

    def _empty_door(self, aircraft: AircraftRecord, door: DoorRecord, now: int) -> None:
        self.ledger.effects.append(PublishDoor(aircraft.reg, door.name, None))
        self._note_state(aircraft, door, State.UNKNOWN, "unknown", now)

    def _note_unwatched(self, aircraft: AircraftRecord, door: DoorRecord, why: str, now: int) -> None:
        """Have it kept that no hazard is seen there; which could be met was its type's to say."""
        deaf_to = tuple((code, why) for code in _SEEABLE)
        self.ledger.effects.append(NoteDeafness(aircraft.reg, door.name, now, deaf_to))

    def _adopt_known_type(self, aircraft: AircraftRecord, now: int) -> None:
        """Take up a type that came, or came back, with the configuration; its sender need not say it again."""
        told = aircraft.readings.get("type")
        spoken = told.value if told is not None and told.quality is Quality.GOOD else None
        for kind in (self.site.aircraft.get(aircraft.reg), spoken):
            if isinstance(kind, str) and kind in self.site.types:
                self._adopt_type(aircraft, kind, now, {})
                return

    def _adopt_type(self, aircraft: AircraftRecord, kind: str, now: int, changes: Changes) -> None:
        airframe = self.site.types.get(kind)
        if airframe is None:
            return
        if aircraft.doors and aircraft.presence is not Presence.AWAY:
            self._end_everything(aircraft, now, "type changed")
        aircraft.type = kind
        aircraft.doors = {name: DoorRecord(name, since=now) for name in airframe.doors}
        held, aircraft.held = aircraft.held, {}
        for path, reading in held.items():
            name, signal = path.split("/", 1)
            door = aircraft.doors.get(name)
            if door is None:
                topic = f"apron/v1/{self.site.name}/aircraft/{aircraft.reg}/door/{path}"
                self.ledger.effects.append(RejectInput("unknown-door", topic, f"{name}: type {kind} has no such door"))
            else:
                door.readings[signal] = reading
                if signal == HEARTBEAT and isinstance(reading.value, int) and reading.quality is Quality.GOOD:
                    door.sender = Sender(heartbeat=reading.value, heartbeat_at=reading.received)
        refresh_life(aircraft, now, changes)
        changes.setdefault(None, set()).add("*")
        self._arm_watch(aircraft, next_change_of_life(aircraft, now))

    def _end_everything(self, aircraft: AircraftRecord, now: int, reason: str) -> None:
        """End what was active, empty what is retained, and stop every clock where it is."""
        for reg, door, code, tracker in list(self._trackers_of(aircraft)):
            if tracker.alert is not None:
                self.ledger.dismiss(self.place(reg, door, code, now), tracker, by=None, reason=reason)
                owner = aircraft.trackers if door == "-" else aircraft.doors[door].trackers
                del owner[code]
                continue
            tracker.deadline = None
            for level in tracker.levels:
                if level.since is not None:
                    level.ran += now - level.since
                    level.since = None
        self._end_runs(aircraft, now, reason)
        permits.drop_permits(self, aircraft, now, reason)
        reports.drop_reports(aircraft)
        for each in aircraft.doors.values():
            self._empty_door(aircraft, each, now)
        aircraft.readiness_shown = None
        self._kept.pop(aircraft.reg, None)
        self.ledger.effects.append(PublishReadiness(aircraft.reg, None))
