"""The documents that go out: a door's, an alert's, and the pieces they share.

Owns their keys and their order. Pure: records in, JSON-ready mappings out; times as
RFC 3339.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import Final

from monitor.core.alert import Alert
from monitor.core.door import State
from monitor.core.effects import Document
from monitor.core.reports import agrees, describe_reports
from monitor.core.rules.rule import Rule
from monitor.core.signals import Quality
from monitor.core.state import AircraftRecord, DoorRecord, Reading
from monitor.core.times import format_time
from monitor.core.view import View

STATE_SIGNALS: Final = (
    "closed",
    "latched",
    "locked",
    "handle_lifted",
    "outside_handle_lifted",
    "hold_open",
    "travel",
    "lever_armed",
    "girt_left",
    "girt_right",
    "slide_released",
)
"""The signals that a door's state and slide are read from, in the order in which they are shown."""

TRAVEL_NOISE: Final = 0.01 - 1e-9
"""A leaf that moved by less since it was last shown stands still; the last bit of a float decides nothing."""

_WORST: Final = {Quality.GOOD: 0, Quality.UNCERTAIN: 1, Quality.BAD: 2}


def describe_reading(path: str, reading: Reading) -> Document:
    """Write one reading as evidence."""
    return {
        "signal": path,
        "value": reading.value,
        "quality": str(reading.quality),
        "stale": reading.stale,
        "time": None if reading.time is None else format_time(reading.time),
        "received_at": format_time(reading.received),
    }


def collect_evidence(rule: Rule, view: View) -> list[Document]:
    """Write the readings that a rule's alert rests on, as far as they were ever sent."""
    evidence: list[Document] = []
    for name in rule.evidence:
        if name.startswith("airframe/"):
            reading = view.airframe_reading(name.removeprefix("airframe/"))
            path = name
        elif name.startswith("stand/"):
            signal = name.removeprefix("stand/")
            reading = view.stand_reading(signal)
            path = f"stand/{view.aircraft.stand}/{signal}" if view.aircraft is not None else name
        else:
            reading = view.reading(name)
            path = f"door/{view.door.name}/{name}" if view.door is not None else name
        if reading is not None and reading.value is not None:
            evidence.append(describe_reading(path, reading))
    return evidence


def describe_alert(
    rule: Rule, alert: Alert, *, site: str, aircraft: AircraftRecord | None, door: str, simulated: bool, drill: bool
) -> Document:
    """Write an alert as the wire contract has it."""
    document: Document = {
        "alert_id": alert.alert_id,
        "code": rule.code,
        "priority": str(alert.priority),
        "state": str(alert.state),
        "site": site,
        "aircraft": aircraft.reg if aircraft is not None else "-",
        "stand": aircraft.stand if aircraft is not None else "",
        "door": door,
        "raised_at": format_time(alert.raised_at),
        "changed_at": format_time(alert.changed_at),
        "text": alert.text,
        "action": rule.action,
        "consequence": rule.consequence,
        "evidence": alert.evidence,
        "basis": rule.basis,
        "role": alert.role or rule.role,
        "respond_within_s": rule.respond_within_s,
        "active": alert.active,
    }
    if alert.by is not None:
        document["by"] = alert.by
    if alert.reason:
        document["reason"] = alert.reason
    if alert.shelved_until is not None:
        document["shelved_until"] = format_time(alert.shelved_until)
    if alert.out_until is not None:
        document["permit"] = alert.permit
        document["out_of_service_until"] = format_time(alert.out_until)
    if alert.escalated_at is not None:
        document["escalated"] = True
        document["escalated_at"] = format_time(alert.escalated_at)
    for flag, value in (("late", alert.late), ("drill", drill), ("simulated", simulated), ("blind", alert.blind)):
        if value:
            document[flag] = True
    return document


def slide_word(view: View) -> str:
    """Say what the slide is doing: none, released, engaged, disengaged, disagree or unknown."""
    if not view.has_slide:
        return "none"
    if view.deployed:
        return "released"
    engaged = view.engaged
    if engaged is None:
        return "unknown"
    if not engaged:
        return "disengaged"
    return "disagree" if view.fully_engaged is False else "engaged"


def describe_deafness(deaf_to: tuple[tuple[str, ...], ...]) -> list[Document]:
    """Write what cannot be seen now: code, why, and the signals that are wanting."""
    return [{"code": code, "why": why, "signals": list(signals)} for code, why, *signals in deaf_to]


def is_blind(view: View) -> bool:
    """Tell whether the door's picture does not hold now: state unknown, or inputs of its alert gone."""
    door = view.door
    return door is not None and (
        view.state is State.UNKNOWN
        or (view.deployed and view.true("slide_released") is None)
        or any(t.alert is not None and t.alert.blind for t in door.trackers.values())
    )


def describe_door(view: View, *, site: str) -> Document:
    """Write a door's retained document. ``view`` is a door's."""
    aircraft, door, spec = view.aircraft, view.door, view.spec
    if aircraft is None or door is None or spec is None:
        raise ValueError("a door's document needs a view of a door")
    evidence = [
        describe_reading(signal, reading)
        for signal in STATE_SIGNALS
        if (reading := door.readings.get(signal)) is not None and reading.value is not None
    ]
    worst = max((r.quality for s in STATE_SIGNALS if (r := door.readings.get(s))), key=_WORST.__getitem__, default=None)
    document: Document = {
        "site": site,
        "aircraft": aircraft.reg,
        "stand": aircraft.stand,
        "door": door.name,
        "kind": str(spec.kind),
        "state": door.state,
        "since": format_time(door.since),
        "slide": slide_word(view),
        "access": view.value("access"),
        "barrier": view.true("barrier"),
        "travel": view.number("travel"),
        "evidence": evidence,
        "quality": str(worst if worst is not None else Quality.UNCERTAIN),
        "presence": str(aircraft.presence),
        "blind": is_blind(view),
        "deaf_to": describe_deafness(door.deaf_to),
    }
    if door.reports:
        document["reports"] = describe_reports(view)
    for flag, value in (("implausible", door.implausible), ("simulated", aircraft.simulated)):
        if value:
            document[flag] = True
    return document


def fingerprint_door(view: View, door: DoorRecord, aircraft: AircraftRecord) -> int:
    """Digest what a door's document says, leaving out ages and travel, to tell whether it must go out again.

    The digest holds within one process only, so no snapshot carries it.
    """
    parts: list[Hashable] = [
        door.state,
        door.since,
        slide_word(view),
        view.value("access"),
        view.true("barrier"),
        is_blind(view),
        door.implausible,
        aircraft.stand,
        aircraft.presence.value,
        aircraft.simulated,
        door.deaf_to,
    ]
    for signal, report in (door.reports or {}).items():
        parts.append((signal, report.value, report.by, report.at, agrees(view, signal, report.value)))
    readings = door.readings
    for signal in STATE_SIGNALS:
        reading = readings.get(signal)
        if reading is None:
            parts.append(None)
        else:
            shown = None if signal == "travel" else reading.value
            parts.append((shown, _WORST[reading.quality], reading.stale))
    return hash(tuple(parts))


def has_moved(view: View, door: DoorRecord) -> bool:
    """Tell whether the leaf moved, or ceased or began to be known, since its document last went out."""
    travel, shown = view.number("travel"), door.travel_shown
    if travel is None or shown is None:
        return travel is not shown
    return abs(travel - shown) >= TRAVEL_NOISE
