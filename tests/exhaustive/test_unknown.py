"""Every combination with one reading that is not known: nothing secure, nothing raised, nothing clear that hangs on it.

14 CFR 25.783(e)(1) and (e)(3): secure is closed, latched and locked together, and no single bad or
stale reading yields it. Owns the comparison with every value that the missing reading could have.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import pytest

from tests.exhaustive import doors, meaning
from tests.exhaustive.doors import Shape
from tests.exhaustive.verdict import Verdict, hold_answers
from tests.exhaustive.watching import Case, Seen, watch
from tests.exhaustive.worlds import (
    HOWS,
    World,
    allowed_states,
    is_backed,
    worlds_of,
)

HORIZON_S: Final = 7.0
HANGS_ON_EXITS: Final = ("exit-capacity-short", "refuel-exits-short")
"""Codes that an exit whose use cannot be told may raise: unknown is not usable."""

LEFT_OPEN: Final = {
    # Each world has another reason to call them contradictory; that there is one in each need not be seen.
    **dict.fromkeys(("latched", "locked", "lock_flags"), ("lock-disagree",)),
}


def compare(verdict: Verdict, case: Case, seen: Seen) -> None:
    shape, worlds = verdict.shape, worlds_of(case)
    verdict.count += 1
    states = allowed_states(shape, case, worlds)
    if not {seen.at_once, seen.state} <= states:
        verdict.against("state", case, states, (seen.at_once, seen.state))
    per_world = [meaning.conditions(shape, *world, case.wind, came=False) for world in worlds]
    for code, told in seen.told.items():
        for _, priority in told:
            if code not in HANGS_ON_EXITS and not is_backed(code, priority, case, per_world):
                verdict.against(f"{code} raised", case, "nothing", told)
    # A leaf whose frame switch is not known need not be taken as out, whatever lock and travel say: the switch is asked for.
    if (
        "closed" not in case.poor
        and len({meaning.state_of(shape, world.door) for world in worlds}) == 1
        and seen.state != "unknown"
    ):
        hold_to_what_is_certain(verdict, case, seen, worlds)
    hold_answers(verdict, case, seen, worlds)


def hold_to_what_is_certain(verdict: Verdict, case: Case, seen: Seen, worlds: list[World]) -> None:
    """What is told in every world in one way only is told here: not knowing one thing hides no other."""
    told_in = [meaning.expected(verdict.shape, *world, case.wind, came=False, horizon_s=HORIZON_S) for world in worlds]
    for code, ways in told_in[0].items():
        if code in LEFT_OPEN.get(next(iter(case.poor)), ()) or (code == "signal-bad" and "bad" in case.poor.values()):
            continue
        if len(ways) == 1 and all(others[code] == ways for others in told_in) and code not in HANGS_ON_EXITS:
            told = tuple(seen.told.get(code, ()))
            if told not in ways:
                verdict.against(f"{code} missed", case, sorted(ways), told)


def poor_cases(shape: Shape, how: str) -> Iterator[Case]:
    """Each combination of what a state is read from, in turn with each reading of door or airframe that could be missing."""
    around = doors.surroundings(("on", "on", "rolling", "off"))
    signals = [*shape.at_rest(), *around[0].readings(shape)]
    for number, door in enumerate(doors.combinations(shape, most=64, least=len(signals))):
        place = around[(number + HOWS.index(how)) % len(around)]
        signal = signals[(number * 7 + number // len(signals)) % len(signals)]
        air = {"type": shape.type, **place.readings(shape)}
        yield Case(door, air, place.wind, poor={signal: how})
    yield from _nearly_secure(shape, how)


def _nearly_secure(shape: Shape, how: str) -> Iterator[Case]:
    """A door that would be closed and locked, and nothing against anything, but for one reading."""
    air = {"type": shape.type, **doors.AT_PEACE.readings(shape)}
    for engaged in (False, True) if shape.slide else (False,):
        for docked in ("none", "stairs") if "access" in shape.signals else ("none",):
            door = shape.at_rest()
            if engaged:
                door |= {part: True for part in ("lever_armed", "girt_left", "girt_right") if part in door}
                door |= {"pin_fitted": False} if "pin_fitted" in door else {}
            door |= {"access": docked} if "access" in door else {}
            for declared in (False, True) if shape.kind in ("overwing", "window") else (False,):
                yield from (
                    Case(door, {**air, "emergency": declared}, "calm", poor={signal: how})
                    for signal in (*door, *air)
                    if signal != "type"
                )


@pytest.mark.parametrize("shape", doors.shapes(), ids=str)
def test_one_reading_that_is_not_known(shape: Shape, tell: Callable[[str], None]) -> None:
    verdict = Verdict(shape)
    for how in HOWS:
        for case, seen in watch(shape, poor_cases(shape, how), HORIZON_S, answering=True):
            compare(verdict, case, seen)
    tell(f"{shape} {verdict.count} combinations")
    verdict.hold()
    assert verdict.yes["open"] > 0
    assert verdict.yes["leave"] > 0
