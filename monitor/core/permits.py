"""Permits: hazards that people take out of service for a drill, a ground run, de-icing, a tow or a slide taken out.

Owns what a permit may name, what it does while it runs, and its end. It never judges a
condition: what is out of service is still judged, and sounds again the moment that the
permit ends if it holds then.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from monitor.core.airframe import AirframeType, DoorType
from monitor.core.alert import AlertState, derive_alert_id
from monitor.core.effects import Document, Effect, RecordAudit
from monitor.core.procedures.drills import DRILL, note_drill
from monitor.core.procedures.fitting import fit
from monitor.core.refusal import RefusedError
from monitor.core.rules import AIRCRAFT_RULES, CATALOGUE, DOOR_RULES
from monitor.core.state import AircraftRecord, Level, Permit, Presence, SiteRecord, Tracker
from monitor.core.times import HOUR, SECOND, format_time

if TYPE_CHECKING:
    from monitor.core.events import PermitEnded, PermitGranted
    from monitor.core.intake import Changes
    from monitor.core.lineup import Lineup
    from monitor.core.settling import Settling
    from monitor.core.system import System

SLIDE_REMOVED: Final = "slide-removed"
KINDS: Final = (DRILL, "ground-run", "de-icing", "tow", SLIDE_REMOVED)

LONGEST: Final = 12 * HOUR
NAME_MAX: Final = 80
PERMITS_MAX: Final = 32
"""How many may run for one aircraft."""

NEVER_OUT: Final = frozenset({"residual-pressure"})
"""What no permit takes out of service."""

BY_CLOCK: Final = "sillwatch"
"""Who ends a permit whose time is up, or whose aircraft is gone."""

_WHOLE: Final = "-"
_OF_SLIDES: Final = ("armed-", "slide-")
_WITH_SLIDE: Final = frozenset(
    {
        "girt-disagree",
        "bottle-low",
        "not-armed-departure",
        "still-armed-arrival",
        "outside-opening-armed",
        "emergency-open-slow",
    }
)
"""Beside `armed-*`, `slide-*` and `pin-*`, what means nothing at a door whose slide is out."""


# Asking


def is_drilled(record: SiteRecord, reg: str, door: str) -> bool:
    """Tell whether a drill runs at a place: a door, or ``-`` for the aircraft as a whole."""
    return any(
        permit.kind == DRILL and permit.aircraft == reg and (not permit.doors or door in permit.doors)
        for permit in record.permits.values()
    )


def find_permit(record: SiteRecord, reg: str, door: str, code: str) -> Permit | None:
    """Return the permit that keeps a hazard out of service longest, if any does."""
    covering = [p for p in record.permits.values() if p.aircraft == reg and (door, code) in p.places]
    return max(covering, key=lambda permit: (permit.until, permit.permit_id), default=None)


def list_permits(record: SiteRecord, now: int, reg: str | None = None) -> list[Document]:
    """Write the permits that run, the first to end first; those of one aircraft with ``reg``."""
    running = [permit for permit in record.permits.values() if reg in (None, permit.aircraft)]
    running.sort(key=lambda permit: (permit.until, permit.permit_id))
    return [_describe_running(record, permit, now) for permit in running]


def _describe_running(record: SiteRecord, permit: Permit, now: int) -> Document:
    """Write a permit that runs, and say so where its aircraft is simulated."""
    aircraft = record.aircraft.get(permit.aircraft)
    simulated = {"simulated": True} if aircraft is not None and aircraft.simulated else {}
    return {**describe_permit(permit, now), **simulated}


def describe_permit(permit: Permit, now: int) -> Document:
    """Write a permit with what is left of it."""
    drilled = {"name": permit.name, "procedure": permit.procedure or None} if permit.kind == DRILL else {}
    return {
        "permit_id": permit.permit_id,
        "kind": permit.kind,
        **drilled,
        "aircraft": permit.aircraft,
        "doors": list(permit.doors),
        "codes": sorted({code for _, code in permit.places}),
        "places": [{"door": door, "code": code} for door, code in permit.places],
        "reason": permit.reason,
        "by": permit.by,
        "granted_at": format_time(permit.granted_at),
        "until": format_time(permit.until),
        "seconds_left": round(max(0, permit.until - now) / SECOND, 3),
    }


# Granting


def grant(system: System, event: PermitGranted, now: int) -> list[Effect]:
    """Take hazards out of service; raises :class:`RefusedError`."""
    aircraft, airframe = _find_aircraft(system, event)
    _check_words(system, event, now)
    doors = _check_doors(aircraft, airframe, event)
    _check_drill(system, airframe, event, doors)
    places = _choose_places(airframe, event, doors)
    # The ordinal tells it from one like it that was ended at this very instant.
    ordinal = system.record.permits_granted + 1
    permit_id = derive_alert_id(system.site.name, "permit", event.kind, event.aircraft, str(now), str(ordinal))
    permit = Permit(
        permit_id, event.kind, event.aircraft, doors, places, now, event.until, event.by.strip(), event.reason.strip(),
        event.name.strip(), event.procedure,
    )  # fmt: skip
    if any(replace(other, permit_id=permit_id) == permit for other in system.record.permits.values()):
        raise RefusedError("conflict", "the very same permit was granted at this instant; it runs")
    system.record.permits_granted = ordinal
    system.record.permits[permit_id] = permit
    system.queue_permit(permit)
    changes = _mark_slides(system.record, aircraft)
    for door, code in places:
        _take_out(system, aircraft, door, code, now)
        _note(changes, door, code)
    _show_drill(system, aircraft, permit, now)
    system.settle(aircraft, changes, now)
    system.ledger.effects.extend(note_drill(system.record, permit, None))
    called = [f'"{permit.name}"'] if permit.name else []
    if permit.procedure:
        called.append(f"procedure {permit.procedure}")
    until = f"until {format_time(permit.until)}"
    after = "; ".join((event.kind, _say_doors(doors), _say_codes(permit), *called, until))
    subject = f"{event.aircraft}/permit/{permit_id}"
    return [RecordAudit(now, permit.by, "grant-permit", subject, permit.reason, "", after, event.origin)]


def _find_aircraft(system: System, event: PermitGranted) -> tuple[AircraftRecord, AirframeType]:
    aircraft = system.record.aircraft.get(event.aircraft)
    if aircraft is None:
        raise RefusedError("not-found", f"no aircraft {event.aircraft} is known; grant the permit once it was heard")
    airframe = system.airframe(aircraft)
    if airframe is None:
        raise RefusedError(
            "conflict", f"{event.aircraft} has not said its type; grant the permit once its doors are known"
        )
    if aircraft.presence is Presence.AWAY:
        raise RefusedError("conflict", f"{event.aircraft} is away; grant the permit once it is back")
    return aircraft, airframe


def _check_words(system: System, event: PermitGranted, now: int) -> None:
    if event.kind not in KINDS:
        raise RefusedError("refused", f"there is no {event.kind} permit; give one of {', '.join(KINDS)}")
    if not event.by.strip() or not event.reason.strip():
        raise RefusedError("refused", "a permit needs a reason and the name of who grants it")
    if not now < event.until <= now + LONGEST:
        raise RefusedError("refused", f"a permit needs an end within {LONGEST // HOUR} h from now")
    if sum(permit.aircraft == event.aircraft for permit in system.record.permits.values()) >= PERMITS_MAX:
        raise RefusedError("conflict", f"{PERMITS_MAX} permits run for {event.aircraft} already; end one first")


def _check_drill(system: System, airframe: AirframeType, event: PermitGranted, doors: tuple[str, ...]) -> None:
    if not event.name and not event.procedure:
        return
    if event.kind != DRILL:
        raise RefusedError("refused", f"only a drill has a name and a procedure, not a {event.kind} permit")
    if len(event.name) > NAME_MAX:
        raise RefusedError("refused", f"the name of a drill has {NAME_MAX} characters at most")
    if not event.procedure:
        return
    procedure = system.site.procedures.get(event.procedure)
    if procedure is None:
        have = ", ".join(sorted(system.site.procedures)) or "none"
        raise RefusedError("refused", f"there is no procedure {event.procedure} here; the configured ones are {have}")
    named = [airframe.doors[name] for name in doors or airframe.doors if name != _WHOLE]
    if not any(str(spec.kind) in procedure.kinds and fit(procedure, spec) is not None for spec in named):
        raise RefusedError(
            "refused",
            f"{event.procedure} fits none of these doors; it is for {', '.join(sorted(procedure.kinds))} doors",
        )


def _check_doors(aircraft: AircraftRecord, airframe: AirframeType, event: PermitGranted) -> tuple[str, ...]:
    """Return the doors without repeats."""
    doors = tuple(dict.fromkeys(event.doors))
    for name in doors:
        if name != _WHOLE and name not in airframe.doors:
            have = ", ".join(airframe.doors)
            raise RefusedError("refused", f"{event.aircraft} has no door {name}; give some of {have}, or none for all")
    if event.kind != SLIDE_REMOVED:
        return doors
    if not doors:
        raise RefusedError("refused", "a slide-removed permit names each door whose slide is out")
    for name in doors:
        if name == _WHOLE or not airframe.doors[name].slide:
            have = ", ".join(door.name for door in airframe.doors.values() if door.slide) or "no door"
            raise RefusedError("refused", f"{name} has no slide to take out; on this type {have} has one")
        door = aircraft.doors[name]
        tracker = door.trackers.get("slide-deployed")
        alert = tracker.alert if tracker is not None else None
        if door.deployed or (alert is not None and alert.state is not AlertState.OUT_OF_SERVICE):
            raise RefusedError("conflict", f"the slide of {name} stands as released; reset the door first")
    return doors


def _choose_places(airframe: AirframeType, event: PermitGranted, doors: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """Return every (door, code) that the permit takes out."""
    codes = tuple(dict.fromkeys(event.codes))
    for code in codes:
        _check_code(code, event.kind)
    named = doors or (*airframe.doors, _WHOLE)
    if not codes and event.kind == SLIDE_REMOVED:
        return tuple((d, c) for d in named for c in _applying(airframe.doors[d]) if _goes_with_slide(c))
    if not codes and event.kind != DRILL:
        raise RefusedError("refused", f"a {event.kind} permit names the codes that it takes out of service")
    places = tuple(
        (name, code)
        for name in named
        for code in (_of_aircraft() if name == _WHOLE else _applying(airframe.doors[name]))
        if code in codes
    )
    for code in codes:
        if all(code != placed for _, placed in places):
            where = "the aircraft" if not doors else _say_doors(doors)
            raise RefusedError("refused", f"{code} is never raised at {where}; leave it out, or name its doors")
    for name in doors if codes else ():
        if all(name != door for door, _ in places):
            what = "the aircraft as a whole" if name == _WHOLE else name
            raise RefusedError("refused", f"none of the codes is ever raised at {what}; leave it out")
    return places


def _check_code(code: str, kind: str) -> None:
    if all(rule.code != code for rule in CATALOGUE):
        raise RefusedError("refused", f"there is no hazard {code}; the catalogue lists the codes")
    if code in NEVER_OUT:
        raise RefusedError("refused", f"{code} is never taken out of service; leave it out")
    if code.startswith(_OF_SLIDES) and kind != SLIDE_REMOVED:
        raise RefusedError(
            "refused", f"{code} is taken out of service by a slide-removed permit alone, at doors whose slide is out"
        )


def _applying(spec: DoorType) -> list[str]:
    return list(dict.fromkeys(rule.code for rule in DOOR_RULES if rule.applies_to(spec)))


def _of_aircraft() -> list[str]:
    return list(dict.fromkeys(rule.code for rule in AIRCRAFT_RULES))


def _goes_with_slide(code: str) -> bool:
    return code.startswith((*_OF_SLIDES, "pin-")) or code in _WITH_SLIDE


def _say_doors(doors: Iterable[str]) -> str:
    return ", ".join("the aircraft as a whole" if name == _WHOLE else name for name in doors) or "all doors"


def _say_codes(permit: Permit) -> str:
    return ", ".join(sorted({code for _, code in permit.places})) or "no codes"


# While it runs


def _trackers(aircraft: AircraftRecord, door: str) -> dict[str, Tracker]:
    return aircraft.trackers if door == _WHOLE else aircraft.doors[door].trackers


def _take_out(system: Lineup, aircraft: AircraftRecord, door: str, code: str, now: int) -> None:
    permit = find_permit(system.record, aircraft.reg, door, code)
    if permit is None:
        return
    place, trackers = system.place(aircraft.reg, door, code, now), _trackers(aircraft, door)
    tracker = trackers.get(code)
    if tracker is None:
        tracker = trackers[code] = Tracker([Level() for _ in place.rule.levels])
    system.ledger.take_out(place, tracker, permit)


def _note(changes: Changes, door: str, code: str) -> None:
    changes.setdefault(None if door == _WHOLE else door, set()).update((f"alert:{code}", f"rule:{code}"))


def _mark_slides(record: SiteRecord, aircraft: AircraftRecord) -> Changes:
    """Bring the doors in line with which slides are declared out; returns what changed."""
    out = {
        name
        for permit in record.permits.values()
        if permit.aircraft == aircraft.reg and permit.kind == SLIDE_REMOVED
        for name in permit.doors
    }
    changes: Changes = {}
    for door in aircraft.doors.values():
        if door.slide_removed is not (door.name in out):
            door.slide_removed = door.name in out
            # What counts exits hangs on it too.
            changes[door.name], changes[None] = {"*"}, {"*"}
    return changes


def _drilled(aircraft: AircraftRecord, permit: Permit) -> Iterator[tuple[str, str, Tracker]]:
    if permit.kind != DRILL:
        return
    for door in permit.doors or (*aircraft.doors, _WHOLE):
        if door == _WHOLE or door in aircraft.doors:
            for code, tracker in list(_trackers(aircraft, door).items()):
                yield door, code, tracker


def _show_drill(system: Lineup, aircraft: AircraftRecord, permit: Permit, now: int) -> None:
    """Have what stands say that it is of a drill, or no longer."""
    for door, code, tracker in _drilled(aircraft, permit):
        if tracker.alert is not None:
            system.ledger.retime(system.place(aircraft.reg, door, code, now), tracker.alert)


# Its end


def end(system: System, event: PermitEnded, now: int) -> list[Effect]:
    """End a permit before its time; raises :class:`RefusedError`."""
    permit = system.record.permits.get(event.permit_id)
    if permit is None:
        raise RefusedError("not-found", f"no permit {event.permit_id} runs; it may be over: see the audit")
    noted = note_drill(system.record, permit, now)
    _put_back(system, permit, now, by=event.by, reason=event.reason)
    return [*noted, _audit_end(permit, now, by=event.by, reason=event.reason, origin=event.origin)]


def lapse(system: Settling, permit_id: str, now: int) -> None:
    """End a permit whose time is up."""
    permit = system.record.permits.get(permit_id)
    if permit is None or permit.until > now:
        return
    system.ledger.effects += [
        *note_drill(system.record, permit, now),
        _audit_end(permit, now, by=BY_CLOCK, reason="time is up"),
    ]
    _put_back(system, permit, now, by=None, reason="time is up")


def drop_permits(system: Lineup, aircraft: AircraftRecord, now: int, reason: str) -> None:
    """End the permits of an aircraft that is gone; its alerts are over already."""
    for permit in [p for p in system.record.permits.values() if p.aircraft == aircraft.reg]:
        del system.record.permits[permit.permit_id]
        system.ledger.effects += [
            *note_drill(system.record, permit, now),
            _audit_end(permit, now, by=BY_CLOCK, reason=reason),
        ]
    _mark_slides(system.record, aircraft)


def _put_back(system: Settling, permit: Permit, now: int, *, by: str | None, reason: str) -> None:
    del system.record.permits[permit.permit_id]
    aircraft = system.record.aircraft.get(permit.aircraft)
    if aircraft is None:
        return
    system.end_drilled(aircraft, permit.permit_id, now)
    slides = _mark_slides(system.record, aircraft)
    if slides:
        # What the slide's return leads to is judged while its hazards are still out: they come back as they are.
        system.settle(aircraft, slides, now)
    changes: Changes = {}
    for door, code in permit.places:
        if door != _WHOLE and door not in aircraft.doors:
            continue
        tracker = _trackers(aircraft, door).get(code)
        if tracker is None or tracker.alert is None:
            continue
        if find_permit(system.record, aircraft.reg, door, code) is not None:
            _take_out(system, aircraft, door, code, now)
            continue
        place = system.place(aircraft.reg, door, code, now)
        silent = system.is_silent(place.rule, place.view, _trackers(aircraft, door))
        system.ledger.put_back(place, tracker, silent=silent, by=by, reason=reason)
        _note(changes, door, code)
    _show_drill(system, aircraft, permit, now)
    system.settle(aircraft, changes, now)


def _audit_end(permit: Permit, now: int, *, by: str, reason: str, origin: str = "") -> RecordAudit:
    before = f"{permit.kind}; {_say_doors(permit.doors)}; {_say_codes(permit)}"
    subject = f"{permit.aircraft}/permit/{permit.permit_id}"
    return RecordAudit(now, by, "end-permit", subject, reason, before, "ended", origin)
