"""The journal on SQLite: every input durable before it is acknowledged.

Owns one data folder's journal file while it is open. Appending never waits for the disk:
a thread commits what is queued in groups. The queue has a bound, and passing it makes
the journal unhealthy and ``full``, but it refuses nothing itself: acknowledgements stop by themselves
while commits stall, so that the broker's in-flight window closes and holds the rest.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final, TypeVar

from monitor.adapters.chain import EMPTY, Verdict
from monitor.adapters.journal_insert import BatchInserter
from monitor.adapters.journal_prune import Pruned, Pruning
from monitor.adapters.journal_reader import JournalReader
from monitor.adapters.journal_rows import Page
from monitor.adapters.journal_store import (
    FolderLock,
    Migration,
    connect_writer,
    prepare_database,
    shipped_migrations,
)
from monitor.adapters.journal_writer import OnBatch, Writer
from monitor.core.alarm_health import Annunciation
from monitor.core.timeline import Recorded
from monitor.core.watched import Note, Span
from monitor.ports import Entry, JournalError, KeptEvent, Readout, Settings, Snapshot

__all__ = ["JournalError", "SqliteJournal"]

CLOSE_S: Final = 2.0
T = TypeVar("T")


class SqliteJournal:
    """:class:`monitor.ports.Journal` in one SQLite file, and its readers.

    ``queue_rows`` and ``queue_bytes`` bound what waits for the disk; ``quarantine_rows`` and
    ``snapshots`` say how many of each are kept; ``on_batch`` hears on the event loop of
    every commit's rows and seconds. ``connect`` and ``migrations`` are for tests.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        queue_rows: int = 200_000,
        queue_bytes: int = 256 * 1024 * 1024,
        quarantine_rows: int = 1_000,
        snapshots: int = 3,
        on_batch: OnBatch | None = None,
        connect: Callable[[Path], sqlite3.Connection] = connect_writer,
        migrations: Sequence[Migration] | None = None,
    ) -> None:
        self._path = Path(path)
        self._queue_rows = queue_rows
        self._queue_bytes = queue_bytes
        self._quarantine_rows = quarantine_rows
        self._snapshots = snapshots
        self._on_batch = on_batch
        self._connect = connect
        self._migrations = migrations
        self._lock: FolderLock | None = None
        self._writer: Writer | None = None
        self._readers: ThreadPoolExecutor | None = None
        self._reader: JournalReader | None = None
        self._next = 1
        self._audit_head = EMPTY

    def open(self) -> None:
        """Lock the folder and bring the file up to date. Raises :class:`JournalError`."""
        lock = FolderLock(self._path.parent)
        try:
            prepare_database(self._path, self._migrations or shipped_migrations())
            try:
                self._connect(self._path).close()
            except sqlite3.Error as error:
                raise JournalError(f"the journal {self._path} cannot be opened: {error}") from None
            self._lock = lock
            with contextlib.closing(JournalReader(self._path)) as reader:
                self._next = reader.last_position() + 1
                self._audit_head = reader.audit_head()
        except BaseException:
            self._lock = None
            lock.release()
            raise

    def start(self) -> None:
        """Start writing, from the event loop that callbacks go to. Raises :class:`JournalError`."""
        if self._lock is None:
            self.open()
        self._readers = ThreadPoolExecutor(1, thread_name_prefix="journal-reader")
        self._writer = Writer(
            asyncio.get_running_loop(),
            self._open_inserter,
            rows_max=self._queue_rows,
            bytes_max=self._queue_bytes,
            on_batch=self._on_batch,
            audit_head=self._audit_head,
        )
        self._writer.start()

    async def close(self, timeout_s: float = CLOSE_S) -> None:
        """Write what is queued, call its callbacks, and let go of the folder.

        Raises :class:`JournalError` where ``timeout_s`` was not enough; what is then not on
        disk was not acknowledged either, and the folder stays locked until the process ends.
        """
        writer, readers = self._writer, self._readers
        if readers is not None:
            self._readers = None
            if self._reader is not None:
                self._reader.interrupt()
            await asyncio.to_thread(readers.shutdown)  # what is still asked is refused at once
            if self._reader is not None:
                self._reader.close()
                self._reader = None
        if writer is not None:
            self._writer = None
            if not await writer.stop(timeout_s):
                raise JournalError(
                    f"{writer.depth} journal rows could not be written before closing"
                    f" ({writer.last_error or 'the disk is slow'}); the broker will deliver them again"
                )
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def append(self, entry: Entry, committed: Callable[[], None] | None = None) -> None:
        """Queue an entry for the next group commit; never blocks.

        ``committed`` is called on the event loop once the entry is on disk, in the order of
        the appends. Raises ``ValueError`` where ``position`` does not follow the last one.
        """
        writer = self._writer or self._running()
        if entry.position != self._next:
            raise ValueError(f"position {entry.position} does not follow {self._next - 1}")
        self._next += 1
        writer.put(entry, len(entry.payload), committed)

    def save_snapshot(self, snapshot: Snapshot) -> None:
        """Queue a snapshot behind the entries already appended."""
        self._running().put(snapshot, len(snapshot.body), None)

    def keep_settings(self, settings: Settings) -> None:
        """Queue what this start runs by; what differs from the last start's goes into the audit with it."""
        self._running().put(settings, 0, None)

    async def prune(self, now: int, *, keep_inputs_us: int, keep_events_us: int) -> Pruned:
        """Delete inputs and events older than their limits (µs), between commits.

        Inputs from the oldest kept snapshot on always stay. Returns how many rows went.
        """
        done: asyncio.Future[Pruned] = asyncio.get_running_loop().create_future()

        def finish(pruned: Pruned) -> None:
            if not done.done():
                done.set_result(pruned)

        self._running().request(Pruning(now - keep_inputs_us, now - keep_events_us, self._snapshots), finish)
        return await done

    def latest_snapshot(self) -> Snapshot | None:
        """The newest whole snapshot; reads on this thread. Raises :class:`JournalError`."""
        with contextlib.closing(JournalReader(self._path)) as reader:
            return reader.latest_snapshot()

    def entries_after(self, position: int) -> Iterator[Entry]:
        """Every entry with a greater position, in order; reads on this thread."""
        with contextlib.closing(JournalReader(self._path)) as reader:
            yield from reader.entries_after(position)

    def last_position(self) -> int:
        """The greatest position on disk, 0 where there is none; reads on this thread."""
        with contextlib.closing(JournalReader(self._path)) as reader:
            return reader.last_position()

    def newest_event(self) -> int:
        """As :meth:`last_event`; reads on this thread, and also once it is closed."""
        with contextlib.closing(JournalReader(self._path)) as reader:
            return reader.last_event()

    @property
    def healthy(self) -> bool:
        """False while the last commit failed, or more waits than the queue may hold."""
        return self._writer is not None and self._writer.healthy

    @property
    def full(self) -> bool:
        """True while more waits than the queue may hold: no further input ought to be taken."""
        return self._writer is not None and self._writer.full

    @property
    def depth(self) -> int:
        """Rows that are not on disk yet."""
        return self._writer.depth if self._writer is not None else 0

    @property
    def over_bound(self) -> int:
        """Rows that were taken although the queue was over its bound."""
        return self._writer.over_bound if self._writer is not None else 0

    @property
    def failures(self) -> int:
        """Commits that failed; each was tried again."""
        return self._writer.failures if self._writer is not None else 0

    @property
    def last_error(self) -> str | None:
        """Why the last commit that failed did so, also after it went through."""
        return self._writer.last_error if self._writer is not None else None

    @property
    def last_batch(self) -> tuple[int, float]:
        """The last commit's rows and seconds."""
        writer = self._writer
        return (writer.last_batch_rows, writer.last_commit_seconds) if writer is not None else (0, 0.0)

    async def history(
        self,
        *,
        aircraft: str | None = None,
        door: str | None = None,
        code: str | None = None,
        since: int | None = None,
        until: int | None = None,
        limit: int = 100,
        before_cursor: str | None = None,
    ) -> Page:
        """Lifecycle events, newest first; ``since`` (from) and ``until`` (before) in µs.

        Raises :class:`monitor.adapters.journal_rows.CursorError` and :class:`JournalError`.
        """
        return await self._read(
            functools.partial(
                JournalReader.history,
                aircraft=aircraft,
                door=door,
                code=code,
                since=since,
                until=until,
                limit=limit,
                before_cursor=before_cursor,
            )
        )

    async def events_after(self, seq: int, limit: int) -> list[KeptEvent]:
        """Lifecycle events in the order in which they became durable. Raises :class:`JournalError`."""
        return await self._read(lambda reader: reader.events_after(seq, limit))

    async def last_event(self) -> int:
        """The newest durable lifecycle event's ``seq``, 0 where there is none. Raises :class:`JournalError`."""
        return await self._read(JournalReader.last_event)

    async def quarantine(self, *, limit: int = 100, before: str | None = None) -> Page:
        """Rejected inputs, newest first; raises as :meth:`history`."""
        return await self._read(functools.partial(JournalReader.quarantine, limit=limit, before=before))

    async def quarantine_totals(self) -> dict[str, int]:
        """How many inputs were ever rejected, by reason. Raises :class:`JournalError`."""
        return await self._read(JournalReader.quarantine_totals)

    async def audit(self, *, limit: int = 100, before: str | None = None) -> Page:
        """What people did, newest first; raises as :meth:`history`."""
        return await self._read(functools.partial(JournalReader.audit, limit=limit, before=before))

    async def verify_audit(self) -> Verdict:
        """Check the audit's chain from its anchor to its end. Raises :class:`JournalError`."""
        return await self._read(JournalReader.verify_audit)

    @property
    def audit_head(self) -> Readout:
        """The number and hash of the newest audit row on disk: kept elsewhere, it shows a tail that was cut off."""
        return (self._writer.audit_head if self._writer is not None else self._audit_head).describe()

    async def procedure_runs(self, question: Mapping[str, Any], *, limit: int = 100, before: str | None = None) -> Page:
        """Runs of procedures that have ended, newest first; see the reader's own method."""
        return await self._read(lambda reader: reader.procedure_runs(question, limit=limit, before=before))

    async def drills(self, question: Mapping[str, Any], *, limit: int = 100, before: str | None = None) -> Page:
        """Drills past and running, newest first; see the reader's own method."""
        return await self._read(lambda reader: reader.drills(question, limit=limit, before=before))

    async def study_annunciations(
        self, study: Callable[[int | None, Iterable[Annunciation]], T], *, since: int, until: int
    ) -> T:
        """Run ``study`` on a period's annunciations in the readers' thread; see the reader's own method."""
        return await self._read(lambda reader: reader.study_annunciations(study, since=since, until=until))

    async def study_deafness(
        self,
        study: Callable[[Iterable[Note], Sequence[Span]], T],
        *,
        aircraft: str,
        since: int,
        until: int,
        door: str | None = None,
    ) -> T:
        """Run ``study`` on what an aircraft was deaf to, in the readers' thread; see the reader's own method."""
        return await self._read(
            lambda reader: reader.study_deafness(study, aircraft=aircraft, door=door, since=since, until=until)
        )

    async def study_timeline(self, study: Callable[[Recorded], T], *, aircraft: str, since: int, until: int) -> T:
        """Run ``study`` on what became of an aircraft, in the readers' thread; see the reader's own method."""
        return await self._read(
            lambda reader: reader.study_timeline(study, aircraft=aircraft, since=since, until=until)
        )

    async def _read(self, question: Callable[[JournalReader], T]) -> T:
        readers = self._readers
        closed = JournalError(f"the journal {self._path} is closed")
        if readers is None:
            raise closed

        def answer() -> T:
            if self._readers is not readers:
                raise closed
            if self._reader is None:
                self._reader = JournalReader(self._path)
            return question(self._reader)

        return await asyncio.get_running_loop().run_in_executor(readers, answer)

    def _running(self) -> Writer:
        if self._writer is None:
            raise JournalError(f"the journal {self._path} is not open for writing")
        return self._writer

    def _open_inserter(self) -> BatchInserter:
        connection = self._connect(self._path)
        try:
            return BatchInserter(connection, quarantine_rows=self._quarantine_rows, snapshots=self._snapshots)
        except sqlite3.Error:
            connection.close()
            raise
