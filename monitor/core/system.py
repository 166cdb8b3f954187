"""The whole core in one place: an event in, effects out.

Owns the order in which one instant is worked through: deadlines that fell due, then the
event's readings, then each door's state, then the rules that read what changed, then the
documents that must go out. ``step`` is the only way in which the state changes; restoring
is a snapshot and the same ``step`` again.
"""

from __future__ import annotations

import heapq
import sys
from typing import Final

from monitor.core import actions, permits, proving, reports
from monitor.core.effects import Effect, PublishReadiness, RejectInput
from monitor.core.events import (
    AlertDrawn,
    AlertLeftUndrawn,
    BrokerConnected,
    BrokerDisconnected,
    Event,
    MonitorStarted,
    ProofPassed,
    ProofsExpected,
    ReadingsArrived,
    ReadingsShed,
    StandReadingArrived,
)
from monitor.core.eviction import choose_forgotten
from monitor.core.intake import GRACE, LEFT_AFTER, LIFE_LIMIT, Changes, Intake, next_change_of_life, refresh_life
from monitor.core.kept import Kept
from monitor.core.lineup import ESCALATION, PERMIT, REPORT, SHELF, STAND, TRAVEL, WATCH
from monitor.core.notes.identity import follow_claim
from monitor.core.readiness import summarise_readiness
from monitor.core.shed import note_shed
from monitor.core.signals import Quality
from monitor.core.stands import Stands
from monitor.core.state import AircraftRecord, Presence
from monitor.core.times import MILLISECOND

AIRCRAFT_MAX: Final = 2000
SLOW_BUNDLE: Final = 500 * MILLISECOND
"""Bundles further apart than this come slower than 2 Hz."""


class System(Stands):
    """One site's state and the only two ways to move it: :meth:`step` and :meth:`advance`."""

    def step(self, event: Event, now: int) -> list[Effect]:
        """Take one event at ``now`` (µs) and return what follows, in order.

        What fell due by ``now`` is judged before the event. A ``now`` before the last one
        counts as the last one.
        """
        now = max(now, self.record.at)
        if isinstance(event, MonitorStarted):
            self._note_start(now)
        self._run_due(now, 0)
        self.record.at = now
        self._cause = f"{type(event).__name__}|{now}"
        if isinstance(event, ReadingsArrived):
            if event.aircraft == proving.PROOF:
                proving.take_readings(self, event, now)
            else:
                self._on_readings(event, now)
        elif isinstance(event, StandReadingArrived):
            self._on_stand_reading(event, now)
        elif isinstance(event, MonitorStarted):
            self._cause = f"start|{now}"
            self._judge_site("broker", now)
            self._take_up(now)
        elif isinstance(event, (BrokerConnected, BrokerDisconnected)):
            self._on_broker(event, now)
        elif isinstance(event, ReadingsShed):
            self._on_shed(event, now)
        elif isinstance(event, (ProofPassed, ProofsExpected)):
            proving.note_proof(self.record.proof, event, now)
            self._judge_site("proof", now)
        elif isinstance(event, (AlertLeftUndrawn, AlertDrawn)):
            self.ledger.effects.extend(actions.note_drawing(self, event, now))
        else:
            self._cause = f"{type(event).__name__}|{event.by}|{now}"
            self.ledger.effects.extend(actions.act(self, event, now))
        return self._take_effects()

    def settle(
        self, aircraft: AircraftRecord, changes: Changes, now: int, *, bundle: bool = False, reset: bool = False
    ) -> None:
        """Work through what changed at one aircraft, and at those with which it shares a stand, or did."""
        shared = set(follow_claim(self.record, aircraft))
        if aircraft.reg in shared:
            shared.discard(aircraft.reg)
            changes.setdefault(None, set()).update(("*", "memo/identity"))
        super().settle(aircraft, changes, now, bundle=bundle, reset=reset)
        # Its feed may just have been lost, or found again.
        shared.update(follow_claim(self.record, aircraft))
        for reg in sorted(shared):
            super().settle(self.record.aircraft[reg], {None: {"*", "memo/identity"}}, now)

    def advance(self, now: int, *, answers_max: int | None = None) -> list[Effect]:
        """Judge what falls due up to and including ``now``, and look at the answers that do.

        ``answers_max`` bounds how many aircraft's answers are looked at: whoever has more to
        do than wait for them asks for none or for one.
        """
        self._run_due(now, sys.maxsize if answers_max is None else answers_max)
        self.record.at = max(now, self.record.at)
        return self._take_effects()

    def next_deadline(self) -> int | None:
        """Return when :meth:`advance` must be called next (µs), if at all."""
        heads = [queue[0][0] for queue in (self._queue, self._unanswered) if queue]
        return min(heads, default=None)

    def abandon(self) -> list[Effect]:
        """Give up an event that could not be taken; returns what it had led to by then."""
        return self._take_effects()

    def _take_effects(self) -> list[Effect]:
        effects = self.ledger.effects
        self.ledger.effects = []
        self.ledger.changed.clear()
        self.ledger.late = False
        return effects

    # Deadlines

    def _run_due(self, now: int, answers_max: int) -> None:
        """Work through what is due, in the order of its time; at one instant rules go before answers."""
        while True:
            answer_due = self._unanswered[0][0] if self._unanswered and answers_max > 0 else None
            if answer_due is not None and answer_due <= now and not (self._queue and self._queue[0][0] <= answer_due):
                due, reg = heapq.heappop(self._unanswered)
                answers_max -= self._on_answers_due(reg, due, max(due, self.record.at))
                continue
            if not self._queue or self._queue[0][0] > now:
                return
            due, kind, reg, door, code = heapq.heappop(self._queue)
            at = max(due, self.record.at)
            if kind == WATCH:
                self._on_watch(reg, due, at)
            elif kind == STAND:
                self._on_stand_watch(reg, due, at)
            elif kind == SHELF:
                self._cause = f"shelf|{code}|{due}"
                actions.end_shelf(self, reg, door, code, at)
            elif kind == PERMIT:
                self._cause = f"permit|{code}|{due}"
                permits.lapse(self, code, at)
            elif kind == REPORT:
                self._cause = f"report|{reg}/{door}/{code}|{due}"
                reports.end_report(self, reg, door, code, at)
            elif kind == ESCALATION:
                self._on_escalation(reg, door, code, due, at)
            elif kind == TRAVEL:
                self._on_travel_due(reg, door, at)
            else:
                self._on_rule_due(reg, door, code, due, at)

    def _on_rule_due(self, reg: str, door: str, code: str, due: int, at: int) -> None:
        aircraft = self.record.aircraft.get(reg)
        tracker = self.find_tracker(reg, door, code)
        if tracker is None:
            return
        if tracker.queued == due:
            tracker.queued = None
        if tracker.deadline is None or tracker.deadline > due:
            self._queue_tracker(tracker, reg, door, code)
            return
        if aircraft is None:
            self._cause = f"due|{code}|{due}"
            self._judge_site("*", at)
            return
        self._cause = f"wake|{aircraft.last_cause}|{code}"
        self._falls_due = True
        self.settle(aircraft, {None if door == "-" else door: {f"rule:{code}"}}, at)
        self._falls_due = self.ledger.late = False

    def _on_escalation(self, reg: str, door: str, code: str, due: int, at: int) -> None:
        tracker = self.find_tracker(reg, door, code)
        if tracker is not None and tracker.alert is not None and tracker.alert.escalate_due == due:
            self.ledger.escalate(self.place(reg, door, code, at), tracker, due)

    def _on_watch(self, reg: str, due: int, at: int) -> None:
        aircraft = self.record.aircraft.get(reg)
        if aircraft is None or aircraft.watch != due:
            return
        aircraft.watch = None
        changes: Changes = {None: {"feed"}}
        refresh_life(aircraft, at, changes)
        self._update_presence(aircraft, at, changes)
        self._cause = f"silence|{aircraft.last_cause}"
        try:
            self.settle(aircraft, changes, at)
        finally:
            # Whatever happens to this one, the next silence must still be noticed.
            self._arm_watch(aircraft, next_change_of_life(aircraft, at))

    # Readings

    def _on_readings(self, event: ReadingsArrived, now: int) -> None:
        aircraft = self.record.aircraft.get(event.aircraft)
        if aircraft is None:
            aircraft = self._meet(event, now)
            if aircraft is None:
                return
        if event.simulated and not aircraft.simulated:
            aircraft.simulated = True
            self._show_alerts(aircraft, now)
        intake = Intake(aircraft, self.airframe(aircraft), event, now)
        intake.take()
        self.ledger.effects.extend(intake.effects)
        self.ledger.late = intake.late
        self._cause = f"{event.topic}|{event.time}|{event.seq}"
        changes = intake.changes
        if event.bundle:
            self._time_bundle(aircraft, event, now)
        if changes:
            self._note_airframe(aircraft, changes, now)
            self._update_presence(aircraft, now, changes)
            self.settle(aircraft, changes, now, bundle=event.bundle)
        if intake.backlog_turned:
            self.note_answers(aircraft, now)
        if intake.caught_up:
            self._reraise_caught_up(aircraft, now)
        if aircraft.watch is None or aircraft.watch > now + LIFE_LIMIT:
            self._arm_watch(aircraft, next_change_of_life(aircraft, now))
        if aircraft.live_at is None and aircraft.newest_time is not None:
            self._arm_watch(aircraft, max(aircraft.newest_time + LEFT_AFTER, now))

    def _meet(self, event: ReadingsArrived, now: int) -> AircraftRecord | None:
        site, known = self.site, self.record.aircraft
        reason = ""
        if event.aircraft not in site.aircraft and not site.visiting:
            reason, detail = "unknown-aircraft", f"{event.aircraft} is not listed and visiting aircraft are not served"
        elif len(known) >= AIRCRAFT_MAX and not self._forget_one():
            reason, detail = "too-many-aircraft", f"{AIRCRAFT_MAX} aircraft are known already; forget those that left"
        if reason:
            self.ledger.effects.append(RejectInput(reason, event.topic, detail))
            return None
        aircraft = known[event.aircraft] = AircraftRecord(event.aircraft, first_seen=now)
        listed = site.aircraft.get(event.aircraft)
        if listed is not None:
            self._adopt_type(aircraft, listed, now, {})
        if not self.record.broker_connected:
            aircraft.calm_until = aircraft.feed_grace_until = now + GRACE
        return aircraft

    def _forget_one(self) -> bool:
        """Make room for a newcomer, if there is anybody that may be forgotten."""
        chosen = choose_forgotten(self.record.aircraft.values(), self.site.aircraft, self.record.at)
        if chosen is None:
            return False
        self._end_everything(chosen, self.record.at, "forgotten")
        del self.record.aircraft[chosen.reg]
        return True

    def _time_bundle(self, aircraft: AircraftRecord, event: ReadingsArrived, now: int) -> None:
        for name in {item.door for item in event.items}:
            door = aircraft.doors.get(name) if name is not None else None
            if door is not None and door.last_bundle_at != now:
                last = door.last_bundle_at
                door.bundle_slow = last is None or now - last > SLOW_BUNDLE
                door.last_bundle_at = now

    def _note_airframe(self, aircraft: AircraftRecord, changes: Changes, now: int) -> None:
        """Follow the airframe signals that say who and where the aircraft is."""
        changed = changes.get(None, set())
        if "airframe/type" in changed:
            told = aircraft.readings["type"]
            kind = told.value if told.quality is Quality.GOOD else None
            if isinstance(kind, str) and kind and kind != aircraft.type:
                self._adopt_type(aircraft, kind, now, changes)
        if "airframe/stand" in changed and aircraft.readings["stand"].quality is Quality.GOOD:
            stand = aircraft.readings["stand"].value
            aircraft.stand = stand if isinstance(stand, str) else ""
            changes[None].add("*")
            self._show_alerts(aircraft, now)
        if "airframe/weight_on_wheels" in changed:
            weight = aircraft.readings["weight_on_wheels"]
            if weight.quality is Quality.GOOD and weight.value is not None:
                self._note_weight(aircraft, weight, now)

    def _show_alerts(self, aircraft: AircraftRecord, now: int) -> None:
        """Publish again what stands, since something about the aircraft itself is in it."""
        for reg, door, code, tracker in self._trackers_of(aircraft):
            if tracker.alert is not None:
                self.ledger.show(self.place(reg, door, code, now), tracker.alert)

    def _on_answers_due(self, reg: str, due: int, at: int) -> bool:
        """Look at an aircraft's answers if it is their turn; tell whether it was."""
        aircraft = self.record.aircraft.get(reg)
        if aircraft is None or due not in (aircraft.readiness_due, aircraft.readiness_later):
            return False
        if aircraft.readiness_due != due:
            aircraft.readiness_later = None
            self.note_answers(aircraft, at)
            return False
        aircraft.readiness_due = aircraft.readiness_later = None
        aircraft.readiness_at = at
        document = None
        if aircraft.presence is not Presence.AWAY and self.airframe(aircraft) is not None:
            kept = self._kept.get(reg)
            if kept is None:
                kept = self._kept[reg] = Kept()
            view = self.view(reg, "-", at)
            document = summarise_readiness(view, site=self.site, parameters=self.parameters, kept=kept)
        if document != aircraft.readiness_shown:
            aircraft.readiness_shown = document
            self.ledger.effects.append(PublishReadiness(reg, document))
        return True

    def _on_shed(self, event: ReadingsShed, now: int) -> None:
        for reg, changes in note_shed(self.record, event, now).items():
            aircraft = self.record.aircraft[reg]
            if changes:
                self.settle(aircraft, changes, now)
            self._arm_watch(aircraft, next_change_of_life(aircraft, now))
        self._judge_site("overload", now)

    def _reraise_caught_up(self, aircraft: AircraftRecord, now: int) -> None:
        for reg, door, code, tracker in list(self._trackers_of(aircraft)):
            for level in tracker.levels:
                level.late = False
            if tracker.alert is not None and tracker.alert.late:
                self.ledger.reraise_caught_up(self.place(reg, door, code, now), tracker)
