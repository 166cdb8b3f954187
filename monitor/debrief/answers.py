"""Readiness over time: what speaks against opening, leaving, boarding or refuelling, while by while.

Owns which questions there are and how the answers that were published become spans. What
was not asked or not on record is "not on record", never a verdict. Pure.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from monitor.core.effects import Document
from monitor.core.watched import Span
from monitor.debrief.lanes import cut_out
from monitor.debrief.values import Answers, Scope, Verdict

OPENING = "open"
OF_AIRCRAFT = ("leave", "board", "refuel")
NOT_ON_RECORD = "not on record"

_Key = tuple[str, str, str | None]
_Said = tuple[str, tuple[str, ...]]
_NOTHING: _Said = (NOT_ON_RECORD, ())


class AnswerLog:
    """The answers about the aircraft of a report as they are published; keeps what changed alone.

    ``stands`` holds where each aircraft stood from when on, ``types`` its type; ``simulated`` which ones are,
    ``going`` the runs of procedures that had not ended at the end.
    """

    def __init__(self, scope: Scope) -> None:
        self._scope = scope
        self._said: dict[_Key, list[tuple[int, _Said]]] = {}
        self.stands: dict[str, list[tuple[int, str]]] = {}
        self.simulated: set[str] = set()
        self.types: dict[str, str] = {}
        self.going: list[Document] = []
        self.first: int | None = None

    def take(self, at: int, reg: str, document: Document | None) -> None:
        """Take an aircraft's answers from ``at`` (µs) on; ``None`` where there are none any more."""
        self.first = at if self.first is None else self.first
        stand = "" if document is None else str(document.get("stand", ""))
        stands = self.stands.setdefault(reg, [])
        if not stands or stands[-1][1] != stand:
            stands.append((at, stand))
        if document is not None and document.get("simulated"):
            self.simulated.add(reg)
        if self._scope.aircraft not in (None, reg):
            return
        asked: dict[_Key, Document] = {}
        if document is not None:
            asked = {(reg, question, None): document[question] for question in OF_AIRCRAFT}
            # Of a whole site the doors' answers would be thousands.
            if self._scope.kind != "period":
                asked |= {
                    (reg, OPENING, door): told for door, told in document["doors"].items() if self._scope.holds(door)
                }
        for key in {*asked, *(key for key in self._said if key[0] == reg)}:
            told = asked.get(key)
            said = _NOTHING if told is None else (str(told["verdict"]), tuple(told["reasons"]))
            spans = self._said.setdefault(key, [])
            if not spans or spans[-1][1] != said:
                spans.append((at, said))

    def spans(self, present: dict[str, Sequence[Span]], off: Sequence[Span], ends: int) -> tuple[Answers, ...]:
        """Return every question's spans, each over the whole period; ``present`` says when an aircraft belongs to it."""
        since, until = self._scope.since, self._scope.until
        found = []
        for (reg, question, door), said in sorted(self._said.items(), key=_order):
            if self._scope.kind == "stand" and reg not in present:
                continue
            found.append(Answers(reg, question, door, _lay_out(said, since, until, off, present.get(reg), ends)))
        return tuple(found)


def _order(item: tuple[_Key, object]) -> tuple[str, bool, int, str]:
    reg, question, door = item[0]
    place = OF_AIRCRAFT.index(question) if question in OF_AIRCRAFT else len(OF_AIRCRAFT)
    return (reg, door is not None, place, door or "")


def _lay_out(
    said: Sequence[tuple[int, _Said]],
    since: int,
    until: int,
    off: Sequence[Span],
    present: Sequence[Span] | None,
    ends: int,
) -> tuple[Verdict, ...]:
    spans: list[Verdict] = []

    def put(begun: int, over: int, what: _Said) -> None:
        if begun >= over:
            return
        if spans and spans[-1].over == begun and spans[-1][2:] == what:
            spans[-1] = spans[-1]._replace(over=over)
        else:
            spans.append(Verdict(begun, over, *what))

    moments = [(since, _NOTHING), *said, (min(ends, until), _NOTHING), (until, _NOTHING)]
    for (at, what), (following, _) in itertools.pairwise(moments):
        for begun, over, is_off in cut_out(max(at, since), min(max(following, since), until), off):
            if is_off:
                put(begun, over, _NOTHING)
            elif present is None:
                put(begun, over, what)
            else:
                for start, end, here in cut_out(begun, over, present):
                    put(start, end, what if here else _NOTHING)
    return tuple(spans)
