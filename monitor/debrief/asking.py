"""From what a person asks for to what a report is of: one scope, with everything named in it known.

Owns how a drill is found by its number or its name, and the sentences that refuse what is
not on record, with what may have been meant. Reads the journal and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Final, NamedTuple

from monitor.core.airframe import Site
from monitor.core.times import MINUTE, parse_time
from monitor.debrief.archive import Archive, Held, suggest
from monitor.debrief.drills import list_drills
from monitor.debrief.periods import DAY, ReportError, find_zone, read_moment, read_period, say_moment
from monitor.debrief.values import Scope
from monitor.ports import Readout

LONGEST: Final = 366 * DAY
LAGS: Final = MINUTE
"""A record that ends this shortly before now is one that goes on."""


class Asked(NamedTuple):
    """What a person asks for, in their words; ``None`` for what they leave open."""

    drill: str | None = None
    aircraft: str | None = None
    door: str | None = None
    stand: str | None = None
    since: str | None = None
    until: str | None = None
    zone: str | None = None


def find_scope(archive: Archive, asked: Asked, site: Site, now: int) -> Scope:
    """Say what a report is of; ``now`` in µs. Raises :class:`ReportError`."""
    if sum(word is not None for word in (asked.drill, asked.aircraft, asked.stand)) > 1:
        raise ReportError("wrong", "give one of a drill, an aircraft or a stand")
    if asked.door is not None and asked.aircraft is None:
        raise ReportError("wrong", "give the aircraft whose door it is")
    name = asked.zone or site.timezone
    zone, held = find_zone(name), archive.held()
    if asked.drill is not None:
        return _of_drill(archive, asked, find_drill(archive, asked.drill, now, zone), name, zone, held, now)
    if asked.aircraft is not None:
        reg = asked.aircraft.strip().upper()
        _find_aircraft(archive, reg, asked.door)
        doors = None if asked.door is None else (asked.door,)
        title = reg if doors is None else f"{reg}, door {asked.door}"
        return Scope("aircraft", title, reg, doors, None, None, *_find_period(asked, zone, held, now), name)
    if asked.stand is not None and asked.stand not in site.stands:
        raise ReportError(
            "not-found",
            f"{site.name} has no stand {asked.stand}; {suggest(asked.stand, site.stands, 'its stands are')}",
        )
    since, until = _find_period(asked, zone, held, now)
    if asked.stand is not None:
        return Scope("stand", f"Stand {asked.stand}", None, None, asked.stand, None, since, until, name)
    return Scope("period", f"Site {site.name}", None, None, None, None, since, until, name)


def find_drill(archive: Archive, asked: str, now: int, zone: tzinfo) -> Readout:
    """Find a drill by its number, or the newest of a name; raises :class:`ReportError`."""
    drills = list_drills(archive, now)
    for key in ("permit_id", "name"):
        for drill in reversed(drills):
            if drill.get(key) == asked:
                return drill
    folded = asked.strip().casefold()
    for drill in reversed(drills):
        if folded and (str(drill.get("name") or "").casefold() == folded or drill["permit_id"].startswith(folded)):
            return drill
    newest = [
        f"{drill.get('name') or drill['permit_id']} ({drill['aircraft']}, {say_moment(parse_time(drill['began_at']), zone, seconds=False)})"
        for drill in reversed(drills[-5:])
    ]
    known = f"the newest on record are {'; '.join(newest)}" if newest else "no drill is on record"
    raise ReportError("not-found", f"no drill {asked!r} is on record; {known}")


def _of_drill(archive: Archive, asked: Asked, drill: Readout, name: str, zone: tzinfo, held: Held, now: int) -> Scope:
    since = parse_time(drill["began_at"])
    until = now if drill["ended_at"] is None else parse_time(drill["ended_at"])
    if asked.since is not None:
        since = read_moment(asked.since, zone, now)
    if asked.until is not None:
        until = min(read_moment(asked.until, zone, now, end=True), now)
    since, until = _check_period(since, until, zone, held, now)
    title = f"Drill {drill.get('name') or drill['permit_id']}"
    return Scope("drill", title, drill["aircraft"], tuple(drill["doors"]) or None, None, drill, since, until, name)


def _find_period(asked: Asked, zone: tzinfo, held: Held, now: int) -> tuple[int, int]:
    since, until = read_period(asked.since, asked.until, zone=zone, now=now)
    if asked.since is None and until > held.begun:
        since = max(since, held.begun)
    return _check_period(since, until, zone, held, now)


def _check_period(since: int, until: int, zone: tzinfo, held: Held, now: int) -> tuple[int, int]:
    if since < until and now - LAGS <= held.over < until:
        # What is being recorded: its last seconds are not on disk yet, and are no gap.
        until = max(held.over + 1, since + 1)
    if since >= until:
        raise ReportError("wrong", "the period has no length; give since before until")
    if until - since > LONGEST:
        raise ReportError("wrong", "a period is 366 days at most")
    if until <= held.begun or since > held.over:
        raise ReportError(
            "not-found",
            f"nothing is on record from {say_moment(since, zone)} to {say_moment(until, zone)}:"
            f" the record holds {say_moment(held.begun, zone)} to {say_moment(held.over, zone)}",
        )
    return since, until


def _find_aircraft(archive: Archive, reg: str, door: str | None) -> None:
    known = archive.registrations()
    if reg not in known:
        raise ReportError("not-found", f"no aircraft {reg} is on record; {suggest(reg, known)}")
    if door is None:
        return
    doors: Sequence[str] = archive.doors_of(reg)
    if door not in doors:
        raise ReportError("not-found", f"no door {door} of {reg} is on record; {suggest(door, doors)}")
