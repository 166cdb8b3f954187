"""One group commit: a batch of entries and snapshots into the database, in one transaction.

Owns the statements that insert, the numbers that stand for topics, and the caps of what
is kept. It never retries and never swallows an error: that is the writer thread's work.

Python's sqlite3 lets go of the interpreter lock for each statement it runs, and a busy
event loop can keep it for 5 ms before the thread has it back. Row by row, that was
measured at 460 rows/s beside a busy loop; so inputs go in by the hundred, one statement
each.
"""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

from monitor.adapters.chain import Head
from monitor.adapters.journal_audit import INSERT as _INSERT_AUDIT
from monitor.adapters.journal_audit import chain_rows, read_head
from monitor.adapters.journal_procedures import insert_procedures
from monitor.adapters.journal_prune import Pruning
from monitor.adapters.journal_rows import (
    AGAIN,
    DELIVERY,
    RETAINED,
    START,
    AuditRow,
    QuarantineRow,
    kept_rows,
    snapshot_digest,
)
from monitor.adapters.journal_settings import keep_settings
from monitor.core.times import HOUR
from monitor.ports import Entry, Settings, Snapshot

TOPICS_MAX: Final = 65_536
"""How many topics get a number; further ones are spelled out in their rows."""

OLD_EVERY: Final = 6 * HOUR
"""Of snapshots older than a restart needs, the first of so much time stays (µs): from it a period is gone through again."""

_INPUT: Final = f"(?, ?, nullif(?, '{DELIVERY}'), ?, ?, ?)"
_CHUNKS: Final = (256, 16, 1)
_PADDING: Final = (None,) * 6


def _input_statement(rows: int) -> str:
    # A batch is filled up to the next size with empty rows, which the condition leaves
    # out: three statements to prepare instead of one for every length.
    values = ", ".join([_INPUT] * rows)
    return (
        "INSERT INTO inputs (position, at, kind, topic, payload, retained)"  # noqa: S608 - constants only
        f" SELECT * FROM (VALUES {values}) WHERE column1 IS NOT NULL"
    )


_INSERT_INPUTS: Final = {rows: _input_statement(rows) for rows in _CHUNKS}
_INSERT_EVENT: Final = (
    "INSERT INTO events (id, time, aircraft, door, code, type, data, position) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (id) DO NOTHING"
)
_INSERT_QUARANTINE: Final = (
    "INSERT INTO quarantine (at, reason, topic, detail, payload, size, position) VALUES (?, ?, ?, ?, ?, ?, ?)"
)
_COUNT_QUARANTINE: Final = (
    "INSERT INTO quarantine_totals (reason, total) VALUES (?, ?)"
    " ON CONFLICT (reason) DO UPDATE SET total = total + excluded.total"
)
_INSERT_DEAFNESS: Final = "INSERT INTO deafness (at, aircraft, door, deaf_to, gone, position) VALUES (?, ?, ?, ?, ?, ?)"
_INSERT_STATE: Final = "INSERT INTO door_states (at, aircraft, door, state, slide, position) VALUES (?, ?, ?, ?, ?, ?)"
# The inputs may be pruned away to the last, but then a snapshot stands behind them.
_INSERT_START: Final = (
    "INSERT INTO starts (position, at, silent_since) SELECT :position, :at, max(found) FROM ("
    " SELECT max(at) AS found FROM snapshots WHERE position < :position UNION ALL SELECT * FROM"
    " (SELECT at FROM inputs WHERE position < :position ORDER BY position DESC LIMIT 1))"
)


class BatchInserter:
    """Writes batches over one connection; forget it with its connection after a failure.

    ``quarantine_rows`` and ``snapshots`` say how many of each are kept; ``audit_head`` is the
    newest audit row on disk.
    """

    def __init__(self, connection: sqlite3.Connection, *, quarantine_rows: int, snapshots: int) -> None:
        self._connection = connection
        self._quarantine_rows = quarantine_rows
        self._snapshots = snapshots
        self.audit_head = read_head(lambda sql: connection.execute(sql).fetchall())
        newest = connection.execute("SELECT coalesce(max(position), 0) FROM inputs").fetchone()[0]
        # "" is the topic of what did not come by wire, and stands for itself.
        self._topics: dict[str, int | str] = {"": ""}
        self._topics.update((name, number) for number, name in connection.execute("SELECT id, name FROM topics"))
        # Which row used a topic last is not stored: after a start, all were used just now.
        self._last_used = dict.fromkeys(self._topics, newest)

    def commit(self, entries: Sequence[Entry], snapshots: Sequence[Snapshot], starts: Sequence[Settings] = ()) -> None:
        """Make a batch durable, all of it or none. Raises ``sqlite3.Error``."""
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        self._insert_inputs(entries)
        kept = kept_rows(entry for entry in entries if entry.effects)
        if kept.events:
            connection.executemany(_INSERT_EVENT, kept.events)
        if kept.quarantine:
            self._insert_quarantine(kept.quarantine)
        head = self._insert_audit([*keep_settings(connection, starts), *kept.audit])
        if kept.deafness:
            connection.executemany(_INSERT_DEAFNESS, kept.deafness)
        if kept.states:
            connection.executemany(_INSERT_STATE, kept.states)
        insert_procedures(connection, kept)
        for entry in entries:
            if entry.kind == START:
                connection.execute(_INSERT_START, {"position": entry.position, "at": entry.at})
        if snapshots:
            self._insert_snapshots(snapshots)
        connection.execute("COMMIT")
        self.audit_head = head

    def _insert_audit(self, rows: Sequence[AuditRow]) -> Head:
        """Write ``rows`` behind the head, and return the new one."""
        if not rows:
            return self.audit_head
        chained = chain_rows(self.audit_head, rows)
        self._connection.executemany(_INSERT_AUDIT, [(each.number, *each.row, each.hash) for each in chained])
        return Head(chained[-1].number, chained[-1].hash)

    def _insert_inputs(self, entries: Sequence[Entry]) -> None:
        topics = self._topics
        start = 0
        while start < len(entries):
            chunk = entries[start : start + _CHUNKS[0]]
            start += len(chunk)
            for entry in chunk:
                if entry.topic not in topics:
                    self._number_topic(entry.topic)
            rows: list[tuple[Any, ...]] = [
                (
                    entry.position,
                    entry.at,
                    entry.kind,
                    topics.get(entry.topic, entry.topic),
                    entry.payload,
                    RETAINED * entry.retained | AGAIN * entry.again,
                )
                for entry in chunk
            ]
            self._last_used.update((entry.topic, entry.position) for entry in chunk if entry.topic in topics)
            size = next(size for size in reversed(_CHUNKS) if size >= len(rows))
            rows.extend([_PADDING] * (size - len(rows)))
            self._connection.execute(_INSERT_INPUTS[size], list(itertools.chain.from_iterable(rows)))

    def _number_topic(self, topic: str) -> None:
        if len(self._topics) <= TOPICS_MAX:
            cursor = self._connection.execute("INSERT INTO topics (name) VALUES (?)", (topic,))
            assert cursor.lastrowid is not None
            self._topics[topic] = cursor.lastrowid

    def _insert_quarantine(self, rows: Sequence[QuarantineRow]) -> None:
        connection = self._connection
        connection.executemany(_COUNT_QUARANTINE, Counter(row.reason for row in rows).items())
        # A flood would push its own first rows out again: they are never written.
        connection.executemany(_INSERT_QUARANTINE, rows[-self._quarantine_rows :])
        connection.execute(
            "DELETE FROM quarantine WHERE seq <= (SELECT max(seq) FROM quarantine) - ?", (self._quarantine_rows,)
        )

    def _insert_snapshots(self, snapshots: Sequence[Snapshot]) -> None:
        connection = self._connection
        connection.executemany(
            "INSERT OR REPLACE INTO snapshots (position, at, digest, body) VALUES (?, ?, ?, ?)",
            [(shot.position, shot.at, snapshot_digest(shot), shot.body) for shot in snapshots[-self._snapshots :]],
        )
        connection.execute(
            "DELETE FROM snapshots WHERE position NOT IN (SELECT position FROM snapshots ORDER BY position DESC LIMIT ?)"
            " AND position NOT IN (SELECT min(position) FROM snapshots GROUP BY at / ?)",
            (self._snapshots, OLD_EVERY),
        )

    def prune(self, pruning: Pruning) -> bool:
        """Take one small step of a pruning; return whether it was the last. Raises ``sqlite3.Error``."""
        if not pruning.step(self._connection):
            return False
        if pruning.inputs:
            self._forget_unused_topics()
        return True

    def _forget_unused_topics(self) -> None:
        oldest = self._connection.execute("SELECT min(position) FROM inputs").fetchone()[0]
        unused = [topic for topic, last in self._last_used.items() if topic and (oldest is None or last < oldest)]
        if not unused:
            return
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.executemany("DELETE FROM topics WHERE name = ?", [(topic,) for topic in unused])
        self._connection.execute("COMMIT")
        for topic in unused:
            del self._topics[topic], self._last_used[topic]

    def holds(self, entries: Sequence[Entry]) -> bool:
        """Say whether the last of ``entries`` is on disk, as after a commit that failed in its last moment."""
        last = entries[-1]
        row = self._connection.execute("SELECT at, payload FROM inputs WHERE position = ?", (last.position,)).fetchone()
        return row is not None and tuple(row) == (last.at, last.payload)

    def close(self) -> None:
        """Close the connection; an open transaction is rolled back."""
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()
