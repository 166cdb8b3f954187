"""Engines as their running sensors see them: cranked, lit, at idle, run down.

Owns shaft speed alone; what may be near a running engine is not its business. Each phase is a
first-order lag, of the closed form end + (speed - end) * exp(-t/tau): the starter's air turns
the shaft towards a third of idle; from light-off on fuel takes it to idle; shut off, it runs down
by its own drag and by bearings that stop it altogether.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

RUNNING_FROM: Final = 0.15
"""Share of idle speed from which an engine counts as running: it moves air and can hurt."""


class Phase(NamedTuple):
    """A lag: the speed that it goes towards, its time constant (s), and the speed at which it is over."""

    towards: float
    tau_s: float
    until: float


CRANKING: Final = Phase(0.3, 5.0, 0.2)
LIT: Final = Phase(1.1, 6.0, 1.0)
RUN_DOWN: Final = Phase(-0.1, 5.2, 0.0)
"""Times: common practice; about 19 s to idle, about 8 s until it no longer counts as running."""


@dataclass(frozen=True, slots=True)
class EngineState:
    """Shaft speed as a share of idle, and whether somebody wants the engine to run."""

    speed: float = 0.0
    wanted: bool = False

    @property
    def running(self) -> bool:
        return self.speed >= RUNNING_FROM


def at_idle() -> EngineState:
    """Return an engine that has been running for a while."""
    return EngineState(speed=1.0, wanted=True)


def seconds_between(phase: Phase, speed: float, to: float) -> float:
    """Return how long a phase takes from one speed to another on its way."""
    return phase.tau_s * math.log((phase.towards - speed) / (phase.towards - to))


def step(state: EngineState, dt_s: float) -> EngineState:
    """Let ``dt_s`` seconds pass, exactly, whatever phases fall into them."""
    if state.speed == float(state.wanted):
        return state
    speed, left_s = state.speed, dt_s
    if not state.wanted:
        return replace(state, speed=_along(RUN_DOWN, speed, left_s)[0])
    if speed < CRANKING.until:
        speed, left_s = _along(CRANKING, speed, left_s)
    return replace(state, speed=_along(LIT, speed, left_s)[0] if left_s > 0 else speed)


def _along(phase: Phase, speed: float, seconds: float) -> tuple[float, float]:
    """Return the speed after ``seconds`` of a phase, and what is left of them when it is over."""
    whole_s = seconds_between(phase, speed, phase.until)
    if seconds >= whole_s:
        return phase.until, seconds - whole_s
    return phase.towards + (speed - phase.towards) * math.exp(-seconds / phase.tau_s), 0.0
