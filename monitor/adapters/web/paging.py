"""Lists in pages, by a cursor that survives changes between two pages.

Owns the form of a page and of its cursor. A cursor names the last item's sort key,
never a position, so that items which come or go shift nothing.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Awaitable, Callable, Sequence

from monitor.adapters.web.problems import ProblemError
from monitor.ports import Readout

LIMIT_DEFAULT = 100
LIMIT_MAX = 1000

Key = Callable[[Readout], tuple[str, ...]]
"""An item → strings that order it and that no other item of the list shares."""


def cut_page(items: Sequence[Readout], *, key: Key, limit: int, after: str | None) -> Readout:
    """Return the ``limit`` items that follow the cursor ``after``, and the next cursor."""
    rows = sorted(items, key=key)
    if after is not None:
        last = _read_cursor(after)
        rows = [row for row in rows if key(row) > last]
    following = _write_cursor(key(rows[limit - 1])) if len(rows) > limit else None
    return {"items": rows[:limit], "next": following}


async def pass_page(answer: Awaitable[Readout]) -> Readout:
    """Wait for a page that the journal cuts by its own cursor; one that is not its own is refused."""
    try:
        return await answer
    except ValueError:
        raise _bad_cursor() from None


def _write_cursor(key: tuple[str, ...]) -> str:
    return base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")


def _read_cursor(cursor: str) -> tuple[str, ...]:
    try:
        raw = base64.urlsafe_b64decode(cursor.encode("ascii") + b"=" * (-len(cursor) % 4))
        parts = json.loads(raw)
    except (ValueError, binascii.Error, RecursionError):
        raise _bad_cursor() from None
    if not isinstance(parts, list) or not all(isinstance(part, str) for part in parts):
        raise _bad_cursor()
    return tuple(parts)


def _bad_cursor() -> ProblemError:
    detail = "after must be the next of an earlier page"
    return ProblemError("invalid", detail, {"errors": [{"pointer": "after", "detail": detail}]})
