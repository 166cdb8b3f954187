"""From procedures' files to the core's :class:`Procedure`.

Owns what must fit together: a step and the steps that it names, a condition and the values
that its signals can have. Reads one folder; the shipped one where a site names none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final

from monitor.config.document import Location, read_document
from monitor.config.explain import validate
from monitor.config.layers import file_layer, place
from monitor.config.problems import ConfigError, Problem, show, suggest
from monitor.config.procedures_file import ProcedureFile, RuleEntry, StepEntry
from monitor.core.door import State
from monitor.core.procedures.definition import (
    AIRFRAME,
    BEGINNING,
    SLIDE,
    STATE,
    Condition,
    Forbidden,
    Procedure,
    Scoring,
    Step,
    Test,
    Together,
)
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, HEARTBEAT, Kind, Signal, Value

_SUFFIXES: Final = (".yaml", ".yml")
_COMPARISON: Final = re.compile(r"(>=|<=|>|<)\s*([-+]?\d+(?:\.\d+)?)")
_WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    STATE: tuple(str(state) for state in State if state is not State.UNKNOWN),
    SLIDE: ("none", "released", "engaged", "disengaged", "disagree"),
}
_UNASKED: Final = frozenset({"type", "stand", HEARTBEAT})
_SIGNALS: Final[Mapping[str, Signal]] = {
    **{name: signal for name, signal in DOOR_SIGNALS.items() if name not in _UNASKED},
    **{f"{AIRFRAME}{name}": signal for name, signal in AIRFRAME_SIGNALS.items() if name not in _UNASKED},
}

Finding = tuple[Location, str]


class _WrongError(Exception):
    """A condition cannot be read; ``location`` is below the condition's own."""

    def __init__(self, location: Location, message: str) -> None:
        super().__init__(message)
        self.location = location
        self.message = message


def read_procedures(folder: Path, problems: list[Problem]) -> dict[str, Procedure]:
    """Read every file of a folder, by the procedures' names; what is wrong goes to ``problems``."""
    found: dict[str, Procedure] = {}
    defined: dict[str, Path] = {}
    for path in sorted(file for file in folder.iterdir() if file.suffix in _SUFFIXES):
        try:
            procedure = read_procedure(path)
        except ConfigError as error:
            problems.extend(error.problems)
            continue
        if procedure.name in defined:
            first = defined[procedure.name].name
            message = f"{procedure.name!r} is defined in {first} too; give each procedure its own name"
            problems.append(Problem(str(path), read_document(path).line(("name",)), "name", message))
        defined.setdefault(procedure.name, path)
        found[procedure.name] = procedure
    return dict(sorted(found.items()))


def read_procedure(path: Path) -> Procedure:
    """Read one procedure's file; raise :class:`ConfigError` with everything that is wrong in it."""
    layers = [file_layer(read_document(path))]
    file = validate(ProcedureFile, layers)
    findings = list(_check(file))
    if findings:
        raise ConfigError(place(layers, location, message) for location, message in findings)
    return _build(file)


def _build(file: ProcedureFile) -> Procedure:
    scoring = file.scoring
    return Procedure(
        name=file.name,
        title=file.title,
        text=" ".join(file.text.split()),
        kinds=frozenset(file.kinds),
        begins_from=_read(file.begins.before),
        begins=_read(file.begins.when),
        outside_a_drill=_read(file.begins.outside_a_drill),
        finished=_read(file.finished),
        abandoned=_read(file.abandoned.when),
        abandoned_after=file.abandoned.after,
        steps=tuple(_build_step(step) for step in file.steps),
        must_not=tuple(
            Forbidden(rule.name, rule.text, _read(rule.when), rule.after, rule.until) for rule in file.must_not
        ),
        scoring=Scoring(scoring.skipped, scoring.out_of_order, scoring.too_slow, scoring.forbidden),
    )


def _build_step(step: StepEntry) -> Step:
    return Step(
        name=step.name,
        text=step.text,
        comes=_read(step.comes),
        holds=_read(step.holds),
        at=step.at,
        reported=step.reported,
        after=tuple(dict.fromkeys(step.after)),
        within=step.within,
        since=step.of,
        optional=step.optional,
        points=step.points,
    )


# What must fit together


def _check(file: ProcedureFile) -> Iterator[Finding]:
    for location, condition in _conditions(file):
        try:
            _read(condition)
        except _WrongError as error:
            yield (*location, *error.location), error.message
    names = [step.name for step in file.steps]
    doubles = [index for index, name in enumerate(names) if names.index(name) != index]
    for index in doubles:
        yield ("steps", index, "name"), f"{names[index]!r} is a step already; give each step its own name"
    if doubles:
        # Which of them is meant elsewhere nobody can say.
        return
    for index, step in enumerate(file.steps):
        yield from _check_step(file, index, step, names)
    yield from _check_circle(file)
    for index, rule in enumerate(file.must_not):
        yield from _check_rule(index, rule, file, names)


def _conditions(file: ProcedureFile) -> Iterator[tuple[Location, object]]:
    yield ("begins", "from"), file.begins.before
    yield ("begins", "when"), file.begins.when
    optional: list[tuple[Location, object]] = [
        (("begins", "outside_a_drill"), file.begins.outside_a_drill),
        (("abandoned", "when"), file.abandoned.when),
    ]
    for index, step in enumerate(file.steps):
        optional += [(("steps", index, "comes"), step.comes), (("steps", index, "holds"), step.holds)]
    yield from ((location, condition) for location, condition in optional if condition is not None)
    yield ("finished",), file.finished
    for index, rule in enumerate(file.must_not):
        yield ("must_not", index, "when"), rule.when


def _check_step(file: ProcedureFile, index: int, step: StepEntry, names: list[str]) -> Iterator[Finding]:
    at: Location = ("steps", index)
    if step.name == BEGINNING:
        yield (*at, "name"), f"{BEGINNING!r} means the moment that the run begins; give the step another name"
    shown = [key for key in ("comes", "holds") if getattr(step, key) is not None] + ["reported"] * step.reported
    if len(shown) != 1:
        what = f"has {' and '.join(shown)}" if shown else "says nothing of how it is shown"
        yield at, f"the step {step.name} {what}; give one of comes, holds and 'reported: true'"
    if step.holds is None and step.at != BEGINNING:
        yield (*at, "at"), "'at' is for steps with 'holds'; leave it out, or give 'holds' instead of 'comes'"
    if step.holds is not None and step.within is not None:
        yield (*at, "within"), "a step with 'holds' is looked at in one moment and has no limit; leave 'within' out"
    if step.within is None and step.of != BEGINNING:
        yield (*at, "of"), "'of' says what 'within' is measured from; give 'within' too, or leave it out"
    moments = {BEGINNING: True, **{each.name: each.holds is None for each in file.steps}}
    for key, name in (("at", step.at), ("of", step.of)):
        if name not in moments or name == step.name:
            yield (
                (*at, key),
                f"there is no other step {name!r}; {suggest(name, [n for n in moments if n != step.name])}",
            )
        elif not moments[name]:
            yield (*at, key), f"{name!r} is a check and has no moment of its own; name a step that is done"
    for number, name in enumerate(step.after):
        if name not in names or name == step.name:
            right = suggest(name, [each for each in names if each != step.name])
            yield (*at, "after", number), f"there is no other step {name!r}; {right}"


def _check_circle(file: ProcedureFile) -> Iterator[Finding]:
    """No step may come before itself, at whatever remove."""
    after = {step.name: set(step.after) for step in file.steps}
    left = dict(after)
    while ready := [name for name, before in left.items() if not before & left.keys()]:
        for name in ready:
            del left[name]
    for index, step in enumerate(file.steps):
        if step.name in left and step.name not in step.after:
            chain = ", ".join(sorted(left))
            yield ("steps", index, "after"), f"{chain} wait for each other; leave one of their 'after' out"
            return


def _check_rule(index: int, rule: RuleEntry, file: ProcedureFile, names: list[str]) -> Iterator[Finding]:
    at: Location = ("must_not", index)
    if [each.name for each in file.must_not].index(rule.name) != index:
        yield (*at, "name"), f"{rule.name!r} is there already; give each its own name"
    for key, name in (("after", rule.after), ("until", rule.until)):
        if name is not None and name not in names:
            yield (*at, key), f"there is no step {name!r}; {suggest(name, names)}"


# Conditions


def _read(raw: object) -> Condition:
    """Read a condition; raise :class:`_WrongError`. Nothing: nothing is asked."""
    if raw is None:
        return ()
    if not isinstance(raw, list):
        return (_read_group(raw, ()),)
    if not raw:
        raise _WrongError((), "is empty; give a group of signals such as {handle_lifted: true}")
    return tuple(_read_group(group, (index,)) for index, group in enumerate(raw))


def _read_group(raw: object, at: Location) -> Together:
    if not isinstance(raw, dict) or not raw:
        raise _WrongError(at, f"{show(raw)} is not a group of signals; give one such as {{handle_lifted: true}}")
    return tuple(_read_test(str(signal), wanted, (*at, signal)) for signal, wanted in raw.items())


def _read_test(signal: str, raw: object, at: Location) -> Test:
    if signal in _WORDS:
        return Test(signal, tuple(_check_word(each, _WORDS[signal], at) for each in _listed(raw)))
    spec = _SIGNALS.get(signal)
    if spec is None:
        raise _WrongError(at, f"is no signal; {suggest(signal, [*_WORDS, *_SIGNALS])}")
    if spec.kind in (Kind.FLOAT, Kind.INT):
        return _read_comparison(signal, spec, raw, at)
    if spec.kind is Kind.BOOL:
        if not isinstance(raw, bool):
            raise _WrongError(at, f"{show(raw)} is not what {signal} can show; give true or false")
        return Test(signal, (raw,))
    return Test(signal, tuple(_check_word(each, spec.choices, at) for each in _listed(raw)))


def _listed(raw: object) -> Iterable[object]:
    return raw if isinstance(raw, list) and raw else [raw]


def _check_word(raw: object, words: tuple[str, ...], at: Location) -> Value:
    if not isinstance(raw, str) or raw not in words:
        raise _WrongError(at, f"{show(raw)} is not one of the known words; {suggest(raw, words)}")
    return raw


def _read_comparison(signal: str, spec: Signal, raw: object, at: Location) -> Test:
    found = _COMPARISON.fullmatch(raw.strip()) if isinstance(raw, str) else None
    if found is None:
        raise _WrongError(at, f"{show(raw)} is no comparison; give one in quotes such as '>= 0.98'")
    limit = float(found[2])
    if not spec.low <= limit <= spec.high:
        raise _WrongError(at, f"{signal} is from {spec.low:g} to {spec.high:g}; give a number in between")
    return Test(signal, (), found[1], limit)
