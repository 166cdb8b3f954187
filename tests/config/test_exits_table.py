"""Seats by exits against 14 CFR 25.807(g)."""

from __future__ import annotations

import pytest

from monitor.core.airframe import DoorKind, DoorType, Side
from monitor.core.exits_table import (
    SEATS_PER_PAIR,
    ExitPair,
    exit_pairs,
    is_floor_level,
    seats_allowed,
    seats_for_usable,
)


def test_the_table_is_the_published_one() -> None:
    """14 CFR 25.807(g): read on a copy of the primary text, Type IV from memory ((g)(1), not confirmed)."""
    assert SEATS_PER_PAIR == {"A": 110, "B": 75, "C": 55, "I": 45, "II": 40, "III": 35, "IV": 9}


# Worked by hand from 14 CFR 25.807(g), paragraphs (1) to (8); (8) and Type IV from memory, not confirmed.
@pytest.mark.parametrize(
    ("pairs", "rows_apart", "seats", "paragraph"),
    [
        ("C C III", None, 145, "(g)"),
        ("I I III", None, 125, "(g)"),
        ("I I III III", 3, 160, "(g)"),
        ("I I III III", 2, 155, "(g)(7)"),
        ("I I III III", None, 155, "(g)(7)"),
        ("I III", None, 80, "(g)"),
        ("II III", None, 40, "(g)(5)"),
        ("III", None, 19, "(g)(4)"),
        ("IV", None, 9, "(g)"),
        ("A A A A", None, 440, "(g)"),
        ("A III", None, 0, "(g)(8)"),
        ("III III", 3, 19, "(g)(4)"),
        ("III IV", None, 9, "(g)(2)"),
        ("I II II", None, 110, "(g)(6)"),
        ("I I III III III", 3, 160, "(g)(7)"),
        ("A", None, 0, "(g)(8)"),
        ("B I I", None, 0, "(g)(8)"),
        ("I", None, 19, "(g)(4)"),
        ("", None, 0, "(g)"),
    ],
)
def test_worked_examples(pairs: str, rows_apart: int | None, seats: int, paragraph: str) -> None:
    limit = seats_allowed(pairs.split(), type_iii_rows_apart=rows_apart)
    assert limit.seats == seats
    assert limit.reason.split(":")[0] == paragraph


def _door(name: str, side: Side, station: int, exit_type: str | None, kind: DoorKind = DoorKind.CABIN) -> DoorType:
    return DoorType(
        name=name,
        kind=kind,
        side=side,
        station=station,
        half="fore",
        sill_m=1.0,
        leaf_area_m2=1.0,
        signals=frozenset({"closed"}),
        exit_type=exit_type,
    )


def test_exits_of_one_type_at_one_station_make_a_pair_left_first() -> None:
    doors = [
        _door("R2", Side.RIGHT, 5, "I"),
        _door("OR1", Side.RIGHT, 3, "III", DoorKind.OVERWING),
        _door("CB", Side.LEFT, 3, None, DoorKind.BULK),
        _door("R1", Side.RIGHT, 2, "C"),
        _door("L1", Side.LEFT, 2, "C"),
        _door("OL1", Side.LEFT, 3, "III", DoorKind.OVERWING),
    ]
    assert exit_pairs(doors) == (
        ExitPair("C", ("L1", "R1")),
        ExitPair("III", ("OL1", "OR1")),
        ExitPair("I", ("R2",)),
    )


PAIRS = (
    ExitPair("C", ("L1", "R1")),
    ExitPair("III", ("OL1", "OR1")),
    ExitPair("III", ("OL2", "OR2")),
    ExitPair("III", ("OL3", "OR3")),
    ExitPair("C", ("L2", "R2")),
)


@pytest.mark.parametrize(
    ("usable", "seats"),
    [
        ("", 0),
        ("L1", 27),  # half of 55, rounded down
        ("L1 R1", 55),
        ("L1 L2", 54),  # two halves, each rounded down
        ("OL1", 17),
        ("OL1 OL2 OL3", 51),
        ("OL1 OR1 OL2 OR2 OL3 OR3", 70),  # three pairs of 35, together at most 70
        ("L1 R1 OL1 OR1 OL2 OR2 OL3 L2 R2 CB", 180),
    ],
)
def test_seats_for_the_exits_of_the_moment(usable: str, seats: int) -> None:
    """Sum of pairs, half of a pair rounded down, all Type III at most 70 (design, section 8; 25.807(g)(7))."""
    assert seats_for_usable(PAIRS, set(usable.split())) == seats


@pytest.mark.parametrize(
    ("kind", "exit_type", "expected"),
    [
        (DoorKind.CABIN, "C", True),
        (DoorKind.AIRSTAIR, "I", True),
        (DoorKind.CABIN, "II", True),
        (DoorKind.CABIN, "III", False),
        (DoorKind.OVERWING, "III", False),
        (DoorKind.OVERWING, "II", False),
        (DoorKind.CABIN, None, False),
    ],
)
def test_a_floor_level_exit_is_a_door_of_type_two_or_larger(
    kind: DoorKind, exit_type: str | None, expected: bool
) -> None:
    """14 CFR 25.807(a)(1) to (3), from memory, not confirmed."""
    assert is_floor_level(_door("X", Side.LEFT, 1, exit_type, kind)) is expected
