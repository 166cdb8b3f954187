"""What a recorder says that is missing of its capture: gaps, in which what was sent may not have been heard.

Owns when a gap begins and ends. It reads nothing: the lines come by.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple

from monitor.adapters.capture import CaptureLine
from monitor.core.times import format_time

NOT_CONNECTED: Final = "the recorder had no connection"


class Missed(NamedTuple):
    """A part of a capture, from ``begun`` up to ``over`` (µs), in which messages may be missing, and why."""

    begun: int
    over: int
    why: str


class Gaps:
    """The gaps of one pass of a capture, in order, as its lines come by."""

    def __init__(self) -> None:
        self._found: list[Missed] = []
        self._lost_at: int | None = None
        self._latest = 0

    def watch(self, lines: Iterable[CaptureLine]) -> Iterator[CaptureLine]:
        """Pass the lines on."""
        for line in lines:
            self._take(line)
            yield line

    def _take(self, line: CaptureLine) -> None:
        note = line.note
        # What comes over a connection shows that it stands, whether or not that was noted.
        if line.message is not None or (note is not None and note.connection == "back"):
            self._end(line.at)
        elif note is not None and note.left_out:
            why = f"the recorder left out {note.left_out} messages"
            self._found.append(Missed(self._latest or line.at, line.at, why))
        elif note is not None and self._lost_at is None:
            self._lost_at = line.at
        self._latest = line.at

    def _end(self, at: int) -> None:
        if self._lost_at is not None:
            self._found.append(Missed(self._lost_at, at, NOT_CONNECTED))
            self._lost_at = None

    def list_gaps(self, until: int | None = None) -> list[Missed]:
        """The gaps so far; one that is not over goes on up to ``until`` (µs), or the last line."""
        found = list(self._found)
        if self._lost_at is not None:
            found.append(
                Missed(self._lost_at, max(self._lost_at, self._latest if until is None else until), NOT_CONNECTED)
            )
        return sorted(found)


def describe_gaps(gaps: Iterable[Missed]) -> str:
    """Say in a line how many there are and which is the longest; nothing where there is none."""
    found = list(gaps)
    if not found:
        return ""
    longest = max(found, key=lambda gap: gap.over - gap.begun)
    number = "1 gap" if len(found) == 1 else f"{len(found)} gaps, the longest"
    return f"{number} from {format_time(longest.begun)} to {format_time(longest.over)}: {longest.why}"
