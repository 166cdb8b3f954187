"""Captures as they lie there: files, rotated files, folders, gzip, standard input; whole, or cut off in the middle.

Owns how a file becomes lines. A recorder that was killed leaves the beginning of a line at
most: that is passed over, said once, and what follows is read. Anything else that cannot be
read is an error.
"""

from __future__ import annotations

import io
import os
import zlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, Final

from monitor.adapters.capture import CaptureError, CaptureLine, read_capture
from monitor.core.times import format_time

STDIN: Final = "-"
ENDINGS: Final = (".jsonl", ".jsonl.gz")
"""What the captures in a folder are called."""

_GZIP: Final = b"\x1f\x8b"
_GZIP_OR_ZLIB: Final = 31
_CHUNK: Final = 65_536
LINE_BYTES_MAX: Final = 400_000_000
"""The longest message that MQTT carries makes a shorter line, in base64 too."""


class NoCaptureError(CaptureError):
    """There is no capture where one was named."""


def find_files(paths: Sequence[Path]) -> list[Path]:
    """Return the files in the order in which they are read: those of a folder by name.

    Raises :class:`NoCaptureError` for a folder without one.
    """
    found: list[Path] = []
    for path in paths:
        if not path.is_dir():
            found.append(path)
            continue
        inside = sorted(each for each in path.iterdir() if each.name.endswith(ENDINGS) and each.is_file())
        if not inside:
            raise NoCaptureError(f"{path}: no capture is in this folder; captures end in {' or '.join(ENDINGS)}")
        found += inside
    return found


class Captures:
    """Several captures, read as one; ``told`` hears in a line of what had to be passed over.

    A path ``-`` is ``stdin``. What is read once may be read again, but for standard input.
    """

    def __init__(self, paths: Sequence[Path], *, told: Callable[[str], None], stdin: IO[bytes] | None = None) -> None:
        """Find the files; raises :class:`NoCaptureError` and ``OSError``."""
        self._files = find_files(paths)
        self._told = told
        self._stdin = stdin
        self._size = sum(0 if str(path) == STDIN else path.stat().st_size for path in self._files)
        self._taken = 0

    @property
    def once(self) -> bool:
        """Whether they can be read but once."""
        return any(str(path) == STDIN for path in self._files)

    @property
    def done(self) -> float | None:
        """The share that is read, 0 to 1; ``None`` where it cannot be known."""
        if self.once or not self._size:
            return None
        return min(self._taken / self._size, 1.0)

    def lines(self) -> Iterator[CaptureLine]:
        """Yield every line in order; raises :class:`CaptureError` and ``OSError``."""
        self._taken = 0
        latest: int | None = None
        for path in self._files:
            for line in self._read(path):
                if latest is not None and line.at < latest:
                    raise CaptureError(
                        f"{path}: begins at {format_time(line.at)}, before the last line ahead of it,"
                        f" {format_time(latest)}; give the files in the order of their times"
                    )
                latest = line.at
                yield line

    def _read(self, path: Path) -> Iterator[CaptureLine]:
        if str(path) == STDIN:
            assert self._stdin is not None
            yield from read_capture(self._whole_lines(self._stdin, "stdin"), "stdin")
            return
        with path.open("rb") as stream:
            yield from read_capture(self._whole_lines(stream, str(path)), str(path))

    def _whole_lines(self, stream: IO[bytes], name: str) -> Iterator[bytes]:
        for line in split_lines(self._chunks(stream), name):
            if line.endswith(b"\n") or _is_whole(line):
                yield line
            else:
                self._told(f"{name}: ends within a line; its last {len(line)} bytes are passed over")

    def _chunks(self, stream: IO[bytes]) -> Iterator[bytes]:
        # What comes on standard input is taken as it comes: nobody waits for a chunk to fill.
        read = getattr(stream, "read1", stream.read)
        while chunk := read(_CHUNK):
            self._taken += len(chunk)
            yield chunk


def split_lines(chunks: Iterator[bytes], name: str) -> Iterator[bytes]:
    """Yield the lines of a stream that may be gzip, each with its newline; the last one may lack it.

    Raises :class:`CaptureError` at a line that no recorder writes, before memory is filled with it.
    """
    left: list[bytes] = []
    length = 0
    first = next(chunks, b"")
    while 0 < len(first) < len(_GZIP) and (more := next(chunks, b"")):
        first += more
    whole = _chain(first, chunks)
    for text in _unzip(whole, name) if first.startswith(_GZIP) else whole:
        # Only a newline ends a line: a lone carriage return is a blank of JSON.
        lines = list(io.BytesIO(text))
        if left and text.find(b"\n") >= 0:
            lines[0] = b"".join((*left, lines[0]))
            left.clear()
            length = 0
        rest = b"" if lines[-1].endswith(b"\n") else lines.pop()
        yield from lines
        if rest:
            # Joined once, at its end: a long line comes in thousands of parts.
            left.append(rest)
            length += len(rest)
            if length > LINE_BYTES_MAX:
                raise CaptureError(
                    f"{name}: a line is longer than {LINE_BYTES_MAX:,} bytes, so that this is no capture;"
                    " a capture is JSON Lines, a message on each"
                )
    if left:
        yield b"".join(left)


def _chain(first: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    if first:
        yield first
    yield from rest


def _unzip(chunks: Iterator[bytes], name: str) -> Iterator[bytes]:
    """Inflate one gzip member behind another, as far as they go: what was cut off is read up to the cut."""
    unzip = zlib.decompressobj(_GZIP_OR_ZLIB)
    begun = False
    for chunk in chunks:
        while chunk:
            if unzip.eof:
                unzip, begun = zlib.decompressobj(_GZIP_OR_ZLIB), False
            begun = True
            try:
                text = unzip.decompress(chunk, _CHUNK)
            except zlib.error as error:
                raise CaptureError(
                    f"{name}: the gzip is damaged and cannot be read any further ({error}); use another copy of the file"
                ) from None
            chunk = unzip.unused_data if unzip.eof else unzip.unconsumed_tail
            if text:
                yield text
    if begun and not unzip.eof:
        try:
            text = unzip.flush()
        except zlib.error:
            text = b""
        if text:
            yield text


def _is_whole(line: bytes) -> bool:
    """Tell whether a last line without its newline is one all the same: a part of an object is never an object."""
    try:
        list(read_capture([line]))
    except CaptureError:
        return False
    return True


def name_of(paths: Sequence[Path]) -> str:
    """Name what is read, for a person."""
    return os.fspath(paths[0]) if len(paths) == 1 else f"{len(paths)} captures"
