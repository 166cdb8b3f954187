"""The journal as reports ask it: what it holds, whom it knows, and a period's rows.

Owns the queries, over a read-only connection of its own, also beside a running monitor.
Every answer is of a period and bounded; of more it is said that it is too much. It never
writes, and works nothing out.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import orjson

from monitor.adapters.journal_reader import REPLAY_ROWS, JournalReader
from monitor.adapters.journal_rows import event_annunciation
from monitor.adapters.journal_store import JOURNAL_FILE
from monitor.core.alarm_health import Annunciation
from monitor.core.alert import AlertState
from monitor.core.timeline import Stood
from monitor.core.times import SECOND, parse_time
from monitor.core.watched import Note, Span
from monitor.debrief.periods import ReportError
from monitor.debrief.values import Action, Gap, Told
from monitor.ports import JournalError, Readout

EVENTS_MAX: Final = 50_000
NOTES_MAX: Final = 100_000
"""The most lifecycle changes, and notes of doors, that one report is made of."""
EARLIER_MAX: Final = 600
"""The most notes of a door before a period that say what was usual."""
BLINK: Final = SECOND
"""A broker that is away for less is no gap."""

_EVENT: Final = "SELECT time, aircraft, door, code, type, data FROM events"
_LASTS: Final = (
    "SELECT last.time, last.aircraft, last.door, last.code, last.type, last.data"
    " FROM (SELECT DISTINCT door, code FROM events WHERE aircraft = ?1) AS place"
    " JOIN events AS last ON last.seq = (SELECT seq FROM events WHERE aircraft = ?1 AND door = place.door"
    " AND code = place.code AND time < ?2 ORDER BY time DESC, seq DESC LIMIT 1)"
)
_OF_PLACE: Final = (
    f"{_EVENT} WHERE aircraft = ? AND door = ? AND code = ? AND time >= ? AND time < ? ORDER BY time, seq"
)
_HELD: Final = (
    "SELECT held.at, held.door, held.state, held.slide FROM (SELECT DISTINCT door FROM door_states WHERE aircraft = ?1)"
    " AS place JOIN door_states AS held ON held.seq = (SELECT seq FROM door_states WHERE aircraft = ?1"
    " AND door = place.door AND at <= ?2 ORDER BY at DESC, seq DESC LIMIT 1) ORDER BY held.door"
)
_STOOD: Final = (
    "SELECT at, door, state, slide FROM door_states WHERE aircraft = ? AND at > ? AND at < ? ORDER BY at, seq LIMIT ?"
)
_EARLIER: Final = (
    "SELECT at, door, state, slide FROM door_states WHERE aircraft = ? AND door = ? AND at <= ?"
    " ORDER BY at DESC, seq DESC LIMIT ?"
)
_TELLING: Final = "'broker-connected', 'broker-disconnected', 'readings-shed', 'monitor-started'"
_LAST_TELLING: Final = (
    f"SELECT kind FROM inputs WHERE position < ? AND kind IN ({_TELLING}) ORDER BY position DESC LIMIT 1"  # noqa: S608
)
_TELLINGS: Final = (
    f"SELECT at, kind FROM inputs WHERE position >= ? AND position < ? AND kind IN ({_TELLING}) ORDER BY position"  # noqa: S608
)
_OFF: Final = (
    "SELECT silent_since, at FROM starts WHERE silent_since < at AND at > ? AND silent_since < ? ORDER BY position"
)
_ANNUNCIATIONS: Final = (
    "SELECT id, time, aircraft, door, code, type, data, seq FROM events"
    " WHERE time >= ? AND time < ? AND type IN ('raised', 'reraised') ORDER BY time, seq"
)


SUGGESTED_MIN: Final = 4
"""Of a shorter name too many are alike."""


class Held(NamedTuple):
    """What the record holds: from its first moment to its last (µs); inputs from ``inputs_from`` on, if any."""

    begun: int
    over: int
    inputs_from: int | None


class Known(NamedTuple):
    """What the newest snapshot knows of an aircraft."""

    type: str
    stand: str
    simulated: bool


class Archive(JournalReader):
    """One journal, for reports; raises :class:`JournalError` throughout."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / JOURNAL_FILE
        if not self.path.is_file():
            raise JournalError(f"there is no journal in {folder}; name the folder that the monitor keeps its data in")
        super().__init__(self.path)

    # What there is

    def held(self) -> Held:
        """What the record holds; raises :class:`ReportError` where that is nothing."""
        inputs = self._select("SELECT at FROM inputs ORDER BY position LIMIT 1")
        firsts = [row[0] for row in inputs]
        firsts += [
            row[0] for row in self._select("SELECT min(time) FROM events UNION ALL SELECT min(at) FROM door_states")
        ]
        firsts += [row[0] for row in self._select("SELECT min(at) FROM starts")]
        lasts = [row[0] for row in self._select("SELECT at FROM inputs ORDER BY position DESC LIMIT 1")]
        lasts += [
            row[0] for row in self._select("SELECT max(time) FROM events UNION ALL SELECT max(at) FROM snapshots")
        ]
        begins = [at for at in firsts if at is not None]
        ends = [at for at in lasts if at is not None]
        if not begins or not ends:
            raise ReportError("not-found", f"the journal {self.path} holds nothing yet")
        horizon = self._select("SELECT events_before FROM pruned")
        begun = max(min(begins), horizon[0][0]) if horizon else min(begins)
        return Held(begun, max(max(ends), begun), inputs[0][0] if inputs else None)

    def registrations(self) -> list[str]:
        """Every aircraft that is on record."""
        rows = self._select(
            "SELECT aircraft FROM (SELECT DISTINCT aircraft FROM door_states UNION SELECT DISTINCT aircraft FROM events"
            " UNION SELECT DISTINCT aircraft FROM deafness) WHERE aircraft != '-' ORDER BY aircraft"
        )
        return [row[0] for row in rows]

    def doors_of(self, reg: str) -> list[str]:
        """Every door of an aircraft that is on record."""
        return [row[0] for row in self._select("SELECT DISTINCT door FROM door_states WHERE aircraft = ?", reg)]

    def known(self) -> dict[str, Known]:
        """What the newest snapshot that can be read knows of each aircraft."""
        for (body,) in self._select("SELECT CAST(body AS BLOB) FROM snapshots ORDER BY position DESC LIMIT 3"):
            try:
                crafts = orjson.loads(body)["aircraft"]
                return {
                    reg: Known(craft.get("type", ""), craft.get("stand", ""), bool(craft.get("simulated")))
                    for reg, craft in crafts.items()
                }
            except (ValueError, KeyError, AttributeError):
                continue
        return {}

    def has_table(self, name: str) -> bool:
        """Tell whether the journal has a table; one that an older program wrote may not."""
        return bool(self._select("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", name))

    # Inputs

    def position_at(self, at: int) -> int:
        """The position of the first input at or after a moment (µs), or behind the last one."""
        low, high = self._ends()
        while low < high:
            middle = (low + high) // 2
            row = self._select("SELECT position, at FROM inputs WHERE position >= ? ORDER BY position LIMIT 1", middle)
            if row and row[0][1] < at:
                low = row[0][0] + 1
            else:
                high = middle
        return low

    def _ends(self) -> tuple[int, int]:
        rows = self._select("SELECT min(position), max(position) FROM inputs")
        first, last = rows[0]
        return (1, 1) if first is None else (first, last + 1)

    def count_before(self, since: int, until: int) -> int:
        """How many inputs a re-run of a period goes through at most: those before it too."""
        newest = self._select("SELECT max(position) FROM snapshots WHERE at < ?", since)[0][0]
        return self.position_at(until) - max(self._ends()[0], newest or 0)

    def rows_between(self, since: int, until: int, progress: Any = None) -> Iterator[tuple[Any, ...]]:
        """The deliveries of a period in order: (at, topic, payload, retained flags)."""
        place, end = self.position_at(since) - 1, self.position_at(until)
        begin = place
        while rows := self._select(
            "SELECT position, at, kind, CASE typeof(topic) WHEN 'integer' THEN (SELECT name FROM topics WHERE id = topic)"
            " ELSE topic END, payload, retained FROM inputs WHERE position > ? AND position < ? ORDER BY position LIMIT ?",
            place,
            end,
            REPLAY_ROWS,
        ):
            for _, at, kind, topic, payload, flags in rows:
                if kind is None and topic:
                    yield at, topic, payload, flags
            place = rows[-1][0]
            if progress is not None:
                progress((place - begin) / max(end - begin, 1))

    # When nothing could be seen

    def off(self, since: int, until: int) -> list[Span]:
        """When the monitor did not run in a period, in order."""
        return [(max(begun, since), min(over, until)) for begun, over in self._select(_OFF, since, until)]

    def gaps(self, since: int, until: int, off: Sequence[Span], held: Held) -> list[Gap]:
        """When something cannot have been seen in a period, in order, and why."""
        gaps = [Gap(begun, over, "the monitor was not running") for begun, over in off]
        if held.begun > since:
            gaps.append(Gap(since, min(held.begun, until), "nothing is on record, or no longer"))
        ends = max(held.over + 1, since)
        if ends < until:
            gaps.append(Gap(ends, until, "nothing is on record any more"))
        gaps += self._broker_gaps(since, until)
        return sorted(gap for gap in gaps if gap.begun < gap.over)

    def _broker_gaps(self, since: int, until: int) -> Iterator[Gap]:
        low, high = self.position_at(since), self.position_at(until)
        before = self._select(_LAST_TELLING, low)
        away = since if before and before[0][0] in ("broker-disconnected", "monitor-started") else None
        rows = self._select(_TELLINGS, low, high)
        for at, kind in rows:
            if kind == "readings-shed":
                yield Gap(at, min(at + 1, until), "messages were left out, more came than could be taken")
            elif kind == "broker-connected":
                if away is not None and at - away >= BLINK:
                    yield Gap(max(away, since), at, "the broker was not connected")
                away = None
            elif away is None:
                away = at
        if away is not None and until - away >= BLINK:
            yield Gap(max(away, since), until, "the broker was not connected")

    # A period's rows

    def told(self, since: int, until: int, aircraft: str | None) -> list[Told]:
        """The lifecycle changes of a period in order, of one aircraft or all; raises :class:`ReportError` for too many."""
        where, values = ("aircraft = ? AND ", [aircraft]) if aircraft is not None else ("", [])
        rows = self._select(
            f"{_EVENT} WHERE {where}time >= ? AND time < ? ORDER BY time, seq LIMIT ?",
            *values,
            since,
            until,
            EVENTS_MAX + 1,
        )
        if len(rows) > EVENTS_MAX:
            raise ReportError(
                "wrong", f"more than {EVENTS_MAX} changes of alerts are in that period; give a shorter one"
            )
        return [_told(row) for row in rows]

    def told_before(self, reg: str, since: int) -> list[Told]:
        """What became by ``since`` (µs) of the alerts of an aircraft (``-``: the site's own) that then stood, in order."""
        told: list[Told] = []
        for last in map(_told, self._select(_LASTS, reg, since)):
            if last.data.get("state") == AlertState.NORMAL:
                continue
            raised = parse_time(last.data["raised_at"])
            told += [_told(row) for row in self._select(_OF_PLACE, reg, last.door, last.code, raised, since)]
        return sorted(told, key=lambda each: each.time)

    def annunciations(self, since: int, until: int) -> list[Annunciation]:
        """When alerts asked for attention in a period, in order."""
        rows = self._select(_ANNUNCIATIONS, since, until)
        return [found for row in rows if (found := event_annunciation(row[:7])) is not None]

    def stood(self, reg: str, since: int, until: int) -> dict[str, list[Stood]]:
        """How an aircraft's doors stood in a period, each from what held at its beginning; raises as :meth:`told`."""
        rows = self._select(_STOOD, reg, since, until, NOTES_MAX + 1)
        if len(rows) > NOTES_MAX:
            raise ReportError("wrong", f"the doors of {reg} moved too often in that period; give a shorter one")
        stood: dict[str, list[Stood]] = {}
        for row in self._select(_HELD, reg, since) + rows:
            stood.setdefault(row[1], []).append(Stood(*row))
        return stood

    def earlier(self, reg: str, door: str, before: int) -> list[Stood]:
        """How a door stood up to a moment (µs), the newest of it, in order."""
        rows = self._select(_EARLIER, reg, door, before, EARLIER_MAX)
        return [Stood(*row) for row in reversed(rows)]

    def notes(self, reg: str, since: int, until: int) -> dict[str, list[Note]]:
        """What each place of an aircraft was deaf to in a period, each from what held at its beginning."""
        notes: dict[str, list[Note]] = {}

        def study(found: Any, _: Any) -> None:
            for note in found:
                notes.setdefault(note.door, []).append(note)

        self.study_deafness(study, aircraft=reg, door=None, since=since, until=until)
        return notes

    def actions(self, since: int, until: int) -> list[Action]:
        """What people did in a period, in order."""
        rows = self._select(
            "SELECT time, person, action, subject, reason FROM audit WHERE time >= ? AND time < ? ORDER BY time, seq",
            since,
            until,
        )
        return [Action(*row) for row in rows]

    def permits(self) -> list[Readout]:
        """Every grant and end of a permit that the audit holds, in order: who, when, what."""
        rows = self._select(
            "SELECT time, person, action, subject, reason, became FROM audit WHERE action IN ('grant-permit', 'end-permit') ORDER BY seq"
        )
        names = ("time", "by", "action", "subject", "reason", "after")
        return [dict(zip(names, row, strict=True)) for row in rows]

    def select(self, sql: str, *values: Any) -> list[Any]:
        """Ask what only a report asks."""
        return self._select(sql, *values)


def _told(row: Sequence[Any]) -> Told:
    time, aircraft, door, code, kind, data = row
    return Told(time, aircraft, door, code, kind, orjson.loads(data))


def suggest(name: str, known: Sequence[str], there: str = "on record are") -> str:
    """Say which of the known names may be meant, and which there are."""
    near = difflib.get_close_matches(name.upper(), known, n=1, cutoff=0.6) if len(name) >= SUGGESTED_MIN else []
    mean = f"did you mean {near[0]}? " if near else ""
    listed = ", ".join(known[:20]) + (f" and {len(known) - 20} more" if len(known) > 20 else "")
    return f"{mean}{there} {listed or 'none'}"
