"""Hazards of witnesses that disagree: a door's own mark and lamps, and people's reports of them.

Owns what each mark and lamp should show by the sensors. A reading and a person's report of
one mark are two witnesses: either may be wrong. So is a report beside the sensor that it
contradicts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

from monitor.core.alert import Priority
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.reports import COMPARED, list_disagreements
from monitor.core.rules.rule import (
    ALL_KINDS,
    GROUND,
    HANDLES,
    PRESSURE,
    SLIDE,
    Level,
    Parameters,
    Rule,
    Scope,
    door_name,
)
from monitor.core.rules.surroundings import worked_under_pressure
from monitor.core.signals import Value
from monitor.core.times import format_time
from monitor.core.view import View


class _Mark(NamedTuple):
    """A mark or lamp: its name in a sentence, and whether what it shows contradicts the sensors."""

    name: str
    contradicts: Callable[[View, Parameters, Value], Truth]


def _lock_mark(view: View, p: Parameters, shown: Value) -> Truth:
    locked = view.true("locked")
    return None if locked is None else locked is not (shown == "locked")


def _armed_lamp(view: View, p: Parameters, shown: Value) -> Truth:
    due = all3((view.handle_moved, view.engaged))
    return not3(due) if shown is True else due


def _pressure_lamp(view: View, p: Parameters, shown: Value) -> Truth:
    pressure = view.pressure
    if pressure is None:
        return None
    if shown is True:
        return abs(pressure) < p["limit_hpa"] - p["dead_band_hpa"]
    return worked_under_pressure(view, p)


MARKS: Final = {
    "lock_indicator": _Mark("lock mark", _lock_mark),
    "armed_light": _Mark("armed lamp", _armed_lamp),
    "pressure_light": _Mark("pressure lamp", _pressure_lamp),
}
HELD_AGAINST: Final = {
    "lock_indicator": ("locked",),
    "armed_light": ("handle_lifted", "slide"),
    "pressure_light": (PRESSURE, GROUND),
}
"""Mark or lamp → what it cannot be judged without, as a rule's ``needs``."""


def _witnesses(view: View, p: Parameters) -> Iterator[tuple[str, Truth]]:
    """Each witness that ever spoke, by name, and whether it contradicts the sensors."""
    reports = (view.door.reports if view.door is not None else None) or {}
    for signal, mark in MARKS.items():
        if view.reading(signal) is not None:
            shown = view.value(signal)
            yield f"the {mark.name}", None if shown is None else mark.contradicts(view, p, shown)
        report = reports.get(signal)
        if report is not None:
            who = f"{report.by}'s report of {format_time(report.at)[11:16]}Z on the {mark.name}"
            yield who, mark.contradicts(view, p, report.value)

    for signal, _, by, at in list_disagreements(view):
        yield f"{by}'s report of {format_time(at)[11:16]}Z on {signal.replace('_', ' ')}", True


def _disagree(view: View, p: Parameters, held: bool) -> Truth:
    return any3(disagrees for _, disagrees in _witnesses(view, p))


_DEFAULTS: Final = {"on_delay_s": 3.0, "limit_hpa": 2.5, "dead_band_hpa": 0.5}


def _text(view: View, priority: Priority) -> str:
    """Name who disagrees. Thresholds of one site do not reach a text: a lamp is named by the defaults."""
    who = [name for name, disagrees in _witnesses(view, _DEFAULTS) if disagrees]
    named = " and ".join(who) or "a witness"
    return f"{door_name(view)}: {named} {'contradict' if len(who) > 1 else 'contradicts'} the sensors."


INDICATOR_DISAGREE = Rule(
    code="indicator-disagree",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(Level(Priority.CAUTION, _disagree, delay="on_delay_s"),),
    reads=frozenset({*MARKS, "memo/report", *COMPARED, PRESSURE, GROUND}),
    needs=("witness",),
    parameters=_DEFAULTS,
    inherits="residual-pressure",
    names_signals=True,
    summary=(
        "The door's own mark or a lamp, or what a person reported of the door, contradicts the sensors. Its pressure "
        "limit and dead band are those of residual-pressure unless set."
    ),
    text=_text,
    action="Look at the door's mark and lamps yourself. Tell the crew and maintenance which of them is in doubt.",
    consequence="Somebody trusts the one that is wrong and works a door that is not as it seems.",
    respond_within_s=60,
    role="door team",
    basis="14 CFR 25.783(e)(3): a false showing of secure must be improbable; the lamps: common practice",
    evidence=(*MARKS, "locked", *HANDLES, *SLIDE, PRESSURE),
)

RULES: tuple[Rule, ...] = (INDICATOR_DISAGREE,)
