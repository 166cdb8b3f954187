"""Engines as their running sensors see them: spool up, run, run down.

Owns shaft speed alone; what may be near a running engine is not its business.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from simulators.models.motion import toward

RUNNING_FROM: Final = 0.15
"""Share of idle speed from which an engine counts as running: it moves air and can hurt."""

_START_S: Final = 18.0
_RUN_DOWN_S: Final = 9.0


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


def step(state: EngineState, dt_s: float) -> EngineState:
    """Let ``dt_s`` seconds pass."""
    if state.wanted and state.speed < 1.0:
        return replace(state, speed=toward(state.speed, 1.0, dt_s / _START_S))
    if not state.wanted and state.speed > 0.0:
        return replace(state, speed=toward(state.speed, 0.0, dt_s / _RUN_DOWN_S))
    return state
