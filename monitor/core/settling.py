"""One instant at one aircraft, worked through: states, then rules, then documents.

Owns the order in which what changed is followed up, and that a rule is judged only when
something that it reads has changed. Never takes a reading itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from monitor.core.airframe import AirframeType, DoorKind
from monitor.core.alert import AlertState
from monitor.core.door import State, is_legal, move, observe
from monitor.core.effects import CountImplausible
from monitor.core.intake import (
    Changes,
)
from monitor.core.judge import judge
from monitor.core.ledger import Place
from monitor.core.lineup import Index, index_rules
from monitor.core.notes import NOTED, NOTED_AIRCRAFT, note_aircraft, note_door
from monitor.core.procedures.following import Following
from monitor.core.reports import outdate
from monitor.core.rules import AIRCRAFT_RULES, DOOR_RULES, SITE_RULES
from monitor.core.rules.rule import CHATTER, PRESSURE, Rule, Scope
from monitor.core.showing import UNSHOWN
from monitor.core.signals import DOOR_SIGNALS, STAND_SIGNALS, Kind
from monitor.core.state import (
    AircraftRecord,
    DoorRecord,
    Presence,
    Tracker,
)
from monitor.core.times import SECOND
from monitor.core.view import WIND, View

_JUMP: Final = next(rule for rule in DOOR_RULES if rule.code == "implausible-jump")
_WIND: Final = frozenset(f"stand/{signal}" for signal in WIND)
_WIND_LIMIT: Final = next(rule for rule in DOOR_RULES if rule.code == "wind-limit")
_UNDER_PRESSURE: Final = tuple(
    rule for rule in DOOR_RULES if rule.code in ("residual-pressure", "unlocked-pressurised", "indicator-disagree")
)
_LATCHING: Final = frozenset(rule.code for rule in DOOR_RULES if rule.latching)


_SLOW: Final = frozenset(
    {name for name, signal in DOOR_SIGNALS.items() if signal.kind is Kind.FLOAT}
    | {f"stand/{name}" for name in STAND_SIGNALS}
)
"""What hardly ever changes an answer by itself; what it sets off, an alert or a state, counts by itself."""

_AIRCRAFT_INDEX: Final = index_rules(enumerate(AIRCRAFT_RULES))
_OF_ANY_DOOR: Final = {
    name.removeprefix("doors/"): numbers for name, numbers in _AIRCRAFT_INDEX.items() if name.startswith("doors/")
}
"""What may change at a door → the numbers of the aircraft's rules that read it."""
_IDLE: Final = UNSHOWN - NOTED - _OF_ANY_DOOR.keys()
"""Door signals that neither an aircraft's rules, the door's state nor what is remembered of it is read from."""


class Settling(Following):
    """Follows up what changed."""

    def settle(
        self, aircraft: AircraftRecord, changes: Changes, now: int, *, bundle: bool = False, reset: bool = False
    ) -> None:
        """Work through what changed at one aircraft: states, then rules, then documents."""
        airframe = self.airframe(aircraft)
        if airframe is None:
            return
        self._forget_kept(aircraft, changes)
        if aircraft.presence is Presence.AWAY:
            if "presence" in changes.get(None, ()):
                self._note_absence(aircraft, airframe, now)
            return
        if len(changes) == 1 and self._is_idle(aircraft, airframe, changes, now):
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
            outdate(view, change)
            if not change.isdisjoint(NOTED):
                note_door(view, change)
        if not air.isdisjoint(NOTED_AIRCRAFT) or views:
            note_aircraft(View(self.record, now, aircraft, airframe), air, changes)
        deafened = everything or not air.isdisjoint(("life", "quality"))
        self._judge_aircraft(aircraft, airframe, air, changes, now)
        heeded = self._heed(aircraft, airframe, air)
        telling = not heeded <= _SLOW
        for name in aircraft.doors if deafened else self._list_concerned(aircraft, airframe, views, heeded):
            door = aircraft.doors[name]
            view = views.get(name) or View(self.record, now, aircraft, airframe, door)
            door_changes = changes.get(name, set())
            self._judge_door(view, door, door_changes, heeded)
            telling = telling or not door_changes <= _SLOW
            self._follow_door(view, door, aircraft, door_changes, deafened=deafened)
        if not deafened:
            self._follow_deafness(aircraft, views, changes)
        self._follow_procedures(aircraft, airframe, changes, now)
        if telling:
            self.note_answers(aircraft, now)
        elif heeded or views:
            self.note_answers_later(aircraft, now)

    def _forget_kept(self, aircraft: AircraftRecord, changes: Changes) -> None:
        """Have the answers about what changed worked out anew."""
        kept = self._kept.get(aircraft.reg)
        if kept is None:
            return
        if "*" in changes.get(None, ()):
            del self._kept[aircraft.reg]
        else:
            kept.forget(changes)

    def _list_concerned(
        self, aircraft: AircraftRecord, airframe: AirframeType, views: Mapping[str, View], air: set[str]
    ) -> Iterable[str]:
        """List the doors that changed, and those with a rule that reads what changed about the aircraft."""
        if not air:
            return views
        heeding = self._heeding.get(airframe.name)
        if heeding is None:
            heeding = self._heeding[airframe.name] = self._list_heeding(aircraft, airframe)
        concerned = {name for change in air for name in heeding.get(change, ())}
        return [name for name in aircraft.doors if name in concerned or name in views]

    def _list_heeding(self, aircraft: AircraftRecord, airframe: AirframeType) -> dict[str, list[str]]:
        heeding: dict[str, list[str]] = {}
        for door in aircraft.doors.values():
            for change in self._door_index(View(self.record, 0, aircraft, airframe, door)):
                heeding.setdefault(change, []).append(door.name)
        return heeding

    def _is_idle(self, aircraft: AircraftRecord, airframe: AirframeType, changes: Changes, now: int) -> bool:
        """Tell at once what most readings are: a leaf on its way, which changes nothing that anything reads."""
        ((name, names),) = changes.items()
        if name is None or not names <= _IDLE:
            return False
        door = aircraft.doors[name]
        if door.reports:
            return False
        view = View(self.record, now, aircraft, airframe, door)
        idle = (
            view.leaf_out is door.leaf_out
            and ("travel" not in names or view.has_hold_open)
            and self._door_index(view).keys().isdisjoint(names)
            and not self.is_followed(airframe, door, names)
        )
        if idle and "travel" in names:
            self._follow_travel(view, door, aircraft)
        return idle

    def _heed(self, aircraft: AircraftRecord, airframe: AirframeType, air: set[str]) -> set[str]:
        """Leave out changes of pressure and wind that stay too low to matter at any door: they come every few seconds."""
        if PRESSURE in air:
            air = self._heed_pressure(aircraft, airframe, air)
        return self._heed_wind(aircraft, airframe, air) if not air.isdisjoint(_WIND) else air

    def _heed_wind(self, aircraft: AircraftRecord, airframe: AirframeType, air: set[str]) -> set[str]:
        least = self._least_wind.get(airframe.name)
        if least is None:
            views = [View(self.record, 0, aircraft, airframe, door) for door in aircraft.doors.values()]
            limits = [
                limit - self.parameters(_WIND_LIMIT, view)["below_kt"]
                for view in views
                if view.spec is not None
                for limit in (view.spec.wind_moved_kt, view.spec.wind_held_kt)
                if limit is not None
            ]
            least = self._least_wind[airframe.name] = min(limits, default=0.0)
        low = View(self.record, 0, aircraft, airframe).wind_over(least) is False
        stays, aircraft.wind_low = low and aircraft.wind_low, low
        return air - _WIND if stays else air

    def _heed_pressure(self, aircraft: AircraftRecord, airframe: AirframeType, air: set[str]) -> set[str]:
        least = self._least_pressure.get(airframe.name)
        if least is None:
            views = [View(self.record, 0, aircraft, airframe, door) for door in aircraft.doors.values()]
            limits = [self.parameters(rule, view) for view in views for rule in _UNDER_PRESSURE]
            least = min((p["limit_hpa"] - p["dead_band_hpa"] for p in limits), default=0.0)
            self._least_pressure[airframe.name] = least
        pressure = View(self.record, 0, aircraft, airframe).pressure
        low = pressure is not None and abs(pressure) < least
        stays, aircraft.pressure_low = low and aircraft.pressure_low, low
        return air - {PRESSURE} if stays else air

    def _update_door(self, view: View, door: DoorRecord, changes: set[str], *, bundle: bool, reset: bool) -> None:
        now = view.now
        if view.leaf_out is not door.leaf_out:
            door.leaf_out = view.leaf_out
            changes.add("leaf")
        elif changes <= UNSHOWN and ("travel" not in changes or view.has_hold_open):
            # A leaf on its way, a bottle's pressure: nothing that the door's state is read from.
            return
        _note_access(view, door)
        if view.has_slide and view.true("slide_released") and not door.deployed and not reset:
            door.deployed = True
            door.released_in_emergency = view.emergency
        outside = view.true("outside_handle_lifted")
        if outside is False:
            door.outside_since = None
        elif outside and door.outside_since is None:
            door.outside_since = now
        target = observe(view)
        if target is not State.ARMED_UNLOCKED:
            door.armed_moved_since = None
        elif door.armed_moved_since is None and (outside is False or (outside is None and target != door.state)):
            # Not by the outside handle, as far as is known; an unknown one later on changes nothing.
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
        p = self.parameters(_JUMP, view)
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
                    numbers.update(_OF_ANY_DOOR.get(name, ()))
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
            self._note_deafness(view, aircraft, AIRCRAFT_RULES)

    def _judge_door(self, view: View, door: DoorRecord, changes: set[str], air: set[str]) -> None:
        if view.spec is None:
            return
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
        judgement, tracker = judge(rule, view, parameters, trackers.get(rule.code), self._cause, late=self.ledger.late)
        if self._falls_due:
            # What falls due is as late as the reading that started it.
            self.ledger.late = judgement.late
        if tracker is None:
            return
        trackers[rule.code] = tracker
        self.ledger.settle(
            Place(rule, view, door),
            tracker,
            judgement,
            parameters,
            silent=self.is_silent(rule, view, trackers),
            hold=rule.scope is Scope.DOOR and rule.code != CHATTER and _chatters(trackers),
        )
        if tracker.alert is None and tracker.deadline is None and not any(x.held for x in tracker.levels):
            del trackers[rule.code]
            return
        reg = view.aircraft.reg if view.aircraft is not None else "-"
        self._queue_tracker(tracker, reg, door, rule.code)

    def is_silent(self, rule: Rule, view: View, trackers: Mapping[str, Tracker]) -> bool:
        """Tell whether something silences a rule's alert now."""
        if rule.unless is not None and rule.unless(view):
            return True
        for code in rule.suppressed_by:
            tracker = trackers.get(code)
            if tracker is None and view.aircraft is not None:
                tracker = view.aircraft.trackers.get(code)
            alert = tracker.alert if tracker is not None else None
            # A latched release stands until the door's reset, active or not; what is out of service
            # says nothing itself, so it takes the word from nobody.
            if (
                alert is not None
                and alert.state is not AlertState.OUT_OF_SERVICE
                and (alert.active or code in _LATCHING)
            ):
                return True
        return False


def _numbers(index: Index, name: str, rules: tuple[Rule, ...]) -> Iterable[int]:
    if name.startswith("rule:"):
        code = name.removeprefix("rule:")
        return [n for n, rule in enumerate(rules) if rule.code == code]
    return index.get(name, ())


def _chatters(trackers: Mapping[str, Tracker]) -> bool:
    tracker = trackers.get(CHATTER)
    return tracker is not None and tracker.alert is not None and tracker.alert.active


def _note_access(view: View, door: DoorRecord) -> None:
    """Remember that access equipment left while the doorway was open and unguarded."""
    docked, out, guarded = view.docked, view.leaf_out, view.guarded
    if docked is False and door.docked and out and guarded is not True:
        door.access_left = True
    if docked or (docked is False and out is not None):
        # While the leaf cannot be told, what stood at the door is not forgotten.
        door.docked = docked
    if docked or out is False or guarded:
        door.access_left = False
