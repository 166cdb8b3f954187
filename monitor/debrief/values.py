"""What a report is made of, as frozen values: what was asked, what the record says, and what it comes to.

Owns names and meaning of the fields; does nothing. Times and lengths are in µs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from monitor.core.alarm_health import Annunciation
from monitor.core.effects import Document
from monitor.core.timeline import Stood
from monitor.core.watched import Note, Span

WHOLE = "-"
"""Stands for an aircraft as a whole among its doors."""

NOT_RECORDED = "not-recorded"
NOT_RUNNING = "not-running"
NOT_HERE = "not-here"
"""Stand for a door's state where there is none on record, or where it is not the report's: the aircraft stood elsewhere."""


class Scope(NamedTuple):
    """What a report is of. ``doors`` ``None`` means all; ``drill`` is the drill's document."""

    kind: str
    title: str
    aircraft: str | None
    doors: tuple[str, ...] | None
    stand: str | None
    drill: Document | None
    since: int
    until: int
    zone: str

    def holds(self, door: str) -> bool:
        """Tell whether a door, or ``-`` for the aircraft as a whole, belongs to it."""
        return self.doors is None or door in self.doors or (door == WHOLE and self.kind == "drill")


class Told(NamedTuple):
    """One lifecycle change as the journal holds it; ``data`` is the alert's document."""

    time: int
    aircraft: str
    door: str
    code: str
    type: str
    data: Mapping[str, Any]


class Gap(NamedTuple):
    """A while of which the record does not tell all, and why."""

    begun: int
    over: int
    why: str


class Action(NamedTuple):
    """What somebody did."""

    time: int
    person: str
    action: str
    subject: str
    reason: str


class Craft(NamedTuple):
    """One aircraft's record over a period.

    ``stood``: each door's notes in order, first the one that held at the beginning;
    ``earlier`` those before, as far as they are asked for. ``notes`` per place likewise.
    ``present``: the whiles that belong to the report, where that is not all of it.
    """

    reg: str
    simulated: bool
    kinds: Mapping[str, str]
    stood: Mapping[str, Sequence[Stood]]
    earlier: Mapping[str, Sequence[Stood]]
    notes: Mapping[str, Sequence[Note]]
    present: Sequence[Span] | None = None


@dataclass(frozen=True, slots=True)
class Facts:
    """What the record says. ``answers`` is ``None`` where ``no_answers`` says why they are left out."""

    scope: Scope
    recorded_from: int
    recorded_to: int
    gaps: Sequence[Gap]
    off: Sequence[Span]
    crafts: Sequence[Craft]
    told: Sequence[Told]
    annunciations: Sequence[Annunciation]
    procedures: Sequence[Document]
    actions: Sequence[Action]
    answers: Sequence[Answers] | None = None
    no_answers: str = ""


class Bar(NamedTuple):
    """How a door stood for a while."""

    begun: int
    over: int
    state: str
    slide: str


class Mark(NamedTuple):
    """An alert beside a door's line; ``over`` is ``None`` where it stood at the end."""

    alert_id: str
    code: str
    priority: str
    begun: int
    over: int | None


class Lane(NamedTuple):
    """One door's line of time, or an aircraft's own (``-``), which has no states."""

    aircraft: str
    door: str
    kind: str
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    blind: tuple[Gap, ...]


class AlertLine(NamedTuple):
    """One alert from its raising on; ``response`` and ``within`` in µs, ``None`` for none.

    One that never ``sounded`` is a sign that a permit has its hazard out of service.
    """

    alert_id: str
    code: str
    priority: str
    aircraft: str
    stand: str
    door: str
    raised_at: int
    cleared_at: int | None
    ended_at: int | None
    acknowledged_at: int | None
    by: str | None
    response: int | None
    within: int | None
    in_time: bool | None
    text: str
    action: str
    drill: bool
    simulated: bool
    late: bool
    sounded: bool
    state: str


class Verdict(NamedTuple):
    """What an answer was for a while."""

    begun: int
    over: int
    verdict: str
    stopped_by: tuple[str, ...]


class Answers(NamedTuple):
    """One question's answers over a period; ``door`` where it is about one."""

    aircraft: str
    question: str
    door: str | None
    spans: tuple[Verdict, ...]


class Ways(NamedTuple):
    """How long something took: the middle of the period's own ``n`` times and what was usual before; µs."""

    median: int
    usual: int | None
    n: int


class Trend(NamedTuple):
    """One door's moves over a period."""

    aircraft: str
    door: str
    openings: int
    closings: int
    cycles: int
    opening: Ways | None
    closing: Ways | None
    dwell: Ways | None


@dataclass(frozen=True, slots=True)
class Debrief:
    """What a drill, an aircraft, a stand or a period came to."""

    facts: Facts
    simulated: bool
    cautions: tuple[str, ...]
    alerts: tuple[AlertLine, ...]
    lanes: tuple[Lane, ...]
    still: int
    """How many doors of the site did not stir and raised nothing: no line is drawn of them."""
    answers: tuple[Answers, ...]
    trends: tuple[Trend, ...]
    alarm_health: Document
    not_watched: tuple[Document, ...]
