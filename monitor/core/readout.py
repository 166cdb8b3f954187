"""Answers for a reader: aircraft, doors, signals, alerts, stands, types, the catalogue.

Owns the shape of what the HTTP side and the terminal show. Reads the state and never
changes it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Final

from monitor.core import documents
from monitor.core.airframe import AirframeType
from monitor.core.alert import AlertState, Priority
from monitor.core.deaf import why_unknown
from monitor.core.effects import Document, Effect, PublishActive, PublishDoor, PublishProcedure, PublishReadiness
from monitor.core.intake import LIFE_LIMIT
from monitor.core.permits import list_permits
from monitor.core.procedures.fitting import fit_all
from monitor.core.procedures.telling import describe_procedure
from monitor.core.readiness import describe_readiness, summarise_readiness
from monitor.core.reports import describe_reports
from monitor.core.rules import CATALOGUE
from monitor.core.signals import DOOR_SIGNALS, STAND_SIGNALS, Quality
from monitor.core.state import AircraftRecord, Presence, Reading
from monitor.core.system import System
from monitor.core.times import SECOND, format_time
from monitor.core.trends import describe_trends
from monitor.core.view import View, is_judged, why_not_judged

PROCEDURE: Final = "procedure:"
"""Stands among alert codes for a door's procedure; no code can be written so."""


def _describe_held_run(system: System, reg: str, name: str) -> Effect | None:
    """Write what was last told of a door's procedure: its age alone is no news."""
    aircraft = system.record.aircraft.get(reg)
    door = aircraft.doors.get(name) if aircraft is not None else None
    if aircraft is None or door is None or aircraft.presence is Presence.AWAY:
        return None
    told = door.last_run if door.run is None else door.run.told
    return None if told is None else PublishProcedure(reg, name, told)


def list_runs(system: System, reg: str, now: int) -> list[Document]:
    """Write the run of a procedure that goes on at each of an aircraft's doors, or else the last that ended there."""
    aircraft = system.record.aircraft.get(reg)
    if aircraft is None or aircraft.presence is Presence.AWAY:
        return []
    told = (system.describe_procedure_at(aircraft, door, now) for door in aircraft.doors.values())
    return [document for document in told if document is not None]


def list_procedures(system: System) -> list[Document]:
    """Every configured procedure, by name, with the types and doors that it fits."""
    return [
        {
            **describe_procedure(procedure),
            "fits": {
                name: doors
                for name, airframe in sorted(system.site.types.items())
                if (doors := [door.name for door in airframe.doors.values() if fit_all((procedure,), door)])
            },
        }
        for _, procedure in sorted(system.site.procedures.items())
    ]


def describe_doors(system: System, reg: str, now: int) -> dict[str, Document]:
    """Write an aircraft's doors, each as its retained document; empty where it is not known."""
    aircraft = system.record.aircraft.get(reg)
    airframe = system.airframe(aircraft) if aircraft is not None else None
    if aircraft is None or airframe is None:
        return {}
    return {
        name: documents.describe_door(View(system.record, now, aircraft, airframe, door), site=system.site.name)
        for name, door in aircraft.doors.items()
    }


def held_places(system: System) -> Iterator[tuple[str, str, str]]:
    """Every retained output that stands now: (reg, door, alert code).

    The code is empty for a door's own document, the door too for the aircraft's answers, and
    :data:`PROCEDURE` for what is told of the procedure at a door.
    """
    for aircraft in system.record.aircraft.values():
        if aircraft.presence is not Presence.AWAY:
            if aircraft.doors:
                yield aircraft.reg, "", ""
            for door, record in aircraft.doors.items():
                yield aircraft.reg, door, ""
                if record.run is not None or record.last_run is not None:
                    yield aircraft.reg, door, PROCEDURE
    for reg, door, code, tracker in system.trackers():
        if tracker.alert is not None:
            yield reg, door, code


def describe_held(system: System, reg: str, door: str, code: str, now: int) -> Effect | None:
    """Write a retained output as it is now, for publishing again; ``None`` if it no longer stands."""
    if code == PROCEDURE:
        return _describe_held_run(system, reg, door)
    if code:
        tracker = system.find_tracker(reg, door, code)
        if tracker is None or tracker.alert is None:
            return None
        place = system.place(reg, door, code, now)
        return PublishActive(reg, door, code, system.ledger.describe(place, tracker.alert))
    view = system.view(reg, door or "-", now)
    if not door:
        if view.airframe is None or view.aircraft is None or view.aircraft.presence is Presence.AWAY:
            return None
        # What was last shown, so that the broker holds what the next change is held against.
        answers = view.aircraft.readiness_shown
        if answers is None:
            answers = summarise_readiness(view, site=system.site, parameters=system.parameters)
        return PublishReadiness(reg, answers)
    if view.spec is None or view.aircraft is None or view.aircraft.presence is Presence.AWAY:
        return None
    return PublishDoor(reg, door, documents.describe_door(view, site=system.site.name))


def list_alerts(system: System, now: int, aircraft: str | None = None) -> list[Document]:
    """Every alert that is not normal, or those of one ``aircraft``, most urgent and newest first."""
    rank = {str(p): n for n, p in enumerate(reversed(Priority))}
    alerts = [
        system.ledger.describe(system.place(reg, door, code, now), tracker.alert)
        for reg, door, code, tracker in system.trackers()
        if tracker.alert is not None and aircraft in (None, reg)
    ]
    alerts.sort(key=lambda a: a["alert_id"])
    alerts.sort(key=lambda a: a["raised_at"], reverse=True)
    alerts.sort(key=lambda a: (a["state"] != AlertState.UNACKNOWLEDGED, rank[a["priority"]]))
    return alerts


def feed_word(aircraft: AircraftRecord, now: int, *, connected: bool) -> str:
    """Say how an aircraft is being heard: live, silent, lost, left-on-broker or no-broker."""
    if not connected:
        return "no-broker"
    if aircraft.left_on_broker:
        return "left-on-broker"
    tracker = aircraft.trackers.get("feed-lost")
    if tracker is not None and tracker.alert is not None and tracker.alert.active:
        return "lost"
    heard = aircraft.live_at
    return "live" if heard is not None and now - heard < LIFE_LIMIT else "silent"


def describe_row(system: System, aircraft: AircraftRecord, now: int) -> Document:
    """Write an aircraft's row of the list."""
    counts: Counter[str] = Counter()
    trackers = [*aircraft.trackers.values(), *(t for d in aircraft.doors.values() for t in d.trackers.values())]
    for tracker in trackers:
        if tracker.alert is not None and tracker.alert.state is not AlertState.OUT_OF_SERVICE:
            counts[tracker.alert.priority] += 1
    heard = aircraft.live_at
    view = View(system.record, now, aircraft, system.airframe(aircraft))
    return {
        "aircraft": aircraft.reg,
        "type": aircraft.type,
        "stand": aircraft.stand,
        "presence": str(aircraft.presence),
        "feed": feed_word(aircraft, now, connected=system.record.broker_connected),
        "simulated": aircraft.simulated,
        "door_states": {name: door.state for name, door in aircraft.doors.items()},
        "alerts": {str(priority): counts[priority] for priority in reversed(Priority)},
        "last_message_at": None if heard is None else format_time(heard),
        "age_s": None if heard is None else round((now - heard) / SECOND, 3),
        "clock_offset_s": None if aircraft.sender.usual is None else round(aircraft.sender.usual / SECOND, 3),
        "held": len(aircraft.held),
        **_describe_known(view),
        "deaf_to": documents.describe_deafness(aircraft.deaf_to),
    }


def _describe_known(view: View) -> Document:
    """Write what is known of the aircraft as a whole; ``None`` for what is not."""
    pressure = view.pressure
    engines = {number: view.engine(number) for number in view.engine_numbers}
    # Without its type nobody can say which engines there are, or that none runs.
    told = view.airframe is not None and view.aircraft is not None and is_judged(view.aircraft)
    return {
        "passengers_aboard": view.airframe_value("passengers_aboard"),
        "differential_pressure_hpa": None if pressure is None else round(pressure, 1) + 0.0,
        "refuelling": view.airframe_true("refuelling"),
        "engines_running": sorted(number for number, runs in engines.items() if runs)
        if told and None not in engines.values()
        else None,
    }


def list_aircraft(system: System, now: int) -> list[Document]:
    """Every aircraft known, by registration."""
    return [describe_row(system, aircraft, now) for _, aircraft in sorted(system.record.aircraft.items())]


def _describe_signal(view: View, reading: Reading, *, fitted: bool, now: int) -> Document:
    why = why_unknown(reading, fitted=fitted)
    if why is None and view.aircraft is not None:
        why = why_not_judged(view.aircraft)
    return {
        "value": reading.value,
        "quality": str(reading.quality),
        "known": why is None and reading.quality is Quality.GOOD,
        "why": why,
        "time": None if reading.time is None else format_time(reading.time),
        "received_at": format_time(reading.received),
        "age_s": round((now - reading.received) / SECOND, 3),
    }


def describe_aircraft(system: System, reg: str, now: int) -> Document | None:
    """Write one aircraft whole: signals, doors, alerts and what it is deaf to."""
    aircraft = system.record.aircraft.get(reg)
    if aircraft is None:
        return None
    airframe = system.airframe(aircraft)
    view = View(system.record, now, aircraft, airframe)
    document = describe_row(system, aircraft, now)
    signals = {
        f"airframe/{name}": _describe_signal(view, reading, fitted=True, now=now)
        for name, reading in sorted(aircraft.readings.items())
    }
    doors: dict[str, Document] = {}
    for name, door in aircraft.doors.items():
        if airframe is None:
            break
        door_view = View(system.record, now, aircraft, airframe, door)
        own = {
            signal: _describe_signal(door_view, reading, fitted=door_view.fits(signal), now=now)
            for signal, reading in sorted(door.readings.items())
        }
        doors[name] = {
            **documents.describe_door(door_view, site=system.site.name),
            "reports": describe_reports(door_view, aged=True),
            "implausible_jumps": door.jumps,
            "trends": describe_trends(door, door_view.spec),
            "signals": own,
        }
        signals.update({f"door/{name}/{signal}": described for signal, described in own.items()})
    document.update(
        {
            "type_description": airframe.description if airframe is not None else None,
            "seats": airframe.seats if airframe is not None else None,
            "signals": signals,
            "doors": doors,
            "alerts": list_alerts(system, now, reg),
            **describe_readiness(view, site=system.site, parameters=system.parameters),
            "permits": list_permits(system.record, now, reg),
            "procedures": list_runs(system, reg, now),
            "held_readings": {"count": len(aircraft.held), "dropped": aircraft.held_dropped},
        }
    )
    return document


def describe_stand(system: System, stand: str, now: int) -> Document | None:
    """Write a stand's weather as far as it is known; ``None`` for a stand that is neither the site's nor heard of."""
    found = system.record.stands.get(stand)
    if found is None and stand not in system.site.stands:
        return None
    readings = found.readings if found is not None else {}
    whys = {signal: _why_no_weather(readings.get(signal)) for signal in STAND_SIGNALS}
    received = max((reading.received for reading in readings.values()), default=None)
    return {
        "stand": stand,
        **{signal: readings[signal].value if why is None else None for signal, why in whys.items()},
        "why": {signal: why for signal, why in whys.items() if why is not None},
        "received_at": None if received is None else format_time(received),
    }


def _why_no_weather(reading: Reading | None) -> str | None:
    return "never reported" if reading is None else why_unknown(reading, fitted=True)


def list_stands(system: System, now: int) -> dict[str, Document]:
    """Every stand of the site, in its own order, then any other that was heard of, each with its weather."""
    names = (*system.site.stands, *sorted(system.record.stands.keys() - set(system.site.stands)))
    found = {name: describe_stand(system, name, now) for name in names}
    return {name: document for name, document in found.items() if document is not None}


def describe_type(airframe: AirframeType) -> Document:
    """Write an airframe type as a reader draws it: its doors in station order, each with what it is fitted with."""
    return {
        "type": airframe.name,
        "description": airframe.description,
        "seats": airframe.seats,
        "engines": sorted(airframe.engines),
        "doors": [
            {
                "door": door.name,
                "kind": str(door.kind),
                "side": str(door.side) if door.side is not None else "none",
                "station": door.station,
                "half": door.half,
                "sill_m": door.sill_m,
                "slide": door.slide,
                "exit": door.exit_type,
                "wind_moved_kt": door.wind_moved_kt,
                "wind_held_kt": door.wind_held_kt,
                "access": list(door.access_needed),
                "signals": [signal for signal in DOOR_SIGNALS if signal in door.signals],
            }
            for door in airframe.doors.values()
        ],
    }


def list_types(system: System) -> dict[str, Document]:
    """Every airframe type that the site serves, by name."""
    return {name: describe_type(airframe) for name, airframe in sorted(system.site.types.items())}


def is_active_at_site(system: System, code: str) -> bool:
    """Tell whether the condition of a hazard of the whole site holds, whatever became of its alert."""
    tracker = system.record.trackers.get(code)
    return tracker is not None and tracker.alert is not None and tracker.alert.active


def list_catalogue() -> list[Document]:
    """Every rule: what it watches, what it says, and on what basis."""
    return [
        {
            "code": rule.code,
            "scope": rule.scope.value,
            "priorities": [str(priority) for priority in rule.priorities],
            "kinds": sorted(str(kind) for kind in rule.kinds),
            "summary": rule.summary,
            "action": rule.action,
            "consequence": rule.consequence,
            "respond_within_s": rule.respond_within_s,
            "role": rule.role,
            "basis": rule.basis,
            "parameters": dict(rule.parameters),
            "latching": rule.latching,
            "suppressed_by": list(rule.suppressed_by),
            "reads": sorted(rule.reads),
            "needs": list(rule.needs),
        }
        for rule in CATALOGUE
    ]
