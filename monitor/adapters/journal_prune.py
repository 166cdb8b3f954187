"""How old rows leave the journal: a few at a time, and never one that a restart needs.

Owns which rows may go. The writer thread calls it between two commits; a step is small
enough that no commit waits noticeably for it.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from monitor.adapters.journal_procedures import delete_runs

CHUNK_ROWS: Final = 500


# What holds of a place until today stays, however old, unless its aircraft had left.
_OLD_DEAFNESS: Final = (
    "DELETE FROM deafness WHERE seq IN (SELECT seq FROM deafness AS old WHERE at < ?1 AND (gone OR EXISTS"
    " (SELECT 1 FROM deafness AS newer WHERE newer.aircraft = old.aircraft AND newer.door = old.door"
    " AND newer.at < ?1 AND (newer.at, newer.seq) > (old.at, old.seq))) ORDER BY at LIMIT ?2)"
)


# Nothing known is nothing to keep, and how a door stands until today stays, however old.
_OLD_STATES: Final = (
    "DELETE FROM door_states WHERE seq IN (SELECT seq FROM door_states AS old WHERE at < ?1 AND (state = 'unknown'"
    " OR EXISTS (SELECT 1 FROM door_states AS newer WHERE newer.aircraft = old.aircraft AND newer.door = old.door"
    " AND newer.at < ?1 AND (newer.at, newer.seq) > (old.at, old.seq))) ORDER BY at LIMIT ?2)"
)


# Said before the first row goes: what is told of the time before then is not the whole of it.
_KEEP_HORIZON: Final = (
    "INSERT INTO pruned (only, events_before) VALUES (1, ?) ON CONFLICT (only)"
    " DO UPDATE SET events_before = max(events_before, excluded.events_before)"
)


class Pruned(NamedTuple):
    """How many rows went; with the events go the starts of the same age."""

    inputs: int
    events: int
    deafness: int = 0
    states: int = 0
    audit: int = 0
    runs: int = 0


# Its rows go from the oldest on, up to the first that has to stay (or the chunk's end), so that
# what is left is still one chain: the last one that goes becomes its anchor.
_OLD_AUDIT: Final = (
    "SELECT max(seq) FROM (SELECT seq FROM audit ORDER BY seq LIMIT ?2)"
    " WHERE seq < coalesce((SELECT min(seq) FROM (SELECT seq, time FROM audit ORDER BY seq LIMIT ?2) WHERE time >= ?1),"
    " 9223372036854775807)"
)
_MOVE_ANCHOR: Final = "UPDATE audit_anchor SET (seq, hash) = (SELECT seq, hash FROM audit WHERE seq = ?) WHERE only = 1"


_NEWEST_SNAPSHOTS: Final = "SELECT position FROM snapshots ORDER BY position DESC LIMIT ?"
# Between such a snapshot and the first input that is left something is missing: nothing can set out from it.
_DELETE_SNAPSHOTS: Final = f"DELETE FROM snapshots WHERE position < ? AND position NOT IN ({_NEWEST_SNAPSHOTS})"  # noqa: S608


@dataclass(slots=True)
class Pruning:
    """One request under way. Times are µs; a row goes when it is older than its limit.

    Inputs go from the oldest on, and only those below the oldest of the newest ``snapshots``,
    from which a restart may have to replay. Older snapshots go with the inputs that follow them.
    """

    inputs_before: int
    events_before: int
    snapshots: int
    inputs: int = 0
    events: int = 0
    deafness: int = 0
    states: int = 0
    audit: int = 0
    runs: int = 0
    inputs_done: bool = field(default=False, init=False)
    events_done: bool = field(default=False, init=False)
    deafness_done: bool = field(default=False, init=False)
    states_done: bool = field(default=False, init=False)
    runs_done: bool = field(default=False, init=False)

    def step(self, connection: sqlite3.Connection) -> bool:
        """Delete one chunk in a transaction of its own; return whether nothing is left to do."""
        if not self.inputs_done:
            gone = self._delete_inputs(connection)
            self.inputs += gone
            self.inputs_done = gone < CHUNK_ROWS
            if self.inputs_done:
                connection.execute(_KEEP_HORIZON, (self.events_before,))
            return False
        if self.runs_done:
            gone = self._delete_audit(connection)
            self.audit += gone
            return gone < CHUNK_ROWS
        if self.states_done:
            gone = delete_runs(connection, self.events_before, CHUNK_ROWS)
            self.runs += gone
            self.runs_done = gone < CHUNK_ROWS
            return False
        if self.deafness_done:
            gone = connection.execute(_OLD_STATES, (self.events_before, CHUNK_ROWS)).rowcount
            self.states += gone
            self.states_done = gone < CHUNK_ROWS
            return False
        if self.events_done:
            gone = connection.execute(_OLD_DEAFNESS, (self.events_before, CHUNK_ROWS)).rowcount
            self.deafness += gone
            self.deafness_done = gone < CHUNK_ROWS
            return False
        gone = connection.execute(
            "DELETE FROM events WHERE seq IN (SELECT seq FROM events WHERE time < ? ORDER BY time LIMIT ?)",
            (self.events_before, CHUNK_ROWS),
        ).rowcount
        self.events += gone
        self.events_done = gone < CHUNK_ROWS
        if self.events_done:
            connection.execute("DELETE FROM starts WHERE at < ?", (self.events_before,))
        return False

    def _delete_audit(self, connection: sqlite3.Connection) -> int:
        connection.execute("BEGIN IMMEDIATE")
        last = connection.execute(_OLD_AUDIT, (self.events_before, CHUNK_ROWS)).fetchone()[0]
        gone = 0
        if last is not None:
            connection.execute(_MOVE_ANCHOR, (last,))
            gone = connection.execute("DELETE FROM audit WHERE seq <= ?", (last,)).rowcount
        connection.execute("COMMIT")
        return gone

    def _delete_inputs(self, connection: sqlite3.Connection) -> int:
        needed = connection.execute(f"SELECT min(position) FROM ({_NEWEST_SNAPSHOTS})", (self.snapshots,)).fetchone()[0]  # noqa: S608
        if needed is None:
            return 0
        # The first row of the chunk that has to stay; the rows behind it stay with it, so
        # that what is left has no gap even where the wall clock once went back.
        stop = connection.execute(
            "SELECT coalesce(min(position) FILTER (WHERE at >= ?2 OR position >= ?3), max(position) + 1)"
            " FROM (SELECT position, at FROM inputs ORDER BY position LIMIT ?1)",
            (CHUNK_ROWS, self.inputs_before, needed),
        ).fetchone()[0]
        if stop is None:
            return 0
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(_DELETE_SNAPSHOTS, (stop - 1, self.snapshots))
        gone = connection.execute("DELETE FROM inputs WHERE position < ?", (stop,)).rowcount
        connection.execute("COMMIT")
        return gone
