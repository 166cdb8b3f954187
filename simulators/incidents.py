"""Hazards laid over the aircraft's plans, by seed and time.

Owns what can go wrong, when it can (an armed handle needs an armed door), what is then
done step by step until it is put right, and the choice of the next one. It looks at the
aircraft's true state, never at what the monitor says.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, NamedTuple

from monitor.core.airframe import DoorKind
from monitor.core.times import SECOND
from simulators.actor import Actor
from simulators.aircraft import Aircraft, Doorway
from simulators.orders import Order, Verb

Steps = list[tuple[float, Order]]

_RETRY_US: Final = 5 * SECOND


class Incident(NamedTuple):
    """One kind of incident.

    ``where`` returns the doors that it can happen at now (``-`` for the whole aircraft);
    ``script`` the timed orders; ``hold_s`` is how long the aircraft's plan waits for it;
    ``not_before_s`` and ``rarely`` keep the grave ones rare.
    """

    where: Callable[[Aircraft], list[str]]
    script: Callable[[Aircraft, str, random.Random], Steps]
    hold_s: float
    not_before_s: float = 0.0
    rarely: bool = False


def _doors(plane: Aircraft, fits: Callable[[Doorway], bool]) -> list[str]:
    return [name for name, way in plane.doors.items() if fits(way)]


def _quiet(plane: Aircraft) -> bool:
    return plane.parked and not plane.engine_running and not plane.switches["beacon"]


def _armed(plane: Aircraft) -> list[str]:
    return _doors(plane, lambda way: way.armed) if _quiet(plane) else []


def _armed_with_girts(plane: Aircraft) -> list[str]:
    return [name for name in _armed(plane) if "girt_right" in plane.doors[name].type.signals]


def _armed_and_reachable(plane: Aircraft) -> list[str]:
    return [name for name in _armed(plane) if "access" in plane.doors[name].type.signals]


def _open_at_access(plane: Aircraft) -> list[str]:
    if not plane.parked:
        return []
    return _doors(plane, lambda way: way.open and way.type.kind is DoorKind.CABIN and way.door.access != "none")


def _open_and_pinned(plane: Aircraft) -> list[str]:
    return [
        name
        for name in _open_at_access(plane)
        if (state := plane.doors[name].slide) is not None
        and state.pin
        and "pin_fitted" in plane.doors[name].type.signals
    ]


def _open_in_wind(plane: Aircraft) -> list[str]:
    if not plane.parked:
        return []
    return _doors(plane, lambda way: way.open and way.type.wind_held_kt is not None)


def _any_door_open(plane: Aircraft) -> list[str]:
    open_doors = _doors(plane, lambda way: way.open and way.type.kind is not DoorKind.WINDOW)
    return open_doors if _quiet(plane) and plane.engines else []


def _shut_tight(plane: Aircraft) -> list[str]:
    if not _quiet(plane) or not all(way.door.secured for way in plane.doors.values()):
        return []
    outlets = (DoorKind.CABIN, DoorKind.AIRSTAIR, DoorKind.BULK, DoorKind.HATCH)
    return _doors(plane, lambda way: way.type.kind in outlets and way.disarmed and "handle_lifted" in way.type.signals)


def _watched_cabin(plane: Aircraft) -> list[str]:
    return _doors(plane, lambda way: way.type.kind in (DoorKind.CABIN, DoorKind.AIRSTAIR)) if plane.parked else []


def _heard(plane: Aircraft) -> list[str]:
    return ["-"] if plane.parked else []


def _lift_armed_handle(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    put_back_s = round(rng.uniform(8.0, 14.0), 1)
    # A fifth of the way is off its locked stop, and not yet far enough to let a latch go.
    return [(0.0, Order(Verb.LIFT_HANDLE, door, 0.2)), (put_back_s, Order(Verb.LOWER_HANDLE, door))]


def _withdraw_access(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    docked = plane.doors[door].door.access
    back_s = round(rng.uniform(12.0, 20.0), 1)
    return [(0.0, Order(Verb.WITHDRAW_ACCESS, door)), (back_s, Order(Verb.DOCK, door, docked))]


def _start_engine_early(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    side = plane.doors[door].type.side
    near = [number for number, engine_side in plane.airframe.engines.items() if engine_side is side]
    number = rng.choice(near or sorted(plane.airframe.engines))
    return [(0.0, Order(Verb.START_ENGINE, None, number)), (12.0, Order(Verb.STOP_ENGINE, None, number))]


def _pressurise(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    return [
        (0.0, Order(Verb.SUPPLY_AIR, None, round(rng.uniform(6.0, 9.0), 1))),
        (30.0, Order(Verb.LIFT_HANDLE, door, 0.2)),
        (38.0, Order(Verb.LOWER_HANDLE, door)),
        (42.0, Order(Verb.CUT_AIR)),
    ]


def _deploy_slide(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    return [
        (0.0, Order(Verb.OPEN, door)),
        (200.0, Order(Verb.DOCK, door, "stairs")),
        (215.0, Order(Verb.REPLACE_SLIDE, door)),
        (225.0, Order(Verb.CLOSE, door)),
        (243.0, Order(Verb.WITHDRAW_ACCESS, door)),
        (250.0, Order(Verb.ARM_SLIDE, door)),
    ]


def _lose_feed(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    return [(0.0, Order(Verb.FALL_SILENT)), (round(rng.uniform(45.0, 60.0), 1), Order(Verb.SPEAK_AGAIN))]


def _jam_girt(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    return [(0.0, Order(Verb.JAM_RIGHT_GIRT, door)), (16.0, Order(Verb.FREE_GIRTS, door))]


def _spoil_sensor(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    key = f"door/{door}/{rng.choice(('locked', 'latched', 'handle_lifted'))}"
    return [
        (0.0, Order(Verb.SET_QUALITY, None, "bad", key)),
        (round(rng.uniform(15.0, 25.0), 1), Order(Verb.RELEASE_READING, None, None, key)),
    ]


def _raise_squall(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    limit = plane.doors[door].type.wind_held_kt or 50.0
    return [(0.0, Order(Verb.SQUALL, None, round(limit - 6.0, 1))), (32.0, Order(Verb.CALM))]


def _lose_pin(plane: Aircraft, door: str, rng: random.Random) -> Steps:
    return [(0.0, Order(Verb.REMOVE_PIN, door)), (24.0, Order(Verb.FIT_PIN, door))]


INCIDENTS: Final[Mapping[str, Incident]] = MappingProxyType(
    {
        "armed handle": Incident(_armed, _lift_armed_handle, 25.0),
        "access withdrawn": Incident(_open_at_access, _withdraw_access, 30.0),
        "engine running": Incident(_any_door_open, _start_engine_early, 30.0),
        "pressure": Incident(_shut_tight, _pressurise, 80.0),
        "slide deployed": Incident(_armed_and_reachable, _deploy_slide, 275.0, not_before_s=150.0, rarely=True),
        "feed loss": Incident(_heard, _lose_feed, 65.0),
        "girt end": Incident(_armed_with_girts, _jam_girt, 25.0),
        "bad sensor": Incident(_watched_cabin, _spoil_sensor, 30.0),
        "squall": Incident(_open_in_wind, _raise_squall, 0.0),
        "pin missing": Incident(_open_and_pinned, _lose_pin, 30.0),
    }
)


@dataclass(frozen=True, slots=True)
class Programme:
    """When incidents happen (seconds of simulated time), what the first one is, and who is spared."""

    first_s: float = 15.0
    every_s: tuple[float, float] = (60.0, 110.0)
    first: str = "armed handle"
    calm: frozenset[str] = field(default_factory=frozenset)


class Happened(NamedTuple):
    """An incident that was begun at ``at`` (µs, simulated)."""

    at: int
    incident: str
    aircraft: str
    door: str


class Director:
    """Chooses the next incident: of the kinds used least so far the one that is seldom possible.

    The aircraft and the door are then drawn by lot.
    """

    def __init__(self, programme: Programme, start: int, rng: random.Random) -> None:
        self._programme = programme
        self._start = start
        self._rng = rng
        self._due = start + round(programme.first_s * SECOND)
        self._used: dict[str, int] = {}
        self._possible: dict[str, int] = {}
        self.happened: list[Happened] = []

    def direct(self, actors: Sequence[Actor], now: int) -> None:
        """Begin an incident if one is due; where none can happen now, look again a little later."""
        if now < self._due:
            return
        choices = self._choices((a for a in actors if a.plane.reg not in self._programme.calm), now)
        if not choices:
            self._due = now + _RETRY_US
            return
        name = self._kind(choices)
        for kind in choices:
            self._possible[kind] = self._possible.get(kind, 0) + 1
        actor, door = self._rng.choice(choices[name])
        incident = INCIDENTS[name]
        actor.play(incident.script(actor.plane, door, self._rng), now, hold_s=incident.hold_s)
        self._used[name] = self._used.get(name, 0) + (3 if incident.rarely else 1)
        self.happened.append(Happened(now, name, actor.plane.reg, door))
        self._due = now + round(self._rng.uniform(*self._programme.every_s) * SECOND)

    def _choices(self, actors: Iterable[Actor], now: int) -> dict[str, list[tuple[Actor, str]]]:
        free = [actor for actor in actors if not actor.occupied(now)]
        choices: dict[str, list[tuple[Actor, str]]] = {}
        for name, incident in INCIDENTS.items():
            if now - self._start < round(incident.not_before_s * SECOND):
                continue
            found = [(actor, door) for actor in free for door in incident.where(actor.plane)]
            if found:
                choices[name] = found
        return choices

    def _kind(self, choices: Mapping[str, object]) -> str:
        if not self.happened and self._programme.first in choices:
            return self._programme.first
        ranks = {name: (self._used.get(name, 0), self._possible.get(name, 0)) for name in choices}
        least = min(ranks.values())
        return self._rng.choice([name for name, rank in ranks.items() if rank == least])
