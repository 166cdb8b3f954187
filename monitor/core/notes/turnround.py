"""Memory of a turnaround: engines stopped, beacon on anew, slides engaged at the time.

Owns whether an aircraft is departing, since that hangs on all of its cabin doors and on
what came before. It tells this as a fact; what it calls for is the rules' business.
"""

from __future__ import annotations

from typing import Final

from monitor.core.airframe import DoorKind
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.memos import TurnroundMemo
from monitor.core.view import CABIN_ENTRIES, SLIDE_SIGNALS, View

AIRFRAME: Final[frozenset[str]] = frozenset(
    {"airframe/beacon", "airframe/weight_on_wheels", *(f"airframe/engine_{n}_running" for n in range(1, 5))}
)
"""Changes of the aircraft gone by, as ``airframe/…``."""

_AT_DOORS: Final = frozenset({"leaf", "access", *SLIDE_SIGNALS})

DEPARTING: Final = "memo/departing"
ARRIVAL: Final = "memo/arrival"


def note_aircraft(view: View, air: set[str], doors: dict[str | None, set[str]]) -> None:
    """Keep the aircraft's memo."""
    aircraft = view.aircraft
    if aircraft is None:
        return
    if (
        "*" not in air
        and air.isdisjoint(AIRFRAME)
        and all(names.isdisjoint(_AT_DOORS) for name, names in doors.items() if name is not None)
    ):
        return
    if aircraft.turnround is None:
        aircraft.turnround = TurnroundMemo()
    memo = aircraft.turnround
    before = memo.departing, memo.engaged, memo.disengaged
    stopped = _stopped(view, memo)
    if stopped or "*" in air or any(not names.isdisjoint(SLIDE_SIGNALS) for names in doors.values()):
        _note_slides(view, memo, stopped=stopped)
    beacon = view.airframe_true("beacon")
    if beacon is not None:
        memo.anew = True if beacon and memo.lit is False else memo.anew
        memo.lit = beacon
    starting = all3((beacon, any3((view.any_engine, memo.anew))))
    # The doors are many readings: asked for only while the rest does not settle it.
    memo.departing = False if starting is False else all3((starting, _closed_up(view)))
    if memo.departing is not before[0]:
        air.add(DEPARTING)
    if (memo.engaged, memo.disengaged) != before[1:]:
        air.add(ARRIVAL)


def _note_slides(view: View, memo: TurnroundMemo, *, stopped: bool) -> None:
    """Follow the slides of the cabin doors; ``stopped``: those engaged just now were when the last engine stopped."""
    slides = {
        door.door.name: door.engaged
        for door in view.doors()
        if door.door is not None and door.spec is not None and door.spec.kind is DoorKind.CABIN and door.has_slide
    }
    if stopped:
        memo.anew = False
        memo.engaged = [name for name, engaged in slides.items() if engaged]
    else:
        memo.engaged = [name for name in memo.engaged if slides.get(name) is not False]
    memo.disengaged = any3(not3(engaged) for engaged in slides.values())


def _stopped(view: View, memo: TurnroundMemo) -> bool:
    """Tell whether the last engine stopped just now."""
    running = view.any_engine
    if running or view.on_ground is False:
        # Off the ground its engines run, whatever was heard of them before the feed broke off.
        memo.ran = True
    elif memo.ran and running is False:
        memo.ran = False
        return True
    return False


def _closed_up(view: View) -> Truth:
    """All cabin doors are in their frames, with nothing docked at one."""
    answers: list[Truth] = []
    for door in view.doors():
        if door.spec is None or door.spec.kind not in CABIN_ENTRIES:
            continue
        answers.append(not3(door.leaf_out))
        if door.fits("access") or door.reading("access") is not None:
            answers.append(not3(door.docked))
    return all3(answers)
