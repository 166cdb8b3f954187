"""Whom to forget when more aircraft speak up than are kept.

Owns the choice. Whoever has a door to be watched is never forgotten for a newcomer: a
storm of invented registrations must cost no real aircraft its place.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.state import AircraftRecord, Presence
from monitor.core.times import SECOND

IDLE_AFTER = 30 * SECOND
"""Nothing was heard for so long, as long as a reading counts."""


def choose_forgotten(known: Iterable[AircraftRecord], listed: Iterable[str], now: int) -> AircraftRecord | None:
    """Choose whom to forget: who says least first, and of these who was heard of longest ago; ``None``: nobody may go.

    The first met with nothing at stake ends the search: in a storm it is made for every message. ``listed``: the registrations that the configuration names; they go last of their kind.
    """
    names = frozenset(listed)
    best: tuple[int, bool, int, str] | None = None
    chosen = None
    for aircraft in known:
        stake = _stake(aircraft, now)
        if stake is None:
            continue
        if stake == 0 and aircraft.reg not in names:
            return aircraft
        heard = aircraft.live_at if aircraft.live_at is not None else aircraft.first_seen
        rank = (stake, aircraft.reg in names, heard, aircraft.reg)
        if best is None or rank < best:
            best, chosen = rank, aircraft
    return chosen


def _stake(aircraft: AircraftRecord, now: int) -> int | None:
    """How much would be lost with it, from 0; ``None``: too much."""
    if aircraft.presence is Presence.AWAY or aircraft.left_on_broker:
        return 1
    heard = aircraft.live_at if aircraft.live_at is not None else aircraft.first_seen
    idle = now - heard >= IDLE_AFTER
    if not aircraft.type:
        # What waits for the type may be an open door, and its type may yet come.
        if any(path.endswith("/closed") and reading.value is False for path, reading in aircraft.held.items()):
            return 4
        return 3 if aircraft.held and not idle else 2 if aircraft.held else 0
    says_nothing = not any(door.readings for door in aircraft.doors.values())
    stands = any(code != "feed-lost" for code in aircraft.trackers) or any(
        door.trackers or door.deployed for door in aircraft.doors.values()
    )
    return 1 if idle and says_nothing and not stands else None
