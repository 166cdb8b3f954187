"""Where the core and the contract disagree, told so that it can be played again by hand.

Owns the comparison of a case whose readings are all known, and of the answers in any case.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from tests.exhaustive import meaning
from tests.exhaustive.doors import Shape
from tests.exhaustive.watching import Case, Seen
from tests.exhaustive.worlds import (
    AIR_NEEDED_TO_OPEN,
    NOTHING_SEEN,
    STATE_NEEDS,
    World,
    speaks_against_leaving,
    speaks_against_opening,
)

SHOWN: Final = 4


class Verdict:
    """Disagreements, counted by what they are about, the first of each told whole."""

    def __init__(self, shape: Shape) -> None:
        self.shape = shape
        self.count = 0
        self.wrong: Counter[str] = Counter()
        self.yes: Counter[str] = Counter()
        self.told: list[str] = []

    def against(self, about: str, case: Case, expected: object, got: object) -> None:
        self.wrong[about] += 1
        if self.wrong[about] <= SHOWN:
            self.told.append(
                f"{self.shape}, {about}: expected {expected}, got {got}\n  door {case.door}\n  airframe {case.air}\n"
                f"  wind {case.wind}, before {case.first}, not good {case.poor or 'none'}"
            )

    def hold(self) -> None:
        assert not self.wrong, f"{dict(self.wrong)} of {self.count}\n" + "\n".join(self.told)


def compare(verdict: Verdict, case: Case, seen: Seen, horizon_s: float, *, came: bool) -> None:
    """Hold one case to the contract: state, every code's time and priority, silence otherwise."""
    shape = verdict.shape
    verdict.count += 1
    state = meaning.state_of(shape, case.door)
    if (seen.at_once, seen.state) != (state, state):
        verdict.against("state", case, state, (seen.at_once, seen.state))
    if seen.odd:
        verdict.against("odd", case, "nothing", seen.odd)
    air = {name: value for name, value in case.air.items() if name != "type"}
    may = meaning.expected(shape, case.door, air, case.wind, came=came, horizon_s=horizon_s)
    for code in may.keys() | seen.told.keys():
        ways = may.get(code, {()})
        told = tuple(seen.told.get(code, ()))
        if told not in ways:
            verdict.against(code, case, sorted(ways), told)


def hold_answers(verdict: Verdict, case: Case, seen: Seen, worlds: Sequence[World]) -> None:
    """Unknown is never a yes."""
    shape = verdict.shape
    answers = {"open": seen.answers["doors"][shape.door]["verdict"], "leave": seen.answers["leave"]["verdict"]}
    against = {
        "open": [a for world in worlds for a in speaks_against_opening(shape, world, case.wind)],
        "leave": [a for world in worlds for a in speaks_against_leaving(shape, world)],
    }
    needed = {*STATE_NEEDS, *AIR_NEEDED_TO_OPEN} - ({"slide_released"} if "never" in case.poor.values() else set())
    missing = needed & case.poor.keys()
    if missing - {"differential_pressure_hpa", "ground_speed_kt"}:
        against["leave"].append("not known")
    if missing:
        against["open"].append("not known")
    for question, answer in answers.items():
        if answer == NOTHING_SEEN:
            verdict.yes[question] += 1
            if against[question]:
                verdict.against(f"{question} said yes", case, sorted(set(against[question])), answer)
