"""Whose drill it was: labels of trainees, kept apart from everything else and not for long.

Owns one small database beside the journal, and that a label leaves it with its last byte: what is deleted
is overwritten, the file is written anew, and no write-ahead log stands beside it. A label is in no input, event, audit,
log or backup of the journal. Where none is kept the file is taken away.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

import structlog

from monitor.core.times import HOUR
from monitor.ports import JournalError

LABELS_FILE: Final = "drill-labels.sqlite3"
LABEL_MAX: Final = 40
PRUNE_EVERY_S: Final = 3600
DAY: Final = 24 * HOUR

_TABLE: Final = (
    "CREATE TABLE IF NOT EXISTS labels (permit_id TEXT PRIMARY KEY, label TEXT NOT NULL, ends_at INTEGER NOT NULL)"
)
_log: Final = structlog.get_logger("sillwatch")


class DrillLabels:
    """The labels in one data folder; ``keep_days`` after the latest end of their drill they are gone, 0: none is taken.

    Each method may be called from any thread. Raises :class:`JournalError` where the file cannot be used.
    """

    def __init__(self, folder: Path, keep_days: float) -> None:
        self._path = folder / LABELS_FILE
        self.keep_days = keep_days
        self._lock = threading.Lock()

    def keep(self, permit_id: str, label: str, until: int) -> None:
        """Keep the label of a drill that lasts until ``until`` (µs) at most."""
        ends_at = until + round(self.keep_days * DAY)
        with self._connected() as connection:
            connection.execute("INSERT OR REPLACE INTO labels VALUES (?, ?, ?)", (permit_id, label, ends_at))

    def find(self, permits: Iterable[str], now: int) -> dict[str, str]:
        """Return the labels of those permits whose time is not over at ``now`` (µs)."""
        wanted = set(permits)
        if not wanted or not self.keep_days or not self._path.exists():
            return {}
        with self._connected() as connection:
            rows = connection.execute("SELECT permit_id, label FROM labels WHERE ends_at > ?", (now,)).fetchall()
        return {permit_id: label for permit_id, label in rows if permit_id in wanted}

    def prune(self, now: int) -> None:
        """Take away every label whose time is over at ``now`` (µs), to the last byte; all, where none is to be kept."""
        if not self._path.exists():
            return
        with self._connected() as connection:
            over = "" if self.keep_days else " OR 1"
            gone = connection.execute(f"DELETE FROM labels WHERE ends_at <= ?{over}", (now,)).rowcount  # noqa: S608
            left = connection.execute("SELECT count(*) FROM labels").fetchone()[0]
            if gone and left:
                connection.execute("VACUUM")
        if not left:
            with self._lock, contextlib.suppress(FileNotFoundError):
                self._path.unlink()

    async def serve(self, now: Callable[[], int]) -> None:
        """Prune for ever; what cannot be pruned now is tried again later."""
        while True:
            try:
                await asyncio.to_thread(self.prune, now())
            except JournalError as error:
                _log.warning("labels of drills not pruned", action="prune-labels", why=str(error))
            await asyncio.sleep(PRUNE_EVERY_S)

    @contextlib.contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            try:
                os.close(os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
                with contextlib.closing(sqlite3.connect(self._path, timeout=2.0, isolation_level=None)) as connection:
                    connection.execute("PRAGMA journal_mode = DELETE")
                    connection.execute("PRAGMA secure_delete = ON")
                    connection.execute("PRAGMA temp_store = MEMORY")
                    connection.execute(_TABLE)
                    yield connection
            except (OSError, sqlite3.Error) as error:
                raise JournalError(f"the labels of drills in {self._path} cannot be used: {error}") from None
