"""The whole core in one place: an event in, effects out.

Owns the order in which one instant is worked through: deadlines that fell due, then the
event's readings, then each door's state, then the rules that read what changed, then the
documents that must go out. ``step`` is the only way in which the state changes; restoring
is a snapshot and the same ``step`` again.
"""

from __future__ import annotations

from typing import Final

from monitor.core import actions, proving
from monitor.core.dues import Dues
from monitor.core.effects import Effect, RejectInput
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
from monitor.core.intake import GRACE, LEFT_AFTER, LIFE_LIMIT, Changes, Intake, next_change_of_life
from monitor.core.notes.identity import follow_claim
from monitor.core.shed import note_shed
from monitor.core.signals import Quality
from monitor.core.state import AircraftRecord
from monitor.core.times import MILLISECOND

AIRCRAFT_MAX: Final = 2000
SLOW_BUNDLE: Final = 500 * MILLISECOND
"""Bundles further apart than this come slower than 2 Hz."""


class System(Dues):
    """One site's state and the only two ways to move it: :meth:`step` and :meth:`advance`."""

    def step(self, event: Event, now: int) -> list[Effect]:
        """Take one event at ``now`` (µs) and return what follows, in order.

        What fell due by ``now`` is judged before the event. A ``now`` before the last one
        counts as the last one.
        """
        now = max(now, self.record.at)
        if isinstance(event, MonitorStarted):
            self._note_start(now)
        self.run_before(event, now)
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

    def abandon(self) -> list[Effect]:
        """Give up an event that could not be taken; returns what it had led to by then."""
        return self._take_effects()

    # Readings

    def _on_readings(self, event: ReadingsArrived, now: int) -> None:
        aircraft = self.record.aircraft.get(event.aircraft)
        if aircraft is None:
            aircraft = self._meet(event, now)
            if aircraft is None:
                return
        turned = event.simulated and not aircraft.simulated
        if turned:
            aircraft.simulated = True
            self._show_alerts(aircraft, now)
        intake = Intake(aircraft, self.airframe(aircraft), event, now)
        intake.take()
        self.ledger.effects.extend(intake.effects)
        self.ledger.late = intake.late
        self._cause = f"{event.topic}|{event.time}|{event.seq}"
        changes = intake.changes
        if turned and aircraft.doors:
            # Every document of it has to say so, and not only those that change now.
            changes.setdefault(None, set()).add("*")
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
