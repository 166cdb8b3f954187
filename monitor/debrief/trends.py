"""How a door moved over a period: how often, how long it took, and what was usual before.

Owns what an opening and a closing are, read from how the door stood: an opening from the
leaf leaving its frame to the door standing open, a closing from there to the leaf being back.
One with a while in between of which nothing is known counts for no time. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median

from monitor.core.timeline import Stood
from monitor.debrief.values import Bar, Trend, Ways

IN_FRAME = frozenset({"closed_locked", "armed", "unlocked", "armed_unlocked"})
OUT_OF_FRAME = frozenset({"ajar", "open", "slide_deployed"})
TURNED = frozenset({"ajar"})


@dataclass(slots=True)
class Moves:
    """A door's moves, counted as its states pass by; lengths in µs."""

    openings: int = 0
    closings: int = 0
    opening: list[int] = field(default_factory=list)
    closing: list[int] = field(default_factory=list)
    dwell: list[int] = field(default_factory=list)
    _last: str = ""
    _left_at: int | None = None
    _open_at: int | None = None
    _closing_at: int | None = None

    def take(self, at: int, state: str) -> None:
        """Take the door's state from ``at`` on; what is neither in its frame nor out of it is not known."""
        last, self._last = self._last, state
        if state not in IN_FRAME | OUT_OF_FRAME:
            self._left_at = self._open_at = self._closing_at = None
            return
        if last in IN_FRAME and state in OUT_OF_FRAME:
            self.openings += 1
            self._left_at = at if state in TURNED else None
        elif last in OUT_OF_FRAME and state in IN_FRAME:
            self.closings += 1
            if self._closing_at is not None:
                self.closing.append(at - self._closing_at)
            self._left_at = self._open_at = self._closing_at = None
        if state == "open" and last != "open":
            if self._left_at is not None:
                self.opening.append(at - self._left_at)
            self._open_at, self._left_at, self._closing_at = at, None, None
        elif last == "open" and state in TURNED:
            self._closing_at = at
            if self._open_at is not None:
                self.dwell.append(at - self._open_at)


def count_moves(bars: Iterable[Bar]) -> Moves:
    """Count a line's moves."""
    moves = Moves()
    for bar in bars:
        moves.take(bar.begun, bar.state)
    return moves


def find_trend(reg: str, door: str, bars: Sequence[Bar], earlier: Sequence[Stood]) -> Trend:
    """Say how a door moved in its line of time, and what was usual ``earlier``."""
    moves, usual = count_moves(bars), Moves()
    for note in earlier:
        usual.take(note.at, note.state)
    return Trend(
        reg,
        door,
        moves.openings,
        moves.closings,
        min(moves.openings, moves.closings),
        _ways(moves.opening, usual.opening),
        _ways(moves.closing, usual.closing),
        _ways(moves.dwell, usual.dwell),
    )


def _ways(own: Sequence[int], usual: Sequence[int]) -> Ways | None:
    if not own:
        return None
    return Ways(round(median(own)), round(median(usual)) if usual else None, len(own))
