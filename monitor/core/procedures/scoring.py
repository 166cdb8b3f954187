"""What a run in a drill is worth, in points.

Owns the formula. Of what can be told: each step that was taken, in whatever way, brings its points; from
the sum comes off what the procedure's ``scoring`` says for each step that was skipped, out of order or too slow
and for each rule that was broken. Optional steps bring and cost nothing, and a step that nothing at the door can show is
not in it at all. Never below 0 nor above the most there is.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.core.procedures.fitting import Fitted
from monitor.core.procedures.matching import StepState
from monitor.core.procedures.run import Candidate


class Score(NamedTuple):
    """Points ``of`` the most that there were."""

    points: float
    of: float

    @property
    def percent(self) -> float:
        """The share in per cent, from 0 to 100."""
        return round(100 * self.points / self.of, 1)


def score(fitted: Fitted, candidate: Candidate) -> Score | None:
    """Score a finished run; ``None`` where it was not finished, and where steps that cannot be told decide it."""
    most = sum(step.points for step in fitted.procedure.steps if not step.optional)
    if candidate.over != "finished" or round(most, 3) <= 0:
        return None
    # What cannot be told was done, at best, and left out, at worst; if that comes to the same, it decides nothing.
    best, worst = (_count(fitted, candidate, doubtful) for doubtful in (StepState.TAKEN, StepState.SKIPPED))
    points = min(max(best, 0.0), most)
    return Score(round(points, 3), round(most, 3)) if points == min(max(worst, 0.0), most) else None


def _count(fitted: Fitted, candidate: Candidate, doubtful: StepState) -> float:
    scoring = fitted.procedure.scoring
    off = {
        StepState.SKIPPED: scoring.skipped,
        StepState.OUT_OF_ORDER: scoring.out_of_order,
        StepState.TOO_SLOW: scoring.too_slow,
    }
    points = -scoring.forbidden * len(candidate.forbidden)
    for step in fitted.procedure.steps:
        state = StepState(candidate.steps[step.name].state)
        if step.optional:
            continue
        if state is StepState.CANNOT_TELL:
            state = doubtful
        points += (step.points if state is not StepState.SKIPPED else 0.0) - off.get(state, 0.0)
    return points
