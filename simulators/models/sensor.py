"""A sensor that is not what it was: what is true goes in with the time, what it says comes out, or silence.

Owns the six ways in which one reading goes wrong and how they add up: it comes late, is off
by a bias that may drift, bounces when it changes, sticks, and drops out now and then. It
never knows a topic or a door: it is told the range in which its reading may lie.
"""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, field
from typing import Final

from monitor.core.signals import Kind, Signal, Value
from monitor.core.times import MILLISECOND, SECOND

BOUNCE_EVERY_US: Final = 100 * MILLISECOND
"""µs between two changes of a bouncing contact."""
SILENT_S: Final = 3.0
"""How long a sensor that drops out is silent, on average."""

_MINUTE_US: Final = 60 * SECOND
_DIGITS: Final = 2


@dataclass(frozen=True, slots=True)
class Fault:
    """What ails a sensor; none of it by default.

    ``bounce_s`` after each change, and once at first; ``bias`` in the reading's unit, ``drift_per_min``
    in it a minute; ``delay_s``; ``silent_share`` of the time, in spells drawn by lot; ``stuck``
    at what it said last.
    """

    bounce_s: float = 0.0
    bias: float = 0.0
    drift_per_min: float = 0.0
    delay_s: float = 0.0
    silent_share: float = 0.0
    stuck: bool = False


@dataclass(slots=True)
class Sensor:
    """One sensor of ``signal`` with its fault and what it remembers; ``chance`` draws its silent spells.

    What it says at a moment does not depend on how often it was asked before, as long as it was told each change.
    """

    signal: Signal
    chance: random.Random
    fault: Fault = Fault()
    _past: deque[tuple[int, Value]] = field(default_factory=deque)
    _seen: Value | None = None
    _before: Value | None = None
    _changed_at: int = 0
    _drifts_from: int | None = None
    _held: Value | None = None
    _silent: bool = False
    _spell_until: int | None = None

    def ail(self, fault: Fault, now: int) -> None:
        """Have it suffer ``fault`` from ``now`` on (µs); a drift that it has already goes on."""
        if fault.bounce_s and not self.fault.bounce_s:
            self._changed_at = now
        if fault.drift_per_min and not self.fault.drift_per_min:
            self._drifts_from = now
        if fault.silent_share != self.fault.silent_share:
            self._silent, self._spell_until = False, now
        self.fault = fault

    def say(self, true: Value, now: int) -> Value | None:
        """Return what it says at ``now`` (µs) while ``true`` is so; ``None``: nothing."""
        late = self._delayed(true, now)
        if late != self._seen:
            self._before, self._seen = self._seen, late
            if self._before is not None:
                self._changed_at = now
        if not self.fault.stuck or self._held is None:
            self._held = self._bounced(self._shifted(late, now), now)
        return None if self._is_silent(now) else self._held

    def _delayed(self, true: Value, now: int) -> Value:
        past = self._past
        if not past or past[-1][1] != true:
            past.append((now, true))
        since = now - round(self.fault.delay_s * SECOND)
        while len(past) > 1 and past[1][0] <= since:
            past.popleft()
        return past[0][1]

    def _shifted(self, value: Value, now: int) -> Value:
        fault, signal = self.fault, self.signal
        if isinstance(value, (bool, str)) or not (fault.bias or fault.drift_per_min):
            return value
        drifted = 0.0 if self._drifts_from is None else fault.drift_per_min * (now - self._drifts_from) / _MINUTE_US
        off = min(signal.high, max(signal.low, value + fault.bias + drifted))
        return round(off) if signal.kind is Kind.INT else round(off, _DIGITS)

    def _bounced(self, value: Value, now: int) -> Value:
        gone = now - self._changed_at
        if not isinstance(value, bool) or gone >= round(self.fault.bounce_s * SECOND):
            return value
        return value if gone // BOUNCE_EVERY_US % 2 == 0 else not value

    def _is_silent(self, now: int) -> bool:
        share = self.fault.silent_share
        if share <= 0.0:
            return False
        if share >= 1.0:
            return True
        if self._spell_until is None:
            self._spell_until = now
        while now >= self._spell_until:
            # Spells of either sort are exponential, so that the two make a Markov chain of two states.
            self._silent = not self._silent
            mean_s = SILENT_S if self._silent else SILENT_S * (1.0 - share) / share
            self._spell_until += max(1, round(self.chance.expovariate(1.0 / mean_s) * SECOND))
        return self._silent
