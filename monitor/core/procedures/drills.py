"""Drills: which one a door is drilled in, and what is kept of it.

Owns nothing but the finding; a drill is a permit of that kind, and :mod:`monitor.core.permits` grants and ends it.
"""

from __future__ import annotations

from typing import Final

from monitor.core.effects import NoteDrill
from monitor.core.state import Permit, SiteRecord

DRILL: Final = "drill"


def find_drill(record: SiteRecord, reg: str, door: str) -> Permit | None:
    """Return the drill that a door is in; of several one that names a procedure, then the last that was granted."""
    drills = (
        permit
        for permit in record.permits.values()
        if permit.kind == DRILL and permit.aircraft == reg and (not permit.doors or door in permit.doors)
    )
    return max(drills, key=lambda each: (bool(each.procedure), each.granted_at, each.permit_id), default=None)


def note_drill(record: SiteRecord, permit: Permit, ended_at: int | None) -> list[NoteDrill]:
    """Have a drill kept as it begins or ends; of any other permit nothing is."""
    if permit.kind != DRILL:
        return []
    aircraft = record.aircraft.get(permit.aircraft)
    simulated = aircraft is not None and aircraft.simulated
    return [
        NoteDrill(
            permit.permit_id, permit.name, permit.procedure, permit.aircraft, permit.doors, permit.by,
            permit.granted_at, permit.until, ended_at, simulated,
        )
    ]  # fmt: skip
