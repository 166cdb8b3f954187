"""Each door's line of time: how it stood, what was raised there, and when nobody could see it.

Owns that a line covers its period from end to end without overlap, and that a state is never
drawn across a while in which nothing was recorded. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from monitor.core.timeline import Stood
from monitor.core.watched import WHOLE as NOT_JUDGED
from monitor.core.watched import Note, Span
from monitor.debrief.values import (
    NOT_HERE,
    NOT_RECORDED,
    NOT_RUNNING,
    WHOLE,
    AlertLine,
    Bar,
    Craft,
    Gap,
    Lane,
    Mark,
    Scope,
)

UNKNOWN = "unknown"


def cut_out(begun: int, over: int, off: Sequence[Span]) -> list[tuple[int, int, bool]]:
    """Split a while at the spans of ``off`` (in order, not overlapping): (from, to, is off), without holes."""
    parts: list[tuple[int, int, bool]] = []
    for start, end in off:
        start, end = max(start, begun), min(end, over)
        if start >= end:
            continue
        if start > begun:
            parts.append((begun, start, False))
        parts.append((start, end, True))
        begun = end
    if begun < over:
        parts.append((begun, over, False))
    return parts


def join_spans(spans: Iterable[Span], since: int, until: int) -> list[Span]:
    """Put spans in order within a period, those that touch as one."""
    joined: list[Span] = []
    for begun, over in sorted((max(begun, since), min(over, until)) for begun, over in spans):
        if begun >= over:
            continue
        if joined and begun <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(over, joined[-1][1]))
        else:
            joined.append((begun, over))
    return joined


def draw_bars(stood: Sequence[Stood], since: int, until: int, off: Sequence[Span], ends: int) -> tuple[Bar, ...]:
    """Lay out a door's notes (µs, in order) over a period; behind ``ends`` nothing is on record."""
    bars: list[Bar] = []
    ends = min(max(ends, since), until)

    def put(begun: int, over: int, state: str, slide: str) -> None:
        for start, end, is_off in cut_out(begun, over, off):
            word, other = (NOT_RUNNING, UNKNOWN) if is_off else (state, slide)
            if bars and bars[-1].over == start and bars[-1][2:] == (word, other):
                bars[-1] = bars[-1]._replace(over=end)
            else:
                bars.append(Bar(start, end, word, other))

    place, state, slide = since, NOT_RECORDED, UNKNOWN
    for note in stood:
        at = min(max(note.at, since), ends)
        if at > place:
            put(place, at, state, slide)
            place = at
        state, slide = note.state, note.slide
    put(place, ends, state, slide)
    put(ends, until, NOT_RECORDED, UNKNOWN)
    return tuple(bars)


def leave_out(bars: Iterable[Bar], elsewhere: Sequence[Span]) -> tuple[Bar, ...]:
    """Say of the whiles in which the aircraft stood elsewhere (µs, in order) only that."""
    left: list[Bar] = []
    for bar in bars:
        for begun, over, gone in cut_out(bar.begun, bar.over, elsewhere):
            part = Bar(begun, over, NOT_HERE, UNKNOWN) if gone else bar._replace(begun=begun, over=over)
            if left and left[-1].over == begun and left[-1][2:] == part[2:]:
                left[-1] = left[-1]._replace(over=over)
            else:
                left.append(part)
    return tuple(left)


def find_blind(
    bars: Sequence[Bar], notes: Sequence[Note], since: int, until: int, off: Sequence[Span], ends: int
) -> tuple[Gap, ...]:
    """Say when a door could not be seen, and why, in order."""
    gaps = [Gap(bar.begun, bar.over, _WHY[bar.state]) for bar in bars if bar.state in _WHY]
    for note, over in zip(notes, [*(each.at for each in notes[1:]), ends], strict=False):
        why = next((why for _, why, *_ in note.deaf_to if why in NOT_JUDGED), None)
        if why is not None:
            held = cut_out(max(note.at, since), min(over, until), off)
            gaps += [Gap(begun, end, why) for begun, end, is_off in held if not is_off and begun < end]
    # Where the aircraft was not judged, that is why its doors' states are not known.
    known = join_spans([gap[:2] for gap in gaps if gap.why in NOT_JUDGED], since, until)
    told = [gap for gap in gaps if gap.why != _WHY[UNKNOWN]]
    for gap in gaps:
        if gap.why == _WHY[UNKNOWN]:
            told += [Gap(b, o, gap.why) for b, o, covered in cut_out(gap.begun, gap.over, known) if not covered]
    return tuple(sorted(told))


_WHY = {
    UNKNOWN: "its sensors did not tell",
    NOT_RECORDED: "nothing is on record",
    NOT_RUNNING: "the monitor was not running",
}


def draw_lanes(
    scope: Scope, craft: Craft, alerts: Sequence[AlertLine], off: Sequence[Span], ends: int
) -> tuple[tuple[Lane, ...], int]:
    """Draw an aircraft's lines, and count the doors that are left out: of a whole site those that did not stir."""
    since, until = scope.since, scope.until
    elsewhere = _elsewhere(craft, since, until)
    unseen = join_spans([*off, *elsewhere], since, until)
    marks: dict[str, list[Mark]] = {}
    for alert in alerts:
        if alert.aircraft == craft.reg and alert.sounded:
            mark = Mark(alert.alert_id, alert.code, alert.priority, max(alert.raised_at, since), alert.ended_at)
            marks.setdefault(alert.door, []).append(mark)
    lanes, still = [], 0
    if WHOLE in marks:
        lanes.append(Lane(craft.reg, WHOLE, "", (), tuple(marks[WHOLE]), ()))
    for door in _in_order(craft, {*craft.stood, *marks, *(scope.doors or ())} - {WHOLE}):
        if not scope.holds(door):
            continue
        stood = craft.stood.get(door, ())
        bars = leave_out(draw_bars(stood, since, until, off, ends), elsewhere)
        seen = {bar.state for bar in bars} - {NOT_RUNNING, NOT_RECORDED, NOT_HERE}
        if scope.kind in ("period", "stand") and door not in marks and len(seen) < 2:
            still += 1
            continue
        blind = find_blind(bars, craft.notes.get(door, ()), since, until, unseen, ends)
        lanes.append(Lane(craft.reg, door, craft.kinds.get(door, ""), bars, tuple(marks.get(door, ())), blind))
    return tuple(lanes), still


def _elsewhere(craft: Craft, since: int, until: int) -> list[Span]:
    """The whiles of a period that are not the report's: an aircraft stood elsewhere."""
    if craft.present is None:
        return []
    return [(begun, over) for begun, over, here in cut_out(since, until, craft.present) if not here]


def _in_order(craft: Craft, doors: Iterable[str]) -> list[str]:
    """Doors as their type lists them, then any other."""
    places = {door: place for place, door in enumerate(craft.kinds)}
    return sorted(doors, key=lambda door: (places.get(door, len(places)), door))
