"""What would follow if somebody did something at a door now.

Owns asking the core about a copy of one aircraft: each action that is possible at a door is
played out on its own copy for :data:`HORIZON_S`, and the states and alerts that come of it
are told. Nothing of the real state is touched: the copy is cut off from it first.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from monitor.core.airframe import Site
from monitor.core.documents import describe_deafness
from monitor.core.effects import Document, Effect, PublishDoor, PublishEvent
from monitor.core.events import Item, ReadingsArrived, StandReadingArrived
from monitor.core.intake import LIFE_LIMIT
from monitor.core.lookahead_actions import Action, Readings, list_actions
from monitor.core.signals import HEARTBEAT, Quality, Value
from monitor.core.state import AircraftRecord, SiteRecord
from monitor.core.system import System
from monitor.core.times import SECOND, format_time
from monitor.core.view import View, is_judged

HORIZON_S: Final = 125.0
"""Long enough for the longest delay in the catalogue, 120 s, to run out."""
BEAT_S: Final = 10.0

_PRESSURE: Final = "differential_pressure_hpa"


class Branch:
    """One aircraft cut off from the rest: a frozen copy from which any number of futures start."""

    def __init__(self, system: System, reg: str, door: str, now: int) -> None:
        """Copy what bears on the aircraft; raises ``KeyError`` for an aircraft or door that is not known."""
        record = system.record
        aircraft = record.aircraft[reg]
        aircraft.doors[door]  # raises for a door that is not known
        self.site: Final[Site] = system.site
        self.reg, self.door, self.now = reg, door, now
        stands = {aircraft.stand: record.stands[aircraft.stand]} if aircraft.stand in record.stands else {}
        part: SiteRecord = replace(record, aircraft={reg: aircraft}, stands=stands)
        self._frozen: Final = pickle.dumps(part, protocol=pickle.HIGHEST_PROTOCOL)

    def future(self) -> Future:
        """Start a future from the copy."""
        # Ours from end to end: it was pickled above, from our own records.
        return Future(self, System(self.site, pickle.loads(self._frozen), answering=False))  # noqa: S301


class Future:
    """One way on from now, played on its own copy."""

    def __init__(self, branch: Branch, system: System) -> None:
        self._branch = branch
        self.system = system
        self._now = branch.now
        self._beats = branch.now
        self.states: list[str] = []
        self.events: list[PublishEvent] = []
        self._note(system.advance(branch.now))

    @property
    def aircraft(self) -> AircraftRecord:
        return self.system.record.aircraft[self._branch.reg]

    @property
    def view(self) -> View:
        return self.system.view(self._branch.reg, self._branch.door, self._now)

    def play(self, action: Action | None) -> None:
        """Do an action's steps, and let time pass to the horizon."""
        for after_s, readings in action.steps if action is not None else ():
            self._pass_until(self._branch.now + round(after_s * SECOND))
            self._send(readings)
        self._pass_until(self._branch.now + round(HORIZON_S * SECOND))

    def _pass_until(self, until: int) -> None:
        every = round(BEAT_S * SECOND)
        while self._beats + every <= until:
            self._beats += every
            self._advance(self._beats)
            self._keep_alive()
        self._advance(until)

    def _advance(self, until: int) -> None:
        # Deadline by deadline, so that each finds the state as it then is, as on a live instance.
        while (due := self.system.next_deadline()) is not None and due <= until:
            self._note(self.system.advance(max(due, self._now)))
        self._now = until
        self._note(self.system.advance(until))

    def _keep_alive(self) -> None:
        """Let what is heard now go on being heard, unchanged; what is silent now stays silent."""
        aircraft, now = self.aircraft, self._now
        beat = aircraft.sender.heartbeat_at
        fresh: dict[tuple[str | None, str], Value] = {
            (None, signal): reading.value
            for signal, reading in aircraft.readings.items()
            if not reading.stale and reading.quality is Quality.GOOD and reading.value is not None
        }
        if beat is not None and now < beat + LIFE_LIMIT:
            self._send({(None, HEARTBEAT): (aircraft.sender.heartbeat or 0) + 1})
            pressure = fresh.get((None, _PRESSURE))
            if pressure is not None:
                self._send({(None, _PRESSURE): pressure})
        elif beat is None:
            readings: dict[tuple[str | None, str], Value] = dict(fresh)
            for name, door in aircraft.doors.items():
                for signal, reading in door.readings.items():
                    if not reading.stale and reading.quality is Quality.GOOD and reading.value is not None:
                        readings[name, signal] = reading.value
            if readings:
                self._send(readings)
        for name, door in aircraft.doors.items():
            own = door.sender
            if own is not None and own.heartbeat_at is not None and now < own.heartbeat_at + LIFE_LIMIT:
                self._send({(name, HEARTBEAT): (own.heartbeat or 0) + 1})
        for stand in self.system.record.stands.values():
            for signal, reading in list(stand.readings.items()):
                if not reading.stale and reading.value is not None:
                    event = StandReadingArrived(
                        stand.name, "", None, None, False, False, signal, reading.value, reading.quality
                    )
                    self._note(self.system.step(event, now))

    def _send(self, readings: Readings) -> None:
        # Without a stamp: nothing here is to be put in order with what a real sender says.
        items = tuple(Item(door, signal, value, Quality.GOOD) for (door, signal), value in readings.items())
        simulated = self.aircraft.simulated
        event = ReadingsArrived(self._branch.reg, "", len(items) > 1, None, None, False, simulated, items)
        self._note(self.system.step(event, self._now))

    def _note(self, effects: Iterable[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, PublishEvent):
                self.events.append(effect)
            elif isinstance(effect, PublishDoor) and effect.door == self._branch.door and effect.document is not None:
                state = str(effect.document["state"])
                if not self.states or self.states[-1] != state:
                    self.states.append(state)

    def raised(self) -> list[Document]:
        """What would sound: every alert raised, raised again or risen, once a code, door and priority, in order."""
        found: dict[tuple[str, str, str], Document] = {}
        for event in self.events:
            data = event.data
            sounding = event.type in ("raised", "reraised", "unsuppressed") or (
                event.type == "reprioritised" and data["state"] == "unacknowledged"
            )
            key = (event.code, event.door, str(data["priority"]))
            if sounding and key not in found:
                found[key] = {
                    "code": event.code,
                    "door": event.door,
                    "priority": data["priority"],
                    "after_s": round((event.time - self._branch.now) / SECOND, 3),
                    "text": data["text"],
                    "action": data["action"],
                }
        return list(found.values())

    def ended(self) -> list[Document]:
        """What would end."""
        return [
            {
                "code": event.code,
                "door": event.door,
                "after_s": round((event.time - self._branch.now) / SECOND, 3),
            }
            for event in self.events
            if event.type == "cleared"
        ]


def look_ahead(branch: Branch) -> Document:
    """Play out every action that is possible at the branch's door, and doing nothing.

    An action's ``alerts`` leaves out what would come anyway. States and alerts are those
    that this monitor would show, from what it can see: ``deaf_to`` says what it cannot.
    """
    idle = branch.future()
    view, door = idle.view, idle.view.door
    document: Document = {
        "aircraft": branch.reg,
        "door": branch.door,
        "at": format_time(branch.now),
        "state": str(view.state),
        "horizon_s": HORIZON_S,
        "deaf_to": describe_deafness(door.deaf_to) if door is not None else [],
        "advisory": "What the monitor would show; the aircraft's manuals, local rules and the crew's own look decide.",
    }
    aircraft = idle.aircraft
    if aircraft.simulated:
        document["simulated"] = True
    if not is_judged(aircraft):
        why = (
            "it is only known from messages left on the broker"
            if aircraft.left_on_broker
            else "its readings do not count now"
        )
        document |= {"cannot_tell": f"Cannot tell: {why}.", "if_nothing_is_done": [], "actions": []}
        return document
    actions = list_actions(view)
    idle.play(None)
    anyway = idle.raised()
    known = {(alert["code"], alert["door"], alert["priority"]) for alert in anyway}
    document |= {"cannot_tell": None, "if_nothing_is_done": anyway, "actions": []}
    over = {(alert["code"], alert["door"]) for alert in idle.ended()}
    for action in actions:
        future = branch.future()
        future.play(action)
        alerts = [a for a in future.raised() if (a["code"], a["door"], a["priority"]) not in known]
        document["actions"].append(
            {
                "action": action.name,
                "text": action.text,
                "readings": [
                    {"after_s": after_s, "readings": {_path(*place): value for place, value in readings.items()}}
                    for after_s, readings in action.steps
                ],
                "state": str(future.view.state),
                "states": future.states,
                "alerts": alerts,
                "ends": [e for e in future.ended() if (e["code"], e["door"]) not in over],
            }
        )
    return document


def _path(door: str | None, signal: str) -> str:
    return f"airframe/{signal}" if door is None else f"door/{door}/{signal}"
