"""Seats that exits are rated for, against 14 CFR 25.807(g) and the operating rules that rest on it."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest

from monitor.core.airframe import DoorType, Site
from monitor.core.exits import Exits, assess_exits
from monitor.core.exits_table import SEATS_PER_PAIR, seats_allowed
from tests.external.apron import REG, Apron, Json, alder_door, demo_site

# 14 CFR 25.807(g), seats by the type of a pair: read on the primary text; Type IV from memory, not confirmed.
PER_PAIR = {"A": 110, "B": 75, "C": 55, "I": 45, "II": 40, "III": 35, "IV": 9}

# Worked from paragraphs (g)(1) to (g)(8); (8) and Type IV from memory, not confirmed.
WORKED = [
    ("C C III", None, 145),
    ("I I III", None, 125),
    ("I I III III", 3, 160),
    ("I I III III", 2, 155),
    ("I III", None, 80),
    ("II III", None, 40),
    ("III", None, 19),
    ("IV", None, 9),
    ("A A A A", None, 440),
    ("A III", None, 0),
]


def test_seats_per_pair() -> None:
    assert dict(SEATS_PER_PAIR) == PER_PAIR


@pytest.mark.parametrize(("pairs", "rows_apart", "seats"), WORKED)
def test_what_a_type_may_seat(pairs: str, rows_apart: int | None, seats: int) -> None:
    assert seats_allowed(pairs.split(), type_iii_rows_apart=rows_apart).seats == seats


def site_of(pairs: str) -> Site:
    """A type with those pairs of exits, by the wire's own alder: cabin doors, and hatches for Type III and IV."""
    doors: dict[str, DoorType] = {}
    for station, exit_type in enumerate(pairs.split(), start=1):
        hatch = exit_type in ("III", "IV")
        for left in (True, False):
            pattern = alder_door(("OL1" if left else "OR1") if hatch else ("L1" if left else "R1"))
            name = f"{'L' if left else 'R'}{station}"
            half = "fore" if station == 1 else "aft"
            doors[name] = replace(pattern, name=name, station=station, exit_type=exit_type, half=half)
    site = demo_site()
    airframe = replace(site.types["alder"], doors=doors)
    return replace(site, types={**site.types, "alder": airframe})


def exits(apron: Apron) -> Exits:
    return assess_exits(apron.system.view(REG, "-", apron.now))


def parked(pairs: str, **airframe: Any) -> Apron:
    apron = Apron(site_of(pairs))
    apron.park(engaged=True, **airframe)
    return apron


@pytest.mark.parametrize(
    ("pairs", "seats"),
    [("C C III", 145), ("I I III", 125), ("I III", 80), ("A A A A", 440), ("B B", 150), ("II II", 80), ("I", 45)],
)
def test_every_exit_ready_gives_the_sum_of_pairs(pairs: str, seats: int) -> None:
    """25.807(g), the table; per-side rules are for validating a type, not for the exits of the moment."""
    found = exits(parked(pairs))
    assert (found.seats_usable, found.seats_possible) == (seats, seats)


@pytest.mark.parametrize("pairs", ["I I III III", "I I III III III", "III III III"])
def test_all_type_iii_together_count_seventy(pairs: str) -> None:
    """25.807(g)(7)."""
    others = sum(PER_PAIR[pair] for pair in pairs.split() if pair != "III")
    assert exits(parked(pairs)).seats_usable == others + 70


SPOILS: dict[str, Json] = {
    "loader": {"access": "loader"},
    "pin": {"pin_fitted": True},
    "bottle": {"slide_bottle_bar": 169.9},
    "girt": {"girt_left": False},
    "ground": {"ground_clear": False},
}


@pytest.mark.parametrize("how", SPOILS)
@pytest.mark.parametrize("count", [1, 2, 3])
def test_one_exit_of_a_pair_counts_half_rounded_down(how: str, count: int) -> None:
    """The contract's reading of 25.807(g): 55 seats by two doors are 27 by one."""
    pairs = {"L1": 1, "R1": 1, "L2": 2, "R2": 2}
    for spoiled in combinations(pairs, count):
        apron = parked("C C III")
        for door in spoiled:
            apron.door(door, **SPOILS[how])
        left = [sum(pairs[d] == station for d in pairs if d not in spoiled) for station in (1, 2)]
        assert exits(apron).seats_usable == sum((0, 27, 55)[n] for n in left) + 35, spoiled
        assert exits(apron).unknown == ()


def test_unknown_is_not_usable_and_told_apart() -> None:
    apron = parked("C C III")
    apron.send("door/R2/slide_bottle_bar", 190.0, quality="uncertain")
    found = exits(apron)
    assert (found.unknown, found.seats_usable, found.seats_possible) == (("R2",), 117, 145)
    assert [found.seats_short_of(people) for people in (117, 118, 145, 146)] == [False, None, None, True]


@pytest.mark.parametrize("access", ["bridge", "stairs"])
def test_stairs_in_place_make_an_exit(access: str) -> None:
    """AMC to CAT.OP.MPA.195/200 (secondary): an exit counts when stairs are docked, or its slide is engaged."""
    apron = Apron()
    apron.park()
    assert exits(apron).usable == ("OL1", "OR1")
    apron.send("door/L1/access", access)
    assert "L1" in exits(apron).usable


@pytest.mark.parametrize(("sill_m", "counts"), [(1.15, True), (1.83, True), (1.84, False), (3.4, False)])
def test_above_six_feet_an_exit_without_a_slide_is_none(sill_m: float, counts: bool) -> None:
    """14 CFR 25.810(a): means of assist where the sill is above 6 ft (1.83 m)."""
    site = demo_site()
    door = replace(alder_door("L1"), slide=False, sill_m=sill_m, slide_bottle_bar_min=None)
    airframe = replace(site.types["alder"], doors={"L1": door})
    apron = Apron(replace(site, types={**site.types, "alder": airframe}))
    apron.park()
    assert (exits(apron).usable == ("L1",)) is counts
