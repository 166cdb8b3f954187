"""The journal's audit as a chain: how its rows are bound, its head, and whether it is whole.

Owns which columns a row's hash covers and in which form: all of them, by their names, as
the database holds them (times in µs). Reads over a connection that it is given; the rows
themselves are written by the journal's writer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Final, NamedTuple

from monitor.adapters.chain import Head, Verdict, check_rows, link, write_hash
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


class ChainedRow(NamedTuple):
    """An audit row in its place: its number, and what binds it."""

    number: int
    row: AuditRow
    hash: bytes
    previous: bytes


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


def read_head(select: Select) -> Head:
    """Return the newest row's number and hash over ``select``."""
    return Head(*(select(_NEWEST) or select(_ANCHOR))[0])


def check_audit(select: Select, wanted: bytes | None = None) -> Verdict:
    """Look at every row over ``select``, a thousand at a time, so that no commit has to wait.

    ``wanted`` is a hash that was once the head.
    """
    while True:
        anchor = Head(*select(_ANCHOR)[0])
        verdict = check_rows(_read_checked(select, anchor.number), COLUMNS, anchor, wanted)
        # Rows that were pruned away meanwhile are not missing.
        if verdict.whole or select(_ANCHOR)[0][0] == anchor.number:
            return verdict


def _read_checked(select: Select, after: int) -> Iterator[Sequence[Any]]:
    while rows := select(_CHECKED, after, _CHECKED_ROWS):
        yield from rows
        after = rows[-1][0]
