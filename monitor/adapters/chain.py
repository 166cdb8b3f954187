"""A hash chain over rows, so that a row altered, removed, put in or moved is found.

Owns how a row is bound to the one before it, and how a chain is checked. Pure: where rows
and hashes are kept is their store's affair. A chain cannot see that its newest rows were
cut off, nor that somebody wrote all of it anew: against that, its head has to be kept
where whoever can alter the store cannot reach.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from typing import Final

HASH_BYTES: Final = 32

GENESIS: Final = bytes(HASH_BYTES)
"""What the first row of a chain is bound to."""


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
