"""Two judges, written apart from the same contract, say the same wherever everything is known."""

from __future__ import annotations

import ast
import inspect
import random
from types import ModuleType
from typing import Any, Final

import pytest

from tests.exhaustive import doors, meaning
from tests.exhaustive.doors import Shape
from tests.simulation import judges, picture, sense
from tests.simulation.picture import FRESH, Picture, S
from tests.stories import demo_site

DRAWS: Final = 300
AT: Final = 1_772_359_200 * S
ROOT: Final = "apron/v1/tarnwick/aircraft/SIM-0"


@pytest.mark.parametrize("shape", doors.shapes(), ids=str)
def test_both_judges_read_a_door_alike(shape: Shape) -> None:
    rng = random.Random(str(shape))
    spec = demo_site().types[shape.type].doors[shape.door]
    for _ in range(DRAWS):
        readings = {s: rng.choice(values) for s, values in doors.CHOICES.items() if s in shape.signals}
        sensed = sense.sense(spec, readings, deployed=False)
        assert sensed.state == meaning.state_of(shape, readings), readings
        assert not sensed.lenient
        facts = meaning.facts_of(shape, readings, doors.AT_PEACE.readings(shape))
        assert (sensed.out, sensed.moved, sensed.engaged) == (facts.out, facts.moved, facts.engaged)


@pytest.mark.parametrize("shape", [s for s in doors.shapes() if s.kind == "cabin"], ids=str)
def test_what_is_not_known_leaves_a_state_only_where_it_cannot_matter(shape: Shape) -> None:
    rng = random.Random(str(shape))
    spec = demo_site().types[shape.type].doors[shape.door]
    for _ in range(DRAWS):
        readings: dict[str, Any] = {s: rng.choice(v) for s, v in doors.CHOICES.items() if s in shape.signals}
        gone = rng.choice([s for s in sense.STATE_SIGNALS if s in shape.signals and s not in ("hold_open", "travel")])
        states = {sense.sense(spec, {**readings, gone: value}, deployed=False).state for value in doors.CHOICES[gone]}
        sensed = sense.sense(spec, {**readings, gone: None}, deployed=False)
        assert sensed.lenient
        if gone != "slide_released":
            assert {sensed.state} == (states if len(states) == 1 else {"unknown"})


@pytest.mark.parametrize("module", [judges, picture, sense], ids=lambda module: module.__name__)
def test_a_judge_imports_nothing_that_it_judges(module: ModuleType) -> None:
    tree = ast.parse(inspect.getsource(module))
    named = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    ours = {name for name in named if name is not None and name.startswith("monitor.")}
    assert ours <= {"monitor.core.airframe", "monitor.core.effects", "monitor.ports"}


def put(seen: Picture, value: object, at_s: float, seq: int, *, stamp_s: float | None = None) -> frozenset[Any]:
    """Deliver ``closed`` of a door at a moment, and return what it may be then."""
    now = AT + round(at_s * S)
    stamp = AT / S + (at_s if stamp_s is None else stamp_s)
    body = f'{{"time": {stamp}, "seq": {seq}, "value": {str(value).lower()}}}'
    seen.take(f"{ROOT}/door/L1/closed", body.encode(), False, now)
    return seen.aircraft["SIM-0"].at_door("L1", "closed", now)


def test_the_picture_takes_what_is_newer_and_a_sender_that_starts_over() -> None:
    seen = Picture()
    assert put(seen, True, 0, 5) == {True}
    assert put(seen, False, 1, 6) == {False}
    assert put(seen, False, 1, 6, stamp_s=1) == {False}, "a mere repeat"
    assert put(seen, True, 2, 0) == {True}, "a later time with a smaller number"


def test_the_picture_leaves_open_what_may_yet_count() -> None:
    seen = Picture()
    put(seen, True, 0, 5)
    assert put(seen, False, 1, 4, stamp_s=-60) == {True, False}
    assert put(seen, True, 2, 6) == {True}


def test_the_picture_forgets_what_nobody_vouches_for() -> None:
    seen = Picture()
    put(seen, True, 0, 5)
    aircraft = seen.aircraft["SIM-0"]
    assert aircraft.at_door("L1", "closed", AT + FRESH - S) == {True}
    assert aircraft.at_door("L1", "closed", AT + FRESH + S) == {None}
    seen.take(f"{ROOT}/airframe/heartbeat", f'{{"time": {AT // S + 31}, "value": 7}}'.encode(), False, AT + FRESH + S)
    assert aircraft.at_door("L1", "closed", AT + FRESH + S) == {True}
