"""The writer thread: everything queued, one transaction, one wake-up of the event loop.

Owns the queue between the event loop and the disk. What it took it keeps until it is on
disk: a commit that fails is tried again, slower each time, and nothing overtakes it. It
never drops, reorders or reports early. ``put``, ``request`` and ``stop`` are for one
thread, the event loop's.
"""

from __future__ import annotations

import asyncio
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from queue import SimpleQueue
from typing import Final, NamedTuple

import structlog

from monitor.adapters.chain import Head
from monitor.adapters.journal_insert import BatchInserter
from monitor.adapters.journal_prune import Pruned, Pruning
from monitor.adapters.journal_store import say_fault
from monitor.ports import Entry, Settings, Snapshot

BATCH_ROWS: Final = 2_000
BATCH_BYTES: Final = 8 * 1024 * 1024
"""One transaction's bounds: a backlog's first rows are not acknowledged with its last, and
the thread never holds the interpreter lock for long."""

RETRY_FIRST_S: Final = 0.05
RETRY_MAX_S: Final = 2.0
CALLBACKS_PER_TURN: Final = 200
"""How many callbacks run before the event loop gets a turn."""

Callback = Callable[[], None]
OnBatch = Callable[[int, float], None]


class Queued(NamedTuple):
    """What waits for the disk, its size in bytes, and who wants to hear of it."""

    item: Entry | Snapshot | Settings
    size: int
    committed: Callback | None


_log = structlog.get_logger(__name__)


class Writer:
    """Feeds batches to a :class:`BatchInserter` on a thread of its own.

    ``open_inserter`` opens a connection: at first, and again after each failure, since a
    handle that has met an I/O error is not to be trusted. ``on_batch`` is called on the
    event loop with each batch's rows and the seconds its commit took. ``rows_max`` and
    ``bytes_max`` bound the queue: what comes beyond them is taken and counted. ``audit_head``
    is the newest audit row on disk.
    """

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        open_inserter: Callable[[], BatchInserter],
        *,
        rows_max: int,
        bytes_max: int,
        on_batch: OnBatch | None,
        audit_head: Head,
    ) -> None:
        self._loop = loop
        self._open_inserter = open_inserter
        self._rows_max = rows_max
        self._bytes_max = bytes_max
        self._on_batch = on_batch
        self._queue: deque[Queued] = deque()
        self._ready: deque[Callback] = deque()
        self._requests: deque[tuple[Pruning, Callable[[Pruned], None]]] = deque()
        self._wake: SimpleQueue[None] = SimpleQueue()  # an Event's set() costs three times as much
        self._hurry = threading.Event()
        self._asleep = False
        self._stopping = False
        self._abandoned = False
        self._in_flight = 0
        self._bytes_in = 0
        self._bytes_out = 0
        self._inserter: BatchInserter | None = None
        self._committed_position = 0
        self._stopped = loop.create_future()
        self._draining = False
        self.failing = False
        self.failures = 0
        self.over_bound = 0
        self.last_error: str | None = None
        self.last_batch_rows = 0
        self.last_commit_seconds = 0.0
        self.audit_head = audit_head
        self._thread = threading.Thread(target=self._run, name="journal-writer", daemon=True)

    # --- the event loop's side -------------------------------------------------------

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def put(self, item: Entry | Snapshot | Settings, size: int, committed: Callback | None) -> None:
        """Queue ``item`` of ``size`` bytes; wakes the thread only where it sleeps."""
        self._queue.append(Queued(item, size, committed))
        self._bytes_in += size
        if self.full:
            self.over_bound += 1
        if self._asleep:
            self._asleep = False
            # At the end of this turn: waking a thread costs ten times an append, and the
            # thread would ask for the interpreter lock while the step is still running.
            self._loop.call_soon(self._wake.put, None)

    def request(self, pruning: Pruning, done: Callable[[Pruned], None]) -> None:
        """Queue a pruning; ``done`` is called on the event loop."""
        self._requests.append((pruning, done))
        self._asleep = False
        self._wake.put(None)

    async def stop(self, timeout_s: float) -> bool:
        """Write what is queued and end the thread; False where ``timeout_s`` was not enough."""
        self._stopping = True
        self._asleep = False
        self._wake.put(None)
        self._hurry.set()
        done, _ = await asyncio.wait({self._stopped}, timeout=timeout_s)
        self._abandoned = True
        self._hurry.set()
        if done:
            self._thread.join()
        return bool(done)

    @property
    def depth(self) -> int:
        """Rows that are queued or being written."""
        return len(self._queue) + self._in_flight

    @property
    def full(self) -> bool:
        """More waits than the bounds allow."""
        return self.depth > self._rows_max or self._bytes_in - self._bytes_out > self._bytes_max

    @property
    def healthy(self) -> bool:
        """False while the last commit failed, or more waits than the bounds allow."""
        return not self.failing and not self.full

    # --- the thread's side -----------------------------------------------------------

    def _run(self) -> None:
        batch: list[Queued] = []
        pause = RETRY_FIRST_S
        while not self._abandoned:
            if not batch:
                batch = self._take()
            if batch and self._write(batch):
                batch = []
                pause = RETRY_FIRST_S
            elif batch:
                # Short steps while closing: the time that is left is better spent trying.
                self._hurry.wait(RETRY_FIRST_S if self._stopping else pause)
                self._hurry.clear()
                pause = min(2 * pause, RETRY_MAX_S)
            if self._requests and not self._stopping:
                self._prune()
            elif not batch and self._stopping and not self._queue:
                break
        self._drop_inserter()
        while self._requests:
            self._finish_pruning()
        self._deliver([self._end], 0, 0.0)

    def _take(self) -> list[Queued]:
        queue = self._queue
        if not queue and not self._requests and not self._stopping:
            self._asleep = True
            # Looked at again after `_asleep` is up: what came in between woke nobody.
            if not queue and not self._requests and not self._stopping:
                self._wake.get()
            self._asleep = False
        size = 0
        batch: list[Queued] = []
        while queue and len(batch) < BATCH_ROWS and size < BATCH_BYTES:
            self._in_flight += 1  # before it leaves the queue, so that `depth` never reads low
            queued = queue.popleft()
            size += queued.size
            batch.append(queued)
        return batch

    def _write(self, batch: list[Queued]) -> bool:
        entries = [queued.item for queued in batch if isinstance(queued.item, Entry)]
        snapshots = [queued.item for queued in batch if isinstance(queued.item, Snapshot)]
        starts = [queued.item for queued in batch if isinstance(queued.item, Settings)]
        started = time.perf_counter()
        try:
            if self._inserter is None:
                self._inserter = self._open_inserter()
            if not self._was_written(self._inserter, entries):
                self._inserter.commit(entries, snapshots, starts)
        except Exception as error:  # whatever it was, the batch is not on disk and is kept
            self._fail(error)
            return False
        seconds = time.perf_counter() - started
        self.audit_head = self._inserter.audit_head
        if self.failing:
            _log.warning("journal writes again", action="journal-recovered", rows=len(batch))
        self.failing = False
        if entries:
            self._committed_position = entries[-1].position
        self._in_flight = 0
        self._bytes_out += sum(queued.size for queued in batch)
        self.last_batch_rows, self.last_commit_seconds = len(batch), seconds
        self._deliver([queued.committed for queued in batch if queued.committed is not None], len(batch), seconds)
        return True

    def _was_written(self, inserter: BatchInserter, entries: list[Entry]) -> bool:
        # A COMMIT that reported an error may have reached the disk all the same. Rows that
        # this thread has committed before are something else: a position used twice, which
        # has to fail.
        return (
            self.failing
            and bool(entries)
            and entries[0].position > self._committed_position
            and inserter.holds(entries)
        )

    def _fail(self, error: Exception) -> None:
        if not self.failing:
            _log.error("journal does not write", action="journal-failed", error=str(error))
        self.last_error = f"{type(error).__name__}: {say_fault(error)}"
        self.failing = True
        self.failures += 1
        self._drop_inserter()

    def _prune(self) -> None:
        pruning, _ = self._requests[0]
        try:
            if self._inserter is None:
                self._inserter = self._open_inserter()
            finished = self._inserter.prune(pruning)
        except sqlite3.Error as error:
            # Rows that stay a while longer harm nobody; the next request tries again.
            _log.warning("pruning stopped", action="journal-prune-failed", error=str(error))
            self._drop_inserter()
            finished = True
        if finished:
            self._finish_pruning()

    def _finish_pruning(self) -> None:
        pruning, done = self._requests.popleft()
        rows = (pruning.inputs, pruning.events, pruning.deafness, pruning.states, pruning.audit, pruning.runs)
        pruned = Pruned(*rows)
        self._deliver([lambda: done(pruned)], 0, 0.0)

    def _drop_inserter(self) -> None:
        if self._inserter is not None:
            self._inserter.close()
            self._inserter = None

    def _deliver(self, callbacks: list[Callback], rows: int, seconds: float) -> None:
        if not callbacks and self._on_batch is None:
            return
        try:
            self._loop.call_soon_threadsafe(self._receive, callbacks, rows, seconds)
        except RuntimeError:  # the loop is closed: nobody is left to hear of it
            self._abandoned = True

    # --- back on the event loop --------------------------------------------------------

    def _receive(self, callbacks: list[Callback], rows: int, seconds: float) -> None:
        self._ready.extend(callbacks)
        if not self._draining:
            self._drain()
        if rows and self._on_batch is not None:
            self._on_batch(rows, seconds)

    def _drain(self) -> None:
        ready = self._ready
        for _ in range(min(CALLBACKS_PER_TURN, len(ready))):
            callback = ready.popleft()
            try:
                callback()
            except Exception as error:  # one listener's fault must not keep the others waiting
                self._loop.call_exception_handler({"message": "a journal callback failed", "exception": error})
        self._draining = bool(ready)
        if ready:
            self._loop.call_soon(self._drain)

    def _end(self) -> None:
        if not self._stopped.done():
            self._stopped.set_result(None)
