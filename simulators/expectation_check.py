"""What must fit together in what a scenario expects: aircraft, doors, alerts and times.

Owns the sentences that say what is wrong there and what would be right. It plays nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from monitor.config.document import Location
from monitor.config.problems import suggest
from monitor.core.airframe import AirframeType
from monitor.core.rules import AIRCRAFT_RULES, DOOR_RULES
from monitor.core.rules.rule import Rule
from simulators.expectation import Expectations, Expected
from simulators.scenario_file import ExpectEntry, ScenarioFile

Finding = tuple[Location, str]
Types = Mapping[str, AirframeType | None]
"""Registration → type; ``None`` where the site does not know the type."""

_OF_DOORS: Final = frozenset(rule.code for rule in DOOR_RULES)


def read_expectations(file: ScenarioFile) -> Expectations:
    """Return what a file expects; what does not fit in it is :func:`check_expectations`' to say."""
    only_one = file.aircraft[0].reg if len(file.aircraft) == 1 else None
    return Expectations(
        alerts=tuple(
            Expected(
                alert=entry.alert,
                by_s=entry.by,
                after_s=entry.after,
                aircraft=entry.aircraft or only_one,
                door=entry.door if entry.alert in _OF_DOORS else "-",
                priority=entry.priority,
                cleared_by_s=entry.cleared_by,
                cleared_after_s=entry.cleared_after,
            )
            for entry in file.expect
        ),
        never=tuple(file.never),
        only=file.only_expected,
    )


def check_expectations(file: ScenarioFile, types: Types) -> Iterator[Finding]:
    """Yield what is wrong with ``expect``, ``never`` and ``only_expected``, and where."""
    for index, entry in enumerate(file.expect):
        where: Location = ("expect", index)
        yield from _misplaced(where, entry, types)
        yield from _misprioritised(where, entry)
        yield from _mistimed(where, entry, file.end)
    expected = {entry.alert for entry in file.expect}
    for index, code in enumerate(file.never):
        if code in expected:
            yield ("never", index), f"{code} is expected above; keep one of the two"
    if file.end is None and not file.expect:
        for key in ("never", "only_expected"):
            if getattr(file, key):
                yield (key,), "has no end to be held to; add end: and a length of time such as 2min"


def _misplaced(where: Location, entry: ExpectEntry, types: Types) -> Iterator[Finding]:
    if entry.aircraft is not None and entry.aircraft not in types:
        yield (*where, "aircraft"), f"there is no aircraft {entry.aircraft}; {suggest(entry.aircraft, types)}"
        return
    if entry.door is None:
        return
    if entry.alert not in _OF_DOORS:
        yield (*where, "door"), f"{entry.alert} is an alert of the whole aircraft; leave door: out"
        return
    reg = entry.aircraft or (next(iter(types)) if len(types) == 1 else None)
    if reg is None:
        yield where, f"says a door and no aircraft; add aircraft: and one of {', '.join(types)}"
        return
    airframe = types[reg]
    if airframe is None:
        return
    if entry.door not in airframe.doors:
        yield (*where, "door"), f"{reg} has no door {entry.door!r}; {suggest(entry.door, airframe.doors)}"
        return
    can = [name for name, door in airframe.doors.items() if any(r.applies_to(door) for r in _rules(entry.alert))]
    if entry.door not in can:
        kind = airframe.doors[entry.door].kind.value.replace("_", "-")
        right = suggest("", can) if can else f"no door of {reg} can; leave the alert out"
        yield (*where, "door"), f"{entry.alert} is not raised at {entry.door}, a {kind} door; {right}"


def _misprioritised(where: Location, entry: ExpectEntry) -> Iterator[Finding]:
    can = [priority.value for rule in _rules(entry.alert, everywhere=True) for priority in rule.priorities]
    if entry.priority is not None and entry.priority not in can:
        yield (*where, "priority"), f"{entry.alert} is never {_a(entry.priority)}; {suggest('', dict.fromkeys(can))}"


def _mistimed(where: Location, entry: ExpectEntry, end_s: float | None) -> Iterator[Finding]:
    if entry.after > entry.by:
        yield (*where, "after"), f"{entry.after:g}s is later than by: {entry.by:g}s; give an earlier time"
    if entry.cleared_by is not None and entry.cleared_by < entry.by:
        yield (*where, "cleared_by"), f"{entry.cleared_by:g}s is before by: {entry.by:g}s; give a later time"
    if entry.cleared_by is not None and entry.cleared_after > entry.cleared_by:
        right = f"is later than cleared_by: {entry.cleared_by:g}s; give an earlier time"
        yield (*where, "cleared_after"), f"{entry.cleared_after:g}s {right}"
    for key in ("by", "cleared_after", "cleared_by"):
        at = getattr(entry, key)
        if end_s is not None and at is not None and at > end_s:
            yield (*where, key), f"{at:g}s is after the end at {end_s:g}s; give an earlier time, or a later end:"


def _rules(code: str, *, everywhere: bool = False) -> list[Rule]:
    rules = (*DOOR_RULES, *AIRCRAFT_RULES) if everywhere else DOOR_RULES
    return [rule for rule in rules if rule.code == code]


def _a(word: str) -> str:
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"
