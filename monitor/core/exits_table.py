"""How many seats the exits of an aircraft are rated for: 14 CFR 25.807(g).

Owns the table of seats per pair, the limits of paragraph (g), what counts as a pair and
as a floor-level exit. It never looks at whether an exit can be used at the moment; that
is readiness, which hands in the names of those that can.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Final, NamedTuple

from monitor.core.airframe import DoorKind, DoorType, Side

SEATS_PER_PAIR: Final[Mapping[str, int]] = MappingProxyType(
    {"A": 110, "B": 75, "C": 55, "I": 45, "II": 40, "III": 35, "IV": 9}
)
"""Seats by the exit type of a pair, 14 CFR 25.807(g), largest type first (IV: (g)(1))."""

EXIT_TYPES: Final = tuple(SEATS_PER_PAIR)
"""Every exit type, largest first."""

_FLOOR_LEVEL_KINDS: Final = (DoorKind.CABIN, DoorKind.AIRSTAIR)
_FLOOR_LEVEL_TYPES: Final = ("A", "B", "C", "I", "II")

TYPE_III_SEATS_MAX: Final = 70
"""All Type III pairs together, 14 CFR 25.807(g)(7)."""

TYPE_III_CLOSE_SEATS_MAX: Final = 65
"""The same where two pairs are fewer than three seat rows apart, 14 CFR 25.807(g)(7)."""

TYPE_III_ROWS_APART_MIN: Final = 3
"""From here on two Type III pairs count as apart, 14 CFR 25.807(g)(7)."""

_LETTERED: Final = ("A", "B", "C")


class SeatLimit(NamedTuple):
    """The most seats that a set of exits allows, and the paragraph that sets it."""

    seats: int
    reason: str


class ExitPair(NamedTuple):
    """The doors, left first, that share an exit type and a station; one alone is half a pair."""

    exit_type: str
    doors: tuple[str, ...]


def is_floor_level(door: DoorType) -> bool:
    """Tell whether ``door`` is an exit at floor level: a door of Type II or larger, not over the wing."""
    return door.kind in _FLOOR_LEVEL_KINDS and door.exit_type in _FLOOR_LEVEL_TYPES


def exit_pairs(doors: Iterable[DoorType]) -> tuple[ExitPair, ...]:
    """Group the exits among ``doors`` into pairs, in station order."""
    groups: dict[tuple[int, str], list[DoorType]] = {}
    for door in doors:
        if door.exit_type is not None:
            groups.setdefault((door.station, door.exit_type), []).append(door)
    return tuple(
        ExitPair(exit_type, tuple(door.name for door in sorted(group, key=lambda door: door.side is not Side.LEFT)))
        for (_, exit_type), group in sorted(groups.items())
    )


def seats_for_usable(pairs: Iterable[ExitPair], usable: Collection[str]) -> int:
    """Return the seats that the ``usable`` doors are rated for at the moment.

    A whole pair counts its rating, one exit of it half, rounded down; all Type III
    together count at most 70. The per-side rules do not apply to the exits of the moment.
    """
    others = type_iii = 0
    for pair in pairs:
        count = sum(door in usable for door in pair.doors)
        seats = SEATS_PER_PAIR[pair.exit_type] * min(count, 2) // 2
        if pair.exit_type == "III":
            type_iii += seats
        else:
            others += seats
    return others + min(type_iii, TYPE_III_SEATS_MAX)


def seats_allowed(pairs: Sequence[str], *, type_iii_rows_apart: int | None = None) -> SeatLimit:
    """Return the most seats that whole pairs of exits, given by type, may serve.

    ``type_iii_rows_apart`` is the least number of seat rows between two Type III pairs;
    left out, two pairs are taken as close, which is the smaller figure.
    """
    if not pairs:
        return SeatLimit(0, "(g): there is no pair of exits")
    large = sum(_at_least(exit_type, "I") for exit_type in pairs)
    lettered = [exit_type for exit_type in pairs if exit_type in _LETTERED]
    if lettered and len(lettered) < 2:
        return SeatLimit(0, "(g)(8): with a Type A, B or C fitted, at least two of Type C or larger per side")
    limits = [_rated(pairs, type_iii_rows_apart)]
    if not all(_at_least(exit_type, "III") for exit_type in pairs):
        limits.append(SeatLimit(9, "(g)(2): above 9 seats every exit is of Type III or larger"))
    if len(pairs) < 2:
        limits.append(SeatLimit(19, "(g)(4): above 19 seats two exits per side"))
    elif not any(_at_least(exit_type, "II") for exit_type in pairs):
        limits.append(SeatLimit(19, "(g)(4): above 19 seats one of the two exits per side is of Type II or larger"))
    if large < 1:
        limits.append(SeatLimit(40, "(g)(5): above 40 seats one of the two exits per side is of Type I or larger"))
    if large < 2:
        limits.append(SeatLimit(110, "(g)(6): above 110 seats two exits per side are of Type I or larger"))
    return min(limits, key=lambda limit: limit.seats)


def _at_least(exit_type: str, other: str) -> bool:
    return EXIT_TYPES.index(exit_type) <= EXIT_TYPES.index(other)


def _rated(pairs: Sequence[str], type_iii_rows_apart: int | None) -> SeatLimit:
    type_iii = sum(exit_type == "III" for exit_type in pairs)
    rated = sum(SEATS_PER_PAIR[exit_type] for exit_type in pairs if exit_type != "III")
    close = type_iii > 1 and (type_iii_rows_apart is None or type_iii_rows_apart < TYPE_III_ROWS_APART_MIN)
    most = TYPE_III_CLOSE_SEATS_MAX if close else TYPE_III_SEATS_MAX
    if type_iii * SEATS_PER_PAIR["III"] > most:
        near = " fewer than three seat rows apart" if close else ""
        return SeatLimit(rated + most, f"(g)(7): all Type III{near} together at most {most}")
    return SeatLimit(rated + type_iii * SEATS_PER_PAIR["III"], "(g): seats per pair of exits")
