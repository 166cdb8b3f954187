"""What the journal answers: where to start from, the history, the quarantine, the audit.

Owns the queries, over a read-only connection of its own. It never writes, so that it may
be used beside a running monitor. Every answer is bounded by a page; what sums up a period
is handed the rows as they are read, and keeps none.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import structlog

from monitor.adapters.chain import Head, Verdict
from monitor.adapters.journal_audit import SELECT as SELECT_AUDIT
from monitor.adapters.journal_audit import chained_readout, check_audit, read_head
from monitor.adapters.journal_procedures import ProcedureQueries
from monitor.adapters.journal_rows import (
    AGAIN,
    CHANGES_MAX,
    DELIVERY,
    RETAINED,
    STOOD_MAX,
    Page,
    deafness_note,
    decode_cursor,
    earlier_rows,
    encode_cursor,
    event_annunciation,
    event_change,
    event_readout,
    kept_event,
    page_size,
    quarantine_readout,
    snapshot_digest,
    standing_since,
)
from monitor.adapters.journal_store import connect_reader, say_fault
from monitor.core.alarm_health import Annunciation
from monitor.core.alert import RANK
from monitor.core.timeline import Change, Recorded, Stood
from monitor.core.watched import Note, Span
from monitor.ports import Entry, JournalError, KeptEvent, Readout, Snapshot

T = TypeVar("T")

REPLAY_ROWS: Final = 1000
"""How many rows are read at a time; no read transaction outlives one of these."""

_ENTRIES: Final = (
    "SELECT position, at, kind, CASE typeof(topic) WHEN 'integer' THEN (SELECT name FROM topics WHERE id = topic)"
    " ELSE topic END, payload, retained FROM inputs WHERE position > ? ORDER BY position LIMIT ?"
)

_FIRST: Final = (
    "SELECT min(found) FROM (SELECT min(time) AS found FROM events UNION ALL SELECT min(at) FROM starts"
    " UNION ALL SELECT * FROM (SELECT at FROM inputs ORDER BY position LIMIT 1))"
)
_ANNUNCIATIONS: Final = (
    "SELECT id, time, aircraft, door, code, type, data, seq FROM events"
    " WHERE (time, seq) > (?, ?) AND time < ? AND type IN ('raised', 'reraised') ORDER BY time, seq LIMIT ?"
)
_LAST_NOTE: Final = "SELECT at, door, deaf_to FROM deafness WHERE aircraft = ? AND door = ? AND at < ? ORDER BY at DESC, seq DESC LIMIT 1"
_NOTES: Final = (
    "SELECT at, door, deaf_to, seq FROM deafness WHERE aircraft = ? AND door = ? AND (at, seq) > (?, ?) AND at < ?"
    " ORDER BY at, seq LIMIT ?"
)

_SPANS: Final = (
    "SELECT silent_since, at FROM starts WHERE silent_since < at AND at > ? AND silent_since < ? ORDER BY position"
)
_FIRST_OF_AIRCRAFT: Final = (
    "SELECT min(found) FROM (SELECT min(at) AS found FROM door_states WHERE aircraft = ?1"
    " UNION ALL SELECT min(time) FROM events WHERE aircraft = ?1)"
)
# The newest row that is too many: what follows it fits.
_LAST_TOO_MANY: Final = {
    "door_states": (
        "SELECT at FROM door_states WHERE aircraft = ? AND at >= ? AND at < ? ORDER BY at DESC LIMIT 1 OFFSET ?",
        STOOD_MAX,
    ),
    "events": (
        "SELECT time FROM events WHERE aircraft = ? AND time >= ? AND time < ? ORDER BY time DESC LIMIT 1 OFFSET ?",
        CHANGES_MAX,
    ),
}
_HELD: Final = (
    "SELECT held.at, held.door, held.state, held.slide FROM (SELECT DISTINCT door FROM door_states WHERE aircraft = ?1)"
    " AS place JOIN door_states AS held ON held.seq = (SELECT seq FROM door_states WHERE aircraft = ?1"
    " AND door = place.door AND at <= ?2 ORDER BY at DESC, seq DESC LIMIT 1) ORDER BY held.door"
)
_STOOD: Final = (
    "SELECT at, door, state, slide FROM door_states WHERE aircraft = ? AND at > ? AND at < ? ORDER BY at, seq"
)
_EVENT: Final = "SELECT id, time, aircraft, door, code, type, data, seq FROM events"
_LAST_OF_PLACES: Final = (
    "SELECT last.id, last.time, last.aircraft, last.door, last.code, last.type, last.data"
    " FROM (SELECT DISTINCT door, code FROM events WHERE aircraft = ?1) AS place"
    " JOIN events AS last ON last.seq = (SELECT seq FROM events WHERE aircraft = ?1 AND door = place.door"
    " AND code = place.code AND time < ?2 ORDER BY time DESC, seq DESC LIMIT 1)"
)
_OF_ALERT: Final = f"{_EVENT} WHERE aircraft = ? AND door = ? AND code = ? AND time >= ? AND time < ? ORDER BY"
_RANKS: Final = " ".join(f"WHEN '{priority}' THEN {rank}" for priority, rank in RANK.items())
_FIRST_OF_ALERT: Final = f"{_OF_ALERT} time, seq LIMIT 1"
_WORST_OF_ALERT: Final = (
    f"{_OF_ALERT} CASE json_extract(data, '$.priority') {_RANKS} ELSE -1 END DESC, time, seq LIMIT 1"
)
_NEWEST_OF_ALERT: Final = f"{_OF_ALERT} time DESC, seq DESC LIMIT ?"
_HORIZON: Final = "SELECT events_before FROM pruned"
_CHANGES: Final = f"{_EVENT} WHERE aircraft = ? AND time >= ? AND time < ? ORDER BY time, seq"

_log = structlog.get_logger(__name__)


class JournalReader(ProcedureQueries):
    """Reads one journal file; for one thread at a time. Raises :class:`JournalError` throughout."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._connection = connect_reader(path)

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def interrupt(self) -> None:
        """Break off what another thread is asking, which then raises; the file stays open."""
        self._connection.interrupt()

    def last_position(self) -> int:
        """The greatest position on disk, 0 where there is none."""
        # A pruned journal may have no input left, but the snapshot that made it prunable.
        rows = self._select(
            "SELECT max(coalesce((SELECT max(position) FROM inputs), 0), coalesce(max(position), 0)) FROM snapshots"
        )
        return int(rows[0][0])

    def entries_after(self, position: int) -> Iterator[Entry]:
        """Every entry with a greater position, in order, with empty ``effects``."""
        while rows := self._select(_ENTRIES, position, REPLAY_ROWS):
            for number, at, kind, topic, payload, flags in rows:
                retained, again = bool(flags & RETAINED), bool(flags & AGAIN)
                yield Entry(number, at, kind or DELIVERY, topic, payload, retained, again=again)
            position = rows[-1][0]

    def latest_snapshot(self) -> Snapshot | None:
        """The newest snapshot that is whole; ``None`` where all inputs have to be replayed.

        Raises :class:`JournalError` where none is whole and the first inputs are gone.
        """
        positions = [row[0] for row in self._select("SELECT position FROM snapshots ORDER BY position DESC")]
        for position in positions:
            snapshot = self._whole_snapshot(position)
            if snapshot is not None:
                return snapshot
            _log.error("snapshot is damaged, an older one is used", action="snapshot-damaged", position=position)
        first = self._select("SELECT coalesce(min(position), 1) FROM inputs")[0][0]
        if positions and first > 1:
            raise JournalError(
                f"no snapshot in the journal {self._path} is readable and the inputs before them are gone; "
                "restore a backup, or start with an empty data folder"
            )
        return None

    def _whole_snapshot(self, position: int) -> Snapshot | None:
        # One at a time: a page that the disk has spoilt makes the read itself fail.
        try:
            [(at, digest, body)] = self._connection.execute(
                "SELECT at, digest, CAST(body AS BLOB) FROM snapshots WHERE position = ?", (position,)
            ).fetchall()
        except sqlite3.DatabaseError as error:
            _log.error("snapshot cannot be read", action="snapshot-unreadable", position=position, error=str(error))
            return None
        snapshot = Snapshot(position, at, body)
        return snapshot if snapshot_digest(snapshot) == digest else None

    def history(
        self,
        *,
        aircraft: str | None,
        door: str | None,
        code: str | None,
        since: int | None,
        until: int | None,
        limit: int,
        before_cursor: str | None,
    ) -> Page:
        """Lifecycle events, newest first; ``since`` (from) and ``until`` (before) in µs.

        Raises :class:`CursorError` for a cursor that is not ours.
        """
        conditions: list[tuple[str, Any]] = [
            ("aircraft = ?", aircraft),
            ("door = ?", door),
            ("code = ?", code),
            ("time >= ?", since),
            ("time < ?", until),
        ]
        return self._page(
            "SELECT id, time, aircraft, door, code, type, data, seq FROM events",
            [(text, value) for text, value in conditions if value is not None],
            ("time", "seq"),
            limit,
            before_cursor,
            lambda row: (event_readout(row), (row[1], row[7])),
        )

    def events_after(self, seq: int, limit: int) -> list[KeptEvent]:
        """Lifecycle events in the order in which they became durable, ``limit`` at most."""
        return [kept_event(row) for row in self._select(f"{_EVENT} WHERE seq > ? ORDER BY seq LIMIT ?", seq, limit)]

    def last_event(self) -> int:
        """The newest lifecycle event's ``seq``, 0 where there is none."""
        return int(self._select("SELECT coalesce(max(seq), 0) FROM events")[0][0])

    def quarantine(self, *, limit: int, before: str | None) -> Page:
        """Rejected inputs, newest first. Raises :class:`CursorError`."""
        return self._page(
            "SELECT at, reason, topic, detail, payload, size, seq FROM quarantine",
            [],
            ("seq",),
            limit,
            before,
            lambda row: (quarantine_readout(row), (0, row[6])),
        )

    def quarantine_totals(self) -> dict[str, int]:
        """How many inputs were ever rejected, by reason."""
        return dict(self._select("SELECT reason, total FROM quarantine_totals ORDER BY reason"))

    def audit(self, *, limit: int, before: str | None) -> Page:
        """What people did, newest first. Raises :class:`CursorError`."""
        return self._page(
            SELECT_AUDIT,
            [],
            ("seq",),
            limit,
            before,
            lambda row: (chained_readout(row), (0, row[0])),
        )

    def is_chained(self) -> bool:
        """Tell whether the journal chains its audit; one of an older program does not, until it is opened for writing."""
        return bool(self._select("SELECT 1 FROM sqlite_master WHERE name = 'audit_anchor'"))

    def audit_since(self, since: int) -> Iterator[Readout]:
        """Every audit row that is not older (µs), the oldest first; they may be many."""
        after = 0
        while rows := self._select(f"{SELECT_AUDIT} WHERE seq > ? ORDER BY seq LIMIT ?", after, REPLAY_ROWS):
            yield from (chained_readout(row) for row in rows if row[1] >= since)
            after = rows[-1][0]

    def verify_audit(self, wanted: bytes | None = None) -> Verdict:
        """Check the audit's chain from its anchor to its end; ``wanted`` as :func:`check_audit` has it."""
        return check_audit(self._select, wanted)

    def audit_head(self) -> Head:
        """The newest audit row's number and hash."""
        return read_head(self._select)

    def study_annunciations(
        self, study: Callable[[int | None, Iterable[Annunciation]], T], *, since: int, until: int
    ) -> T:
        """Give ``study`` the first moment that is on record and the annunciations of a period, oldest first.

        ``since`` (from) and ``until`` (before) in µs.
        """
        return study(self._select(_FIRST)[0][0], self._annunciations(since, until))

    def _annunciations(self, since: int, until: int) -> Iterator[Annunciation]:
        place = (since, -1)
        while rows := self._select(_ANNUNCIATIONS, *place, until, REPLAY_ROWS):
            yield from (told for row in rows if (told := event_annunciation(row)) is not None)
            place = (rows[-1][1], rows[-1][7])

    def study_deafness(
        self,
        study: Callable[[Iterable[Note], Sequence[Span]], T],
        *,
        aircraft: str,
        door: str | None,
        since: int,
        until: int,
    ) -> T:
        """Give ``study`` what an aircraft's places, or one ``door``, were deaf to in a period, and when nobody looked.

        A place's notes come in order, its last one before ``since`` first. The spans are those
        in which the monitor did not run, in order; ``since`` (from) and ``until`` (before) in µs.
        """
        doors = [door]
        if door is None:
            doors = [row[0] for row in self._select("SELECT DISTINCT door FROM deafness WHERE aircraft = ?", aircraft)]
        spans = self._select(_SPANS, since, until)
        notes = (note for each in doors for note in self._notes(aircraft, each, since, until))
        return study(notes, [(begun, over) for begun, over in spans])

    def _notes(self, aircraft: str, door: str | None, since: int, until: int) -> Iterator[Note]:
        for row in self._select(_LAST_NOTE, aircraft, door, since):
            yield deafness_note(*row)
        place = (since, -1)
        while rows := self._select(_NOTES, aircraft, door, *place, until, REPLAY_ROWS):
            yield from (deafness_note(*row[:3]) for row in rows)
            place = (rows[-1][0], rows[-1][3])

    def study_timeline(self, study: Callable[[Recorded], T], *, aircraft: str, since: int, until: int) -> T:
        """Give ``study`` what is on record of an aircraft's doors and alerts, ``since`` up to ``until`` (µs)."""
        horizon = next((row[0] for row in self._select(_HORIZON)), None)
        begin = since = since if horizon is None else min(max(since, horizon), until)
        for sql, most in _LAST_TOO_MANY.values():
            for (at,) in self._select(sql, aircraft, since, until, most):
                begin = max(begin, at + 1)
        stood = self._select(_HELD, aircraft, begin) + self._select(_STOOD, aircraft, begin, until)
        changes = self._standing_changes(aircraft, begin)
        changes += [event_change(row) for row in self._select(_CHANGES, aircraft, begin, until)]
        spans = [(begun, over) for begun, over in self._select(_SPANS, since, until)]
        first = self._select(_FIRST_OF_AIRCRAFT, aircraft)[0][0]
        if first is not None and horizon is not None:
            first = max(first, horizon)
        return study(Recorded(first, begin, [Stood(*row) for row in stood], changes, spans))

    def _standing_changes(self, aircraft: str, begin: int) -> list[Change]:
        """What became by ``begin`` of the alerts that then stood, in order."""
        lasts = [event_change(row) for row in self._select(_LAST_OF_PLACES, aircraft, begin)]
        standing = [(last, raised) for last in lasts if (raised := standing_since(last)) is not None]
        newest = earlier_rows(len(standing))
        changes: list[Change] = []
        for last, raised in standing:
            period = (aircraft, last.door, last.code, raised, begin)
            rows = self._select(_NEWEST_OF_ALERT, *period, newest)
            rows += self._select(_FIRST_OF_ALERT, *period) + self._select(_WORST_OF_ALERT, *period)
            chosen = {(row[1], row[7]): row for row in rows}
            changes += [event_change(row) for _, row in sorted(chosen.items())]
        return sorted(changes, key=lambda change: (change.at, change.door, change.code))

    def _page(
        self,
        select: str,
        conditions: list[tuple[str, Any]],
        order: tuple[str, ...],
        limit: int,
        cursor: str | None,
        read: Callable[[Sequence[Any]], tuple[Readout, tuple[int, int]]],
    ) -> Page:
        values = [value for _, value in conditions]
        texts = [text for text, _ in conditions]
        if cursor is not None:
            texts.append(f"({', '.join(order)}) < ({', '.join('?' * len(order))})")
            values.extend(decode_cursor(cursor)[-len(order) :])
        where = " WHERE " + " AND ".join(texts) if texts else ""
        wanted = page_size(limit)
        newest_first = ", ".join(f"{column} DESC" for column in order)
        rows = self._select(f"{select}{where} ORDER BY {newest_first} LIMIT ?", *values, wanted + 1)
        answers = [read(row) for row in rows[:wanted]]
        following = encode_cursor(*answers[-1][1]) if len(rows) > wanted else None
        return Page([answer for answer, _ in answers], following)

    def _select(self, sql: str, *values: Any) -> list[Any]:
        try:
            with contextlib.closing(self._connection.execute(sql, values)) as cursor:
                return cursor.fetchall()
        except sqlite3.Error as error:
            raise JournalError(f"the journal {self._path} cannot be read: {say_fault(error)}") from None
