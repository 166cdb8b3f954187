"""Where everything stands: the records of one site, the rules that watch them, and the next deadlines.

Owns looking things up and the queue of what falls due. Judges nothing.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Final

from monitor.core.airframe import AirframeType, DoorKind, Site
from monitor.core.kept import Kept
from monitor.core.ledger import Ledger, Place
from monitor.core.proving import PROOF_TYPE
from monitor.core.reports import list_deadlines
from monitor.core.rules import AIRCRAFT_RULES, DOOR_RULES, SITE_RULES
from monitor.core.rules.rule import CHATTER, Parameters, Rule, Scope
from monitor.core.state import (
    AircraftRecord,
    DoorRecord,
    Permit,
    SiteRecord,
    Tracker,
)
from monitor.core.times import MILLISECOND, SECOND
from monitor.core.view import View

WATCH, STAND, RULE, SHELF, PERMIT, REPORT, ESCALATION, TRAVEL, RUN = 0, 1, 2, 3, 4, 5, 6, 7, 8
"""What falls due; at one instant an aircraft's silence is judged before its rules."""

ANSWERS_EVERY: Final = SECOND
ANSWERS_LATER: Final = 5 * SECOND
ANSWERS_APART: Final = 10 * MILLISECOND
"""An aircraft's answers are looked at once a second at most, and a hundred aircraft's in that time: alerts go first."""

Index = Mapping[str, tuple[int, ...]]


def index_rules(rules: Iterable[tuple[int, Rule]]) -> Index:
    """Map what may change to the numbers of the rules that read it, or hang on it."""
    index: dict[str, list[int]] = {}
    for number, rule in rules:
        holders = (CHATTER,) if rule.scope is Scope.DOOR and rule.code != CHATTER else ()
        for name in (*rule.reads, "*", *(f"alert:{code}" for code in (*rule.suppressed_by, *holders))):
            index.setdefault(name, []).append(number)
    return {name: tuple(numbers) for name, numbers in index.items()}


@cache
def _index_kind(kind: DoorKind, slide: bool) -> Index:
    """Index the rules that doors of a kind can meet, with a slide or without."""
    return index_rules((n, rule) for n, rule in enumerate(DOOR_RULES) if rule.applies_to_kind(kind, slide))


class Lineup:
    """One site's records with what is needed to find, watch and time them."""

    def __init__(
        self, site: Site, record: SiteRecord | None = None, *, answering: bool = True, answers_of: str | None = None
    ) -> None:
        """Take up a site's records. Not ``answering``: nobody reads the retained answers, which take most of the time.

        ``answers_of``: only this aircraft's are read. The others have their turns all the same, so that it has its own.
        """
        self.site = site
        self._answering = answering
        self._answers_of = answers_of
        self.record = record if record is not None else SiteRecord()
        self._types = {**site.types, PROOF_TYPE.name: PROOF_TYPE}
        self.ledger = Ledger(site.name, site.escalation, self._queue_escalation)
        self._cause = ""
        self._falls_due = False
        self._answers_from = 0
        self._unanswered: list[tuple[int, str]] = []
        self._queue: list[tuple[int, int, str, str, str]] = []
        self._parameters: dict[tuple[int, str, str], Parameters] = {}
        self._least_pressure: dict[str, float] = {}
        self._least_wind: dict[str, float] = {}
        self._kept: dict[str, Kept] = {}
        self._heeding: dict[str, Mapping[str, Sequence[str]]] = {}
        self._deaf: dict[tuple[tuple[str, ...], ...], tuple[tuple[str, ...], ...]] = {}
        self._requeue()

    def _push(self, due: int, kind: int, reg: str, door: str, code: str) -> None:
        heapq.heappush(self._queue, (due, kind, reg, door, code))

    def _queue_tracker(self, tracker: Tracker, reg: str, door: str, code: str) -> None:
        due = tracker.deadline
        if due is not None and (tracker.queued is None or due < tracker.queued):
            tracker.queued = due
            self._push(due, RULE, reg, door, code)

    def queue_shelf(self, until: int, reg: str, door: str, code: str) -> None:
        """Note when a shelved alert comes back."""
        self._push(until, SHELF, reg, door, code)

    def queue_permit(self, permit: Permit) -> None:
        """Note when a permit ends."""
        self._push(permit.until, PERMIT, permit.aircraft, "", permit.permit_id)

    def queue_report(self, due: int, reg: str, door: str, signal: str) -> None:
        """Note when a person's word about a door is too old to count."""
        self._push(due, REPORT, reg, door, signal)

    def _queue_escalation(self, due: int, reg: str, door: str, code: str) -> None:
        self._push(due, ESCALATION, reg, door, code)

    def _arm_watch(self, aircraft: AircraftRecord, due: int | None) -> None:
        if due is not None and (aircraft.watch is None or due < aircraft.watch):
            aircraft.watch = due
            self._push(due, WATCH, aircraft.reg, "", "")

    def note_answers(self, aircraft: AircraftRecord, now: int) -> None:
        """Have an aircraft's answers looked at again: soon, once the instant's alerts are out."""
        if self._answering and aircraft.readiness_due is None:
            # A turn is taken from now on, wherever the aircraft's own second ends: nobody waits for a busy neighbour.
            turn = max(now, self._answers_from)
            self._answers_from = turn + ANSWERS_APART
            aircraft.readiness_due = max(turn, aircraft.readiness_at + ANSWERS_EVERY)
            heapq.heappush(self._unanswered, (aircraft.readiness_due, aircraft.reg))

    def note_answers_later(self, aircraft: AircraftRecord, now: int) -> None:
        """The same in a while, for what rarely changes an answer: a bottle's pressure, the wind."""
        if self._answering and aircraft.readiness_due is None and aircraft.readiness_later is None:
            aircraft.readiness_later = now + ANSWERS_LATER
            heapq.heappush(self._unanswered, (aircraft.readiness_later, aircraft.reg))

    def _requeue(self) -> None:
        """Rebuild the queue and the index of alerts from the record, as after a restore."""
        for aircraft in self.record.aircraft.values():
            if aircraft.watch is not None:
                self._push(aircraft.watch, WATCH, aircraft.reg, "", "")
            self.note_answers(aircraft, self.record.at)
            for each in aircraft.doors.values():
                for due, signal in list_deadlines(each):
                    self.queue_report(due, aircraft.reg, each.name, signal)
        for stand in self.record.stands.values():
            if stand.watch is not None:
                self._push(stand.watch, STAND, stand.name, "", "")
        for reg, door, code, tracker in self.trackers():
            tracker.queued = None
            self._queue_tracker(tracker, reg, door, code)
            if tracker.alert is not None:
                self.ledger.index[tracker.alert.alert_id] = (reg, door, code)
                if tracker.alert.shelved_until is not None:
                    self.queue_shelf(tracker.alert.shelved_until, reg, door, code)
                if tracker.alert.escalate_due is not None:
                    self._queue_escalation(tracker.alert.escalate_due, reg, door, code)
        for permit in self.record.permits.values():
            self.queue_permit(permit)

    def trackers(self) -> Iterable[tuple[str, str, str, Tracker]]:
        """Every tracker with its place: (reg, door, code, tracker)."""
        for code, tracker in self.record.trackers.items():
            yield "-", "-", code, tracker
        for aircraft in self.record.aircraft.values():
            for code, tracker in aircraft.trackers.items():
                yield aircraft.reg, "-", code, tracker
            for door in aircraft.doors.values():
                for code, tracker in door.trackers.items():
                    yield aircraft.reg, door.name, code, tracker

    def find_tracker(self, reg: str, door: str, code: str) -> Tracker | None:
        """Return the tracker at a place, if there is one."""
        owner: SiteRecord | AircraftRecord | DoorRecord | None = self.record
        if reg != "-":
            owner = self.record.aircraft.get(reg)
            if isinstance(owner, AircraftRecord) and door != "-":
                owner = owner.doors.get(door)
        return owner.trackers.get(code) if owner is not None else None

    def view(self, reg: str, door: str, now: int) -> View:
        """View a place: ``-`` for the aircraft as a whole, or the site."""
        aircraft = self.record.aircraft.get(reg)
        if aircraft is None:
            return View(self.record, now)
        airframe = self.airframe(aircraft)
        return View(self.record, now, aircraft, airframe, aircraft.doors.get(door) if airframe is not None else None)

    def place(self, reg: str, door: str, code: str, now: int) -> Place:
        """Return the place of an alert."""
        rules = SITE_RULES if reg == "-" else AIRCRAFT_RULES if door == "-" else DOOR_RULES
        rule = next(rule for rule in rules if rule.code == code)
        return Place(rule, self.view(reg, door, now), door)

    def airframe(self, aircraft: AircraftRecord) -> AirframeType | None:
        """Return the aircraft's type, once it is known."""
        return self._types.get(aircraft.type)

    def parameters(self, rule: Rule, view: View) -> Parameters:
        """Return a rule's thresholds where it is judged: door over type over site over default."""
        key = (id(rule), view.airframe.name if view.airframe else "", view.door.name if view.door else "")
        found = self._parameters.get(key)
        if found is None:
            merged = dict(rule.parameters)
            if rule.inherits:
                (other,) = (each for each in DOOR_RULES if each.code == rule.inherits)
                merged |= {name: value for name, value in self.parameters(other, view).items() if name in merged}
            for level in (self.site, view.airframe, view.spec):
                if level is not None:
                    merged.update(level.thresholds.get(rule.code, {}))
            found = self._parameters[key] = merged
        return found

    def _door_index(self, view: View) -> Index:
        return {} if view.spec is None else _index_kind(view.spec.kind, view.spec.slide)

    def _trackers_of(self, aircraft: AircraftRecord) -> Iterable[tuple[str, str, str, Tracker]]:
        for code, tracker in aircraft.trackers.items():
            yield aircraft.reg, "-", code, tracker
        for door in aircraft.doors.values():
            for code, tracker in door.trackers.items():
                yield aircraft.reg, door.name, code, tracker
