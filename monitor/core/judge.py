"""How every rule is judged: delays, dead bands, changes of priority, and what is unknown.

Owns the timing of conditions. It turns a rule's levels into one :class:`Judgement`; what
that does to an alert is :mod:`monitor.core.ledger`'s work.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.core.alert import RANK, Priority
from monitor.core.kleene import Truth
from monitor.core.rules.rule import Level as LevelSpec
from monitor.core.rules.rule import Parameters, Rule
from monitor.core.state import Level, Tracker
from monitor.core.times import SECOND
from monitor.core.view import View


class Judgement(NamedTuple):
    """What a rule's levels say now.

    ``reached``: the highest priority whose condition has held for its delay, with the
    ``cause`` that started it and whether that was ``late``. ``true`` and ``unknown``: the priorities whose condition
    holds, and cannot be told, whatever their delay.
    """

    reached: Priority | None
    cause: str
    true: frozenset[Priority]
    unknown: frozenset[Priority]
    late: bool = False

    @property
    def over(self) -> bool:
        """Every condition is known not to hold."""
        return not self.true and not self.unknown


_NOTHING = Judgement(None, "", frozenset(), frozenset())


def _time_level(level: Level, truth: Truth, now: int, cause: str, *, late: bool) -> None:
    """Run, pause or wind back a level's clock: an unknown condition pauses it."""
    if truth:
        level.held = True
        if not level.cause:
            level.cause, level.late = cause, late
        if level.since is None:
            level.since = now
    elif truth is None:
        if level.since is not None:
            level.ran += now - level.since
            level.since = None
    else:
        level.held = False
        level.ran = 0
        level.since = None
        level.cause = ""
        level.late = False


def _has_held(level: Level, spec: LevelSpec, parameters: Parameters, now: int) -> bool:
    """Tell whether a level has held for its delay: before that no dead band keeps it."""
    if not level.held or not spec.delay:
        return level.held
    ran = level.ran if level.since is None else level.ran + now - level.since
    return ran >= round(parameters[spec.delay] * SECOND)


def judge(
    rule: Rule, view: View, parameters: Parameters, tracker: Tracker | None, cause: str, *, late: bool = False
) -> tuple[Judgement, Tracker | None]:
    """Judge one rule at one place at ``view.now``.

    Makes a tracker only once there is something to remember, and sets its ``deadline`` to
    the next moment at which the answer can change by itself.
    """
    now = view.now
    if tracker is None:
        truths = [level.when(view, parameters, False) for level in rule.levels]
        if view.wake is None and not any(truths):
            if None not in truths:
                return _NOTHING, None  # by far the commonest
            # Unknown from the start: nothing to time, nothing to clear.
            unknown = frozenset(level.priority for level, t in zip(rule.levels, truths, strict=True) if t is None)
            return Judgement(None, "", frozenset(), unknown), None
        tracker = Tracker([Level() for _ in rule.levels])
    else:
        truths = [
            spec.when(view, parameters, _has_held(level, spec, parameters, now))
            for spec, level in zip(rule.levels, tracker.levels, strict=True)
        ]
    deadline = view.wake
    reached: Priority | None = None
    reached_cause, reached_late = "", False
    for spec, level, truth in zip(rule.levels, tracker.levels, truths, strict=True):
        _time_level(level, truth, now, cause, late=late)
        if not truth or level.since is None:
            continue
        delay = round(parameters[spec.delay] * SECOND) if spec.delay else 0
        due = level.since + delay - level.ran
        if due > now:
            deadline = due if deadline is None else min(deadline, due)
        elif reached is None or RANK[spec.priority] > RANK[reached]:
            reached, reached_cause, reached_late = spec.priority, level.cause, level.late
    tracker.deadline = deadline
    return (
        Judgement(
            reached,
            reached_cause,
            frozenset(level.priority for level, truth in zip(rule.levels, truths, strict=True) if truth),
            frozenset(level.priority for level, truth in zip(rule.levels, truths, strict=True) if truth is None),
            reached_late,
        ),
        tracker,
    )


def settle_priority(current: Priority, judgement: Judgement) -> tuple[Priority, bool]:
    """Return the priority that an active alert now has, and whether it is blind.

    It rises once a higher level has held for its own delay and falls at once; a level that
    cannot be told keeps what it holds.
    """
    reached = judgement.reached
    if reached is not None and RANK[reached] > RANK[current]:
        return reached, False
    for priority in sorted(Priority, key=RANK.__getitem__, reverse=True):
        if RANK[priority] > RANK[current]:
            continue
        if priority in judgement.true:
            return priority, False
        if priority in judgement.unknown:
            return priority, True
    return current, False
