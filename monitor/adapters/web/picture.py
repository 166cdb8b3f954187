"""What an open page shows, piece by piece, as it was last told to.

Owns the last-told version of every piece, already encoded, so that a snapshot is little
work and says the very same as the frames before it: what a page missed and what it is
told anew never differ. It decides nothing about doors and knows no client.
"""

from __future__ import annotations

from collections.abc import Callable
from operator import attrgetter
from typing import Any, Final, NamedTuple

import orjson

from monitor.adapters.web.ports import Reader
from monitor.core.alert import AlertState, Priority
from monitor.core.effects import (
    EVENT_TYPE_PREFIX,
    Effect,
    PublishActive,
    PublishDoor,
    PublishEvent,
    PublishProcedure,
    PublishReadiness,
)
from monitor.core.times import SECOND, format_time
from monitor.ports import Readout

Tell = Callable[[str, Readout], None]
"""Sends one frame: its name and its data."""

_VOLATILE: Final = ("last_message_at", "age_s", "clock_offset_s")
"""What of an aircraft changes with every message: never told by a frame of its own.

The beat tells when each was heard, from which its age follows. How its clock stands is in a snapshot alone.
"""
_URGENCY: Final = {str(priority): number for number, priority in enumerate(Priority)}


def encode(document: Readout | None) -> orjson.Fragment | None:
    """Write a document once for every place that it goes to."""
    return None if document is None else orjson.Fragment(orjson.dumps(document))


class _Rank(NamedTuple):
    """What alerts are ordered by: what waits first, then the most urgent, then the newest."""

    handled: bool
    urgency: int
    raised_at: str


class _Aircraft:
    """One aircraft as last told: its row without what is volatile, and its documents by now encoded."""

    __slots__ = ("doors", "looked_at", "procedures", "readiness", "row", "volatile")

    def __init__(self) -> None:
        self.row: Readout = {}
        self.volatile: Readout = {}
        self.looked_at = 0
        self.doors: dict[str, orjson.Fragment | None] = {}
        self.readiness: orjson.Fragment | None = None
        self.procedures: dict[str, orjson.Fragment | None] = {}


Pieces = Callable[[_Aircraft], dict[str, orjson.Fragment | None]]


class Picture:
    """Everything as last told; each change found or handed in is told at once."""

    def __init__(self, reader: Reader, tell: Tell) -> None:
        self._reader = reader
        self._tell = tell
        self._types = orjson.Fragment(orjson.dumps(reader.types()))
        self._aircraft: dict[str, _Aircraft] = {}
        self._stands: dict[str, Readout] = {}
        self._permits: list[Readout] = []
        self._alerts: dict[tuple[str, str, str], tuple[_Rank, orjson.Fragment | None]] = {}
        for alert in reader.alerts():
            self._alerts[alert["aircraft"], alert["door"], alert["code"]] = (_rank(alert), encode(alert))
        self.look_around()

    @property
    def registrations(self) -> list[str]:
        """The aircraft shown."""
        return list(self._aircraft)

    def last_heard(self) -> dict[str, Any]:
        """When each aircraft's last message came, as last looked at."""
        return {reg: shown.volatile.get("last_message_at") for reg, shown in self._aircraft.items()}

    # What is handed in

    def take(self, effect: Effect) -> None:
        """Show what one effect changed, if it changed anything that is shown."""
        if isinstance(effect, PublishDoor):
            self._show_piece("door", effect, attrgetter("doors"))
        elif isinstance(effect, PublishActive):
            reg, door, code, document = effect
            body = encode(document)
            if document is None:
                self._alerts.pop((reg, door, code), None)
            else:
                self._alerts[reg, door, code] = (_rank(document), body)
            self._tell("active", {"aircraft": reg, "door": door, "code": code, "document": body})
        elif isinstance(effect, PublishReadiness):
            self._meet(effect.aircraft)
            body = encode(effect.document)
            if effect.aircraft in self._aircraft:
                self._aircraft[effect.aircraft].readiness = body
            self._tell("readiness", {"aircraft": effect.aircraft, "document": body})
        elif isinstance(effect, PublishProcedure):
            self._show_piece("procedure", effect, attrgetter("procedures"))
        elif isinstance(effect, PublishEvent):
            data = effect._asdict()
            data["time"] = format_time(effect.time)
            data["type"] = f"{EVENT_TYPE_PREFIX}{effect.type}"
            self._tell("event", data)

    def _show_piece(self, kind: str, effect: PublishDoor | PublishProcedure, pieces_of: Pieces) -> None:
        """Show what is told of a door under ``kind``: its document, or its run; ``None`` takes it away."""
        reg, door, document = effect
        if document is not None:
            self._meet(reg)
        body = encode(document)
        shown = self._aircraft.get(reg)
        if shown is not None and document is None:
            pieces_of(shown).pop(door, None)
        elif shown is not None:
            pieces_of(shown)[door] = body
        self._tell(kind, {"aircraft": reg, "door": door, "document": body})

    def _meet(self, reg: str) -> None:
        """Show a new aircraft's row ahead of its documents."""
        if reg not in self._aircraft:
            self.look_at(reg)

    # What is looked for

    def look_at(self, reg: str) -> None:
        """Show an aircraft's row if it changed, and that it left if it did."""
        row = self._reader.row(reg)
        shown = self._aircraft.get(reg)
        if row is None:
            if shown is not None:
                del self._aircraft[reg]
                self._tell("aircraft", {"aircraft": reg, "document": None})
            return
        if shown is None:
            shown = self._aircraft[reg] = _Aircraft()
            if row["presence"] != "away":
                shown.doors = {name: encode(door) for name, door in self._reader.door_documents(reg).items()}
                shown.readiness = encode(self._reader.readiness(reg))
                shown.procedures = {run["door"]: encode(run) for run in self._reader.drilling.runs_at(reg)}
        shown.volatile = {key: row.get(key) for key in _VOLATILE}
        shown.looked_at = self._reader.now()
        lasting = {key: value for key, value in row.items() if key not in _VOLATILE}
        if lasting != shown.row:
            shown.row = lasting
            self._tell("aircraft", {"aircraft": reg, "document": lasting})

    def look_at_stand(self, name: str) -> None:
        """Show a stand if anything but the age of its weather changed, and that it is gone if it is."""
        stand = self._reader.stand(name)
        if stand is None:
            if self._stands.pop(name, None) is not None:
                self._tell("stand", {"stand": name, "document": None})
            return
        before = self._stands.get(name)
        self._stands[name] = stand
        if before is None or {**before, "received_at": None} != {**stand, "received_at": None}:
            self._tell("stand", {"stand": name, "document": stand})

    def look_around(self) -> None:
        """Show what changed of stands and permits."""
        for name in {**self._stands, **self._reader.stands()}:
            self.look_at_stand(name)
        self.look_at_permits()

    def look_at_permits(self) -> None:
        """Show the permits if one was granted, changed or ended."""
        permits = self._reader.permits()
        before, self._permits = self._permits, permits
        if _lasting(before) != _lasting(permits):
            self._tell("permits", {"permits": permits})

    # The whole

    def describe(self, now: int) -> Readout:
        """Write everything as it is shown, for a page that starts."""
        self.look_at_permits()
        alerts = sorted(self._alerts.values(), key=lambda kept: kept[0].raised_at, reverse=True)
        alerts.sort(key=lambda kept: (kept[0].handled, -kept[0].urgency))
        return {
            "types": self._types,
            "stands": self._stands,
            "permits": self._permits,
            "aircraft": [_describe_aircraft(shown, now) for _, shown in sorted(self._aircraft.items())],
            "alerts": [body for _, body in alerts],
        }


def _describe_aircraft(shown: _Aircraft, now: int) -> Readout:
    volatile = shown.volatile
    age = volatile.get("age_s")
    if age is not None:
        volatile = {**volatile, "age_s": round(age + (now - shown.looked_at) / SECOND, 3)}
    procedures = list(shown.procedures.values())
    return {**shown.row, **volatile, "doors": shown.doors, "readiness": shown.readiness, "procedures": procedures}


def _lasting(permits: list[Readout]) -> list[Readout]:
    """Leave out how much is left of each: its end says that."""
    return [{**permit, "seconds_left": None} for permit in permits]


def _rank(alert: Readout) -> _Rank:
    handled = alert["state"] != AlertState.UNACKNOWLEDGED
    return _Rank(handled, _URGENCY.get(str(alert["priority"]), 0), str(alert.get("raised_at")))
