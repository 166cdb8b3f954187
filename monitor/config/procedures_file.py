"""The keys of a procedure's file: what begins it, its steps, what ends it and what must not happen.

Owns names, forms and defaults. What must fit together (a step and those that it names, a
condition and its signals) is :mod:`monitor.config.procedures`' to check.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, Field, WithJsonSchema

from monitor.config.models import OneOf, Section, wrong
from monitor.config.problems import show
from monitor.core.airframe import DoorKind
from monitor.core.procedures.definition import BEGINNING, Scoring
from monitor.core.times import HOUR, SECOND

STEPS_MAX: Final = 40
RULES_MAX: Final = 20
LONGEST: Final = 12 * HOUR

_WORD: Final = r"^[a-z0-9][a-z0-9-]{0,47}$"
_WORD_FORM: Final = "a name of small letters, digits and '-', 48 at most"
_UNITS: Final = {"h": 3600.0, "min": 60.0, "s": 1.0}
_PART: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(h|min|s)\s*")


def read_duration(raw: object) -> int:
    """Read ``5s``, ``1min 30s``, ``2min``, ``1h`` or a plain number of seconds as µs."""
    seconds = 0.0
    if isinstance(raw, (int, float)) and not isinstance(raw, bool):
        seconds = float(raw)
    elif isinstance(raw, str) and raw.strip():
        at, text = 0, raw.strip()
        while at < len(text):
            part = _PART.match(text, at)
            if part is None:
                raise _no_duration(raw)
            seconds += float(part[1]) * _UNITS[part[2]]
            at = part.end()
    else:
        raise _no_duration(raw)
    micros = round(seconds * SECOND) if 0 < seconds < 1e6 else 0
    if not 0 < micros <= LONGEST:
        raise wrong(
            f"{show(raw)} is not above 0 and up to {LONGEST // HOUR} h; give a length of time such as 5s or 2min"
        )
    return micros


def _no_duration(raw: object) -> Exception:
    return wrong(f"{show(raw)} is not a length of time; give one such as 5s, 90s, 2min or 1h")


Duration = Annotated[
    int,
    BeforeValidator(read_duration),
    WithJsonSchema({"anyOf": [{"type": "string", "pattern": r"^(\d+(\.\d+)?\s*(h|min|s)\s*)+$"}, {"type": "number"}]}),
]

_TOGETHER: Final[dict[str, Any]] = {
    "type": "object",
    "minProperties": 1,
    "additionalProperties": {
        "anyOf": [
            {"type": ["boolean", "number", "string"]},
            {"type": "array", "minItems": 1, "items": {"type": ["boolean", "number", "string"]}},
        ]
    },
}
ConditionKeys = Annotated[
    object, WithJsonSchema({"anyOf": [_TOGETHER, {"type": "array", "minItems": 1, "items": _TOGETHER}]})
]
"""Signals with what they have to show; a list of such groups is met by any of them."""

StepName = Annotated[str, Field(pattern=_WORD, description=_WORD_FORM)]
DoorKindWord = Annotated[str, OneOf(kind.value for kind in DoorKind)]
Points = Annotated[float, Field(ge=0, le=1000)]

_EXAMPLE: Final = "{handle_lifted: true}"
_DEFAULT: Final = Scoring()


class Beginning(Section):
    """What begins a run: an edge at a door that stood in some way just before."""

    before: ConditionKeys = Field(
        alias="from",
        description="the signals with what they show just before, so that only that beginning counts",
        examples=["{state: closed_locked}"],
    )
    when: ConditionKeys = Field(description="the signals with what they come to show as it begins", examples=[_EXAMPLE])
    outside_a_drill: ConditionKeys = Field(
        default=None,
        description="the signals with what they have to show besides, but not in a drill that names this procedure",
        examples=["{airframe/emergency: true}"],
    )


class Abandoning(Section):
    """What ends a run that is not finished."""

    when: ConditionKeys = Field(
        default=None,
        description="the signals with what they show, for 2 s, where it was given up",
        examples=["{state: closed_locked}"],
    )
    after: Duration = Field(
        default=600 * SECOND, description="the longest that it may go on, a length of time", examples=["10min"]
    )


class StepEntry(Section):
    """One step: with one of ``comes``, ``holds`` and ``reported``."""

    name: StepName = Field(description=_WORD_FORM, examples=["lift-handle"])
    text: str = Field(min_length=1, max_length=200, description="what is to be done, for a person", examples=["Lift the handle"])  # fmt: skip
    comes: ConditionKeys = Field(
        default=None,
        description="the signals with what they have to come to show: it is seen to change to that",
        examples=[_EXAMPLE],
    )
    holds: ConditionKeys = Field(
        default=None,
        description="the signals with what they have to show at the moment that 'at' names",
        examples=["{lever_armed: false}"],
    )
    at: StepName = Field(
        default=BEGINNING, description="the step as it is taken, or beginning, for 'holds'", examples=["lift-handle"]
    )
    reported: bool = Field(default=False, description="true where only a person's report can show it, else false")
    after: list[StepName] = Field(
        default_factory=list, max_length=STEPS_MAX, description="a list of the steps that come before it",
        examples=[["lift-handle"]],
    )  # fmt: skip
    within: Duration | None = Field(default=None, description="the longest that it may take, a length of time", examples=["5s"])  # fmt: skip
    of: StepName = Field(
        default=BEGINNING,
        description="the step, or beginning, that 'within' is measured from",
        examples=["lift-handle"],
    )
    optional: bool = Field(default=False, description="true where leaving it out is no fault, else false")
    points: Points = Field(default=10.0, description="the points that it brings in a drill, from 0 to 1000", examples=[10])  # fmt: skip


class RuleEntry(Section):
    """What must not happen."""

    name: StepName = Field(description=_WORD_FORM, examples=["lever-moved"])
    text: str = Field(min_length=1, max_length=200, description="what must not happen, for a person", examples=["Lever moved"])  # fmt: skip
    when: ConditionKeys = Field(
        description="the signals with what they must not show while it goes on", examples=["{lever_armed: true}"]
    )
    after: StepName | None = Field(default=None, description="the step from which on it counts", examples=["lift-handle"])  # fmt: skip
    until: StepName | None = Field(default=None, description="the step from which on it no longer counts", examples=["open"])  # fmt: skip


class ScoringKeys(Section):
    """What is taken off a drill's points."""

    skipped: Points = Field(default=_DEFAULT.skipped, description="points off for each step left out", examples=[5])
    out_of_order: Points = Field(
        default=_DEFAULT.out_of_order, description="points off for each step done out of its turn", examples=[5]
    )
    too_slow: Points = Field(default=_DEFAULT.too_slow, description="points off for each step too slow", examples=[3])
    forbidden: Points = Field(
        default=_DEFAULT.forbidden, description="points off for each thing that must not happen and did", examples=[10]
    )


class ProcedureFile(Section):
    """Everything that a procedure's file may hold."""

    name: StepName = Field(description=_WORD_FORM, examples=["open-inside"])
    title: str = Field(min_length=1, max_length=80, description="what people call it", examples=["Opening from inside"])
    text: str = Field(default="", max_length=1000, description="what it is for, in plain words", examples=["Normal opening"])  # fmt: skip
    kinds: list[DoorKindWord] = Field(
        min_length=1, description="a list of the kinds of door that it is for", examples=[["cabin"]]
    )
    begins: Beginning = Field(
        description="a group of keys on what begins it",
        examples=["{from: {state: closed_locked}, when: {handle_lifted: true}}"],
    )
    finished: ConditionKeys = Field(
        description="the signals with what they show once it is done", examples=["{state: open}"]
    )
    abandoned: Abandoning = Field(
        default_factory=Abandoning,
        description="a group of keys on what ends it otherwise",
        examples=["{when: {state: closed_locked}, after: 3min}"],
    )
    steps: list[StepEntry] = Field(
        min_length=1,
        max_length=STEPS_MAX,
        description="a list of its steps",
        examples=["[{name: lift-handle, text: Lift the handle, comes: {handle_lifted: true}}]"],
    )
    must_not: list[RuleEntry] = Field(
        default_factory=list,
        max_length=RULES_MAX,
        description="a list of what must not happen meanwhile",
        examples=["[{name: released, text: Slide released, when: {slide_released: true}}]"],
    )
    scoring: ScoringKeys = Field(
        default_factory=ScoringKeys,
        description="a group of what is taken off the points in a drill",
        examples=["{skipped: 5}"],
    )
