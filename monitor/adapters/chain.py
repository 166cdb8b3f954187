"""A hash chain over rows, so that a row altered, removed, put in or moved is found.

Owns how a row is bound to the one before it, and how a chain is checked. Pure: where rows
and hashes are kept is their store's affair. A chain cannot see that its newest rows were
cut off, nor that somebody wrote all of it anew: against that, its head has to be kept
where whoever can alter the store cannot reach.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

from monitor.ports import Readout

HASH_BYTES: Final = 32

GENESIS: Final = bytes(HASH_BYTES)
"""What the first row of a chain is bound to."""


class Head(NamedTuple):
    """A row's number and its hash; number 0 is the place before the first row."""

    number: int
    hash: bytes

    def describe(self) -> Readout:
        """Give it as JSON has it."""
        return {"number": self.number, "hash": write_hash(self.hash)}


EMPTY: Final = Head(0, GENESIS)


class Verdict(NamedTuple):
    """Whether a chain of numbered rows is whole: how many rows were looked at, and the number of the first that does not follow.

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


def link(previous: bytes, row: Mapping[str, object]) -> bytes:
    """Return a row's hash: SHA-256 over ``previous`` and the row's canonical JSON.

    Canonical is UTF-8 with sorted keys and no spaces. The row's values must be what its
    store gives back later (``1`` is not ``True``). Raises ``ValueError`` where ``previous``
    is no hash, or the row cannot be written so.
    """
    if len(previous) != HASH_BYTES:
        # With a fixed length nothing can move across the border between hash and row.
        raise ValueError(f"a link of the chain has {HASH_BYTES} bytes, not {len(previous)}")
    try:
        text = json.dumps(row, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    except TypeError as error:
        raise ValueError(str(error)) from None
    return hashlib.sha256(previous + text.encode("utf-8")).digest()


def verify(rows: Iterable[tuple[Mapping[str, object], object]], anchor: bytes) -> int | None:
    """Say which of ``rows`` (each with its kept hash, in order) is the first that does not follow, from 0.

    ``anchor`` is what the first row is bound to. ``None`` where the chain is whole.
    """
    previous = anchor
    for place, (row, kept) in enumerate(rows):
        try:
            previous = link(previous, row)
        except ValueError:
            return place
        if previous != kept:
            return place
    return None


def check_rows(
    rows: Iterable[Sequence[Any]], columns: Sequence[str], anchor: Head, wanted: bytes | None = None
) -> Verdict:
    """Check rows of ``columns``, of which the first is their number, and their hash, in order, from ``anchor`` on.

    ``wanted`` is a hash that was once the head.
    """
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


def write_hash(bound: object) -> str | None:
    """Write a hash as JSON has it; ``None`` for what is none."""
    return bound.hex() if isinstance(bound, bytes) else None  # whatever a broken row holds
