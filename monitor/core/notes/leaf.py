"""Memory of a leaf: when it last moved, and where it stood when its drive came to rest.

Owns telling movement from noise. A leaf on its way reports ten times a second, so rules
are told only when it starts to move (``memo/leaf-moves``) and while one that was left at
rest moves (``memo/leaf-strays``).
"""

from __future__ import annotations

from typing import Final

from monitor.core.door import State
from monitor.core.memos import LeafMemo
from monitor.core.state import DoorRecord
from monitor.core.times import SECOND
from monitor.core.view import View

SIGNALS: Final[frozenset[str]] = frozenset({"travel", "selector", "hand_pump"})
"""Door signals gone by."""

NOISE: Final = 0.01 - 1e-9
"""A smaller change of travel is no movement; the last bit of a float decides nothing."""
PAUSE: Final = SECOND
"""A leaf that moves again after this long starts to move."""
SETTLES_IN: Final = 2 * SECOND
"""A powered leaf has run out this long after its selector came to neutral (the contract's figure)."""

MOVES: Final = "memo/leaf-moves"
STRAYS: Final = "memo/leaf-strays"


def note_door(view: View, changes: set[str]) -> None:
    """Keep the door's memo."""
    door = view.door
    if door is None:
        return
    powered = view.fits("selector") or view.reading("selector") is not None
    memo = door.leaf_memo
    if memo is None:
        if not powered and view.state is not State.AJAR:
            return
        memo = door.leaf_memo = LeafMemo(position=view.number("travel"))
        memo.mark = memo.position
    if powered:
        _take_rest(memo, view.now)
    _note_travel(view, memo, changes)
    if powered:
        _note_drive(view, memo)
    _note_ajar(view, door, memo, keep=powered)


def _note_travel(view: View, memo: LeafMemo, changes: set[str]) -> None:
    position = view.number("travel")
    if position != memo.position:
        memo.position = position
        if memo.rest is not None:
            changes.add(STRAYS)
    if position is None:
        return
    if memo.mark is None:
        memo.mark = position
    elif abs(position - memo.mark) >= NOISE:
        if memo.moved_at is None or view.now - memo.moved_at > PAUSE:
            changes.add(MOVES)
        memo.mark, memo.moved_at = position, view.now


def _take_rest(memo: LeafMemo, now: int) -> None:
    """Take the travel at rest once its moment is past: what was known up to then, before anything new."""
    if memo.drive == "" and memo.rest is None and memo.rest_at is not None and memo.rest_at < now:
        memo.rest = memo.position


def _note_drive(view: View, memo: LeafMemo) -> None:
    """Follow selector and hand pump; whatever may drive the leaf takes its place of rest away."""
    before, neutral, pumped = memo.drive, view.selector_neutral, view.hand_pumped
    drive = None
    if neutral is not None and pumped is not None:
        drive = "selector" if not neutral else "pump" if pumped else ""
    if drive == before:
        if drive == "" and memo.rest is None and memo.rest_at is None and view.leaf_out:
            # It came out with nothing driving it that was seen: where it stands in a moment is where it should stay.
            memo.rest_at = view.now + SETTLES_IN
        return
    memo.drive = drive
    if drive is None or drive == "selector":
        memo.rest = memo.rest_at = None
    elif before == "selector":
        memo.rest_at = view.now + SETTLES_IN
    elif drive == "pump":
        memo.rest = None
    elif before == "pump":
        memo.rest_at = max(memo.rest_at or view.now, view.now)
    elif view.leaf_out:
        # Met at rest out of its frame: whatever brought it there is over.
        memo.rest_at = view.now + SETTLES_IN


def _note_ajar(view: View, door: DoorRecord, memo: LeafMemo, *, keep: bool) -> None:
    state = view.state
    if state is State.AJAR:
        if memo.ajar_since is None:
            memo.ajar_since = view.now
    elif state is State.UNKNOWN:
        if memo.ajar_since is not None:
            memo.ajar_ran += view.now - memo.ajar_since
            memo.ajar_since = None
    elif keep:
        memo.ajar_since, memo.ajar_ran = None, 0
    else:
        door.leaf_memo = None
