"""What a procedure is: what begins it, its steps and their order, its limits, and what must not happen.

Owns the shape of a procedure as frozen values. Reading one from a file, and refusing a bad one, is
:mod:`monitor.config.procedures`'s work. Times in µs.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from monitor.core.signals import Value

BEGINNING: Final = "beginning"
"""What a limit or a check may be measured from, beside a step's name: the moment that the run began."""

STATE: Final = "state"
SLIDE: Final = "slide"
AIRFRAME: Final = "airframe/"
"""Conditions speak of door signals by name, of the door's state and of what its slide does, and of ``airframe/…``."""

_OF_SLIDE: Final = frozenset({"lever_armed", "girt_left", "girt_right", "slide_released", STATE})
"""What a slide's word is read from."""

COMPARISONS: Final[Mapping[str, Callable[[float, float], bool]]] = {
    ">=": operator.ge,
    "<=": operator.le,
    ">": operator.gt,
    "<": operator.lt,
}


@dataclass(frozen=True, slots=True)
class Test:
    """One reading held against what is wanted: one of ``words`` or values, or a ``comparison`` with a ``limit``."""

    __test__ = False

    signal: str
    wanted: tuple[Value, ...] = ()
    comparison: str = ""
    limit: float = 0.0


Together = tuple[Test, ...]
"""Tests that all have to be met."""

Condition = tuple[Together, ...]
"""One of these has to be met; empty: nothing is asked."""


def signals_of(*conditions: Condition) -> Iterator[str]:
    """Name what conditions are read from, with repeats."""
    for condition in conditions:
        for together in condition:
            for test in together:
                yield test.signal


def moved_by(*conditions: Condition) -> frozenset[str]:
    """Name the changes at a door that may change what conditions say."""
    named = set(signals_of(*conditions))
    return frozenset(named - {SLIDE} | (_OF_SLIDE if SLIDE in named else set()))


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    ``comes``: its condition has to be seen to come true. ``holds``: its condition has to be true at the
    moment ``at`` which another step is taken, or the run begins. ``reported``: only a person's word shows it.
    ``after``: the steps that come first. ``within`` (µs) of the step ``since``, or of the beginning.
    """

    name: str
    text: str
    comes: Condition = ()
    holds: Condition = ()
    at: str = BEGINNING
    reported: bool = False
    after: tuple[str, ...] = ()
    within: int | None = None
    since: str = BEGINNING
    optional: bool = False
    points: float = 10.0


@dataclass(frozen=True, slots=True)
class Forbidden:
    """What must not be so while a run goes on, or only once ``after`` was taken and ``until`` was not."""

    name: str
    text: str
    when: Condition
    after: str | None = None
    until: str | None = None


@dataclass(frozen=True, slots=True)
class Scoring:
    """What is taken off a drill's points, for each step or rule."""

    skipped: float = 5.0
    out_of_order: float = 5.0
    too_slow: float = 3.0
    forbidden: float = 10.0


@dataclass(frozen=True, slots=True)
class Procedure:
    """One way to work a door of some kinds.

    It begins when ``begins`` comes true at a door where ``begins_from`` was true just before and ``begins``
    known false; outside a drill that names it, ``outside_a_drill`` has to hold as well. It is ``finished`` or
    ``abandoned`` when that comes to be so, and ``abandoned_after`` (µs) at the latest.
    """

    name: str
    title: str
    text: str
    kinds: frozenset[str]
    begins_from: Condition
    begins: Condition
    outside_a_drill: Condition
    finished: Condition
    abandoned: Condition
    abandoned_after: int
    steps: tuple[Step, ...]
    must_not: tuple[Forbidden, ...] = ()
    scoring: Scoring = field(default_factory=Scoring)


def list_before(steps: tuple[Step, ...]) -> dict[str, frozenset[str]]:
    """Say of each step which come before it, at whatever remove; the steps' order holds no circle."""
    direct = {step.name: step.after for step in steps}
    before: dict[str, frozenset[str]] = {}

    def find(name: str) -> frozenset[str]:
        if name not in before:
            nearest = direct[name]
            before[name] = frozenset(nearest).union(*(find(each) for each in nearest))
        return before[name]

    for step in steps:
        find(step.name)
    return before
