"""Memory of openings and closings: how long each took.

An opening runs from the leaf leaving its frame to the door standing open, held or at full
travel; a closing from leaving that to the leaf being back in its frame. The leaf is what is
timed on a powered door too: from the selector on, the wait for the pump would count.

A way that turns back, rests for more than :data:`RESTS_AFTER`, goes through an unknown
state, comes from a backlog or takes another time by its sender's stamps than by our receipt
says nothing about damper or actuator, and is not counted.

What is usual is the last :data:`USUAL_MAX` ways that were like those before them. A slow drift
within the band is followed, a leap is not: it stays told until the door is as before, or
until :data:`STRAYS_MAX` in a row say that the door has changed for good.
"""

from __future__ import annotations

from typing import Final

from monitor.core.baseline import TIMED, band_ms, describe_spread
from monitor.core.door import State
from monitor.core.memos import TransitMemo, Transits
from monitor.core.times import MILLISECOND, SECOND
from monitor.core.view import View

SIGNALS: Final[frozenset[str]] = frozenset({"travel"})
"""Door signals gone by."""

EARLIER_MIN: Final = 8
"""With fewer ways before it, none is compared."""
USUAL_MAX: Final = 20
STRAYS_MAX: Final = 20
RESTS_AFTER: Final = 5 * SECOND
STAMPS_AGREE: Final = SECOND


def note_door(view: View, changes: set[str]) -> None:
    """Keep the door's memo."""
    door = view.door
    if door is None or view.spec is None or view.spec.kind not in TIMED:
        return
    memo = door.transit_memo
    out, state = view.leaf_out, view.state
    if memo is None:
        if not out or not changes & {"leaf", "*"}:
            return
        # Of a leaf that never moved nothing is remembered: it was in its frame if that is what changed just now.
        flips = (door.flips or {}).get("closed")
        memo = door.transit_memo = TransitMemo(seated=flips is not None and flips[-1] == view.now)
    if out is None or state is State.UNKNOWN or _is_behind(view):
        memo.way, memo.opened_at, memo.seated = "", None, False
        memo.out = memo.out or state is State.OPEN
        return
    if memo.way and "travel" in changes:
        memo.way = "" if _rested(memo, view.now) else memo.way
        memo.moved_at = view.now
    if not out:
        _note_in_frame(memo, view, changes)
    elif state is State.OPEN:
        _note_open(memo, view, changes)
    elif memo.opened_at is not None:
        memo.dwells = [*memo.dwells[1 - USUAL_MAX :], (view.now - memo.opened_at) // MILLISECOND]
        memo.opened_at = None
        _begin(memo, view, "closing")
    elif memo.seated:
        _begin(memo, view, "opening")
    memo.seated = not out


def _note_in_frame(memo: TransitMemo, view: View, changes: set[str]) -> None:
    if memo.out:
        memo.cycles += 1
    if memo.way == "closing":
        _complete(memo, memo.closing, view, changes)
    memo.way, memo.opened_at, memo.out = "", None, False


def _note_open(memo: TransitMemo, view: View, changes: set[str]) -> None:
    if memo.way == "opening":
        _complete(memo, memo.opening, view, changes)
    memo.way, memo.out = "", True
    if memo.opened_at is None and "state" in changes:
        memo.opened_at = view.now


def _begin(memo: TransitMemo, view: View, way: str) -> None:
    memo.way, memo.since, memo.stamp, memo.moved_at = way, view.now, _stamp(view), None


def _complete(memo: TransitMemo, ways: Transits, view: View, changes: set[str]) -> None:
    took = view.now - memo.since
    stamp = _stamp(view)
    if took <= 0 or _rested(memo, view.now) or memo.stamp is None or stamp is None:
        return
    if abs(stamp - memo.stamp - took) > STAMPS_AGREE:
        return
    took_ms = took // MILLISECOND
    ways.last_ms = took_ms
    changes.add("memo/transit")
    if len(ways.usual) < EARLIER_MIN:
        ways.median_ms = None
        ways.usual.append(took_ms)
        return
    ways.median_ms, ways.mad_ms = describe_spread(ways.usual)
    if abs(took_ms - ways.median_ms) <= band_ms(ways.median_ms, ways.mad_ms):
        ways.usual = [*ways.usual[1 - USUAL_MAX :], took_ms]
        ways.strays = []
        return
    ways.strays.append(took_ms)
    if len(ways.strays) >= STRAYS_MAX:
        ways.usual, ways.strays = ways.strays, []


def _rested(memo: TransitMemo, now: int) -> bool:
    """Tell whether the leaf stood still on its way, where its travel is reported at all."""
    return memo.moved_at is not None and now - memo.moved_at > RESTS_AFTER


def _is_behind(view: View) -> bool:
    aircraft, door = view.aircraft, view.door
    own = door.sender if door is not None else None
    return (aircraft is not None and aircraft.sender.backlog) or (own is not None and own.backlog)


def _stamp(view: View) -> int | None:
    """The sender's stamp of what has just come of the leaf, µs."""
    readings = (view.reading(signal) for signal in ("closed", "hold_open", "travel"))
    return max(
        (r.time for r in readings if r is not None and r.time is not None and r.received == view.now), default=None
    )
