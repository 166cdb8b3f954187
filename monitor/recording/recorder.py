"""What waits for the disk between a broker's deliveries and the files of a recording.

Owns the queue, its bound and the thread that writes. A delivery is settled once it is
written. Where the disk is too slow the newest are left out, counted, and noted in the
recording itself; memory stays within the bound. After a fault nothing more is taken.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Final

import orjson

from monitor.adapters.capture import write_line
from monitor.core.times import format_time
from monitor.ports import Message
from monitor.recording.segments import RecordingError, Segments

WAITING_BYTES: Final = 64 * 1024 * 1024
"""How much may wait for the disk; a longer message only alone."""
BATCH_LINES: Final = 512
FORCE_S: Final = 1.0

Settle = Callable[[], None]


def write_note(at: int, **fields: object) -> bytes:
    """Write a line that tells a reader something and, read as a capture, only advances the clock."""
    return orjson.dumps({"at": format_time(at), **fields}) + b"\n"


class Recorder:
    """Takes messages on any one thread and writes them on its own; ``on_fault`` hears of the end by a fault, on that one."""

    def __init__(
        self,
        segments: Segments,
        *,
        on_fault: Callable[[RecordingError], None],
        waiting_bytes: int = WAITING_BYTES,
    ) -> None:
        self._segments = segments
        self._on_fault = on_fault
        self._bytes_max = waiting_bytes
        self._waiting: deque[tuple[int, bytes, Settle | None]] = deque()
        self._bytes = 0
        self._omitted = 0
        self._latest = 0
        self._lock = threading.Lock()
        self._news = threading.Condition(self._lock)
        self._ending = False
        self._fault: RecordingError | None = None
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self.written = 0
        """Messages that are in the files."""
        self.left_out = 0
        """Messages that the disk was too slow for."""

    @property
    def fault(self) -> RecordingError | None:
        """Why it ended, where a fault ended it."""
        return self._fault

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def take(self, at: int, message: Message, settle: Settle) -> None:
        """Queue a message that came at ``at`` (µs); one that is left out for want of room is settled at once."""
        line = write_line(max(at, self._latest), message)
        with self._lock:
            if self._fault is not None or self._ending:
                return
            self._latest = max(at, self._latest)
            # One alone is taken whatever its length: no disk is quick enough for it otherwise.
            if not self._bytes or self._bytes + len(line) <= self._bytes_max:
                self._note_omitted()
                self._put(self._latest, line, settle)
                return
            self._omitted += 1
            self.left_out += 1
        settle()

    def note(self, at: int, **fields: object) -> None:
        """Queue a note, such as that the connection was lost."""
        with self._lock:
            if self._fault is not None or self._ending:
                return
            self._latest = max(at, self._latest)
            self._put(self._latest, write_note(self._latest, **fields), None)

    def stop(self) -> None:
        """Write what waits, end the files and return; raises :class:`RecordingError` where it failed, then or before."""
        with self._lock:
            self._note_omitted()
            self._ending = True
            self._news.notify()
        self._thread.join()
        if self._fault is not None:
            raise self._fault

    def _put(self, at: int, line: bytes, settle: Settle | None) -> None:
        self._waiting.append((at, line, settle))
        self._bytes += len(line)
        self._news.notify()

    def _note_omitted(self) -> None:
        if self._omitted:
            omitted, self._omitted = self._omitted, 0
            self._put(self._latest, write_note(self._latest, left_out=omitted), None)

    def _run(self) -> None:
        forced = time.monotonic()
        try:
            while True:
                with self._lock:
                    if not self._waiting and not self._ending:
                        self._news.wait(FORCE_S)
                    batch = [self._waiting.popleft() for _ in range(min(BATCH_LINES, len(self._waiting)))]
                    over = self._ending and not batch
                if batch:
                    self._write(batch)
                if time.monotonic() - forced >= FORCE_S:
                    self._segments.force()
                    forced = time.monotonic()
                if over:
                    self._segments.close()
                    return
        except Exception as error:
            # Whatever it was: who goes on listening with nobody to write would record nothing, and not know it.
            fault = error if isinstance(error, RecordingError) else RecordingError(f"the recorder failed ({error!r})")
            self._segments.leave()
            with self._lock:
                self._fault = fault
                self._waiting.clear()
                self._bytes = 0
            self._on_fault(fault)

    def _write(self, batch: list[tuple[int, bytes, Settle | None]]) -> None:
        self._segments.write(batch[0][0], [line for _, line, _ in batch])
        with self._lock:
            self._bytes -= sum(len(line) for _, line, _ in batch)
            self.written += sum(settle is not None for _, _, settle in batch)
        for _, _, settle in batch:
            if settle is not None:
                settle()
