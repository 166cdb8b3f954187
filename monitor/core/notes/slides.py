"""Memory of slides: releases, handles and leaves that slide rules count time from."""

from __future__ import annotations

from typing import Final

from monitor.core.airframe import DoorKind
from monitor.core.alert import EVACUATION
from monitor.core.kleene import Truth
from monitor.core.memos import EvacuationMemo, SlideMemo
from monitor.core.view import View

SIGNALS: Final = frozenset(
    {"handle_lifted", "outside_handle_lifted", "hold_open", "travel", "slide_released", "slide_erect"}
)
"""Door signals gone by."""

AIRFRAME: Final = frozenset({"airframe/emergency"})
"""Changes of the aircraft gone by, as ``airframe/…``."""

RELEASED: Final = "memo/released"
"""The change of the whole aircraft that a released or a reset slide is."""
SLIDE: Final = "memo/slide"
"""The change of a door that one of its memo is."""

_BY: Final = SIGNALS - {"travel"} | {"*", "leaf", "state"}
_RELEASES: Final = frozenset({"slide_released", "*"})
_NOTHING: Final = SlideMemo()


def note_door(view: View, changes: set[str]) -> None:
    """Keep the door's memo."""
    door = view.door
    if door is None or (changes.isdisjoint(_BY) and view.has_hold_open):
        return
    before = door.slide_memo if door.slide_memo is not None else _NOTHING
    after = _take(view, before, left="leaf" in changes) if view.has_slide else _NOTHING
    if after != before:
        door.slide_memo = after if after != _NOTHING else None
        changes.add(SLIDE)


def _take(view: View, before: SlideMemo, *, left: bool) -> SlideMemo:
    now, out, deployed = view.now, view.leaf_out, view.deployed
    memo = SlideMemo(erect=deployed and (before.erect or view.true("slide_erect") is True))
    if view.spec is not None and view.spec.kind is DoorKind.CABIN:
        in_frame = out is False
        memo.handle_at = _moved_at(before.handle_at, view.handle_moved, now, ends=in_frame and not deployed)
        memo.inside_at = _moved_at(before.inside_at, view.true("handle_lifted"), now, ends=in_frame)
        if memo.inside_at is not None:
            memo.opened = before.opened or (out is True and view.held_open is True)
    if out is not False and not deployed:
        memo.left_at = before.left_at
        # Out after not being known counts from here: it left unseen.
        if memo.left_at is None and left and out and view.engaged:
            memo.left_at = now
    return memo


def _moved_at(at: int | None, moved: Truth, now: int, *, ends: bool) -> int | None:
    """Since when a handle is off its stop: a handle that goes home ends nothing while its leaf is out."""
    if at is None:
        return now if moved else None
    return None if moved is False and ends else at


def note_aircraft(view: View, air: set[str], doors: dict[str | None, set[str]]) -> None:
    """Keep the aircraft's memo: what there was of an emergency in an evacuation, and until when it lasted."""
    aircraft = view.aircraft
    if aircraft is None:
        return
    for name, changes in doors.items():
        if name is not None and not changes.isdisjoint(_RELEASES):
            air.add(RELEASED)
    tracker = aircraft.trackers.get(EVACUATION)
    under_way = tracker is not None and tracker.levels[0].held
    memo = aircraft.evacuation
    if memo is None:
        if not under_way and view.airframe_true("emergency") is not True:
            return
        memo = aircraft.evacuation = EvacuationMemo()
    memo.declared = view.airframe_true("emergency") is True or (memo.declared and under_way)
    if under_way:
        memo.last_at = view.now
    elif not memo.declared and not any(door.deployed for door in aircraft.doors.values()):
        aircraft.evacuation = None
