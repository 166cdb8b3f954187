"""The plan of one aircraft's visit, from touchdown to the next touchdown, as timed orders.

Owns the order of work round an aircraft and keeps safe practice: slides are disarmed and
pinned and access is docked before a cabin door opens, doors are closed before access leaves
and before engines start, slides are armed before the beacon comes on. It is made from the
type alone, so it fits any type. It never moves a part: that is for the models.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from monitor.core.airframe import AirframeType, DoorKind, DoorType, Side
from monitor.core.signals import Value
from simulators.models.people import walk_seconds
from simulators.orders import Order, Verb

GUARDED_SILL_M: Final = 1.2
"""Height (m) from which a fall is protected against, 29 CFR 1910.28(b)(1)(i)."""

_TAXI_IN_S: Final = 58.0
_WALK_BETWEEN_SLIDES_S: Final = 12.0
_AWAY_S: Final = 240.0
_FUEL_S: Final = 110.0
_HOLD_DOOR_S: Final = 26.0
_MAIN_DECK_DOOR_S: Final = 50.0


class Timed(NamedTuple):
    """An order due ``at_s`` seconds into its plan."""

    at_s: float
    order: Order


@dataclass(frozen=True, slots=True)
class Plan:
    """Timed orders in order of time, named moments among them, and when the plan is over (s)."""

    actions: tuple[Timed, ...]
    marks: Mapping[str, float]
    length_s: float


@dataclass(frozen=True, slots=True)
class Roles:
    """Which doors of a type do what in a turnaround."""

    slides: tuple[str, ...]
    boarding: tuple[str, ...]
    service: tuple[str, ...]
    holds: tuple[str, ...]
    hatches: tuple[str, ...]


@dataclass(slots=True)
class _Sheet:
    """The plan while it is being written; ``now`` is the moment that the writing has reached."""

    now: float = 0.0
    actions: list[Timed] = field(default_factory=list)
    marks: dict[str, float] = field(default_factory=dict)

    def add(self, at_s: float, verb: Verb, door: str | None = None, value: Value | None = None) -> None:
        self.actions.append(Timed(round(at_s, 1), Order(verb, door, value)))

    def then(self, wait_s: float, verb: Verb, door: str | None = None, value: Value | None = None) -> None:
        self.now += wait_s
        self.add(self.now, verb, door, value)

    def mark(self, name: str) -> None:
        self.marks[name] = round(self.now, 1)

    def finish(self) -> Plan:
        self.actions.sort(key=lambda timed: timed.at_s)
        return Plan(tuple(self.actions), dict(self.marks), round(self.now, 1))


def roles_of(airframe: AirframeType) -> Roles:
    """Choose the doors that a turnaround of ``airframe`` uses."""
    doors = airframe.doors.values()
    cabin = [door for door in doors if door.kind is DoorKind.CABIN]
    left = [door.name for door in cabin if door.side is Side.LEFT and _can_stand_open(door)]
    right = [door.name for door in cabin if door.side is Side.RIGHT and _can_stand_open(door)]
    airstairs = [door.name for door in doors if door.kind is DoorKind.AIRSTAIR]
    return Roles(
        slides=tuple(door.name for door in cabin if door.slide),
        boarding=tuple(airstairs[:1] or _boarding(left, airframe.seats)),
        service=tuple(right[:1] + right[-1:] if len(right) > 1 else right),
        holds=tuple(d.name for d in doors if d.kind in (DoorKind.MAIN_DECK, DoorKind.CARGO, DoorKind.BULK)),
        hatches=tuple(door.name for door in doors if door.kind is DoorKind.HATCH),
    )


def _can_stand_open(door: DoorType) -> bool:
    return "access" in door.signals or door.sill_m < GUARDED_SILL_M


def _boarding(left: Sequence[str], seats: int) -> Sequence[str]:
    if seats < 100 or len(left) < 2:
        return left[:1]
    return left[:2] if seats > 250 else [left[0], left[-1]]


def exits_for_fuel(airframe: AirframeType, roles: Roles) -> tuple[str, ...] | None:
    """Return the slides to arm so that fuel may flow with people aboard: an exit in each half of the cabin.

    Stairs or a bridge at a boarding door make it one. ``None`` where a half would have none.
    """
    missing = {"fore", "aft"} - {airframe.doors[name].half for name in roles.boarding}
    spare = [
        next((n for n in roles.slides if airframe.doors[n].half == half and n not in roles.service), None)
        for half in sorted(missing)
    ]
    exits = tuple(name for name in spare if name is not None)
    return exits if len(exits) == len(spare) else None


def access_for(door: DoorType, *, service: bool) -> str | None:
    """Return what is docked at ``door``: what the type asks for, else what is usual.

    ``None`` where no sensor would see it, and for an airstair, which is its own access.
    """
    if "access" not in door.signals or door.kind is DoorKind.AIRSTAIR:
        return None
    if door.kind in (DoorKind.CARGO, DoorKind.BULK, DoorKind.MAIN_DECK):
        return "loader"
    if service:
        return "platform"
    wanted = [word for word in door.access_needed if word in ("bridge", "stairs")]
    return wanted[0] if wanted else "stairs"


def plan_turnaround(airframe: AirframeType, rng: random.Random, *, arriving: int) -> Plan:
    """Plan a visit that begins at touchdown, every slide armed and ``arriving`` passengers aboard."""
    sheet = _Sheet()
    roles = roles_of(airframe)
    departing = round(airframe.seats * rng.uniform(0.62, 0.95))
    _plan_arrival(sheet, roles)
    _plan_opening(sheet, airframe, roles)
    holds_open_s = _plan_hold_opening(sheet, airframe, roles)
    exits = exits_for_fuel(airframe, roles)
    with_people = exits is not None and rng.random() < 0.5
    _plan_cabin_work(sheet, airframe, roles, arriving, departing, exits if with_people else None)
    _plan_hold_closing(sheet, airframe, roles, holds_open_s)
    _plan_hatch(sheet, roles, rng)
    _plan_closing(sheet, airframe, roles)
    _plan_departure(sheet, airframe, roles)
    return sheet.finish()


def _plan_arrival(sheet: _Sheet, roles: Roles) -> None:
    sheet.add(0.0, Verb.LAND)
    sheet.mark("landed")
    sheet.add(38.0, Verb.TAXI, None, 8.0)
    sheet.add(_TAXI_IN_S - 4.0, Verb.STOP_TAXIING)
    sheet.now = _TAXI_IN_S
    sheet.then(0.0, Verb.REACH_STAND)
    sheet.then(3.0, Verb.SET_BRAKE)
    sheet.then(4.0, Verb.CHOCKS_IN)
    sheet.mark("parked")
    sheet.then(4.0, Verb.STOP_ENGINES)
    sheet.then(14.0, Verb.BEACON_OFF)
    sheet.mark("quiet")
    sheet.now += 8.0
    _walk_slides(sheet, roles, Verb.DISARM_SLIDE)
    sheet.mark("disarmed")


def _walk_slides(sheet: _Sheet, roles: Roles, verb: Verb) -> None:
    gap = min(3.0, _WALK_BETWEEN_SLIDES_S / max(1, len(roles.slides)))
    for name in roles.slides:
        sheet.then(gap, verb, name)
    sheet.now += 3.0


def _plan_opening(sheet: _Sheet, airframe: AirframeType, roles: Roles) -> None:
    sheet.now += 6.0
    docked = [name for name in roles.boarding if access_for(airframe.doors[name], service=False)]
    for name in docked:
        sheet.then(4.0, Verb.DOCK, name, access_for(airframe.doors[name], service=False))
    sheet.now += 14.0
    for name in roles.boarding:
        sheet.then(5.0, Verb.OPEN, name)
    sheet.now += 14.0
    sheet.mark("open")


def _plan_hold_opening(sheet: _Sheet, airframe: AirframeType, roles: Roles) -> dict[str, float]:
    """Plan the holds beside the cabin work; return how long each takes to open or close (s)."""
    at = sheet.marks["quiet"] + 10.0
    lasts: dict[str, float] = {}
    for name in roles.holds:
        door = airframe.doors[name]
        lasts[name] = _MAIN_DECK_DOOR_S if door.kind is DoorKind.MAIN_DECK else _HOLD_DOOR_S
        sheet.add(at, Verb.OPEN, name)
        if access_for(door, service=True):
            sheet.add(at + lasts[name] + 12.0, Verb.DOCK, name, "loader")
        at += 22.0
    sheet.marks["holds-open"] = at + max(lasts.values(), default=0.0)
    return lasts


def _plan_cabin_work(
    sheet: _Sheet,
    airframe: AirframeType,
    roles: Roles,
    arriving: int,
    departing: int,
    exits: tuple[str, ...] | None,
) -> None:
    """Plan everybody off, service, fuel, everybody on; ``exits`` are armed while fuel flows with people aboard."""
    service_from = sheet.now + 10.0
    if arriving:
        sheet.then(6.0, Verb.DEBOARD)
        sheet.now += walk_seconds(arriving, len(roles.boarding), boarding=False) + 8.0
    sheet.mark("empty")
    for step, name in enumerate(roles.service):
        at = service_from + 16.0 * step
        if access_for(airframe.doors[name], service=True):
            sheet.add(at, Verb.DOCK, name, "platform")
        sheet.add(at + 12.0, Verb.OPEN, name)
    sheet.now = max(sheet.now, service_from + 60.0)
    fuelled_at = sheet.now + 12.0 + _FUEL_S
    if exits is None:
        # Too few exits would stay usable, so fuel flows only while nobody is aboard.
        sheet.then(12.0, Verb.START_REFUELLING)
        sheet.then(_FUEL_S, Verb.STOP_REFUELLING)
    else:
        for name in exits:
            sheet.add(sheet.now, Verb.ARM_SLIDE, name)
            sheet.add(fuelled_at + 6.0, Verb.DISARM_SLIDE, name)
        sheet.add(fuelled_at - _FUEL_S, Verb.START_REFUELLING)
        sheet.add(fuelled_at, Verb.STOP_REFUELLING)
    sheet.mark("boarding")
    closing = sheet.now + 25.0
    for step, name in enumerate(roles.service):
        sheet.add(closing + 14.0 * step, Verb.CLOSE, name)
        if access_for(airframe.doors[name], service=True):
            sheet.add(closing + 14.0 * step + 16.0, Verb.WITHDRAW_ACCESS, name)
    if airframe.seats and roles.boarding and departing:
        sheet.then(15.0, Verb.BOARD, None, departing)
        sheet.now += walk_seconds(departing, len(roles.boarding), boarding=True)
    sheet.now = max(sheet.now + 10.0, fuelled_at + 20.0, closing + 14.0 * len(roles.service) + 20.0)
    sheet.mark("boarded")


def _plan_hold_closing(sheet: _Sheet, airframe: AirframeType, roles: Roles, lasts: Mapping[str, float]) -> None:
    at = max(sheet.marks["holds-open"] + 40.0, (sheet.marks["boarding"] + sheet.marks["boarded"]) / 2)
    for name in roles.holds:
        if access_for(airframe.doors[name], service=True):
            sheet.add(at, Verb.WITHDRAW_ACCESS, name)
        sheet.add(at + 8.0, Verb.CLOSE, name)
        sheet.now = max(sheet.now, at + 8.0 + lasts[name] + 6.0)
        at += 18.0


def _plan_hatch(sheet: _Sheet, roles: Roles, rng: random.Random) -> None:
    if roles.hatches:
        name = rng.choice(roles.hatches)
        at = sheet.marks["empty"] + rng.uniform(0.0, 40.0)
        sheet.add(at, Verb.OPEN, name)
        sheet.add(at + rng.uniform(35.0, 60.0), Verb.CLOSE, name)


def _plan_closing(sheet: _Sheet, airframe: AirframeType, roles: Roles) -> None:
    sheet.mark("closing")
    for name in roles.boarding:
        sheet.then(6.0, Verb.CLOSE, name)
    sheet.now += 16.0
    for name in roles.boarding:
        if access_for(airframe.doors[name], service=False):
            sheet.then(4.0, Verb.WITHDRAW_ACCESS, name)
    sheet.mark("closed")
    sheet.now += 6.0
    _walk_slides(sheet, roles, Verb.ARM_SLIDE)
    sheet.mark("armed")


def _plan_departure(sheet: _Sheet, airframe: AirframeType, roles: Roles) -> None:
    sheet.then(70.0, Verb.BEACON_ON)
    sheet.mark("departing")
    for number in airframe.engines:
        sheet.then(10.0, Verb.START_ENGINE, None, number)
    sheet.then(25.0, Verb.CHOCKS_OUT)
    sheet.then(8.0, Verb.RELEASE_BRAKE)
    sheet.then(4.0, Verb.TAXI, None, 6.0)
    sheet.then(14.0, Verb.LEAVE_STAND)
    sheet.then(2.0, Verb.TAXI, None, 16.0)
    sheet.then(50.0, Verb.TAXI, None, 138.0)
    sheet.then(16.0, Verb.TAKE_OFF)
    sheet.mark("away")
    sheet.then(_AWAY_S - 100.0, Verb.APPROACH)
    sheet.now += 100.0
    sheet.mark("end")


def plan_night_stop(airframe: AirframeType, rng: random.Random) -> Plan:
    """Plan a quarter of an hour on the stand with everything closed, when only a mechanic looks in."""
    sheet = _Sheet()
    sheet.mark("parked")
    hatches = roles_of(airframe).hatches
    sheet.now = rng.uniform(60.0, 100.0)
    while hatches and sheet.now < 700.0:
        name = rng.choice(hatches)
        sheet.then(0.0, Verb.OPEN, name)
        sheet.then(rng.uniform(40.0, 70.0), Verb.CLOSE, name)
        sheet.now += rng.uniform(150.0, 220.0)
    sheet.now = max(900.0, sheet.now)
    sheet.mark("end")
    return sheet.finish()
