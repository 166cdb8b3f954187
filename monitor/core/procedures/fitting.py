"""A procedure as it fits one door: without the steps that the door has no sensor for.

Owns what is left out of a procedure at a door of some type, and why. A sensor that is fitted and
silent leaves nothing out: what it would show is then not known.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from monitor.core.airframe import DoorType
from monitor.core.procedures.definition import (
    AIRFRAME,
    BEGINNING,
    SLIDE,
    STATE,
    Condition,
    Forbidden,
    Procedure,
    Step,
    list_before,
    moved_by,
    signals_of,
)


class LeftOut(NamedTuple):
    """A step or a rule that nothing at the door can show, and why."""

    name: str
    text: str
    why: str


@dataclass(frozen=True, slots=True)
class Fitted:
    """A procedure at one door. ``before``: each step's predecessors at whatever remove.

    ``begins_by`` and ``heeds`` are the signals that its beginning, and anything of it, is read from.
    """

    procedure: Procedure
    left_out: tuple[LeftOut, ...]
    before: dict[str, frozenset[str]]
    begins_by: frozenset[str]
    heeds: frozenset[str]


def fit_all(procedures: Iterable[Procedure], spec: DoorType) -> tuple[Fitted, ...]:
    """Return the procedures that a door can be followed through, as they fit it."""
    found = (_fit_once(procedure, spec) for procedure in procedures if str(spec.kind) in procedure.kinds)
    return tuple(fitted for fitted in found if fitted is not None)


KNOWN_MAX: Final = 20_000
_known: Final[dict[tuple[int, int], tuple[Procedure, DoorType, Fitted | None]]] = {}
"""What was fitted before, with what it was fitted from: a look ahead builds the whole core anew each time."""


def _fit_once(procedure: Procedure, spec: DoorType) -> Fitted | None:
    key = (id(procedure), id(spec))
    known = _known.get(key)
    if known is None:
        if len(_known) >= KNOWN_MAX:
            _known.clear()
        # Both are held here, so that no other can come to have their ids.
        known = _known[key] = (procedure, spec, fit(procedure, spec))
    return known[2]


def fit(procedure: Procedure, spec: DoorType) -> Fitted | None:
    """Fit one procedure; ``None`` where the door could not show its beginning, its end or any step."""
    begins = _narrow(procedure.begins, spec)
    finished = _narrow(procedure.finished, spec)
    begins_from = _narrow(procedure.begins_from, spec)
    outside = _narrow(procedure.outside_a_drill, spec)
    if begins is None or finished is None or begins_from is None or outside is None:
        return None
    steps, left_out = _fit_steps(procedure.steps, spec)
    if not steps:
        return None
    kept = {step.name for step in steps}
    rules, rules_out = _fit_rules(procedure.must_not, spec, kept)
    fitted = replace(
        procedure,
        begins=begins,
        begins_from=begins_from,
        outside_a_drill=outside,
        finished=finished,
        abandoned=_narrow(procedure.abandoned, spec) or (),
        steps=tuple(steps),
        must_not=tuple(rules),
    )
    before = {name: each & kept for name, each in list_before(procedure.steps).items() if name in kept}
    begins_by = moved_by(fitted.begins, fitted.begins_from)
    heeds = begins_by.union(
        moved_by(fitted.finished, fitted.abandoned),
        *(moved_by(step.comes, step.holds) for step in steps),
        *(moved_by(rule.when) for rule in rules),
    )
    return Fitted(fitted, (*left_out, *rules_out), before, begins_by, heeds)


def _fits(signal: str, spec: DoorType) -> bool:
    if signal == SLIDE:
        return spec.slide
    return signal == STATE or signal.startswith(AIRFRAME) or signal in spec.signals


def _missing(condition: Condition, spec: DoorType) -> list[str]:
    return [signal for signal in dict.fromkeys(signals_of(condition)) if not _fits(signal, spec)]


def _narrow(condition: Condition, spec: DoorType) -> Condition | None:
    """Keep the alternatives that the door can show; ``None`` where there were some and none is left."""
    kept = tuple(together for together in condition if all(_fits(test.signal, spec) for test in together))
    return None if condition and not kept else kept


def _fit_steps(steps: tuple[Step, ...], spec: DoorType) -> tuple[list[Step], list[LeftOut]]:
    kept: dict[str, Step] = {}
    left_out: list[LeftOut] = []
    gone: set[str] = set()
    for step in steps:
        comes, holds = _narrow(step.comes, spec), _narrow(step.holds, spec)
        if comes is None or holds is None:
            why = f"not fitted: {', '.join(_missing(step.comes, spec) + _missing(step.holds, spec))}"
            left_out.append(LeftOut(step.name, step.text, why))
            gone.add(step.name)
        else:
            kept[step.name] = replace(step, comes=comes, holds=holds)
    for name, step in list(kept.items()):
        if step.holds and step.at in gone:
            del kept[name]
            left_out.append(LeftOut(name, step.text, f"not fitted: what shows {step.at}"))
        elif step.since in gone:
            # From a moment that nothing shows no limit can be measured.
            kept[name] = replace(step, within=None, since=BEGINNING)
            left_out.append(LeftOut(name, f"the limit of: {step.text}", f"not fitted: what shows {step.since}"))
    return list(kept.values()), left_out


def _fit_rules(rules: tuple[Forbidden, ...], spec: DoorType, steps: set[str]) -> tuple[list[Forbidden], list[LeftOut]]:
    kept: list[Forbidden] = []
    left_out: list[LeftOut] = []
    for rule in rules:
        when = _narrow(rule.when, spec)
        if when is None:
            left_out.append(LeftOut(rule.name, rule.text, f"not fitted: {', '.join(_missing(rule.when, spec))}"))
        elif rule.after is not None and rule.after not in steps:
            left_out.append(LeftOut(rule.name, rule.text, f"not fitted: what shows {rule.after}"))
        else:
            kept.append(replace(rule, when=when, until=rule.until if rule.until in steps else None))
    return kept, left_out
