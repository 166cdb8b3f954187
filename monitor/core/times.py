"""Microseconds since the Unix epoch, to and from RFC 3339.

Owns the only two functions that turn the core's integer time into text and back.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Final

MILLISECOND: Final = 1_000
SECOND: Final = 1_000_000
MINUTE: Final = 60 * SECOND
HOUR: Final = 60 * MINUTE

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)


@lru_cache(maxsize=8192)
def format_time(at: int) -> str:
    """Write ``at`` (µs) as RFC 3339 in UTC: three decimals, or six where they are needed."""
    moment = _EPOCH + timedelta(microseconds=at)
    spec = "milliseconds" if at % 1000 == 0 else "microseconds"
    return moment.isoformat(timespec=spec).removesuffix("+00:00") + "Z"


def parse_time(text: str) -> int:
    """Read an RFC 3339 time with an offset as µs since the epoch.

    Raises ``ValueError`` where it is not one. A leap second (``:60``) is taken as the
    first instant of the next minute, and digits beyond the microsecond are cut.
    """
    leap = len(text) > 19 and text[17:19] == "60" and text[16] == ":"
    if leap:
        text = text[:17] + "59" + text[19:]
    if len(text) < 20 or text[4] != "-" or text[10] not in "Tt ":
        raise ValueError("not an RFC 3339 time such as 2026-03-01T10:15:00.125Z")
    moment = datetime.fromisoformat(text[:10] + "T" + text[11:].upper())
    if moment.tzinfo is None:
        raise ValueError("the time has no offset; end it with Z or +hh:mm")
    at = (moment - _EPOCH) // _MICROSECOND
    if leap:
        at = (at // SECOND + 1) * SECOND
    return at
