"""How long to wait before telling a destination again.

Owns the growing gaps, their jitter and the reading of ``Retry-After``. Pure but for the
randomness it is handed.

Sources: Standard Webhooks (retries with exponential back-off and jitter), RFC 9110 section
10.2.3 (Retry-After), RFC 6585 section 4 (429).
"""

from __future__ import annotations

import email.utils
import random
from typing import Final

from monitor.core.times import HOUR, SECOND

FIRST: Final = 5 * SECOND
"""The gap after one failure (µs); it doubles with each further one."""

FIRST_REFUSED: Final = 60 * SECOND
"""The same where the destination answered and refused: trying soon again will rarely help."""

MOST: Final = HOUR
"""No gap is longer, and no ``Retry-After`` is followed for longer."""

NEWS_AFTER: Final = 60 * SECOND
"""What is new waits no longer than this (µs): its destination may have been back for most of the gap it had earned."""


def gap_after(failures: int, first: int, chance: random.Random, most: int = MOST) -> int:
    """Return the gap (µs) after the ``failures``-th failure in a row: half of it certain, half by chance."""
    whole = min(first << min(failures - 1, 30), most)
    return whole // 2 + round(chance.random() * (whole - whole // 2))


def read_retry_after(text: str | None, now: int) -> int | None:
    """Return what ``Retry-After`` asks for in µs, from one second to an hour; ``None`` where it says nothing usable."""
    if text is None:
        return None
    text = text.strip()
    if text.isascii() and text.isdecimal() and len(text) < 12:
        wait = int(text) * SECOND
    else:
        try:
            moment = email.utils.parsedate_to_datetime(text)
            wait = round(moment.timestamp() * SECOND) - now
        except (ValueError, OverflowError, TypeError, IndexError):
            return None
    return max(SECOND, min(wait, MOST))
