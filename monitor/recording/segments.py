"""The files of a recording: one, or one after another; plain or gzip, each readable at any moment.

Owns their names, their rotation and what is on disk when. Every batch is handed to the
operating system before it counts as written, so that a kill of the process loses nothing of
it; it is forced to the disk once a second, when a file is full and at the end, so that a
power cut loses a second at most. What could not be written whole is cut off again.
"""

from __future__ import annotations

import contextlib
import os
import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.core.times import SECOND, format_time

GZIP_ENDING: Final = ".gz"
_NUMBER: Final = r"\d{8}T\d{6}Z\.\d{6}"
_GZIP_LEVEL: Final = 6
_NONE: Final = -1
"""No file: the number of one that is closed may be another's by now."""


class RecordingError(Exception):
    """The recording cannot go on; the message is one sentence for a person."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Which files are written: ``path``, or rotated ones named after it.

    A file is full at ``bytes_max`` (on disk), or when its span of ``every`` (µs, counted from
    midnight UTC) is over; ``keep`` is how many of the rotated files stay, ``None`` for all.
    """

    path: Path
    bytes_max: int | None = None
    every: int | None = None
    keep: int | None = None
    gzip: bool = False

    @property
    def rotates(self) -> bool:
        """Whether there are several files."""
        return self.bytes_max is not None or self.every is not None

    def _parts(self) -> tuple[str, str]:
        name = self.path.name.removesuffix(GZIP_ENDING)
        stem, dot, ending = name.rpartition(".")
        stem, ending = (stem, dot + ending) if stem else (name, ".jsonl")
        return stem, ending + (GZIP_ENDING if self.gzip else "")

    def file(self, begun: int, number: int) -> Path:
        """Name the recording's file of that number, from 1 up; ``begun`` is when the recording began (µs).

        By name they sort in the order of their times, those of a later recording behind them.
        """
        stem, ending = self._parts()
        if not self.rotates:
            return self.path.with_name(stem + ending)
        stamp = re.sub(r"[-:]|\.\d+", "", format_time(begun - begun % SECOND))
        return self.path.with_name(f"{stem}.{stamp}.{number:06d}{ending}")

    def rotated(self) -> list[Path]:
        """Return the rotated files that are there, this recording's and earlier ones', the oldest first."""
        stem, ending = self._parts()
        form = re.compile(re.escape(stem) + r"\." + _NUMBER + re.escape(ending))
        return sorted(path for path in self.path.parent.iterdir() if form.fullmatch(path.name))


class Segments:
    """Writes lines to the files of a plan; for one thread. Raises :class:`RecordingError` throughout."""

    def __init__(self, plan: Plan, begun: int) -> None:
        """Open the first file, which must not be there yet; ``begun`` in µs."""
        self._plan, self._begun = plan, begun
        self._number, self._file = 0, _NONE
        self._dirty = False
        self._zip: zlib._Compress | None = None
        self._open(begun)

    @property
    def files(self) -> int:
        """How many files were begun."""
        return self._number

    def write(self, at: int, lines: Sequence[bytes]) -> None:
        """Write lines of the moment ``at`` (µs), all of them or none."""
        plan = self._plan
        if (plan.bytes_max is not None and self._size >= plan.bytes_max) or (
            plan.every is not None and at // plan.every != self._span
        ):
            self.close()
            self._open(at)
        text = b"".join(lines)
        if self._zip is not None:
            text = self._zip.compress(text) + self._zip.flush(zlib.Z_SYNC_FLUSH)
        self._append(text)

    def force(self) -> None:
        """Have the disk hold what was written."""
        if self._dirty:
            try:
                os.fsync(self._file)
            except OSError as error:
                raise self._error(error) from None
            self._dirty = False

    def close(self) -> None:
        """End the file that is open, whole and on the disk."""
        try:
            if self._zip is not None:
                zipping, self._zip = self._zip, None
                self._append(zipping.flush(zlib.Z_FINISH))
            self.force()
        finally:
            file, self._file = self._file, _NONE
            os.close(file)

    def leave(self) -> None:
        """Let go of the file as it is, after a fault: what was written before is whole."""
        file, self._file = self._file, _NONE
        if file == _NONE:
            return
        with contextlib.suppress(OSError):
            os.fsync(file)
        with contextlib.suppress(OSError):
            os.close(file)

    def _open(self, at: int) -> None:
        plan = self._plan
        self._number += 1
        self.path = plan.file(self._begun, self._number)
        try:
            self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o640)
            folder = os.open(self.path.parent, os.O_RDONLY | os.O_CLOEXEC)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except FileExistsError:
            raise RecordingError(f"{self.path} is there already and is not written over; give another name") from None
        except OSError as error:
            raise self._error(error) from None
        self._size = 0
        self._span = at // plan.every if plan.every is not None else 0
        self._zip = zlib.compressobj(_GZIP_LEVEL, zlib.DEFLATED, 31) if plan.gzip else None
        self._remove_old()

    def _remove_old(self) -> None:
        keep = self._plan.keep
        if keep is None:
            return
        try:
            for path in self._plan.rotated()[:-keep]:
                path.unlink(missing_ok=True)
        except OSError as error:
            raise RecordingError(
                f"{error.filename}: cannot be removed to make room ({(error.strerror or str(error)).lower()})"
            ) from None

    def _append(self, text: bytes) -> None:
        left = memoryview(text)
        try:
            while left:
                left = left[os.write(self._file, left) :]
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, self._size)
            raise self._error(error) from None
        self._size += len(text)
        self._dirty = True

    def _error(self, error: OSError) -> RecordingError:
        return RecordingError(f"{self.path}: cannot be written ({(error.strerror or str(error)).lower()})")
