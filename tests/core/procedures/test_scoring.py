"""The points of a drill: the formula, its bounds, and what cannot be told."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.procedures.definition import Procedure, Scoring, Step, Test
from monitor.core.procedures.fitting import Fitted
from monitor.core.procedures.matching import StepState
from monitor.core.procedures.run import Candidate, StepMemo
from monitor.core.procedures.scoring import Score, score
from tests.core.procedures.kit import make

_COMES: Final = ((Test("closed", (True,)),),)


def fitted(*points: float, optional: frozenset[int] = frozenset(), scoring: Scoring | None = None) -> Fitted:
    steps = tuple(Step(f"s{n}", "", _COMES, points=p, optional=n in optional) for n, p in enumerate(points))
    procedure = Procedure(
        "p", "P", "", frozenset({"cabin"}), (), _COMES, (), _COMES, (), 1, steps, scoring=scoring or Scoring()
    )
    return Fitted(procedure, (), {}, frozenset(), frozenset())


def candidate(*states: str, forbidden: int = 0, over: str = "finished") -> Candidate:
    steps = {f"s{n}": StepMemo(state) for n, state in enumerate(states)}
    return Candidate("p", steps, {str(n): 1 for n in range(forbidden)}, None, over)


@pytest.mark.parametrize(
    ("states", "forbidden", "points"),
    [
        (("taken", "taken"), 0, 20.0),
        (("taken", "skipped"), 0, 5.0),
        (("taken", "out-of-order"), 0, 15.0),
        (("taken", "too-slow"), 0, 17.0),
        (("taken", "taken"), 1, 10.0),
        (("skipped", "skipped"), 0, 0.0),
        (("taken", "taken"), 9, 0.0),
    ],
)
def test_each_fault_takes_off_what_the_configuration_says(
    states: tuple[str, ...], forbidden: int, points: float
) -> None:
    found = score(fitted(10, 10), candidate(*states, forbidden=forbidden))
    assert found == Score(points, 20.0)
    assert found.percent == points * 5


def test_points_and_what_is_taken_off_are_read_from_the_file(tmp_path: Path) -> None:
    steps: list[dict[str, Any]] = [
        {"name": "lift", "comes": {"handle_lifted": True}, "points": 3},
        {"name": "go", "comes": {"locked": False}},
    ]
    procedure = make(tmp_path, steps, scoring={"skipped": 1, "forbidden": 2.5})
    assert ([step.points for step in procedure.steps], procedure.scoring) == (
        [3.0, 10.0],
        Scoring(skipped=1, forbidden=2.5),
    )


def test_optional_steps_bring_and_cost_nothing() -> None:
    some = fitted(10, 10, optional=frozenset({1}))
    for state in StepState:
        assert score(some, candidate("taken", state)) == Score(10.0, 10.0)


def test_steps_that_cannot_be_told_leave_the_score_open_where_they_decide_it() -> None:
    assert score(fitted(10, 10), candidate("taken", "cannot-tell")) is None
    # Broken rules have taken everything already, whatever became of the step.
    assert score(fitted(10, 10), candidate("taken", "cannot-tell", forbidden=2)) == Score(0.0, 20.0)


@pytest.mark.parametrize("over", ["", "abandoned", "cannot-tell"])
def test_only_a_finished_run_is_scored(over: str) -> None:
    assert score(fitted(10), candidate("taken", over=over)) is None


def test_where_there_are_no_points_there_is_no_score() -> None:
    assert score(fitted(0.0), candidate("taken")) is None


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1000, allow_nan=False), st.sampled_from([*StepState])), min_size=1, max_size=12),
    st.integers(0, 9),
    st.builds(Scoring, *(st.floats(0, 1000) for _ in range(4))),
)
def test_it_is_never_below_nothing_nor_above_all_there_is(
    steps: list[tuple[float, StepState]], forbidden: int, scoring: Scoring
) -> None:
    found = score(
        fitted(*(points for points, _ in steps), scoring=scoring),
        candidate(*(state for _, state in steps), forbidden=forbidden),
    )
    if found is not None:
        assert 0.0 <= found.points <= found.of
        assert 0.0 <= found.percent <= 100.0
