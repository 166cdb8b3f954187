"""The outbox: what has to be told outside, durable until it was.

Owns every row of the outbox's file while an instance runs. Each method is one
transaction; it decides nothing about alerts and sends nothing. For one thread at a time.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from monitor.adapters.notify.backoff import NEWS_AFTER
from monitor.adapters.notify.outbox_file import open_outbox
from monitor.adapters.notify.outbox_reading import count_letters, list_conditions, list_dead, list_queues
from monitor.adapters.notify.outbox_rows import (
    Condition,
    DeadLetter,
    Draft,
    Due,
    Entered,
    Failure,
    Firing,
    Held,
    Letter,
    Queue,
    Request,
    Settled,
)
from monitor.core.times import HOUR

WAITING_MAX: Final = 100_000
"""The most letters that wait for one destination; the oldest beyond are laid aside."""

DEAD_MAX: Final = 10_000
"""The most dead letters that are kept for one destination; the oldest beyond are deleted and counted."""

TOLD_KEPT: Final = 30 * 24 * HOUR
"""For how long it is known that a destination was told of an alert of which nothing more was heard (µs)."""

_LETTER: Final = "id, event_id, alert_id, type, subject, body, queued_at, attempts"
_HEADS: Final = (
    "FROM letters AS l WHERE destination = ?1 AND died_at IS NULL AND NOT EXISTS (SELECT 1 FROM letters AS e"
    " WHERE e.destination = l.destination AND e.alert_id = l.alert_id AND e.died_at IS NULL AND e.id < l.id)"
)
_INSERT: Final = (
    "INSERT INTO letters (destination, event_id, alert_id, type, subject, body, queued_at, next_at)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
)
_KEEP_ON: Final = "UPDATE holds SET release_at = ? WHERE destination = ? AND alert_id = ? AND event_id = ?"
_LET_GO: Final = "DELETE FROM holds WHERE destination = ? AND alert_id = ? AND event_id = ?"
_TELL: Final = (
    "INSERT INTO told (destination, alert_id, at) VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET at = excluded.at"
)


class Outbox:
    """Reads and writes one outbox; raises ``sqlite3.Error`` where the disk does not do its part."""

    def __init__(self, path: Path, *, waiting_max: int = WAITING_MAX, dead_max: int = DEAD_MAX) -> None:
        """Open the file, made where it is missing. Raises :class:`OutboxError`."""
        self._db = open_outbox(path)
        self._waiting_max = waiting_max
        self._dead_max = dead_max
        self.waiting = count_letters(self._db, dead=False)
        self.dead = count_letters(self._db, dead=True)
        self.died: Counter[str] = Counter()
        self.dropped: Counter[str] = Counter()
        """How many letters were laid aside, and how many dead ones were deleted, since the start."""

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield self._db
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            with contextlib.suppress(sqlite3.Error):
                self.waiting, self.dead = (count_letters(self._db, dead=dead) for dead in (False, True))
            raise

    # Destinations and cursors

    def configure(self, kinds: Mapping[str, str], last_event: int) -> None:
        """Take the configured destinations, each with its kind; what is new, or was off, starts after ``last_event``."""
        with self._transaction() as db:
            before = {row[0]: row[1:] for row in db.execute("SELECT name, kind, configured, cursor FROM destinations")}
            for name, kind in kinds.items():
                old = before.get(name)
                if old is None or old[0] != kind:
                    self._forget(db, name)
                    db.execute("DELETE FROM destinations WHERE name = ?", (name,))
                    db.execute(
                        "INSERT INTO destinations (name, kind, configured, cursor) VALUES (?, ?, 1, ?)",
                        (name, kind, last_event),
                    )
                else:
                    # A cursor beyond the end is of another journal: one that was restored from a backup.
                    cursor = min(old[2], last_event) if old[1] else last_event
                    db.execute("UPDATE destinations SET configured = 1, cursor = ? WHERE name = ?", (cursor, name))
            for name in before.keys() - kinds.keys():
                self._forget(db, name)
                db.execute("UPDATE destinations SET configured = 0 WHERE name = ?", (name,))

    def _forget(self, db: sqlite3.Connection, name: str) -> None:
        """Forget what only a running destination's future rests on; its letters stay."""
        for table in ("holds", "told", "firing"):
            db.execute(f"DELETE FROM {table} WHERE destination = ?", (name,))  # noqa: S608 - from the line above

    def cursors(self) -> dict[str, int]:
        """The last event that was looked at for each configured destination."""
        return dict(self._db.execute("SELECT name, cursor FROM destinations WHERE configured").fetchall())

    def conditions(self) -> list[Condition]:
        """How each destination does that was ever configured."""
        return list_conditions(self._db)

    def condition(self, name: str) -> Condition | None:
        """How one destination does."""
        return next((each for each in self.conditions() if each.name == name), None)

    def survey(self) -> tuple[list[Condition], dict[str, Queue]]:
        """How each destination does, and how it stands with what waits for it."""
        return self.conditions(), list_queues(self._db)

    def note_failure(self, name: str, failure: Failure, now: int) -> None:
        """Keep that a destination failed."""
        with self._transaction() as db:
            self._fail(db, name, failure, now)

    def _fail(self, db: sqlite3.Connection, name: str, failure: Failure, now: int) -> None:
        db.execute(
            "UPDATE destinations SET failures = failures + 1, failing_since = coalesce(failing_since, ?2),"
            " not_before = ?3, last_error = ?4, gone_since = CASE WHEN ?5 THEN coalesce(gone_since, ?2)"
            " ELSE gone_since END WHERE name = ?1",
            (name, now, failure.not_before, failure.error, failure.gone),
        )

    def _mend(self, db: sqlite3.Connection, name: str, now: int) -> None:
        db.execute(
            "UPDATE destinations SET failures = 0, failing_since = NULL, not_before = 0, last_delivered_at = ?2,"
            " last_error = NULL WHERE name = ?1",
            (name, now),
        )

    def resume(self, name: str) -> bool:
        """Try a destination again at once that was gone or failing; ``False``: there is none."""
        with self._transaction() as db:
            sql = (
                "UPDATE destinations SET gone_since = NULL, failures = 0, failing_since = NULL, not_before = 0"
                " WHERE name = ? AND configured"
            )
            return bool(db.execute(sql, (name,)).rowcount)

    # Events in

    def told(self, name: str, alert_ids: Sequence[str]) -> set[str]:
        """Which of these alerts a destination was told of, or will be once what is queued has gone."""
        marks = ", ".join("?" * len(alert_ids))
        sql = f"SELECT alert_id FROM told WHERE destination = ? AND alert_id IN ({marks})"  # noqa: S608
        return {row[0] for row in self._db.execute(sql, (name, *alert_ids))}

    def enter(self, name: str, entered: Sequence[Entered], cursor: int, now: int) -> None:
        """Take what became of events for a destination, and move its cursor, all or nothing."""
        with self._transaction() as db:
            for each in entered:
                draft = each.draft
                place = (name, draft.alert_id)
                db.execute("DELETE FROM holds WHERE destination = ? AND alert_id = ?", place)
                if each.letter:
                    self._queue(db, name, draft, now)
                elif each.hold is not None:
                    db.execute("INSERT INTO holds VALUES (?, ?, ?, ?, ?, ?, ?)",
                               (*place, draft.event_id, draft.type, draft.subject, draft.body, each.hold))  # fmt: skip
                if each.over and each.hold is None:
                    db.execute("DELETE FROM told WHERE destination = ? AND alert_id = ?", place)
            db.execute("UPDATE destinations SET cursor = ? WHERE name = ?", (cursor, name))
            self._bound(db, name, now)

    def _queue(self, db: sqlite3.Connection, name: str, draft: Draft, now: int) -> None:
        row = (name, draft.event_id, draft.alert_id, draft.type, draft.subject, draft.body, now, now)
        if db.execute(_INSERT, row).rowcount:
            self.waiting[name] += 1
            db.execute(
                "UPDATE destinations SET not_before = min(not_before, ?) WHERE name = ?", (now + NEWS_AFTER, name)
            )
        db.execute(_TELL, (name, draft.alert_id, now))

    def _bound(self, db: sqlite3.Connection, name: str, now: int) -> None:
        over = self.waiting[name] - self._waiting_max
        if over > 0:
            rows = db.execute(
                "SELECT id FROM letters WHERE destination = ? AND died_at IS NULL ORDER BY id LIMIT ?", (name, over)
            ).fetchall()
            for (number,) in rows:
                self._bury(db, name, number, now, "too many waited; this was the oldest")
        over = self.dead[name] - self._dead_max
        if over > 0:
            gone = db.execute(
                "DELETE FROM letters WHERE id IN (SELECT id FROM letters WHERE destination = ? AND died_at IS NOT NULL"
                " ORDER BY id LIMIT ?)",
                (name, over),
            ).rowcount
            self.dead[name] -= gone
            self.dropped[name] += gone

    def _bury(self, db: sqlite3.Connection, name: str, number: int, now: int, error: str) -> None:
        buried = db.execute(
            "UPDATE letters SET died_at = ?, last_error = ? WHERE id = ? AND died_at IS NULL", (now, error, number)
        ).rowcount
        self.waiting[name] -= buried
        self.dead[name] += buried
        self.died[name] += buried

    def held(self, name: str, now: int) -> list[Held]:
        """What is kept back for a destination and may go now."""
        rows = self._db.execute(
            "SELECT event_id, h.alert_id, type, subject, body, release_at, told.alert_id IS NOT NULL FROM holds AS h"
            " LEFT JOIN told ON told.destination = h.destination AND told.alert_id = h.alert_id"
            " WHERE h.destination = ? AND release_at <= ? ORDER BY release_at, h.rowid",
            (name, now),
        )
        return [Held(Draft(*row[:5]), row[5], bool(row[6])) for row in rows]

    def next_release(self) -> int | None:
        """When the next event that is kept back may go (µs)."""
        row = self._db.execute("SELECT min(release_at) FROM holds").fetchone()
        return None if row[0] is None else int(row[0])

    def release(self, name: str, released: Sequence[Entered], now: int) -> None:
        """Send or forget what was kept back, or keep it on."""
        with self._transaction() as db:
            for each in released:
                place = (name, each.draft.alert_id)
                # Only as it was seen: a newer word may have come in its place.
                if each.hold is not None:
                    db.execute(_KEEP_ON, (each.hold, *place, each.draft.event_id))
                elif db.execute(_LET_GO, (*place, each.draft.event_id)).rowcount:
                    if each.letter:
                        self._queue(db, name, each.draft, now)
                    if each.over:
                        db.execute("DELETE FROM told WHERE destination = ? AND alert_id = ?", place)
            self._bound(db, name, now)

    def escalate(self, name: str, draft: Draft, now: int) -> bool:
        """Queue that a warning was handed on; ``False``: the destination was told so before."""
        place = (name, draft.alert_id)
        with self._transaction() as db:
            row = db.execute("SELECT escalation FROM told WHERE destination = ? AND alert_id = ?", place).fetchone()
            if row is not None and row[0] == draft.event_id:
                return False
            # A hold about the same warning says less than this.
            db.execute("DELETE FROM holds WHERE destination = ? AND alert_id = ?", place)
            self._queue(db, name, draft, now)
            db.execute(
                "UPDATE told SET escalation = ? WHERE destination = ? AND alert_id = ?", (draft.event_id, *place)
            )
            self._bound(db, name, now)
        return True

    # Letters out

    def due(self, name: str, now: int, limit: int) -> Due:
        """What may be sent to a destination now, no two of one alert; one at most while it fails."""
        state = self._db.execute(
            "SELECT gone_since, failures, not_before FROM destinations WHERE name = ? AND configured", (name,)
        ).fetchone()
        if state is None or state[0] is not None:
            return Due([], None)
        if state[2] > now:
            return Due([], state[2])
        # The least tried first: what a destination stumbles over keeps nothing else waiting.
        sql = f"SELECT {_LETTER} {_HEADS} AND next_at <= ?2 ORDER BY attempts, id LIMIT ?3"
        rows = self._db.execute(sql, (name, now, 1 if state[1] else limit)).fetchall()
        if rows:
            return Due([Letter(row[0], Draft(*row[1:6]), row[6], row[7]) for row in rows], None)
        earliest = self._db.execute(f"SELECT min(next_at) {_HEADS}", (name,)).fetchone()[0]
        return Due([], earliest)

    def settle(self, name: str, settled: Sequence[Settled], failure: Failure | None, now: int) -> None:
        """Keep what became of attempts, and of the destination at them.

        A letter is gone where it arrived, else tried again or laid aside.
        """
        with self._transaction() as db:
            for each in settled:
                if each.error is None:
                    self.waiting[name] -= db.execute(
                        "DELETE FROM letters WHERE id = ? AND died_at IS NULL", (each.id,)
                    ).rowcount
                    continue
                db.execute(
                    "UPDATE letters SET attempts = attempts + 1, next_at = max(next_at, ?), last_error = ? WHERE id = ?",
                    (each.next_at, each.error, each.id),
                )
                if each.dead:
                    self._bury(db, name, each.id, now, each.error)
            if any(each.error is None for each in settled):
                self._mend(db, name, now)
            if failure is not None:
                self._fail(db, name, failure, now)
            self._bound(db, name, now)

    def give_up(self, before: int, now: int) -> None:
        """Lay aside what waits since before ``before`` (µs) for destinations that are gone or no longer configured."""
        with self._transaction() as db:
            rows = db.execute(
                "SELECT id, letters.destination, gone_since FROM letters LEFT JOIN destinations ON name ="
                " letters.destination WHERE died_at IS NULL AND queued_at < ? AND (gone_since IS NOT NULL"
                " OR configured IS NOT 1)",
                (before,),
            ).fetchall()
            for number, name, gone in rows:
                why = "the destination is gone" if gone is not None else "the destination is no longer configured"
                self._bury(db, name, number, now, why)
            for name in {row[1] for row in rows}:
                self._bound(db, name, now)

    def prune(self, before: int, now: int) -> None:
        """Delete dead letters from before ``before`` (µs), and what is known of alerts that are long over."""
        with self._transaction() as db:
            for (name,) in db.execute(
                "SELECT DISTINCT destination FROM letters WHERE died_at < ?", (before,)
            ).fetchall():
                self.dead[name] -= db.execute(
                    "DELETE FROM letters WHERE destination = ? AND died_at < ?", (name, before)
                ).rowcount
            db.execute("DELETE FROM told WHERE at < ?", (now - TOLD_KEPT,))

    def dead_letters(self, limit: int, before: int | None) -> list[DeadLetter]:
        """Dead letters, newest first, from below the id ``before`` on."""
        return list_dead(self._db, limit, before)

    def replay(self, number: int, now: int) -> str | None:
        """Let a dead letter be sent again; returns its destination, ``None`` where there is no such letter."""
        with self._transaction() as db:
            row = db.execute(
                "UPDATE letters SET died_at = NULL, attempts = 0, queued_at = ?, next_at = ? WHERE id = ?"
                " AND died_at IS NOT NULL RETURNING destination",
                (now, now, number),
            ).fetchone()
            if row is None:
                return None
            self.dead[row[0]] -= 1
            self.waiting[row[0]] += 1
            return str(row[0])

    # What an alertmanager has

    def known_firing(self, name: str) -> frozenset[str]:
        """The labels of what an alertmanager was last told to be firing."""
        rows = self._db.execute("SELECT labels FROM firing WHERE destination = ? AND ends_at IS NULL", (name,))
        return frozenset(row[0] for row in rows)

    def fire(self, name: str, firing: Mapping[str, Firing], ended: str) -> list[Firing]:
        """Take what fires now, by its labels; returns it with what has ended and was not confirmed yet."""
        with self._transaction() as db:
            sql = "SELECT labels, annotations, starts_at, ends_at FROM firing WHERE destination = ?"
            before = {row[0]: Firing(*row) for row in db.execute(sql, (name,))}
            for labels, was in before.items():
                if labels not in firing and was.ends_at is None:
                    db.execute(
                        "UPDATE firing SET ends_at = ? WHERE destination = ? AND labels = ?", (ended, name, labels)
                    )
            for now in firing.values():
                db.execute("INSERT OR REPLACE INTO firing VALUES (?, ?, ?, ?, NULL)", (name, *now[:3]))
            return [Firing(*row) for row in db.execute(f"{sql} ORDER BY ends_at IS NULL, starts_at, labels", (name,))]

    def confirm(self, name: str, sent: Sequence[Firing], now: int) -> None:
        """Forget what an alertmanager now knows to be over."""
        with self._transaction() as db:
            for each in sent:
                if each.ends_at is not None:
                    db.execute(
                        "DELETE FROM firing WHERE destination = ? AND labels = ? AND ends_at = ?",
                        (name, each.labels, each.ends_at),
                    )
            self._mend(db, name, now)

    # What people ask for from outside

    def requests(self) -> list[Request]:
        """What was asked for and is not done yet, in order."""
        rows = self._db.execute("SELECT id, asked, subject, person, reason FROM requests ORDER BY id")
        return [Request(*row) for row in rows]

    def finish_request(self, number: int) -> None:
        """Forget a request that is done or was refused."""
        with self._transaction() as db:
            db.execute("DELETE FROM requests WHERE id = ?", (number,))
