"""Our clock: steady like a stopwatch, and as near to the wall clock as that allows.

Owns the one place where the time is asked for. It never goes back and never jumps.

The two demands pull apart. Ages, on-delays and "nothing heard for 30 s" are measured on
this clock: if it followed a wall clock that is set five minutes forward, every reading of
every aircraft would be stale at once; if it followed one that is set back, a dead feed
would look alive for five minutes. Yet an event's time is compared, afterwards, with
radio recordings and people's watches. So:

- It counts the machine's steady clock, from the wall clock's time at the start. On Linux
  that is the one that also counts while the machine is suspended: readings from before
  a suspension are as old as they are.
- A difference of at most 30 s is worked off by running 0.5 % faster or slower: 5 ms a
  second, so that a delay of 10 s is wrong by no more than 50 ms, and one second is made
  good in 200 s. NTP's own corrections are far smaller and are simply followed.
- A larger difference is left alone. Nobody here can tell whether the wall clock was wrong
  before or is wrong now, working off an hour would take more than a week of
  slightly wrong delays, and a constant difference that is known can still be corrected
  in the record. :attr:`SystemClock.wall_offset_us` says how large it is, to be shown and
  alerted; a restart takes the wall clock's time anew.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

from monitor.core.times import MILLISECOND, SECOND

SLEW_PER_MILLE: Final = 5
"""How much faster or slower than real time the clock runs at most."""

FOLLOWED_US: Final = 30 * SECOND
"""The largest difference from the wall clock that is worked off, in µs."""

_LOOK_EVERY_US: Final = 100 * MILLISECOND
_LOOK_SPAN_US: Final = SECOND
_CLOSE_ENOUGH_US: Final = MILLISECOND


def steady_ns() -> int:
    """Nanoseconds of the machine's steady clock, suspension included where it can say so."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    return time.monotonic_ns()


class SystemClock:
    """:class:`monitor.ports.Clock` on this machine's clocks; for one thread.

    ``not_before`` (µs) is the last time that the journal knows: a start never goes behind
    it, even where the wall clock was set back while nobody ran.
    """

    def __init__(
        self,
        *,
        not_before: int = 0,
        steady: Callable[[], int] = steady_ns,
        wall: Callable[[], int] = time.time_ns,
    ) -> None:
        self._steady = steady
        self._wall = wall
        self._looked = steady() // 1000
        wall_us = wall() // 1000
        self._base = max(wall_us, not_before)
        self._offset = wall_us - self._base
        self._last = -(-not_before // MILLISECOND) * MILLISECOND

    def now(self) -> int:
        """Time in µs since the Unix epoch, in whole milliseconds, never less than before."""
        steady = self._steady() // 1000
        if steady - self._looked >= _LOOK_EVERY_US:
            self._look(steady)
        at = self._base + steady - self._looked
        at -= at % MILLISECOND
        if at > self._last:
            self._last = at
        return self._last

    @property
    def wall_offset_us(self) -> int:
        """How far the wall clock is ahead of this one (µs, negative when behind), at the last look."""
        return self._offset

    @property
    def following(self) -> bool:
        """False while the wall clock is too far off to be followed."""
        return abs(self._offset) <= FOLLOWED_US

    def _look(self, steady: int) -> None:
        elapsed = steady - self._looked
        self._base += elapsed
        self._looked = steady
        offset = self._wall() // 1000 - self._base
        if _CLOSE_ENOUGH_US <= abs(offset) <= FOLLOWED_US:
            # After a long silence the step may have come only just now: one look never
            # makes good more than a second's worth.
            bound = min(elapsed, _LOOK_SPAN_US) * SLEW_PER_MILLE // 1000
            correction = max(-bound, min(offset, bound))
            self._base += correction
            offset -= correction
        self._offset = offset
