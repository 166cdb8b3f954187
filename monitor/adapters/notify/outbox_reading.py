"""What the outbox is asked, by the running program and beside it.

Owns the questions that change nothing, and the one row that somebody beside a running
program may leave: what they ask it to do.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from typing import Final

from monitor.adapters.notify.outbox_rows import Condition, DeadLetter, Queue

_DEAD: Final = (
    "SELECT id, destination, event_id, type, subject, queued_at, died_at, attempts, coalesce(last_error, ''),"
    " CASE WHEN json_valid(CAST(body AS TEXT)) THEN json_extract(CAST(body AS TEXT), '$.data.simulated') END"
    " FROM letters WHERE died_at IS NOT NULL AND id < ? ORDER BY id DESC LIMIT ?"
)


def list_dead(connection: sqlite3.Connection, limit: int, before: int | None) -> list[DeadLetter]:
    """Read dead letters, newest first, from below the id ``before`` on."""
    last = 2**62 if before is None else before
    return [DeadLetter._make((*row[:9], bool(row[9]))) for row in connection.execute(_DEAD, (last, limit))]


def list_conditions(connection: sqlite3.Connection) -> list[Condition]:
    """Read how each destination does that was ever configured, by name."""
    rows = connection.execute(
        "SELECT name, kind, configured, gone_since, failures, failing_since, not_before, last_delivered_at, last_error"
        " FROM destinations ORDER BY name"
    )
    return [Condition(row[0], row[1], bool(row[2]), *row[3:]) for row in rows]


def count_letters(connection: sqlite3.Connection, *, dead: bool) -> Counter[str]:
    """Count what waits for each destination, or what of it is dead."""
    sql = f"SELECT destination, count(*) FROM letters WHERE died_at IS {'NOT' if dead else ''} NULL GROUP BY 1"  # noqa: S608
    return Counter(dict(connection.execute(sql).fetchall()))


def list_queues(connection: sqlite3.Connection) -> dict[str, Queue]:
    """Say how it stands with what waits for each destination for which something does."""
    sql = (
        "SELECT destination, min(queued_at), sum(attempts > 0), max(CASE WHEN attempts > 0 THEN last_error END)"
        " FROM letters WHERE died_at IS NULL GROUP BY 1"
    )
    return {row[0]: Queue(*row[1:]) for row in connection.execute(sql)}


def ask(connection: sqlite3.Connection, asked: str, subject: str, *, person: str, reason: str) -> None:
    """Leave a request for the program that runs on this outbox, now or next."""
    sql = "INSERT INTO requests (asked, subject, person, reason) VALUES (?, ?, ?, ?)"
    connection.execute(sql, (asked, subject, person, reason))
