"""How much this instance takes in, how long it takes, and who sends what.

Owns running counts over the last ten minutes in memory that does not grow: one count a
second, and one histogram a minute. It is told the time by what it counts and never asks
for it; it judges nothing and keeps nothing of what was said.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_right
from collections import Counter, deque
from collections.abc import Iterable
from typing import Final

from monitor.core.effects import CountDropped, PublishEvent, RejectInput
from monitor.core.events import ReadingsArrived, ReadingsShed, StandReadingArrived
from monitor.core.times import MINUTE, SECOND
from monitor.ports import Readout, Step

SPANS: Final = {"1m": MINUTE, "10m": 10 * MINUTE}
"""What rates are told over."""
SENDERS_MAX: Final = 4000
"""Twice the aircraft that are ever known: beyond it, somebody invents names, and all are counted anew."""

STEPS_AN_OCTAVE: Final = 16
"""Each doubling of a duration is told apart into so many steps, so that a percentile is at most 1/16 too long."""
_EDGES: Final = [
    math.ldexp(1 + step / STEPS_AN_OCTAVE, octave) for octave in range(-21, 7) for step in range(STEPS_AN_OCTAVE)
]
"""Where one bucket ends and the next begins, in s: from half a microsecond to two minutes."""
_QUANTILES: Final = {"p50": 0.5, "p95": 0.95, "p99": 0.99}


class RollingCount:
    """How often something happened in each slot of the last while; ``slot`` and moments in µs."""

    __slots__ = ("_at", "_counts", "_ends", "_place", "_since", "_slot")

    def __init__(self, slot: int, slots: int, since: int) -> None:
        self._slot = slot
        self._counts = array("L", bytes(array("L").itemsize * slots))
        self._since = since
        self._at = since // slot
        self._place = self._at % slots
        self._ends = (self._at + 1) * slot

    def count(self, now: int) -> None:
        """Count one more, now."""
        if now >= self._ends:
            self._turn_to(now)
        self._counts[self._place] += 1

    def rate(self, now: int, span: int) -> float:
        """Return how often a second it happened over ``span``, or for as long as it is counted.

        The slot that runs is counted as far as it has run.
        """
        if now >= self._ends:
            self._turn_to(now)
        slots = min(span // self._slot, len(self._counts) - 1)
        began = max((self._at - slots) * self._slot, self._since)
        total = sum(self._counts[one % len(self._counts)] for one in range(self._at - slots, self._at + 1))
        return total * SECOND / max(now - began, SECOND)

    def _turn_to(self, now: int) -> None:
        at = now // self._slot
        for one in range(max(self._at + 1, at - len(self._counts) + 1), at + 1):
            self._counts[one % len(self._counts)] = 0
        self._at = at
        self._place = at % len(self._counts)
        self._ends = (at + 1) * self._slot


class Durations:
    """How long something took over the last ten minutes: a histogram a minute, ten and the one that runs.

    Buckets are fixed: :data:`STEPS_AN_OCTAVE` to each doubling. A percentile is its bucket's upper
    edge, and never more than the longest: it flatters nobody.
    """

    __slots__ = ("_ends", "_last", "_minutes")

    def __init__(self) -> None:
        self._minutes = deque((_Minute(0),), maxlen=11)
        self._last = self._minutes[-1]
        self._ends = MINUTE

    def add(self, now: int, seconds: float) -> None:
        """Count one that took ``seconds``, ended now."""
        if now >= self._ends:
            self._turn_to(now)
        last = self._last
        last.counts[bisect_right(_EDGES, seconds)] += 1
        if seconds > last.longest:
            last.longest = seconds

    def describe(self, now: int) -> Readout:
        """Write percentiles, the longest and the number, in ms; ``None`` where there were none."""
        recent = [minute for minute in self._minutes if minute.at >= now // MINUTE - 10]
        counts = [sum(column) for column in zip(*(minute.counts for minute in recent), strict=True)]
        number, longest = sum(counts), max((minute.longest for minute in recent), default=0.0)
        if number == 0:
            return {**dict.fromkeys((*_QUANTILES, "max")), "count": 0}
        edges = {
            word: min(_upper_edge(counts, math.ceil(quantile * number)), longest)
            for word, quantile in _QUANTILES.items()
        }
        return {**{word: round(s * 1000, 4) for word, s in {**edges, "max": longest}.items()}, "count": number}

    def _turn_to(self, now: int) -> None:
        self._last = _Minute(now // MINUTE)
        self._minutes.append(self._last)
        self._ends = (self._last.at + 1) * MINUTE


class _Minute:
    """One minute's histogram; ``at`` counts minutes since the Unix epoch."""

    __slots__ = ("at", "counts", "longest")

    def __init__(self, at: int) -> None:
        self.at = at
        self.counts = array("L", bytes(array("L").itemsize * (len(_EDGES) + 1)))
        self.longest = 0.0


def _upper_edge(counts: list[int], rank: int) -> float:
    """Return the upper edge of the bucket that holds the ``rank``-th shortest, in seconds."""
    below = 0
    for count, edge in zip(counts, (*_EDGES, math.inf), strict=True):
        below += count
        if below >= rank:
            return edge
    return math.inf


class Vitals:
    """Counts what passes by as an ``Observer``; ``started`` in µs."""

    def __init__(self, started: int) -> None:
        slots = max(SPANS.values()) // SECOND + 1
        self._messages = RollingCount(SECOND, slots, started)
        self._events = RollingCount(SECOND, slots, started)
        self._steps = Durations()
        self._commits = Durations()
        self._committed: deque[float] = deque(maxlen=10_000)
        self._senders: dict[str, RollingCount] = {}
        self._dropped: Counter[str] = Counter()
        self._rejected: Counter[str] = Counter()

    def observe(self, step: Step) -> None:
        """Count one step and what it led to."""
        now, event, effects, received, done = step
        self._steps.add(now, done - received)
        if self._committed:
            self._take_commits(now)
        kind = type(event)
        if kind is ReadingsArrived or kind is StandReadingArrived or kind is RejectInput:
            self._messages.count(now)
            if isinstance(event, ReadingsArrived):
                self._count_sender(event.aircraft, now)
        elif isinstance(event, ReadingsShed):
            for reason, number in event.counts:
                self._dropped[f"shed-{reason}"] += number
        for effect in effects:
            if isinstance(effect, PublishEvent):
                self._events.count(now)
            elif isinstance(effect, CountDropped):
                self._dropped[effect.reason] += 1
            elif isinstance(effect, RejectInput):
                self._rejected[effect.reason] += 1

    def note_commit(self, seconds: float) -> None:
        """Note how long a group commit of the journal took; may be called from the journal's thread."""
        self._committed.append(seconds)

    def rate_of(self, reg: str, now: int) -> float | None:
        """Return an aircraft's messages a second over the last minute; ``None`` where none came since the start."""
        sender = self._senders.get(reg)
        return None if sender is None else round(sender.rate(now, SPANS["1m"]), 3)

    def keep_only(self, regs: Iterable[str]) -> None:
        """Forget every aircraft but these."""
        kept = set(regs)
        for reg in [reg for reg in self._senders if reg not in kept]:
            del self._senders[reg]

    def describe(self, now: int) -> Readout:
        """Write rates and durations of the last ten minutes, and what was refused or left out since the start."""
        self._take_commits(now)
        return {
            "rates": {
                name: {span: round(count.rate(now, length), 3) for span, length in SPANS.items()}
                for name, count in (("messages_per_s", self._messages), ("events_per_s", self._events))
            },
            "latency_ms": {"step": self._steps.describe(now), "commit": self._commits.describe(now)},
            "dropped": dict(self._dropped),
            "rejected": dict(self._rejected),
        }

    def _count_sender(self, reg: str, now: int) -> None:
        sender = self._senders.get(reg)
        if sender is None:
            if len(self._senders) >= SENDERS_MAX:
                self._senders.clear()
            sender = self._senders[reg] = RollingCount(6 * SECOND, 11, now)
        sender.count(now)

    def _take_commits(self, now: int) -> None:
        while self._committed:
            self._commits.add(now, self._committed.popleft())
