"""What is usual for one door: the middle of its last times, and how far from it one may lie.

Owns the arithmetic alone; median and median absolute deviation, so that a few odd times move
neither. Which times are kept is :mod:`monitor.core.notes.transits`'s business.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Final

from monitor.core.airframe import DoorKind

TIMED: Final = frozenset({DoorKind.CABIN, DoorKind.AIRSTAIR, DoorKind.CARGO, DoorKind.MAIN_DECK})
"""Doors whose leaf goes by a damper or an actuator."""

MADS: Final = 4.0
MAD_TO_SIGMA: Final = 1.4826
"""What makes the median absolute deviation of normal errors their standard deviation."""
SHARE: Final = 0.25
LEAST_MS: Final = 1500.0


def band_ms(
    median_ms: float, mad_ms: float, *, mads: float = MADS, share: float = SHARE, least_ms: float = LEAST_MS
) -> float:
    """Return how far from the median, either way, a time is still usual. All times in ms."""
    return max(mads * MAD_TO_SIGMA * mad_ms, share * median_ms, least_ms)


def describe_spread(kept: Sequence[int]) -> tuple[int, int]:
    """Return median and median absolute deviation, rounded, in the unit of ``kept``, which is not empty."""
    middle = median(kept)
    return round(middle), round(median(abs(one - middle) for one in kept))
