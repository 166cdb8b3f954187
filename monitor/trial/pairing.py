"""Which alert of one run is which of the other: by place, by cause, and by the nearest time.

Owns the pairing. Two alerts of one place with the same id have the same cause and are one, however far apart,
unless the place was quiet for :data:`QUIET` in between; of the others those belong together that leave the
least time between them, in order, and never further apart than :data:`APART_MAX`. Pure; memory is bounded by the places.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from monitor.core.times import HOUR, MINUTE
from monitor.trial.spool import Raised

APART_MAX: Final = 5 * MINUTE
QUIET: Final = HOUR
"""A place that was quiet for so long begins anew."""
TOGETHER_MAX: Final = 200
"""The most alerts of one place that are held against each other at once."""

Take = Callable[[Raised | None, Raised | None], None]
"""Hears of each alert once: in both runs, or with ``None`` for the run that it is not in."""


class _Group:
    """What came at one place without a long quiet in between."""

    def __init__(self) -> None:
        self.sides: tuple[list[Raised], list[Raised]] = ([], [])
        self.last = 0

    def pair(self, take: Take) -> None:
        old, new = _pair_causes(*self.sides, take)
        _pair_times(old, new, take)

    def pair_earlier(self, take: Take) -> None:
        """Pair as far as what is still to come can hardly change it, and keep the rest: a cut would part what belongs together."""
        pairs: list[tuple[Raised | None, Raised | None]] = []
        self.pair(lambda one, other: pairs.append((one, other)))
        times = sorted(raised.told.time for side in self.sides for raised in side)
        middle = times[len(times) // 2]
        kept = [each for each in pairs if any(raised is not None and raised.told.time > middle for raised in each)]
        if 4 * len(kept) > 3 * len(pairs):
            kept = []
        keeping = {id(each) for each in kept}
        for each in pairs:
            if id(each) not in keeping:
                take(*each)
        for number, side in enumerate(self.sides):
            side[:] = sorted((one for each in kept if (one := each[number]) is not None), key=lambda one: one.told.time)


def pair(old: Iterable[Raised], new: Iterable[Raised], take: Take) -> None:
    """Pair two runs' alerts, each in the order of its time."""
    groups: dict[tuple[str, str, str], _Group] = {}
    both = heapq.merge(((raised, 0) for raised in old), ((raised, 1) for raised in new), key=_when)
    for raised, side in both:
        group = groups.get(raised.place)
        if group is not None and raised.told.time - group.last > QUIET:
            group.pair(take)
            group = None
        if group is not None and len(group.sides[0]) + len(group.sides[1]) >= TOGETHER_MAX:
            group.pair_earlier(take)
        if group is None:
            group = groups[raised.place] = _Group()
        group.sides[side].append(raised)
        group.last = raised.told.time
    for _, group in sorted(groups.items()):
        group.pair(take)


def _when(item: tuple[Raised, int]) -> tuple[int, int]:
    return item[0].told.time, item[1]


def _pair_causes(old: Sequence[Raised], new: Sequence[Raised], take: Take) -> tuple[list[Raised], list[Raised]]:
    """Pair those of one cause, the first with the first, and return what is left."""
    waiting = {key: raised for raised, key in zip(new, _count(new), strict=True)}
    left = []
    for raised, key in zip(old, _count(old), strict=True):
        other = waiting.pop(key, None)
        if other is None:
            left.append(raised)
        else:
            take(raised, other)
    return left, list(waiting.values())


def _count(side: Sequence[Raised]) -> list[tuple[str, int]]:
    seen: Counter[str] = Counter()
    keys = []
    for raised in side:
        seen[raised.alert_id] += 1
        keys.append((raised.alert_id, seen[raised.alert_id]))
    return keys


def _pair_times(old: Sequence[Raised], new: Sequence[Raised], take: Take) -> None:
    """Pair in order so that the time between pairs is least; leaving two apart costs as much as :data:`APART_MAX`."""
    rows, columns = len(old), len(new)
    alone = APART_MAX / 2
    least = [[alone * (rows - i + columns - j) for j in range(columns + 1)] for i in range(rows + 1)]
    for i in range(rows - 1, -1, -1):
        for j in range(columns - 1, -1, -1):
            apart = abs(old[i].told.time - new[j].told.time)
            together = apart + least[i + 1][j + 1] if apart <= APART_MAX else float("inf")
            least[i][j] = min(together, alone + least[i + 1][j], alone + least[i][j + 1])
    i = j = 0
    while i < rows or j < columns:
        if i < rows and j < columns:
            apart = abs(old[i].told.time - new[j].told.time)
            if apart <= APART_MAX and least[i][j] == apart + least[i + 1][j + 1]:
                take(old[i], new[j])
                i, j = i + 1, j + 1
                continue
        if i < rows and (j == columns or least[i][j] == alone + least[i + 1][j]):
            take(old[i], None)
            i += 1
        else:
            take(None, new[j])
            j += 1
