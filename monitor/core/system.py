"""The whole core in one place: an event in, effects out.

Owns the order in which one instant is worked through: deadlines that fell due, then the
event's readings, then each door's state, then the rules that read what changed, then the
documents that must go out. ``step`` is the only way in which the state changes; restoring
is a snapshot and the same ``step`` again.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping
from typing import Final

from monitor.core import actions, documents
from monitor.core.airframe import AirframeType, DoorKind, Site
from monitor.core.deaf import list_deafness
from monitor.core.door import State, is_legal, move, observe
from monitor.core.effects import CountImplausible, Effect, PublishDoor, RejectInput
from monitor.core.events import (
    BrokerConnected,
    BrokerDisconnected,
    Event,
    MonitorStarted,
    ReadingsArrived,
    StandReadingArrived,
)
from monitor.core.intake import (
    AWAY_AFTER,
    LEFT_AFTER,
    Changes,
    Intake,
    next_change_of_life,
    refresh_life,
)
from monitor.core.judge import judge
from monitor.core.ledger import Ledger, Place
from monitor.core.order import Verdict, decide_order, note_offset
from monitor.core.rules import AIRCRAFT_RULES, DOOR_RULES, SITE_RULES
from monitor.core.rules.rule import PRESSURE, Parameters, Rule
from monitor.core.signals import DOOR_SIGNALS, Quality
from monitor.core.state import (
    AircraftRecord,
    DoorRecord,
    Presence,
    Reading,
    SiteRecord,
    StandRecord,
    Tracker,
)
from monitor.core.times import MILLISECOND, SECOND
from monitor.core.view import View

AIRCRAFT_MAX: Final = 2000
STANDS_MAX: Final = 2000
GRACE: Final = 30 * SECOND
SLOW_BUNDLE: Final = 500 * MILLISECOND
"""Bundles further apart than this come slower than 2 Hz."""

_WATCH, _RULE, _SHELF = 0, 1, 2

Index = Mapping[str, tuple[int, ...]]


def _index(rules: Iterable[tuple[int, Rule]]) -> Index:
    index: dict[str, list[int]] = {}
    for number, rule in rules:
        for name in (*rule.reads, "*", *(f"alert:{code}" for code in rule.suppressed_by)):
            index.setdefault(name, []).append(number)
    return {name: tuple(numbers) for name, numbers in index.items()}


_RESIDUAL: Final = next(rule for rule in DOOR_RULES if rule.code == "residual-pressure")
_UNSHOWN: Final = frozenset(DOOR_SIGNALS) - frozenset(documents.STATE_SIGNALS) | {"travel"}
"""Door signals whose value alone does not change the door's document."""

_AIRCRAFT_INDEX: Final = _index(enumerate(AIRCRAFT_RULES))


class System:
    """One site's state and the only two ways to move it: :meth:`step` and :meth:`advance`."""

    def __init__(self, site: Site, record: SiteRecord | None = None) -> None:
        self.site = site
        self.record = record if record is not None else SiteRecord()
        self.ledger = Ledger(site.name)
        self._cause = ""
        self._queue: list[tuple[int, int, str, str, str]] = []
        self._parameters: dict[tuple[int, str, str], Parameters] = {}
        self._least_pressure: dict[str, float] = {}
        self._indexes: dict[tuple[str, str], Index] = {}
        self._deaf: dict[tuple[tuple[str, ...], ...], tuple[tuple[str, ...], ...]] = {}
        self._requeue()

    # The way in

    def step(self, event: Event, now: int) -> list[Effect]:
        """Take one event at ``now`` (µs) and return what follows, in order.

        What fell due by ``now`` is judged before the event. A ``now`` before the last one
        counts as the last one.
        """
        now = max(now, self.record.at)
        if isinstance(event, MonitorStarted):
            self._note_start(now)
        self._run_due(now)
        self.record.at = now
        if isinstance(event, ReadingsArrived):
            self._on_readings(event, now)
        elif isinstance(event, StandReadingArrived):
            self._on_stand_reading(event, now)
        elif isinstance(event, MonitorStarted):
            self._judge_site("broker", now)
        elif isinstance(event, (BrokerConnected, BrokerDisconnected)):
            self._on_broker(event, now)
        else:
            self.ledger.effects.extend(actions.act(self, event, now))
        return self._take_effects()

    def advance(self, now: int) -> list[Effect]:
        """Judge what falls due up to and including ``now``."""
        self._run_due(now)
        self.record.at = max(now, self.record.at)
        return self._take_effects()

    def next_deadline(self) -> int | None:
        """Return when :meth:`advance` must be called next (µs), if at all."""
        return self._queue[0][0] if self._queue else None

    def _take_effects(self) -> list[Effect]:
        effects = self.ledger.effects
        self.ledger.effects = []
        self.ledger.changed.clear()
        self.ledger.late = False
        return effects

    # Deadlines

    def _push(self, due: int, kind: int, reg: str, door: str, code: str) -> None:
        heapq.heappush(self._queue, (due, kind, reg, door, code))

    def _run_due(self, now: int) -> None:
        while self._queue and self._queue[0][0] <= now:
            due, kind, reg, door, code = heapq.heappop(self._queue)
            at = max(due, self.record.at)
            if kind == _WATCH:
                self._on_watch(reg, due, at)
            elif kind == _SHELF:
                actions.end_shelf(self, reg, door, code, at)
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
        self.ledger.late = aircraft.sender.backlog
        self.settle(aircraft, {None if door == "-" else door: {f"rule:{code}"}}, at)
        self.ledger.late = False

    def _queue_tracker(self, tracker: Tracker, reg: str, door: str, code: str) -> None:
        due = tracker.deadline
        if due is not None and (tracker.queued is None or due < tracker.queued):
            tracker.queued = due
            self._push(due, _RULE, reg, door, code)

    def queue_shelf(self, until: int, reg: str, door: str, code: str) -> None:
        """Note when a shelved alert comes back."""
        self._push(until, _SHELF, reg, door, code)

    def _arm_watch(self, aircraft: AircraftRecord, due: int | None) -> None:
        if due is not None and (aircraft.watch is None or due < aircraft.watch):
            aircraft.watch = due
            self._push(due, _WATCH, aircraft.reg, "", "")

    def _on_watch(self, reg: str, due: int, at: int) -> None:
        aircraft = self.record.aircraft.get(reg)
        if aircraft is None or aircraft.watch != due:
            return
        aircraft.watch = None
        changes: Changes = {None: {"feed"}}
        refresh_life(aircraft, at, changes)
        self._update_presence(aircraft, at, changes)
        self._cause = f"silence|{aircraft.last_cause}"
        self.settle(aircraft, changes, at)
        self._arm_watch(aircraft, next_change_of_life(aircraft, at))

    def _requeue(self) -> None:
        """Rebuild the queue and the index of alerts from the record, as after a restore."""
        for aircraft in self.record.aircraft.values():
            if aircraft.watch is not None:
                self._push(aircraft.watch, _WATCH, aircraft.reg, "", "")
        for reg, door, code, tracker in self.trackers():
            tracker.queued = None
            self._queue_tracker(tracker, reg, door, code)
            if tracker.alert is not None:
                self.ledger.index[tracker.alert.alert_id] = (reg, door, code)
                if tracker.alert.shelved_until is not None:
                    self.queue_shelf(tracker.alert.shelved_until, reg, door, code)

    # Look-ups

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
        return self.site.types.get(aircraft.type)

    def parameters(self, rule: Rule, view: View) -> Parameters:
        """Return a rule's thresholds where it is judged: door over type over site over default."""
        key = (id(rule), view.airframe.name if view.airframe else "", view.door.name if view.door else "")
        found = self._parameters.get(key)
        if found is None:
            merged = dict(rule.parameters)
            for level in (self.site, view.airframe, view.spec):
                if level is not None:
                    merged.update(level.thresholds.get(rule.code, {}))
            found = self._parameters[key] = merged
        return found

    def _door_index(self, view: View) -> Index:
        key = (view.airframe.name if view.airframe else "", view.door.name if view.door else "")
        found = self._indexes.get(key)
        if found is None:
            spec = view.spec
            applying = [(n, r) for n, r in enumerate(DOOR_RULES) if spec is not None and r.applies_to(spec)]
            found = self._indexes[key] = _index(applying)
        return found

    # Readings

    def _on_readings(self, event: ReadingsArrived, now: int) -> None:
        aircraft = self.record.aircraft.get(event.aircraft)
        if aircraft is None:
            aircraft = self._meet(event, now)
            if aircraft is None:
                return
        if event.simulated and not aircraft.simulated:
            aircraft.simulated = True
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
        if intake.caught_up:
            self._reraise_caught_up(aircraft, now)
        if aircraft.watch is None or changes:
            self._arm_watch(aircraft, next_change_of_life(aircraft, now) if aircraft.watch is None else None)

    def _meet(self, event: ReadingsArrived, now: int) -> AircraftRecord | None:
        site, known = self.site, self.record.aircraft
        reason = ""
        if event.aircraft not in site.aircraft and not site.visiting:
            reason, detail = "unknown-aircraft", f"{event.aircraft} is not listed and visiting aircraft are not served"
        elif len(known) >= AIRCRAFT_MAX:
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
            kind = aircraft.readings["type"].value
            if isinstance(kind, str) and kind and kind != aircraft.type:
                self._adopt_type(aircraft, kind, now, changes)
        if "airframe/stand" in changed:
            stand = aircraft.readings["stand"].value
            aircraft.stand = stand if isinstance(stand, str) else ""
            changes[None].add("*")
        if "airframe/weight_on_wheels" in changed:
            weight = aircraft.readings["weight_on_wheels"]
            if weight.quality is Quality.GOOD and weight.value is not None:
                self._note_weight(aircraft, weight, now)

    def _note_weight(self, aircraft: AircraftRecord, weight: Reading, now: int) -> None:
        if weight.value is False:
            if aircraft.off_ground_since is None:
                aircraft.off_ground_since = now
                self._arm_watch(aircraft, now + AWAY_AFTER)
        elif aircraft.off_ground_since is not None:
            aircraft.off_ground_since = None
            aircraft.sent_away = False
            aircraft.feed_grace_until = max(aircraft.feed_grace_until, now + GRACE)

    def _adopt_type(self, aircraft: AircraftRecord, kind: str, now: int, changes: Changes) -> None:
        airframe = self.site.types.get(kind)
        if airframe is None:
            return
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
        refresh_life(aircraft, now, changes)
        changes.setdefault(None, set()).add("*")
        self._arm_watch(aircraft, next_change_of_life(aircraft, now))

    def _on_stand_reading(self, event: StandReadingArrived, now: int) -> None:
        stand = self.record.stands.get(event.stand)
        if stand is None:
            if event.stand not in self.site.stands and len(self.record.stands) >= STANDS_MAX:
                self.ledger.effects.append(
                    RejectInput("too-many-stands", event.topic, f"{STANDS_MAX} stands are known already")
                )
                return
            stand = self.record.stands[event.stand] = StandRecord(event.stand)
        last = stand.readings.get(event.signal)
        verdict = decide_order(last, time=event.time, seq=event.seq, bundle=False, now=now, epoch=stand.sender.epoch)
        if verdict is not Verdict.TAKEN:
            self.ledger.effects.append(actions.count_dropped(verdict.value))
            return
        ahead = event.time is not None and event.time > now + 60 * SECOND
        stand.readings[event.signal] = Reading(
            event.value, event.quality, event.time, event.seq, False, ahead, now, stand.sender.epoch
        )
        if event.time is not None and not event.retained:
            note_offset(stand.sender, event.time, now)

    # The feed and the aircraft's presence

    def _note_start(self, now: int) -> None:
        """Nothing was heard while this instance was down: silence till now is nobody's."""
        self.record.broker_connected = False
        self.record.broker_why = "starting"
        self._give_grace(now)

    def _give_grace(self, now: int) -> None:
        for aircraft in self.record.aircraft.values():
            aircraft.calm_until = aircraft.feed_grace_until = now + GRACE
            self._arm_watch(aircraft, now + GRACE)

    def _on_broker(self, event: BrokerConnected | BrokerDisconnected, now: int) -> None:
        self.record.broker_connected = isinstance(event, BrokerConnected)
        self.record.broker_why = "" if isinstance(event, BrokerConnected) else event.why
        if self.record.broker_connected:
            self._give_grace(now)
        self._cause = f"broker|{now}"
        self._judge_site("broker", now)

    def _update_presence(self, aircraft: AircraftRecord, now: int, changes: Changes) -> None:
        left = (
            aircraft.live_at is None and aircraft.newest_time is not None and now - aircraft.newest_time >= LEFT_AFTER
        )
        if left != aircraft.left_on_broker:
            aircraft.left_on_broker = left
            changes.setdefault(None, set()).update(("*", "presence"))
        power = aircraft.readings.get("power")
        off_since = aircraft.off_ground_since
        if aircraft.sent_away or (off_since is not None and now - off_since >= AWAY_AFTER):
            presence = Presence.AWAY
        elif aircraft.parked or (power is not None and power.value == "off" and power.quality is Quality.GOOD):
            presence = Presence.POWERED_DOWN
        else:
            presence = Presence.PRESENT
        if presence is not aircraft.presence:
            self._change_presence(aircraft, presence, now)
            changes.setdefault(None, set()).update(("*", "presence"))

    def _change_presence(self, aircraft: AircraftRecord, presence: Presence, now: int) -> None:
        before, aircraft.presence = aircraft.presence, presence
        if presence is Presence.PRESENT:
            aircraft.calm_until = max(aircraft.calm_until, now + GRACE)
            aircraft.feed_grace_until = max(aircraft.feed_grace_until, now + GRACE)
            self._arm_watch(aircraft, now + GRACE)
        elif presence is Presence.AWAY:
            self._send_away(aircraft, now)
        if before is Presence.AWAY:
            for door in aircraft.doors.values():
                door.shown = ""

    def _send_away(self, aircraft: AircraftRecord, now: int) -> None:
        """End what was active, empty what is retained, and stop every clock where it is."""
        for reg, door, code, tracker in list(self._trackers_of(aircraft)):
            if tracker.alert is not None:
                self.ledger.dismiss(self.place(reg, door, code, now), tracker, by=None, reason="away")
                owner = aircraft.trackers if door == "-" else aircraft.doors[door].trackers
                del owner[code]
                continue
            tracker.deadline = None
            for level in tracker.levels:
                if level.since is not None:
                    level.ran += now - level.since
                    level.since = None
        for name in aircraft.doors:
            self.ledger.effects.append(PublishDoor(aircraft.reg, name, None))

    def _trackers_of(self, aircraft: AircraftRecord) -> Iterable[tuple[str, str, str, Tracker]]:
        for code, tracker in aircraft.trackers.items():
            yield aircraft.reg, "-", code, tracker
        for door in aircraft.doors.values():
            for code, tracker in door.trackers.items():
                yield aircraft.reg, door.name, code, tracker

    def declare_presence(self, aircraft: AircraftRecord, presence: Presence, now: int) -> None:
        """Take a person's word for where an aircraft is."""
        aircraft.sent_away = presence is Presence.AWAY
        aircraft.parked = presence is Presence.POWERED_DOWN
        if presence is Presence.PRESENT:
            aircraft.off_ground_since = None
        changes: Changes = {}
        self._update_presence(aircraft, now, changes)
        if changes:
            self.settle(aircraft, changes, now)

    def _reraise_caught_up(self, aircraft: AircraftRecord, now: int) -> None:
        for reg, door, code, tracker in list(self._trackers_of(aircraft)):
            if tracker.alert is not None and tracker.alert.late:
                self.ledger.reraise_caught_up(self.place(reg, door, code, now), tracker)

    # Settling one instant

    def settle(
        self, aircraft: AircraftRecord, changes: Changes, now: int, *, bundle: bool = False, reset: bool = False
    ) -> None:
        """Work through what changed at one aircraft: states, then rules, then documents."""
        airframe = self.airframe(aircraft)
        if airframe is None or aircraft.presence is Presence.AWAY:
            return
        air = changes.get(None, set())
        everything = "*" in air
        views: dict[str, View] = {}
        for name in list(aircraft.doors) if everything else [name for name in changes if name is not None]:
            door = aircraft.doors[name]
            view = views[name] = View(self.record, now, aircraft, airframe, door)
            change = changes.setdefault(name, set())
            if everything:
                change.add("*")
            self._update_door(view, door, change, bundle=bundle, reset=reset)
        heeded = self._heed(aircraft, airframe, air)
        deafened = everything or not air.isdisjoint(("life", "quality"))
        self._judge_aircraft(aircraft, airframe, air, changes, now)
        for name, door in aircraft.doors.items():
            door_changes = changes.get(name)
            if door_changes is None and not heeded:
                continue
            view = views.get(name) or View(self.record, now, aircraft, airframe, door)
            door_changes = set() if door_changes is None else door_changes
            self._judge_door(view, door, door_changes, heeded)
            if not door_changes <= _UNSHOWN or deafened:
                relevant = deafened or not door_changes.isdisjoint(("life", "quality", "*"))
                self._show_door(view, door, aircraft, refresh_deafness=relevant)

    def _heed(self, aircraft: AircraftRecord, airframe: AirframeType, air: set[str]) -> set[str]:
        """Leave out a change of pressure that stays too low to matter at any door: it comes every few seconds."""
        if PRESSURE not in air:
            return air
        least = self._least_pressure.get(airframe.name)
        if least is None:
            views = [View(self.record, 0, aircraft, airframe, door) for door in aircraft.doors.values()]
            limits = [self.parameters(_RESIDUAL, view) for view in views]
            least = min((p["limit_hpa"] - p["dead_band_hpa"] for p in limits), default=0.0)
            self._least_pressure[airframe.name] = least
        pressure = View(self.record, 0, aircraft, airframe).pressure
        low = pressure is not None and abs(pressure) <= least
        stays, aircraft.pressure_low = low and aircraft.pressure_low, low
        return air - {PRESSURE} if stays else air

    def _update_door(self, view: View, door: DoorRecord, changes: set[str], *, bundle: bool, reset: bool) -> None:
        now = view.now
        _note_access(view, door)
        if view.has_slide and view.true("slide_released") and not door.deployed and not reset:
            door.deployed = True
            door.released_in_emergency = view.emergency
        outside = view.true("outside_handle_lifted")
        if not outside:
            door.outside_since = None
        elif door.outside_since is None:
            door.outside_since = now
        if view.leaf_out is not door.leaf_out:
            door.leaf_out = view.leaf_out
            changes.add("leaf")
        target = observe(view)
        if target is not State.ARMED_UNLOCKED:
            door.armed_moved_since = None
        elif not outside and door.armed_moved_since is None:
            door.armed_moved_since = now
            changes.add("state")
        if target != door.state:
            self._move_door(view, door, target, changes, bundle=bundle, reset=reset)

    def _move_door(
        self, view: View, door: DoorRecord, target: State, changes: set[str], *, bundle: bool, reset: bool
    ) -> None:
        now, source = view.now, State(door.state)
        overwing = view.spec is not None and view.spec.kind is DoorKind.OVERWING
        legal = is_legal(source, target, hold_open=view.has_hold_open, bundle=bundle, overwing=overwing, reset=reset)
        move(door, target)
        door.since = now
        changes.add("state")
        if legal:
            # A change into unknown ends nothing.
            if target is not State.UNKNOWN:
                door.implausible = False
                if door.jump_standing:
                    door.jump_standing = False
                    changes.add("jump")
            return
        door.implausible = True
        door.jumps += 1
        changes.add("jump")
        reg = view.aircraft.reg if view.aircraft is not None else ""
        self.ledger.effects.append(CountImplausible(reg, door.name, source, target))
        if not (bundle and door.bundle_slow):
            door.jump_standing = True
            return
        limits = next(r for r in DOOR_RULES if r.code == "implausible-jump")
        p = self.parameters(limits, view)
        since = now - int(p["slow_feed_window_s"] * SECOND)
        door.slow_jumps = [at for at in door.slow_jumps if at > since] + [now]
        door.jump_standing = door.jump_standing or len(door.slow_jumps) >= p["slow_feed_jumps"]

    def _judge_site(self, change: str, now: int) -> None:
        view = View(self.record, now)
        for rule in SITE_RULES:
            if change in rule.reads or change == "*":
                self._judge(rule, view, self.record.trackers, "-")

    def _judge_aircraft(
        self, aircraft: AircraftRecord, airframe: AirframeType, air: set[str], changes: Changes, now: int
    ) -> None:
        numbers: set[int] = set()
        for name in air:
            numbers.update(_numbers(_AIRCRAFT_INDEX, name, AIRCRAFT_RULES))
        for door, names in changes.items():
            if door is not None:
                for name in names:
                    numbers.update(_AIRCRAFT_INDEX.get(f"doors/{name}", ()))
        if not numbers:
            return
        view = View(self.record, now, aircraft, airframe)
        while numbers:
            number = min(numbers)
            numbers.discard(number)
            seen = len(self.ledger.changed)
            self._judge(AIRCRAFT_RULES[number], view, aircraft.trackers, "-")
            for _, _, code in self.ledger.changed[seen:]:
                air.add(f"alert:{code}")
                numbers.update(n for n in _AIRCRAFT_INDEX.get(f"alert:{code}", ()) if n > number)
        if not air.isdisjoint(("*", "life", "quality")):
            aircraft.deaf_to = self._intern(list_deafness(view, AIRCRAFT_RULES))

    def _judge_door(self, view: View, door: DoorRecord, changes: set[str], air: set[str]) -> None:
        index = self._door_index(view)
        numbers: set[int] = set()
        for name in changes:
            numbers.update(_numbers(index, name, DOOR_RULES))
        for name in air:
            # What changed about the airframe as a whole is not a change of every door's readings.
            if name not in ("life", "quality") and not name.startswith("rule:"):
                numbers.update(index.get(name, ()))
        while numbers:
            number = min(numbers)
            numbers.discard(number)
            seen = len(self.ledger.changed)
            self._judge(DOOR_RULES[number], view, door.trackers, door.name)
            for _, _, code in self.ledger.changed[seen:]:
                numbers.update(n for n in index.get(f"alert:{code}", ()) if n > number)
            if len(self.ledger.changed) > seen:
                changes.add("alert")

    def _judge(self, rule: Rule, view: View, trackers: dict[str, Tracker], door: str) -> None:
        view.wake = None
        parameters = self.parameters(rule, view)
        judgement, tracker = judge(rule, view, parameters, trackers.get(rule.code), self._cause)
        if tracker is None:
            return
        trackers[rule.code] = tracker
        self.ledger.settle(
            Place(rule, view, door), tracker, judgement, parameters, silent=self._is_silent(rule, view, trackers)
        )
        if tracker.alert is None and tracker.deadline is None and not any(x.held for x in tracker.levels):
            del trackers[rule.code]
            return
        reg = view.aircraft.reg if view.aircraft is not None else "-"
        self._queue_tracker(tracker, reg, door, rule.code)

    def _is_silent(self, rule: Rule, view: View, trackers: Mapping[str, Tracker]) -> bool:
        if rule.unless is not None and rule.unless(view):
            return True
        for code in rule.suppressed_by:
            tracker = trackers.get(code)
            if tracker is None and view.aircraft is not None:
                tracker = view.aircraft.trackers.get(code)
            if tracker is not None and tracker.alert is not None:
                latching = any(r.latching for r in DOOR_RULES if r.code == code)
                if tracker.alert.active or latching:
                    return True
        return False

    # Documents

    def _show_door(self, view: View, door: DoorRecord, aircraft: AircraftRecord, *, refresh_deafness: bool) -> None:
        if refresh_deafness:
            spec = view.spec
            rules = [rule for rule in DOOR_RULES if spec is not None and rule.applies_to(spec)]
            door.deaf_to = self._intern(list_deafness(view, rules))
        shown = documents.fingerprint_door(view, door, aircraft)
        if shown != door.shown:
            door.shown = shown
            document = documents.describe_door(view, site=self.site.name)
            self.ledger.effects.append(PublishDoor(aircraft.reg, door.name, document))

    def _intern(self, deaf_to: tuple[tuple[str, ...], ...]) -> tuple[tuple[str, ...], ...]:
        """Share equal lists: thousands of doors are deaf in the same few ways."""
        if len(self._deaf) > 4096:
            self._deaf.clear()
        return self._deaf.setdefault(deaf_to, deaf_to)


def _numbers(index: Index, name: str, rules: tuple[Rule, ...]) -> Iterable[int]:
    if name.startswith("rule:"):
        code = name.removeprefix("rule:")
        return [n for n, rule in enumerate(rules) if rule.code == code]
    return index.get(name, ())


def _note_access(view: View, door: DoorRecord) -> None:
    """Remember that access equipment left while the doorway was open and unguarded."""
    docked, out, guarded = view.docked, view.leaf_out, view.guarded
    if docked is False and door.docked and out and guarded is not True:
        door.access_left = True
    if docked is not None:
        door.docked = docked
    if docked or out is False or guarded:
        door.access_left = False
