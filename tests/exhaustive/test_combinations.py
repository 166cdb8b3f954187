"""Every combination of a door's signals, all known: its state, every alert to the second, and nothing else.

Owns what is tried, and the moments before it where the contract's rows speak of change.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from itertools import islice, product
from typing import Any, Final

import pytest

from tests.exhaustive import doors, meaning
from tests.exhaustive.doors import Readings, Shape
from tests.exhaustive.verdict import Verdict, compare, hold_answers
from tests.exhaustive.watching import Case, watch
from tests.exhaustive.worlds import worlds_of

Tell = Callable[[str], None]

SHAPES: Final = doors.shapes()
SLIDES: Final = tuple(shape for shape in SHAPES if shape.slide)
CABINS: Final = tuple(shape for shape in SHAPES if shape.kind == "cabin")
KINDS: Final = {"cabin", "airstair", "overwing", "window", "cargo", "bulk", "hatch", "main_deck"}
PARTS: Final = ("lever_armed", "girt_left", "girt_right")
SHORT_S: Final = 24.0
"""Longer than every delay but those of minutes, shorter than any reading's life."""
LONG_S: Final = 124.0
WHOLE: Final = 2**14
SLICES: Final = 8
"""The whole product is tried in slices, so that they can be spread over workers."""


def cases(
    shape: Shape, *, most: int, least: int = 1, grounds: tuple[str, ...] = ("on", "rolling", "unbraked", "off")
) -> Iterator[Case]:
    """Every combination of the door, each in other surroundings."""
    around = doors.surroundings(grounds)
    for number, door in enumerate(doors.combinations(shape, most=most, least=least)):
        place = around[number % len(around)]
        yield Case(door, {"type": shape.type, **place.readings(shape)}, place.wind)


def say(tell: Tell, verdict: Verdict) -> None:
    """Tell how many were tried, then hold to it."""
    tell(f"{verdict.shape} {verdict.count} combinations")
    assert verdict.count > 0
    verdict.hold()


def test_every_kind_of_door_is_tried() -> None:
    assert {shape.kind for shape in SHAPES} == KINDS


@pytest.mark.timeout(300)
@pytest.mark.parametrize("slice_", range(SLICES))
@pytest.mark.parametrize("shape", [s for s in SHAPES if s.kind == "cabin" and s.type == "alder"], ids=str)
def test_all_that_a_cabin_door_can_read(shape: Shape, slice_: int, tell: Tell) -> None:
    """The whole product of its yes-or-no signals, as far as it is told at once."""
    verdict = Verdict(shape)
    every = list(cases(shape, most=WHOLE))
    assert len(every) == WHOLE
    for case, seen in watch(shape, every[slice_::SLICES], 0.0):
        compare(verdict, case, seen, 0.0, came=False)
    assert verdict.count == WHOLE // SLICES
    say(tell, verdict)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_a_door_found_in_any_combination(shape: Shape, tell: Tell) -> None:
    verdict = Verdict(shape)
    for case, seen in watch(shape, cases(shape, most=512, least=128), SHORT_S, answering=True):
        compare(verdict, case, seen, SHORT_S, came=False)
        hold_answers(verdict, case, seen, worlds_of(case))
    say(tell, verdict)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_a_door_left_so_for_two_minutes(shape: Shape, tell: Tell) -> None:
    verdict = Verdict(shape)
    for case, seen in watch(shape, cases(shape, most=64, least=24, grounds=("on", "rolling", "unbraked")), LONG_S):
        compare(verdict, case, seen, LONG_S, came=False)
    say(tell, verdict)


def at_rest(shape: Shape, door: Readings) -> Readings:
    """Closed, locked and at rest; the slide engaged where any part of it will say so, the same things docked."""
    engaged = any(door.get(part, False) for part in PARTS)
    before = {**shape.at_rest(), **dict.fromkeys(PARTS, engaged), "pin_fitted": not engaged}
    before |= {"access": door.get("access"), "barrier": door.get("barrier")}
    return {signal: value for signal, value in before.items() if signal in door}


def quiet(shape: Shape, **other: Any) -> Readings:
    """An aircraft at rest with nobody aboard, but for ``other``."""
    return {"type": shape.type, **doors.AT_PEACE.readings(shape), **other}


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_a_door_that_comes_to_any_combination_at_once(shape: Shape, tell: Tell) -> None:
    """What hangs on what was before: what the leaf left, when the handle moved, and a jump with no step between."""
    verdict = Verdict(shape)
    came = (
        Case(
            door,
            quiet(shape, emergency=number % 3 == 0, engine_2_running=number % 5 == 0),
            first=at_rest(shape, door),
        )
        for number, door in enumerate(doors.combinations(shape, most=256 if shape.slide else 64, least=32))
    )
    for case, seen in watch(shape, came, SHORT_S):
        jumped = not is_legal(shape, case)
        if seen.jumped is not jumped:
            verdict.against("jump", case, jumped, seen.jumped)
        told = seen.told.pop("implausible-jump", [])
        silent = case.air["emergency"] and shape.slide and case.door["slide_released"]
        if told != ([(0.0, "advisory")] if jumped and not silent else []):
            verdict.against("implausible-jump", case, jumped, told)
        # The hold doors' rule on uncommanded movement asks for two seconds at rest first.
        seen.told.pop("cargo-uncommanded", None)
        compare(verdict, case, seen, SHORT_S, came=True)
    say(tell, verdict)


def is_legal(shape: Shape, case: Case) -> bool:
    """The legal edges out of a closed and locked door, within one bundle."""
    assert case.first is not None
    source, target = meaning.state_of(shape, case.first), meaning.state_of(shape, case.door)
    legal: Mapping[str, set[str]] = {
        "closed_locked": {"armed", "unlocked"},
        "armed": {"closed_locked", "armed_unlocked", "unlocked"}
        | ({"slide_deployed"} if shape.kind == "overwing" else set()),
    }
    return target == source or target in legal[source]


@pytest.mark.parametrize("shape", CABINS, ids=str)
def test_access_that_leaves_a_door_in_any_combination(shape: Shape, tell: Tell) -> None:
    """Withdrawn from an open, unguarded doorway it is told at once, and takes the place of the drop."""
    verdict = Verdict(shape)
    leaving = (
        Case({**door, "access": "none"}, quiet(shape), first={**door, "access": ("bridge", "stairs")[number % 2]})
        for number, door in enumerate(doors.combinations(shape, most=256, least=64))
    )
    for case, seen in watch(shape, leaving, 8.0):
        verdict.count += 1
        expected = meaning.leaf_out(case.door) and not case.door["barrier"]
        if seen.told.get("access-withdrawn", []) != ([(0.0, "warning")] if expected else []):
            verdict.against("access-withdrawn", case, expected, seen.told.get("access-withdrawn"))
        if "unguarded-drop" in seen.told:
            verdict.against("unguarded-drop", case, "silence", seen.told["unguarded-drop"])
    say(tell, verdict)


@pytest.mark.parametrize("shape", [shape for shape in SLIDES if shape.kind == "cabin"], ids=str)
def test_a_slide_still_engaged_on_arrival_in_any_combination(shape: Shape, tell: Tell) -> None:
    verdict = Verdict(shape)
    parts = [part for part in PARTS if part in shape.signals]
    every = product((True, False), product((True, False), repeat=len(parts)), ("none", "bridge"), (0, 1), (True, False))
    arrivals = []
    for was, now, access, running, beacon in every:
        before: Readings = {**shape.at_rest(), **dict.fromkeys(parts, was), "pin_fitted": not was}
        door: Readings = {**before, **dict(zip(parts, now, strict=True)), "access": access}
        air = quiet(shape, beacon=beacon, engine_1_running=running == 1)
        first_air = quiet(shape, beacon=True, engine_1_running=True)
        arrivals.append(Case(door, air, first=before, first_air=first_air))
    for case, seen in watch(shape, arrivals, 49.0):
        verdict.count += 1
        assert case.first is not None
        engaged = [case.door[part] for part in parts]
        off = not case.air["beacon"] and not case.air["engine_1_running"]
        expected = case.first["lever_armed"] and any(engaged) and off and case.door["access"] != "none"
        told = seen.told.get("still-armed-arrival", [])
        if any(engaged) and not (case.first["lever_armed"] and all(engaged)):
            # Ends that disagree, or that came to be engaged as the engine stopped: the contract leaves that open.
            expected = bool(told) and off and case.door["access"] != "none"
        if told != ([(45.0, "caution")] if expected else []):
            verdict.against("still-armed-arrival", case, expected, told)
    say(tell, verdict)


def test_a_wrong_expectation_is_found() -> None:
    """The judge is not blind: a door told as what it is not is a disagreement."""
    shape = CABINS[0]
    verdict = Verdict(shape)
    for case, seen in islice(watch(shape, cases(shape, most=64), SHORT_S), 64):
        other = Case({**case.door, "closed": not case.door["closed"]}, case.air, case.wind)
        compare(verdict, other, seen, SHORT_S, came=False)
    assert verdict.wrong
    with pytest.raises(AssertionError, match="expected"):
        verdict.hold()
