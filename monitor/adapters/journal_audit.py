"""The audit as a chain: how its rows are bound, its head, and whether it is whole.

Owns which columns a row's hash covers and in which form: all of them, by their names, as
the database holds them (times in µs). Reads over a connection that it is given; the rows
themselves are written by the journal's writer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Final, NamedTuple

from monitor.adapters.chain import GENESIS, link, verify
from monitor.adapters.journal_rows import AuditRow, audit_readout
from monitor.ports import Readout

COLUMNS: Final = ("seq", *AuditRow._fields)
"""What a hash covers."""

_LISTED: Final = ", ".join(COLUMNS)
INSERT: Final = f"INSERT INTO audit ({_LISTED}, hash) VALUES ({', '.join('?' * (len(COLUMNS) + 1))})"  # noqa: S608

PREVIOUS: Final = (
    "coalesce((SELECT earlier.hash FROM audit AS earlier WHERE earlier.seq < audit.seq"
    " ORDER BY earlier.seq DESC LIMIT 1), (SELECT hash FROM audit_anchor))"
)
SELECT: Final = f"SELECT {_LISTED}, hash, {PREVIOUS} FROM audit"  # noqa: S608 - constants only
_ANCHOR: Final = "SELECT seq, hash FROM audit_anchor"
_NEWEST: Final = "SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1"
_CHECKED: Final = f"SELECT {_LISTED}, hash FROM audit WHERE seq > ? ORDER BY seq LIMIT ?"  # noqa: S608
_CHECKED_ROWS: Final = 1000

Select = Callable[..., list[Any]]
"""Runs a query with its values and gives its rows."""


class Head(NamedTuple):
    """A row's number and its hash; number 0 is the place before the first row."""

    number: int
    hash: bytes

    def describe(self) -> Readout:
        """Give it as JSON has it."""
        return {"number": self.number, "hash": write_hash(self.hash)}


EMPTY: Final = Head(0, GENESIS)


class ChainedRow(NamedTuple):
    """An audit row in its place: its number, and what binds it."""

    number: int
    row: AuditRow
    hash: bytes
    previous: bytes


class Verdict(NamedTuple):
    """Whether the audit is whole: how many rows were looked at, and the number of the first that does not follow.

    ``anchor`` is the last row that was pruned away. ``passed`` says whether the chain has a
    row, or the anchor, of the hash that was asked for.
    """

    items: int
    first_broken: int | None
    head: Head
    anchor: Head
    passed: bool

    @property
    def whole(self) -> bool:
        """True where every row follows from the one before it."""
        return self.first_broken is None

    def describe(self) -> Readout:
        """Give it as JSON has it."""
        return {
            "whole": self.whole,
            "items": self.items,
            "first_broken": self.first_broken,
            "head": self.head.describe(),
            "pruned_up_to": self.anchor.number,
        }


def link_row(previous: bytes, *values: object) -> bytes:
    """Bind a row's :data:`COLUMNS` to the hash before it."""
    return link(previous, dict(zip(COLUMNS, values, strict=True)))


def chain_rows(head: Head, rows: Iterable[AuditRow]) -> list[ChainedRow]:
    """Number ``rows`` and bind them, one after the other, behind ``head``."""
    chained = []
    for row in rows:
        number = head.number + 1
        bound = link_row(head.hash, number, *row)
        chained.append(ChainedRow(number, row, bound, head.hash))
        head = Head(number, bound)
    return chained


def row_values(chained: ChainedRow) -> tuple[Any, ...]:
    """Give a row as :data:`SELECT` does."""
    return (chained.number, *chained.row, chained.hash, chained.previous)


def chained_readout(values: Sequence[Any]) -> Readout:
    """Give what :data:`SELECT` gives as a reader wants it."""
    number, *row, bound, previous = values
    return {"number": number, **audit_readout(row), "hash": write_hash(bound), "previous": write_hash(previous)}


def write_hash(bound: object) -> str | None:
    """Write a hash as JSON has it; ``None`` for what is none."""
    return bound.hex() if isinstance(bound, bytes) else None  # whatever a broken row holds


def read_head(select: Select) -> Head:
    """Return the newest row's number and hash over ``select``."""
    return Head(*(select(_NEWEST) or select(_ANCHOR))[0])


def check_audit(select: Select, wanted: bytes | None = None) -> Verdict:
    """Look at every row over ``select``, a thousand at a time, so that no commit has to wait.

    ``wanted`` is a hash that was once the head.
    """
    while True:
        anchor = Head(*select(_ANCHOR)[0])
        verdict = check_rows(_read_checked(select, anchor.number), anchor, wanted)
        # Rows that were pruned away meanwhile are not missing.
        if verdict.whole or select(_ANCHOR)[0][0] == anchor.number:
            return verdict


def _read_checked(select: Select, after: int) -> Iterator[Sequence[Any]]:
    while rows := select(_CHECKED, after, _CHECKED_ROWS):
        yield from rows
        after = rows[-1][0]


def check_rows(
    rows: Iterable[Sequence[Any]], anchor: Head, wanted: bytes | None = None, *, columns: Sequence[str] = COLUMNS
) -> Verdict:
    """Check rows of ``columns`` and their hash, in order, from ``anchor`` on."""
    rows = iter(rows)
    last: Sequence[Any] = anchor
    items = 0
    passed = wanted in (None, anchor.hash)

    def walk() -> Iterator[tuple[dict[str, object], object]]:
        nonlocal last, items, passed
        for row in rows:
            last = row
            items += 1
            passed = passed or row[-1] == wanted
            yield dict(zip(columns, row, strict=False)), row[-1]

    broken = verify(walk(), anchor.hash)
    first = None if broken is None else last[0]
    for _ in walk():  # the rest is only counted
        pass
    return Verdict(items, first, Head(last[0], last[-1]), anchor, passed)
