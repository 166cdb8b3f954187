"""People walking on and off through the doors that are open to them.

Owns the count of passengers aboard. It never opens a door: it is told how many doorways
there are to walk through, and at how many a slide stands.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from simulators.models.motion import toward

BOARDING_PER_MIN: Final = 18.0
LEAVING_PER_MIN: Final = 28.0
"""People a minute through one doorway: common practice, at the brisk end."""
SLIDING_PER_MIN: Final = 60.0
"""People a minute down one slide: common practice, one a second."""


@dataclass(frozen=True, slots=True)
class PeopleState:
    """Passengers aboard, with the part of a person who is in the doorway, and how many there will be."""

    aboard: float = 0.0
    wanted: int = 0

    @property
    def count(self) -> int:
        return int(self.aboard + 1e-9)


def walk_seconds(people: int, doorways: int, *, boarding: bool) -> float:
    """Return how long ``people`` take through ``doorways`` (at least one)."""
    per_min = BOARDING_PER_MIN if boarding else LEAVING_PER_MIN
    return people * 60.0 / (per_min * max(1, doorways))


def step(state: PeopleState, dt_s: float, *, doorways: int, slides: int = 0) -> PeopleState:
    """Let ``dt_s`` seconds pass; with no way nobody moves, and by a slide nobody comes aboard."""
    if state.wanted > state.aboard:
        per_min = BOARDING_PER_MIN * doorways
    else:
        per_min = LEAVING_PER_MIN * doorways + SLIDING_PER_MIN * slides
    return replace(state, aboard=toward(state.aboard, float(state.wanted), per_min / 60.0 * dt_s))
