"""What falls due, in its order, and a little at a time where much does at once.

Owns the working off of the queue of deadlines. At one instant, half a minute after the broker
came back, all that every aircraft has left unsaid falls due; to judge that in one go would keep
whatever comes meanwhile waiting for seconds. So whoever asks may bound the work: what is left
over is judged later, each at the moment at which it was due. An event is judged after all that
was due before it at its own aircraft and at those on its stand, so that what is told of an
aircraft, and in which order, hangs on no bound.
"""

from __future__ import annotations

import heapq
import sys
from typing import TYPE_CHECKING, Final, NamedTuple, cast

from monitor.core import actions, permits, reports
from monitor.core.effects import Effect, PublishReadiness
from monitor.core.events import Event, ProofPassed, ReadingsArrived, StandReadingArrived
from monitor.core.intake import Changes, next_change_of_life, refresh_life
from monitor.core.kept import Kept
from monitor.core.lineup import ESCALATION, PERMIT, REPORT, RULE, RUN, SHELF, STAND, TRAVEL, WATCH
from monitor.core.proving import PROOF
from monitor.core.readiness import summarise_readiness
from monitor.core.stands import Stands
from monitor.core.state import Presence

if TYPE_CHECKING:
    from monitor.core.system import System

WORK_MAX: Final = 16
"""Deadlines worked off in one go; each may lead to a look at a whole aircraft."""

_APART: Final = frozenset({WATCH, STAND, RULE, ESCALATION, TRAVEL, RUN})
"""Kinds of deadline that concern one aircraft, or one stand, and nothing else."""
_MOVES: Final = frozenset({"stand", "type"})
"""Airframe signals that say where an aircraft belongs: what is due elsewhere may hang on them."""


class Neighbours(NamedTuple):
    """Whom an event may concern: aircraft, and the stand that they are on."""

    regs: frozenset[str] = frozenset()
    stand: str = ""


Due = tuple[int, int, str, str, str]
"""A moment (µs), a kind, and the place: registration or stand, door, code. In this order they are worked off."""
NOWHERE: Final[Due] = (0, 0, "", "", "")


def _concerns(due: Due, neighbours: Neighbours) -> bool:
    """Tell whether a deadline is of an event's neighbours."""
    _, kind, place, _, _ = due
    return place == neighbours.stand if kind == STAND else place in neighbours.regs


class Dues(Stands):
    """Judges what falls due."""

    _floor: int | None = None
    """Where something was left over: the moment (µs) before which nothing of it is judged."""
    reached: Due = NOWHERE
    """The last deadline that was worked off when something was left over."""

    @property
    def behind(self) -> bool:
        """Something that was due was left over by a bounded :meth:`advance`."""
        return self._floor is not None

    def advance(
        self, now: int, *, answers_max: int | None = None, work_max: int | None = None, upto: Due | None = None
    ) -> list[Effect]:
        """Judge what falls due up to and including ``now``, and look at the answers that do.

        ``answers_max`` bounds how many aircraft's answers are looked at: whoever has more to
        do than wait for them asks for none or for one. ``work_max`` bounds how many deadlines are worked off;
        ``upto`` repeats what that came to: the last of them, as ``reached`` then said.
        """
        self._run_due(now, sys.maxsize if answers_max is None else answers_max, work_max, upto)
        self.record.at = max(now, self.record.at)
        return self._take_effects()

    def advance_before(self, event: Event, now: int) -> list[Effect]:
        """Judge what has to be judged before ``event``."""
        self.run_before(event, now)
        self.record.at = max(now, self.record.at)
        return self._take_effects()

    def is_due(self, now: int) -> bool:
        """Tell whether a deadline has passed that was not judged yet."""
        return bool(self._queue) and self._queue[0][0] <= now

    def next_deadline(self, answers_from: int = 0) -> int | None:
        """Return when :meth:`advance` must be called next (µs), if at all; for answers not before ``answers_from``."""
        heads = [self._queue[0][0]] if self._queue else []
        if self._unanswered:
            heads.append(max(self._unanswered[0][0], answers_from))
        return min(heads, default=None)

    def run_before(self, event: Event, now: int) -> None:
        """Work off everything that is due, or of what was left over what may concern the event."""
        neighbours = self._neighbours_of(event) if self.behind else None
        due = [each for each in self._queue if each[0] <= now] if neighbours is not None else []
        if neighbours is None or any(kind not in _APART or reg == "-" for _, kind, reg, _, _ in due):
            self._run_due(now, 0)
            return
        # What the work itself puts on the queue may be due before something that stands there already.
        theirs = [each for each in due if _concerns(each, neighbours)]
        taken = set(theirs)
        rest, self._queue = [each for each in self._queue if each not in taken], theirs
        heapq.heapify(self._queue)
        try:
            while self._queue and self._queue[0][0] <= now:
                self._work_off(heapq.heappop(self._queue))
        finally:
            # What cannot be judged is off the queue; what comes after it is not.
            self._queue += rest
            heapq.heapify(self._queue)
        if not self._queue or self._queue[0][0] > now:
            self._floor = None

    def _neighbours_of(self, event: Event) -> Neighbours | None:
        """Whom an event may concern; ``None``: anybody."""
        if isinstance(event, ProofPassed):
            return Neighbours()
        if isinstance(event, StandReadingArrived):
            return self._neighbours_at(event.stand)
        if not isinstance(event, ReadingsArrived):
            return None
        if event.aircraft == PROOF:
            return Neighbours()
        aircraft = self.record.aircraft.get(event.aircraft)
        if aircraft is None or any(item.door is None and item.signal in _MOVES for item in event.items):
            return None
        found = self._neighbours_at(aircraft.stand)
        return Neighbours(found.regs | {aircraft.reg}, found.stand)

    def _neighbours_at(self, stand: str) -> Neighbours:
        known = self.record.aircraft.values() if stand else ()
        return Neighbours(frozenset(each.reg for each in known if stand in (each.stand, each.claim)), stand)

    def _run_due(self, now: int, answers_max: int, work_max: int | None = None, upto: Due | None = None) -> None:
        """Work through what is due, in the order of its time; at one instant rules go before answers."""
        worked, last = 0, NOWHERE
        while True:
            answer_due = self._unanswered[0][0] if self._unanswered and answers_max > 0 else None
            if answer_due is not None and answer_due <= now and not (self._queue and self._queue[0][0] <= answer_due):
                due, reg = heapq.heappop(self._unanswered)
                answers_max -= self._on_answers_due(reg, due, max(due, self.record.at))
                continue
            if not self._queue or self._queue[0][0] > now:
                self._floor = None
                return
            if (work_max is not None and worked >= work_max) or (upto is not None and self._queue[0] > upto):
                if self._floor is None:
                    self._floor = self.record.at
                self.reached = last
                return
            last = heapq.heappop(self._queue)
            worked += self._work_off(last)

    def _work_off(self, each: Due) -> bool:
        """Judge one deadline at its moment; ``False``: it was no longer one."""
        due, kind, reg, door, code = each
        at = max(due, self.record.at if self._floor is None else self._floor)
        if kind == WATCH:
            return self._on_watch(reg, due, at)
        if kind == RULE:
            return self._on_rule_due(reg, door, code, due, at)
        if kind == STAND:
            self._on_stand_watch(reg, due, at)
        elif kind == SHELF:
            self._cause = f"shelf|{code}|{due}"
            actions.end_shelf(cast("System", self), reg, door, code, at)
        elif kind == PERMIT:
            self._cause = f"permit|{code}|{due}"
            permits.lapse(self, code, at)
        elif kind == REPORT:
            self._cause = f"report|{reg}/{door}/{code}|{due}"
            reports.end_report(cast("System", self), reg, door, code, at)
        elif kind == ESCALATION:
            self._on_escalation(reg, door, code, due, at)
        elif kind == TRAVEL:
            self._on_travel_due(reg, door, at)
        elif kind == RUN:
            self._on_run_due(reg, door, code, due, at)
        return True

    def _on_rule_due(self, reg: str, door: str, code: str, due: int, at: int) -> bool:
        aircraft = self.record.aircraft.get(reg)
        tracker = self.find_tracker(reg, door, code)
        if tracker is None:
            return False
        if tracker.queued == due:
            tracker.queued = None
        if tracker.deadline is None or tracker.deadline > due:
            self._queue_tracker(tracker, reg, door, code)
            return False
        if aircraft is None:
            self._cause = f"due|{code}|{due}"
            self._judge_site("*", at)
            return True
        self._cause = f"wake|{aircraft.last_cause}|{code}"
        self._falls_due = True
        self.settle(aircraft, {None if door == "-" else door: {f"rule:{code}"}}, at)
        self._falls_due = self.ledger.late = False
        return True

    def _on_escalation(self, reg: str, door: str, code: str, due: int, at: int) -> None:
        tracker = self.find_tracker(reg, door, code)
        if tracker is not None and tracker.alert is not None and tracker.alert.escalate_due == due:
            self.ledger.escalate(self.place(reg, door, code, at), tracker, due)

    def _on_watch(self, reg: str, due: int, at: int) -> bool:
        aircraft = self.record.aircraft.get(reg)
        if aircraft is None or aircraft.watch != due:
            return False
        aircraft.watch = None
        changes: Changes = {None: {"feed"}}
        refresh_life(aircraft, at, changes)
        self._update_presence(aircraft, at, changes)
        self._cause = f"silence|{aircraft.last_cause}"
        try:
            self.settle(aircraft, changes, at)
        finally:
            # Whatever happens to this one, the next silence must still be noticed.
            self._arm_watch(aircraft, next_change_of_life(aircraft, at))
        return True

    def _on_answers_due(self, reg: str, due: int, at: int) -> bool:
        """Look at an aircraft's answers if it is their turn; tell whether it was."""
        aircraft = self.record.aircraft.get(reg)
        if aircraft is None or due not in (aircraft.readiness_due, aircraft.readiness_later):
            return False
        if aircraft.readiness_due != due:
            aircraft.readiness_later = None
            self.note_answers(aircraft, at)
            return False
        aircraft.readiness_due = aircraft.readiness_later = None
        aircraft.readiness_at = at
        if self._answers_of not in (None, reg):
            return True
        document = None
        if aircraft.presence is not Presence.AWAY and self.airframe(aircraft) is not None:
            kept = self._kept.get(reg)
            if kept is None:
                kept = self._kept[reg] = Kept()
            view = self.view(reg, "-", at)
            document = summarise_readiness(view, site=self.site, parameters=self.parameters, kept=kept)
        if document != aircraft.readiness_shown:
            aircraft.readiness_shown = document
            self.ledger.effects.append(PublishReadiness(reg, document))
        return True

    def _take_effects(self) -> list[Effect]:
        effects = self.ledger.effects
        self.ledger.effects = []
        self.ledger.changed.clear()
        self.ledger.late = False
        return effects
