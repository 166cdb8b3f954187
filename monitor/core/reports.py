"""What people say they saw at a door: a witness beside the sensors, with a name and an age.

Owns which signals a person may speak to, how long their word counts and whether it agrees
with the sensor. A word never changes a reading or a state.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from monitor.core.effects import Document, Effect, RecordAudit
from monitor.core.kleene import Truth
from monitor.core.refusal import RefusedError
from monitor.core.signals import DOOR_SIGNALS, Kind, RejectedValueError, Signal, Value
from monitor.core.state import AircraftRecord, DoorRecord, Presence, Report
from monitor.core.times import MINUTE, SECOND, format_time
from monitor.core.view import HANDLES, SLIDE_SIGNALS, View

if TYPE_CHECKING:
    from monitor.core.events import DoorReported
    from monitor.core.system import System

REPORT_LIFE: Final = 10 * MINUTE
LAMP_LIFE: Final = MINUTE
"""How long a person's word counts, of the pressure lamp less: pressure never stands still."""

MARKS: Final = frozenset({"lock_indicator", "armed_light", "pressure_light"})
"""What the door itself shows; what contradicts it is a rule's to say."""

REPORTABLE: Final[Mapping[str, Signal]] = {
    name: signal for name, signal in DOOR_SIGNALS.items() if signal.kind is Kind.BOOL or signal.choices
}
"""The signals that an eye can answer."""

COMPARED: Final = frozenset(REPORTABLE) - MARKS
"""Those whose own sensor a person's word is held against."""

_SPEAKS_OF: Final[Mapping[str, frozenset[str]]] = {
    **{name: frozenset({name}) for name in COMPARED},
    "lock_indicator": frozenset({"locked"}),
    "armed_light": frozenset({*HANDLES, *SLIDE_SIGNALS}),
    "pressure_light": frozenset({*HANDLES, "latched", "locked"}),
}
"""What was reported → the sensors that it is held against."""

CHANGED: Final = "memo/report"
"""The change that a word, its end or its withdrawal is."""


def agrees(view: View, signal: str, value: Value) -> Truth:
    """Tell whether the sensors say the same as a person; unknown where they say nothing."""
    known = view.value(signal)
    if known is not None:
        return known == value
    locked = view.true("locked") if signal == "lock_indicator" else None
    return None if locked is None else (value == "locked") is locked


def outdate(view: View, changes: set[str]) -> None:
    """Forget what was said of something that has moved since: it was said of how it stood.

    A sensor that only went silent or bad leaves the word alone. Adds to ``changes`` that it did.
    """
    door = view.door
    if door is None or not door.reports or "*" in changes:
        return
    kept = {
        signal: report
        for signal, report in door.reports.items()
        if all(view.value(spoken_of) is None for spoken_of in _SPEAKS_OF[signal] & changes)
    }
    if len(kept) < len(door.reports):
        door.reports = kept or None
        changes.add(CHANGED)


def life_of(signal: str) -> int:
    """Return how long (µs) a word on a signal counts."""
    return LAMP_LIFE if signal == "pressure_light" else REPORT_LIFE


def list_disagreements(view: View) -> list[tuple[str, Value, str, int]]:
    """List (signal, value, by, at in µs) of the words that a known reading of the same signal contradicts.

    Leaves out the door's own mark and lamps.
    """
    reports = view.door.reports if view.door is not None else None
    return [
        (signal, report.value, report.by, report.at)
        for signal, report in sorted((reports or {}).items())
        if signal in COMPARED and agrees(view, signal, report.value) is False
    ]


def describe_reports(view: View, *, aged: bool = False) -> dict[str, Document]:
    """Write what was said of a door, by signal; with ``aged``, each with its age in seconds."""
    reports = view.door.reports if view.door is not None else None
    described: dict[str, Document] = {}
    for signal, report in sorted((reports or {}).items()):
        described[signal] = {
            "value": report.value,
            "by": report.by,
            "at": format_time(report.at),
            "agrees": agrees(view, signal, report.value),
        }
        if aged:
            described[signal]["age_s"] = round((view.now - report.at) / SECOND, 3)
    return described


def take_report(system: System, event: DoorReported, now: int) -> list[Effect]:
    """Take down what a person saw; raises :class:`RefusedError`."""
    aircraft = system.record.aircraft.get(event.aircraft)
    door = aircraft.doors.get(event.door) if aircraft is not None else None
    if aircraft is None or door is None:
        raise RefusedError("not-found", f"no door {event.door} of {event.aircraft} is known")
    if aircraft.presence is Presence.AWAY:
        raise RefusedError("conflict", f"{event.aircraft} is away; declare it present before reporting on its doors")
    if not event.by.strip():
        raise RefusedError("refused", "a report needs the name of who saw it")
    if not event.sees and not event.steps:
        raise RefusedError("refused", "a report names at least one signal and the value that was seen, or a step")
    for signal, value in event.sees:
        _check(signal, value)
    if event.steps:
        system.report_steps(aircraft, door, event.steps, now)
    reports = dict(door.reports or {})
    before = _say({signal: reports[signal].value for signal, _ in event.sees if signal in reports})
    for signal, value in event.sees:
        reports.pop(signal, None)
        if value is not None:
            reports[signal] = Report(value, event.by, now)
            system.queue_report(now + life_of(signal), event.aircraft, event.door, signal)
    door.reports = reports or None
    system.settle(aircraft, {event.door: {CHANGED}}, now)
    said = [_say(dict(event.sees))] if event.sees else []
    subject, after = f"{event.aircraft}/{event.door}", ", ".join((*said, *(f"{step}=done" for step in event.steps)))
    return [RecordAudit(now, event.by, "report", subject, event.reason, before, after, event.origin)]


def _check(signal: str, value: Value | None) -> None:
    spec = REPORTABLE.get(signal)
    if spec is None:
        raise RefusedError(
            "refused", f"{signal} is nothing that a person reports; give one of {', '.join(sorted(REPORTABLE))}"
        )
    if value is None:
        return
    try:
        spec.check(value)
    except RejectedValueError as fault:
        raise RefusedError("refused", f"{fault.detail}; give null to take a report back") from None


def _say(sees: Mapping[str, Value | None]) -> str:
    return ", ".join(f"{s}={'withdrawn' if v is None else str(v).lower()}" for s, v in sorted(sees.items()))


def end_report(system: System, reg: str, door_name: str, signal: str, now: int) -> None:
    """Forget a person's word once it is too old to count."""
    aircraft = system.record.aircraft.get(reg)
    door = aircraft.doors.get(door_name) if aircraft is not None else None
    if aircraft is None or door is None or door.reports is None:
        return
    report = door.reports.get(signal)
    if report is None or report.at + life_of(signal) > now:
        return
    door.reports = {name: kept for name, kept in door.reports.items() if name != signal} or None
    system.settle(aircraft, {door_name: {CHANGED}}, now)


def drop_reports(aircraft: AircraftRecord) -> None:
    """Forget what was said of an aircraft that is gone."""
    for door in aircraft.doors.values():
        door.reports = None


def list_deadlines(door: DoorRecord) -> list[tuple[int, str]]:
    """List (moment in µs, signal) of what is still to be forgotten at a door."""
    return [(report.at + life_of(signal), signal) for signal, report in (door.reports or {}).items()]
