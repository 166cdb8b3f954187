"""What a scenario expects to be told, held against what was told.

Owns the verdicts: which expected alert was raised in time and over in time, and what was
raised that nobody expected. It is pure, knows no rule and no model, and looks at the
lifecycle events alone, so that it judges the monitor from outside.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, NamedTuple

from monitor.core.effects import PublishEvent
from monitor.core.times import SECOND

_RANK: Final[Mapping[str, int]] = MappingProxyType({"advisory": 0, "caution": 1, "warning": 2})
_BEGINS: Final = frozenset({"raised", "reraised", "unsuppressed"})
"""Events with which an alert begins to ask for attention."""
_SOUNDING: Final = frozenset({"unacknowledged", "acknowledged"})


@dataclass(frozen=True, slots=True)
class Expected:
    """One alert that has to be raised; times in seconds from the beginning.

    ``aircraft``, ``door`` and ``priority`` are ``None`` where any will do. ``door`` is ``-`` for
    an alert of the whole aircraft.
    """

    alert: str
    by_s: float
    after_s: float = 0.0
    aircraft: str | None = None
    door: str | None = None
    priority: str | None = None
    cleared_by_s: float | None = None
    cleared_after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Expectations:
    """Everything that a scenario expects; ``only`` says that nothing else may be raised."""

    alerts: tuple[Expected, ...] = ()
    never: tuple[str, ...] = ()
    only: bool = False

    @property
    def some(self) -> bool:
        """There is anything to hold the monitor to."""
        return bool(self.alerts or self.never or self.only)

    @property
    def last_s(self) -> float:
        """The last moment (s) that anything is expected at."""
        return max((expected.cleared_by_s or expected.by_s for expected in self.alerts), default=0.0)


class Telling(NamedTuple):
    """One moment at which an alert asked for attention, or fell to a lower priority (``fell``); time in s."""

    at_s: float
    aircraft: str
    door: str
    alert: str
    priority: str
    text: str
    fell: bool = False

    @property
    def place(self) -> tuple[str, str, str]:
        """Where it was told, and what."""
        return self.aircraft, self.door, self.alert


class Verdict(enum.StrEnum):
    """How an expectation came out; each value is what a person reads."""

    MET = "as expected"
    MISSING = "not raised"
    EARLY = "too early"
    LATE = "too late"
    OTHER_PRIORITY = "other priority"
    NOT_OVER = "not over in time"
    OVER_EARLY = "over too early"


class Outcome(NamedTuple):
    """One expectation with what was seen of it; ``over_s`` is when its cause ended."""

    expected: Expected
    verdict: Verdict
    seen: Telling | None
    over_s: float | None


@dataclass(frozen=True, slots=True)
class Judgement:
    """Every expectation's outcome, in the file's order, and what was told besides, in order of time.

    ``forbidden`` are those of ``unexpected`` that must never be raised; where a scenario does not
    ask for nothing else, only those count.
    """

    outcomes: tuple[Outcome, ...]
    unexpected: tuple[Telling, ...]
    forbidden: tuple[Telling, ...]
    only: bool

    @property
    def passed(self) -> bool:
        """Everything came as expected, and nothing that must not."""
        met = all(outcome.verdict is Verdict.MET for outcome in self.outcomes)
        return met and not (self.unexpected if self.only else self.forbidden)


def judge(expectations: Expectations, events: Iterable[PublishEvent], start_us: int) -> Judgement:
    """Hold ``events`` (in order of their time) against ``expectations``; ``start_us`` is the beginning (µs)."""
    heard = _listen(events, start_us)
    entries = [_Entry(expected) for expected in expectations.alerts]
    unexpected: list[Telling] = []
    for telling in heard.tellings:
        takers = [entry for entry in entries if entry.takes(telling)]
        if takers:
            # The most particular first, then the one that has least time left.
            min(takers, key=lambda entry: (bool(entry.seen), entry.vague, entry.expected.by_s)).seen.append(telling)
        elif not telling.fell:
            unexpected.append(telling)
    return Judgement(
        outcomes=tuple(_settle(entry, heard) for entry in entries),
        unexpected=tuple(unexpected),
        forbidden=tuple(telling for telling in unexpected if telling.alert in expectations.never),
        only=expectations.only,
    )


@dataclass(slots=True)
class _Entry:
    """An expectation with the tellings that it took."""

    expected: Expected
    seen: list[Telling] = field(default_factory=list)

    @property
    def vague(self) -> int:
        """How much it leaves open."""
        expected = self.expected
        return (expected.aircraft, expected.door, expected.priority).count(None)

    def takes(self, telling: Telling) -> bool:
        """Tell whether ``telling`` is what is expected, and not for the second time at one place."""
        if not (self.is_about(telling) and self.expected.after_s <= telling.at_s <= self.expected.by_s):
            return False
        priority = self.expected.priority
        if priority != telling.priority and (priority is not None or telling.fell):
            return False
        return all(telling.place != earlier.place for earlier in self.seen)

    def is_about(self, telling: Telling) -> bool:
        """Tell whether it is the alert, at a place where it is expected; whenever, and with whatever priority."""
        expected = self.expected
        return (
            expected.alert == telling.alert
            and expected.aircraft in (None, telling.aircraft)
            and expected.door in (None, telling.door)
        )


class _Heard(NamedTuple):
    """What was told: the tellings, and the ends of each place's alerts (s), both in order of time."""

    tellings: Sequence[Telling]
    ends: Mapping[tuple[str, str, str], Sequence[float]]


def _listen(events: Iterable[PublishEvent], start_us: int) -> _Heard:
    tellings: list[Telling] = []
    ends: dict[tuple[str, str, str], list[float]] = {}
    ranks: dict[tuple[str, str, str], int] = {}
    for event in events:
        at_s = (event.time - start_us) / SECOND
        place = (event.aircraft, event.door, event.code)
        priority = str(event.data["priority"])
        risen = _RANK[priority] > ranks.get(place, -1)
        if event.type == "cleared":
            ends.setdefault(place, []).append(at_s)
        elif event.type in _BEGINS or (event.type == "reprioritised" and event.data["state"] in _SOUNDING):
            fell = event.type == "reprioritised" and not risen
            tellings.append(Telling(at_s, *place, priority, str(event.data["text"]), fell))
        ranks[place] = _RANK[priority]
    return _Heard(tellings, ends)


def _settle(entry: _Entry, heard: _Heard) -> Outcome:
    expected = entry.expected
    if not entry.seen:
        return Outcome(expected, *_missed(entry, heard.tellings), None)
    seen = entry.seen[0]
    over = {telling.place: _over_after(telling, heard) for telling in entry.seen}
    limit = expected.cleared_by_s
    early = [at_s for at_s in over.values() if at_s is not None and at_s < expected.cleared_after_s]
    if early:
        return Outcome(expected, Verdict.OVER_EARLY, seen, min(early))
    late = limit is not None and any(at_s is None or at_s > limit for at_s in over.values())
    return Outcome(expected, Verdict.NOT_OVER if late else Verdict.MET, seen, over[seen.place])


def _over_after(telling: Telling, heard: _Heard) -> float | None:
    return next((at_s for at_s in heard.ends.get(telling.place, ()) if at_s >= telling.at_s), None)


def _missed(entry: _Entry, tellings: Sequence[Telling]) -> tuple[Verdict, Telling | None]:
    """Say what came instead of an expected alert: the same one at another moment or priority, or nothing."""
    expected = entry.expected
    about = list(_near(entry, tellings))
    if not about:
        return Verdict.MISSING, None
    in_time = [t for t in about if expected.after_s <= t.at_s <= expected.by_s]
    if in_time and all(t.priority != expected.priority for t in in_time) and expected.priority is not None:
        return Verdict.OTHER_PRIORITY, in_time[0]
    later = [t for t in about if t.at_s > expected.by_s]
    if later:
        return Verdict.LATE, later[0]
    earlier = [t for t in about if t.at_s < expected.after_s]
    return (Verdict.EARLY, earlier[-1]) if earlier else (Verdict.MISSING, None)


def _near(entry: _Entry, tellings: Iterable[Telling]) -> Iterator[Telling]:
    return (telling for telling in tellings if entry.is_about(telling) and not telling.fell)
