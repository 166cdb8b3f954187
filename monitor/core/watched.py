"""For how long each hazard could be seen, afterwards.

Owns the sum of a period from what was noted of each place (a door, or ``-`` for the
aircraft): how long each hazard was watched, how long the place was deaf to it and why, and
how long nothing is known of it, which is before the first note. While the monitor did not
run nothing was watched, whatever the last note said. Never judges a reading.

Everything is counted in whole microseconds, and the three parts of a hazard's time add up
to the period exactly.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final, NamedTuple

from monitor.core.airframe import AirframeType
from monitor.core.deaf import list_applicable
from monitor.core.effects import Document
from monitor.core.rules import AIRCRAFT_RULES
from monitor.core.times import MINUTE, format_time

NOT_RUNNING: Final = "monitor not running"

WHOLE: Final = frozenset({"away", "powered down", "left on the broker"})
"""Reasons that hold of the whole aircraft: nothing at all is judged then."""

Span = tuple[int, int]
"""From one moment up to another (µs)."""


class Note(NamedTuple):
    """What a place was deaf to from ``at`` (µs) on, as ``NoteDeafness`` has it."""

    at: int
    door: str
    deaf_to: tuple[tuple[str, ...], ...]


class Watch(NamedTuple):
    """One hazard's time (µs). A moment with two reasons counts once as deaf and with each reason."""

    watched: int
    deaf: int
    unknown: int
    reasons: Mapping[str, int]


def list_codes(airframe: AirframeType) -> dict[str, tuple[str, ...]]:
    """List the hazards that can be met at each door of a type, and under ``-`` at the aircraft as a whole."""
    codes = {"-": _codes(rule.code for rule in AIRCRAFT_RULES)}
    for name, spec in airframe.doors.items():
        codes[name] = _codes(rule.code for rule in list_applicable(spec))
    return codes


def _codes(codes: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(codes))


def measure_watch(
    notes: Iterable[Note], codes: Mapping[str, Sequence[str]], *, since: int, until: int, off: Sequence[Span] = ()
) -> dict[str, dict[str, Watch]]:
    """Sum up a period, ``since`` up to ``until`` (µs), for each place and hazard of ``codes``.

    ``notes`` are those of the period and each place's last one before it, in the order in
    which they were made at a place; ``off`` says when the monitor did not run, in order and
    without overlaps. Raises ``ValueError`` for a period that has no length.
    """
    if since >= until:
        raise ValueError("the period has no length; since must be before until")
    sums = {door: _Sum(codes[door], since, until, off) for door in codes}
    for note in notes:
        if note.door in sums:
            sums[note.door].take(note)
    return {door: dict(each.finish()) for door, each in sums.items()}


class _Sum:
    """One place's times, as its notes pass by."""

    def __init__(self, codes: Sequence[str], since: int, until: int, off: Sequence[Span]) -> None:
        self._codes = codes
        self._since, self._until = since, until
        self._off = off
        self._passed = 0
        self._note: Note | None = None
        self._known = 0
        self._stopped = 0
        self._whole: dict[str, int] = {}
        self._deaf: dict[str, int] = {}
        self._reasons: dict[tuple[str, str], int] = {}

    def take(self, note: Note) -> None:
        self._count(note.at)
        self._note = note

    def finish(self) -> Iterator[tuple[str, Watch]]:
        self._count(self._until)
        unknown = self._until - self._since - self._known
        everywhere = dict(self._whole)
        if self._stopped:
            everywhere[NOT_RUNNING] = self._stopped
        for code in self._codes:
            reasons = dict(everywhere)
            for (of, why), time in self._reasons.items():
                if of == code:
                    reasons[why] = time
            deaf = sum(everywhere.values()) + self._deaf.get(code, 0)
            yield code, Watch(self._known - deaf, deaf, unknown, dict(sorted(reasons.items())))

    def _count(self, end: int) -> None:
        """Count the time for which the last note held, up to ``end``."""
        note = self._note
        if note is None:
            return
        begun, end = max(note.at, self._since), min(end, self._until)
        if begun >= end:
            return
        self._known += end - begun
        stopped = self._stopped_within(begun, end)
        self._stopped += stopped
        held = end - begun - stopped
        if not held:
            return
        whole = next((why for _, why, *_ in note.deaf_to if why in WHOLE), None)
        if whole is not None:
            self._whole[whole] = self._whole.get(whole, 0) + held
            return
        for code in {code for code, *_ in note.deaf_to}:
            self._deaf[code] = self._deaf.get(code, 0) + held
        for code, why, *_ in note.deaf_to:
            self._reasons[code, why] = self._reasons.get((code, why), 0) + held

    def _stopped_within(self, begun: int, end: int) -> int:
        """How long the monitor did not run; asked for one stretch after another."""
        off = self._off
        while self._passed < len(off) and off[self._passed][1] <= begun:
            self._passed += 1
        stopped = 0
        for number in range(self._passed, len(off)):
            start, over = off[number]
            if start >= end:
                break
            stopped += min(end, over) - max(begun, start)
        return stopped


def describe_watch(
    aircraft: str,
    sums: Mapping[str, Mapping[str, Watch]],
    *,
    since: int,
    until: int,
    off: Sequence[Span] = (),
) -> Document:
    """Write the sum of a period for a reader, in minutes."""
    return {
        "aircraft": aircraft,
        "since": format_time(since),
        "until": format_time(until),
        "minutes": _minutes(until - since),
        "monitor_not_running": [
            {"since": format_time(max(start, since)), "until": format_time(min(over, until))}
            for start, over in off
            if start < until and over > since
        ],
        "doors": {
            door: {
                code: {
                    "watched_minutes": _minutes(watch.watched),
                    "deaf_minutes": _minutes(watch.deaf),
                    "not_known_minutes": _minutes(watch.unknown),
                    "reasons": {why: _minutes(time) for why, time in watch.reasons.items()},
                }
                for code, watch in watches.items()
            }
            for door, watches in sums.items()
        },
    }


def _minutes(time: int) -> float:
    return round(time / MINUTE, 4)
