"""What is told of a door: its retained document, what cannot be seen there, and how it stands.

Owns when each of them is news. Judges nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from monitor.core import documents
from monitor.core.airframe import AirframeType
from monitor.core.deaf import is_deaf_anew, list_applicable, list_deafness
from monitor.core.effects import NoteDeafness, NoteState, PublishDoor
from monitor.core.exits import EXIT_KINDS
from monitor.core.intake import Changes
from monitor.core.lineup import TRAVEL, Lineup
from monitor.core.rules import AIRCRAFT_RULES
from monitor.core.rules.rule import Rule
from monitor.core.signals import DOOR_SIGNALS
from monitor.core.state import AircraftRecord, DoorRecord, Presence
from monitor.core.times import MILLISECOND
from monitor.core.view import View

UNSHOWN: Final = frozenset(DOOR_SIGNALS) - {*documents.STATE_SIGNALS, "access", "barrier"} | {"travel"}
"""Door signals whose value alone does not change the door's document; a leaf's travel is followed apart."""

_TRAVEL_EVERY: Final = 500 * MILLISECOND
"""A leaf on its way reports ten times a second; its document follows twice a second at most."""


class Showing(Lineup):
    """Tells of doors what is news."""

    def _follow_door(
        self, view: View, door: DoorRecord, aircraft: AircraftRecord, changes: set[str], *, deafened: bool
    ) -> None:
        """Show a door of which something changed that its document says."""
        if not changes <= UNSHOWN or deafened or (door.reports and changes):
            relevant = deafened or not changes.isdisjoint(("life", "quality", "*"))
            self._show_door(view, door, aircraft, refresh_deafness=relevant)
        if "travel" in changes:
            self._follow_travel(view, door, aircraft)

    def _follow_travel(self, view: View, door: DoorRecord, aircraft: AircraftRecord) -> None:
        """Show a leaf that moved, and look again in a moment how far it has come by then."""
        if not door.travel_due and documents.has_moved(view, door):
            door.travel_due = True
            self._push(view.now + _TRAVEL_EVERY, TRAVEL, aircraft.reg, door.name, "")
            self._show_door(view, door, aircraft, refresh_deafness=False, moved=True)

    def _on_travel_due(self, reg: str, name: str, at: int) -> None:
        view = self.view(reg, name, at)
        if view.aircraft is None or view.door is None:
            return
        view.door.travel_due = False
        if view.aircraft.presence is not Presence.AWAY:
            self._follow_travel(view, view.door, view.aircraft)

    def _show_door(
        self, view: View, door: DoorRecord, aircraft: AircraftRecord, *, refresh_deafness: bool, moved: bool = False
    ) -> None:
        if view.spec is None:
            return
        if refresh_deafness:
            self._note_deafness(view, door, list_applicable(view.spec))
        shown = documents.fingerprint_door(view, door, aircraft)
        if moved or shown != door.shown:
            door.shown, door.travel_shown = shown, view.number("travel")
            document = documents.describe_door(view, site=self.site.name)
            self.ledger.effects.append(PublishDoor(aircraft.reg, door.name, document))
            self._note_state(aircraft, door, document["state"], document["slide"], view.now)

    def _note_state(self, aircraft: AircraftRecord, door: DoorRecord, state: str, slide: str, now: int) -> None:
        """Have it kept how a door stands, where that is news."""
        if state != door.state_noted or slide != door.slide_noted:
            door.state_noted, door.slide_noted = state, slide
            self.ledger.effects.append(NoteState(aircraft.reg, door.name, now, state, slide))

    def _follow_deafness(self, aircraft: AircraftRecord, views: Mapping[str, View], changes: Changes) -> None:
        """Look elsewhere too: some hazards need a signal of every exit or slide, so one door can leave others deaf."""
        for name, view in views.items():
            asked = view.spec is not None and (view.spec.kind in EXIT_KINDS or view.spec.slide)
            if asked and not changes[name].isdisjoint(("life", "quality")):
                break
        else:
            return
        self._note_deafness(View(self.record, view.now, aircraft, view.airframe), aircraft, AIRCRAFT_RULES)
        for other, door in aircraft.doors.items():
            if other not in views:
                beside = View(self.record, view.now, aircraft, view.airframe, door)
                if not door.deafness_noted or is_deaf_anew(beside, door.deaf_to):
                    self._show_door(beside, door, aircraft, refresh_deafness=True)

    def _note_deafness(self, view: View, place: AircraftRecord | DoorRecord, rules: Sequence[Rule]) -> None:
        """Remember what cannot be seen at a place, and have it kept where it is news."""
        deaf_to = self._intern(list_deafness(view, rules))
        if deaf_to == place.deaf_to and place.deafness_noted:
            return
        place.deaf_to, place.deafness_noted = deaf_to, True
        if view.aircraft is not None:
            door = place.name if isinstance(place, DoorRecord) else "-"
            self.ledger.effects.append(NoteDeafness(view.aircraft.reg, door, view.now, deaf_to))

    def _note_absence(self, aircraft: AircraftRecord, airframe: AirframeType, now: int) -> None:
        """Nothing is judged while an aircraft is away, so nothing of it can be seen either."""
        self._note_deafness(View(self.record, now, aircraft, airframe), aircraft, AIRCRAFT_RULES)
        for door in aircraft.doors.values():
            view = View(self.record, now, aircraft, airframe, door)
            self._note_deafness(view, door, list_applicable(view.spec))

    def _intern(self, deaf_to: tuple[tuple[str, ...], ...]) -> tuple[tuple[str, ...], ...]:
        """Share equal lists: thousands of doors are deaf in the same few ways."""
        if len(self._deaf) > 4096:
            self._deaf.clear()
        return self._deaf.setdefault(deaf_to, deaf_to)
