"""Two runs held against each other: which alerts are gained and lost, which come earlier and later, and how many.

Owns the document of a trial. The figures of each run are those of :mod:`monitor.core.alarm_health`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from monitor.core.alarm_health import LISTED_MAX, ROLES, measure
from monitor.core.times import SECOND, format_time
from monitor.ports import Readout
from monitor.rerun import Gap
from monitor.trial.judging import Judge
from monitor.trial.pairing import APART_MAX, pair
from monitor.trial.spool import Raised

CAUTIONS: Final = (
    "Advisory only. It does not replace the crew's own look at the door, the aircraft's manuals, local rules or"
    " licensed practice.",
    "What people would have done about the alerts of the other configuration nobody knows: what they did is applied"
    " to both where it still fits.",
)
KINDS: Final = ("gained", "lost", "earlier", "later", "same")


@dataclass(frozen=True, slots=True)
class Period:
    """What was judged: from ``since`` up to ``until`` (µs), and what of it is not on record.

    ``whole``: nothing from before the period was missing when both runs set out at ``began_at``.
    """

    since: int
    until: int
    began_at: int
    inputs: int
    whole: bool
    gaps: Sequence[Gap] = ()


@dataclass(slots=True)
class _Count:
    """Of a code, or of all: how many of each kind, and by how much they moved (µs)."""

    old: int = 0
    new: int = 0
    kinds: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    moved: dict[str, list[int]] = field(default_factory=lambda: {"earlier": [0, 0], "later": [0, 0]})
    other_priority: int = 0

    def take(self, kind: str, old: Raised | None, new: Raised | None) -> None:
        self.old += old is not None
        self.new += new is not None
        self.kinds[kind] += 1
        if old is not None and new is not None:
            self.other_priority += old.told.priority != new.told.priority
            if kind in self.moved:
                by = abs(new.told.time - old.told.time)
                self.moved[kind] = [self.moved[kind][0] + by, max(self.moved[kind][1], by)]

    def describe(self) -> Readout:
        document: Readout = {"old": self.old, "new": self.new, **self.kinds}
        for kind, (total, most) in self.moved.items():
            number = self.kinds[kind]
            document[f"{kind}_s"] = (
                {"mean": round(total / number / SECOND, 3), "most": most / SECOND} if number else None
            )
        return {**document, "other_priority": self.other_priority}


class _List:
    """The earliest of one kind, as many as are listed."""

    def __init__(self) -> None:
        self._kept: list[tuple[tuple[Any, ...], Readout]] = []

    def add(self, key: tuple[Any, ...], row: Readout) -> None:
        self._kept.append((key, row))
        if len(self._kept) > 4 * LISTED_MAX:
            self._cut()

    def rows(self) -> list[Readout]:
        self._cut()
        return [row for _, row in self._kept]

    def _cut(self) -> None:
        self._kept.sort(key=lambda item: item[0])
        del self._kept[LISTED_MAX:]


def compare(old: Judge, new: Judge, period: Period) -> Readout:
    """Write a trial's document, JSON-ready."""
    total = _Count()
    codes: defaultdict[str, _Count] = defaultdict(_Count)
    listed = {kind: _List() for kind in KINDS if kind != "same"}
    simulated = 0

    def take(one: Raised | None, other: Raised | None) -> None:
        nonlocal simulated
        kind = _kind_of(one, other)
        any_of = one or other
        assert any_of is not None
        simulated += any_of.simulated
        for count in (total, codes[any_of.told.code]):
            count.take(kind, one, other)
        if kind in listed:
            listed[kind].add((any_of.told.time, *any_of.place, any_of.alert_id), _describe_alert(any_of, one, other))

    pair(old.spool, new.spool, take)
    return {
        "since": format_time(period.since),
        "until": format_time(period.until),
        "length_s": (period.until - period.since) / SECOND,
        "began_at": format_time(period.began_at),
        "whole": period.whole,
        "inputs": period.inputs,
        "gaps": [{"from": format_time(gap.begun), "to": format_time(gap.over), "why": gap.why} for gap in period.gaps],
        "simulated": bool(simulated),
        "simulated_alerts": simulated,
        "paired_within_s": APART_MAX / SECOND,
        "alerts": total.describe(),
        "by_code": [{"code": code, **count.describe()} for code, count in sorted(codes.items())],
        "listed": {kind: each.rows() for kind, each in listed.items()},
        "listed_at_most": LISTED_MAX,
        "old": _describe_run(old, period),
        "new": _describe_run(new, period),
        "cautions": list(CAUTIONS),
    }


def _kind_of(one: Raised | None, other: Raised | None) -> str:
    if one is None:
        return "gained"
    if other is None:
        return "lost"
    if other.told.time == one.told.time:
        return "same"
    return "earlier" if other.told.time < one.told.time else "later"


def _describe_alert(any_of: Raised, one: Raised | None, other: Raised | None) -> Readout:
    told = any_of.told
    row: Readout = {
        "aircraft": told.aircraft,
        "door": told.door,
        "code": told.code,
        "old": None if one is None else {"at": format_time(one.told.time), "priority": one.told.priority},
        "new": None if other is None else {"at": format_time(other.told.time), "priority": other.told.priority},
    }
    if one is not None and other is not None:
        row["moved_s"] = (other.told.time - one.told.time) / SECOND
    if any_of.simulated:
        row["simulated"] = True
    return row


def _describe_run(judge: Judge, period: Period) -> Readout:
    told = (raised.told for raised in judge.spool)
    return {
        "config": str(judge.config.path),
        "alarm_health": measure(told, since=period.since, until=period.until, roles=ROLES),
        "actions": {
            "applied": dict(sorted(judge.applied.items())),
            "no_longer_fit": dict(sorted(judge.unfit.items())),
        },
        "not_judged": judge.list_unjudged(),
    }
