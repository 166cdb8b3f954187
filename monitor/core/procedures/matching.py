"""How a run follows its readings: which step was taken, left out, out of its turn or too slow.

Owns the table of a step's states and how candidates are told apart. Pure: a candidate, what its
conditions say now, and the moment; it looks at no record and asks for no time.

Several procedures may begin at a door by the same edge. All of them are followed, each as if it were the one,
until a moment tells them apart: those at which it goes best stay (a step taken in its turn before nothing at
all, nothing before a fault), the others are dropped. One that a drill names is taken at once, whatever the
others would say. Where several are finished at the same moment, the first in the order of their names is meant.

A run is abandoned once what says so has been so for :data:`GIVEN_UP_FOR`: a switch that flaps, or a hand that
tries again, goes on with the run it had.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Collection, Iterable, Mapping
from itertools import product
from types import MappingProxyType
from typing import Final

from monitor.core.kleene import Truth
from monitor.core.procedures.definition import BEGINNING, Condition, Step, moved_by
from monitor.core.procedures.fitting import Fitted
from monitor.core.procedures.run import Candidate, StepMemo
from monitor.core.times import SECOND

Ask = Callable[[Condition], Truth]
"""What a condition says now."""


GIVEN_UP_FOR: Final = 2 * SECOND
"""How long (µs) what abandons a run has to be so."""


class StepState(enum.StrEnum):
    """How far a step has come. ``OVERDUE`` is told as too slow: it may still be taken, or be left out."""

    WAITING = "waiting"
    OVERDUE = "overdue"
    TAKEN = "taken"
    SKIPPED = "skipped"
    OUT_OF_ORDER = "out-of-order"
    TOO_SLOW = "too-slow"
    CANNOT_TELL = "cannot-tell"


class Sign(enum.Enum):
    """What befalls a step. ``…_IN_DOUBT``: at some moment before, its condition was not known."""

    COMES = "its condition is seen to come true, or holds at its moment"
    FAILS = "its condition does not hold at its moment"
    CANNOT = "its condition is not known at its moment"
    PASSED = "a step that comes after it was taken"
    PASSED_IN_DOUBT = "a step that comes after it was taken, in doubt"
    EXPIRED = "its limit ran out"
    EXPIRED_IN_DOUBT = "its limit ran out, in doubt"
    ENDED = "the run is over"
    ENDED_IN_DOUBT = "the run is over, in doubt"


def _table() -> Mapping[tuple[StepState, Sign], StepState]:
    # What was taken or told stays so: every pair that is not named below changes nothing.
    table = {(state, sign): state for state, sign in product(StepState, Sign)}
    s, g = StepState, Sign
    table |= {
        (s.WAITING, g.COMES): s.TAKEN,
        (s.WAITING, g.FAILS): s.SKIPPED,
        (s.WAITING, g.CANNOT): s.CANNOT_TELL,
        (s.WAITING, g.PASSED): s.SKIPPED,
        (s.WAITING, g.PASSED_IN_DOUBT): s.CANNOT_TELL,
        (s.WAITING, g.EXPIRED): s.OVERDUE,
        (s.WAITING, g.EXPIRED_IN_DOUBT): s.CANNOT_TELL,
        (s.WAITING, g.ENDED): s.SKIPPED,
        (s.WAITING, g.ENDED_IN_DOUBT): s.CANNOT_TELL,
        (s.OVERDUE, g.COMES): s.TOO_SLOW,
        (s.OVERDUE, g.PASSED): s.SKIPPED,
        (s.OVERDUE, g.PASSED_IN_DOUBT): s.CANNOT_TELL,
        (s.OVERDUE, g.ENDED): s.SKIPPED,
        (s.OVERDUE, g.ENDED_IN_DOUBT): s.CANNOT_TELL,
        (s.SKIPPED, g.COMES): s.OUT_OF_ORDER,
    }
    return MappingProxyType(table)


STEPS: Final = _table()
"""(state, what befalls it) → state; total."""

DONE: Final = frozenset({StepState.TAKEN, StepState.OUT_OF_ORDER, StepState.TOO_SLOW})
"""A step that was seen to be done, in whatever way."""
OPEN: Final = frozenset({StepState.WAITING, StepState.OVERDUE})

_ENDS: Final = {True: Sign.ENDED_IN_DOUBT, False: Sign.ENDED}
_PASSES: Final = {True: Sign.PASSED_IN_DOUBT, False: Sign.PASSED}
_EXPIRES: Final = {True: Sign.EXPIRED_IN_DOUBT, False: Sign.EXPIRED}


class Look:
    """One candidate at one moment (µs). ``faults`` and ``gains`` count what this moment brought."""

    def __init__(self, fitted: Fitted, candidate: Candidate, ask: Ask, now: int) -> None:
        self.fitted = fitted
        self.candidate = candidate
        self.ask = ask
        self.now = now
        self.faults = 0
        self.gains = 0
        self.changed = False

    @property
    def rank(self) -> int:
        """How it went: better is more."""
        return 0 if self.faults else 2 if self.gains else 1

    def begin(self, changed: Collection[str]) -> None:
        """Begin at the edge at which ``changed`` signals changed: what they brought about is seen to come true."""
        procedure, candidate = self.fitted.procedure, self.candidate
        for step in procedure.steps:
            memo = candidate.steps[step.name] = StepMemo()
            memo.ready = bool(step.comes) and not moved_by(step.comes).isdisjoint(changed)
        self.changed = True
        self._start_limits(BEGINNING)
        self._check_holds({BEGINNING})
        self._follow(ending=False)

    def follow(self, reported: Iterable[str] = ()) -> None:
        """Follow what is known now, and what a person ``reported`` to be done."""
        for name in reported:
            memo = self.candidate.steps.get(name)
            if memo is not None and not memo.reported:
                memo.reported = True
                memo.ready = True
        self._follow(ending=True)

    def expire(self) -> None:
        """Let the limits run out that were to be met before now, and the run itself."""
        for step in self.fitted.procedure.steps:
            memo = self.candidate.steps[step.name]
            if memo.due_at is not None and memo.due_at < self.now and memo.state == StepState.WAITING:
                self._befall(step, memo, _EXPIRES[self._in_doubt(step, memo)])

    def end(self, over: str) -> None:
        """End the run; what a finished one still waits for was left out, what an abandoned one does stays open."""
        candidate = self.candidate
        candidate.over = over
        self.changed = True
        if over != "abandoned":
            for step in self.fitted.procedure.steps:
                memo = candidate.steps[step.name]
                if not step.optional:
                    self._befall(step, memo, _ENDS[self._in_doubt(step, memo)])

    # Within one moment

    def _follow(self, *, ending: bool) -> None:
        taken = [step for step in self.fitted.procedure.steps if self._comes(step)]
        for step in taken:
            self._befall(step, self.candidate.steps[step.name], Sign.COMES)
        names = {step.name for step in taken}
        for step in taken:
            self._start_limits(step.name)
        self._check_holds(names)
        for step in taken:
            self._pass_over(step, names)
        self._check_rules()
        if ending or self.ask(self.fitted.procedure.finished):
            self._check_end()

    def _comes(self, step: Step) -> bool:
        """Tell whether a step is seen to be done now, and remember what will be needed to tell it later."""
        memo = self.candidate.steps[step.name]
        if step.reported:
            fresh, memo.ready = memo.ready, False
            return fresh
        if not step.comes or memo.state not in (StepState.WAITING, StepState.OVERDUE, StepState.SKIPPED):
            return False
        truth = self.ask(step.comes)
        if truth is None:
            memo.doubt = True
        elif not truth:
            memo.ready = True
        return bool(truth) and memo.ready

    def _start_limits(self, name: str) -> None:
        for step in self.fitted.procedure.steps:
            if step.since == name and step.within is not None:
                memo = self.candidate.steps[step.name]
                if memo.from_at is None and memo.at is None:
                    memo.from_at, memo.due_at = self.now, self.now + step.within

    def _check_holds(self, moments: Collection[str]) -> None:
        for step in self.fitted.procedure.steps:
            memo = self.candidate.steps[step.name]
            if step.holds and step.at in moments and memo.state == StepState.WAITING:
                truth = self.ask(step.holds)
                self._befall(step, memo, Sign.CANNOT if truth is None else Sign.COMES if truth else Sign.FAILS)

    def _pass_over(self, step: Step, together: Collection[str]) -> None:
        """What had to come before a step that was just taken, and did not, is left out."""
        for other in self.fitted.procedure.steps:
            memo = self.candidate.steps[other.name]
            if other.name not in self.fitted.before[step.name] or other.name in together:
                continue
            # When a person did what only they can tell of is not known by when they tell it.
            if memo.state in OPEN and not other.optional and not other.reported:
                self._befall(other, memo, _PASSES[self._in_doubt(other, memo)])

    def _in_doubt(self, step: Step, memo: StepMemo) -> bool:
        if step.holds and step.at == BEGINNING:
            return memo.doubt
        if step.holds:
            # Its moment was another step's: if that one cannot be told, neither can this.
            moment = next(each for each in self.fitted.procedure.steps if each.name == step.at)
            memo = self.candidate.steps[step.at]
            return memo.state == StepState.CANNOT_TELL or (memo.state in OPEN and self._in_doubt(moment, memo))
        return bool(step.comes) and (memo.doubt or self.ask(step.comes) is None)

    def _befall(self, step: Step, memo: StepMemo, sign: Sign) -> None:
        before = StepState(memo.state)
        after = STEPS[before, sign]
        if after is before:
            return
        if after is StepState.TAKEN and self._is_behind(step):
            # An optional step that what comes after it did not wait for was done all the same, out of its turn.
            after = StepState.OUT_OF_ORDER
        memo.state = str(after)
        self.changed = True
        if after in DONE or sign in (Sign.FAILS, Sign.CANNOT):
            memo.at = self.now
        if after in (StepState.TAKEN, StepState.TOO_SLOW):
            self.gains += 1
        elif after is not StepState.CANNOT_TELL:
            self.faults += 1

    def _is_behind(self, step: Step) -> bool:
        return (
            any(
                step.name in self.fitted.before[other.name]
                and self.candidate.steps[other.name].state in DONE
                and self.candidate.steps[other.name].at != self.now
                for other in self.fitted.procedure.steps
            )
            and not step.reported
        )

    def _check_rules(self) -> None:
        steps, forbidden = self.candidate.steps, self.candidate.forbidden
        for rule in self.fitted.procedure.must_not:
            if rule.name in forbidden:
                continue
            begun = rule.after is None or steps[rule.after].state in DONE
            over = rule.until is not None and steps[rule.until].state in DONE
            broken = self.ask(rule.when) if begun and not over else False
            if broken:
                forbidden[rule.name] = self.now
                self.changed = True
                self.faults += 1
            elif broken is None and rule.name not in self.candidate.unseen:
                self.candidate.unseen.append(rule.name)
                self.changed = True

    def _check_end(self) -> None:
        procedure, candidate = self.fitted.procedure, self.candidate
        if candidate.done_at is None and self.ask(procedure.finished):
            candidate.done_at = self.now
            self.changed = True
        if candidate.done_at is not None:
            if not self._list_unreported():
                self.end("finished")
        elif not procedure.abandoned or not self.ask(procedure.abandoned):
            candidate.given_up_at = None
        elif candidate.given_up_at is None:
            candidate.given_up_at = self.now

    def _list_unreported(self) -> list[str]:
        return [
            step.name
            for step in self.fitted.procedure.steps
            if step.reported and not step.optional and self.candidate.steps[step.name].state == StepState.WAITING
        ]

    def end_by_time(self) -> None:
        """End a run that has gone on for as long as it may: by what was seen of its end, if anything."""
        if self.candidate.done_at is not None:
            self.end("finished")
        else:
            self.end("cannot-tell" if self.ask(self.fitted.procedure.finished) is None else "abandoned")

    def give_up(self) -> None:
        """End a run that was given up for long enough."""
        given_up_at = self.candidate.given_up_at
        if given_up_at is not None and not self.candidate.over and self.now >= given_up_at + GIVEN_UP_FOR:
            self.end("abandoned")

    def settle_reports(self) -> None:
        """End a run that waited for reports alone, once none of them can still come in time."""
        if self.candidate.done_at is not None and not self.candidate.over and not self._list_unreported():
            self.end("finished")


def narrow(looks: list[Look]) -> list[Look]:
    """Keep the candidates that a moment speaks for; all where it tells none apart."""
    if len(looks) < 2:
        return looks
    finished = [look for look in looks if look.candidate.over == "finished"]
    going = [look for look in looks if not look.candidate.over]
    rest = finished or going or looks
    best = max(look.rank for look in rest)
    return [look for look in rest if look.rank == best]


def next_due(fitted: Fitted, candidate: Candidate, began_at: int) -> int:
    """Return the next moment (µs) at which a candidate changes by itself; a limit is met up to its last microsecond."""
    limits = (memo.due_at for memo in candidate.steps.values() if memo.state == StepState.WAITING)
    dues = [began_at + fitted.procedure.abandoned_after, *(at + 1 for at in limits if at is not None)]
    return min(dues if candidate.given_up_at is None else [*dues, candidate.given_up_at + GIVEN_UP_FOR])
