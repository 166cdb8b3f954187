"""What somebody could do at a door now, as the readings that it would make.

Owns the list of actions by kind of door, and which of them are left out because they are
done already. An action that cannot be told to be done is listed. Whether any of them is a
good idea is for the core to answer, not for this list.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from monitor.core.airframe import DoorKind
from monitor.core.rules.rule import HANDLES, SLIDE
from monitor.core.signals import Value
from monitor.core.view import View

Readings = Mapping[tuple[str | None, str], Value]
"""(door, signal) → value; the door is ``None`` for a signal of the airframe."""

SWING_S = 4.0
"""How long a leaf takes to its full travel when an action opens or closes it: common practice, for the order of steps only."""


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do: its name, what it is in words, and its steps as (seconds from now, readings together)."""

    name: str
    text: str
    steps: tuple[tuple[float, Readings], ...]


def list_actions(view: View) -> list[Action]:
    """List what could be done at a door, and to the aircraft around it, that is not known to be done already."""
    if view.door is None or view.spec is None:
        return []
    return [*_at_handles(view), *_at_leaf(view), *_at_slide(view), *_at_doorway(view), *_at_aircraft(view)]


class _Door:
    """Writes readings of one door, of signals that it fits or sends."""

    def __init__(self, view: View) -> None:
        self._view = view
        self.name = view.door.name if view.door is not None else ""

    def has(self, signal: str) -> bool:
        return self._view.fits(signal) or self._view.value(signal) is not None

    def sets(self, **values: Value) -> Readings:
        return {(self.name, signal): value for signal, value in values.items() if self.has(signal)}


def _unlocked(handle: str) -> dict[str, Value]:
    return {handle: True, "locked": False, "latched": False, "lock_flags": False}


def _at_handles(view: View) -> Iterator[Action]:
    door = _Door(view)
    inside, outside = HANDLES
    if door.has(inside) and view.true(inside) is not True:
        yield Action("lift-handle", "Lift the inside handle", ((0.0, door.sets(**_unlocked(inside))),))
    if door.has(outside) and view.true(outside) is not True:
        # Lifting it also disengages the slide (design, section 3).
        slide: dict[str, Value] = dict.fromkeys(SLIDE, False)
        readings = door.sets(**_unlocked(outside), **slide)
        yield Action(
            "lift-outside-handle", "Lift the outside handle, which also disengages the slide", ((0.0, readings),)
        )
        if view.engaged is not False and view.has_slide:
            yield Action(
                "lift-outside-handle-slide-stays",
                "Lift the outside handle, and the slide stays engaged",
                ((0.0, door.sets(**_unlocked(outside))),),
            )
    if view.handle_moved is not False and view.leaf_out is not True:
        yield Action("lock", "Put the handle home with the leaf in its frame", ((0.0, _home(door)),))


def _home(door: _Door) -> Readings:
    return door.sets(handle_lifted=False, outside_handle_lifted=False, latched=True, locked=True, lock_flags=True)


def _at_leaf(view: View) -> Iterator[Action]:
    door = _Door(view)
    if view.leaf_out is not True:
        opening: dict[str, Value] = {**_unlocked("handle_lifted"), "closed": False, "travel": 0.1}
        if view.spec is not None and view.spec.kind is DoorKind.OVERWING:
            opening["cover_fitted"] = False
        steps: list[tuple[float, Readings]] = [
            (0.0, door.sets(**_unlocked("handle_lifted"))),
            (1.0, door.sets(**opening)),
        ]
        if door.has("travel") or door.has("hold_open"):
            steps.append((1.0 + SWING_S, door.sets(travel=1.0, hold_open=True)))
        if door.has("selector"):
            steps.insert(1, (0.5, door.sets(selector="open", hand_pump=False)))
            steps.append((2.0 + SWING_S, door.sets(selector="neutral")))
        # Whether a slide comes out is the slide's to say: no reading of that is made up here.
        armed = view.has_slide and view.engaged is not False
        text = "Open the door fully; that its slide is released is not played" if armed else "Open the door fully"
        yield Action("open", text, tuple(steps))
    if view.leaf_out is not False and not view.deployed:
        steps = [(0.0, door.sets(hold_open=False, travel=0.9)), (SWING_S, door.sets(closed=True, travel=0.0))]
        if door.has("selector"):
            steps.insert(0, (0.0, door.sets(selector="close")))
        steps.append((SWING_S + 1.0, {**_home(door), **door.sets(cover_fitted=True, selector="neutral")}))
        yield Action("close", "Close the door and put the handle home", tuple(steps))
    if door.has("cover_fitted") and view.true("cover_fitted") is not False:
        yield Action("take-cover-off", "Take the hatch's cover off", ((0.0, door.sets(cover_fitted=False)),))


def _at_slide(view: View) -> Iterator[Action]:
    door = _Door(view)
    if not view.has_slide or not any(door.has(signal) for signal in SLIDE):
        return
    if view.fully_engaged is not True:
        readings = door.sets(pin_fitted=False, lever_armed=True, girt_left=True, girt_right=True)
        yield Action("arm", "Take the pin out and engage the slide", ((0.0, readings),))
    if view.engaged is not False:
        readings = door.sets(pin_fitted=True, lever_armed=False, girt_left=False, girt_right=False)
        yield Action("disarm", "Disengage the slide and fit the pin", ((0.0, readings),))


def _at_doorway(view: View) -> Iterator[Action]:
    door = _Door(view)
    if door.has("access"):
        if view.docked is not False:
            yield Action("withdraw-access", "Withdraw the access equipment", ((0.0, door.sets(access="none")),))
        if view.docked is not True:
            needed = view.spec.access_needed if view.spec is not None else ()
            equipment = needed[0] if needed else "stairs"
            yield Action(f"dock-{equipment}", f"Dock {equipment} at the door", ((0.0, door.sets(access=equipment)),))
    if door.has("barrier"):
        if view.true("barrier") is not True:
            yield Action("set-barrier", "Set a barrier across the doorway", ((0.0, door.sets(barrier=True)),))
        if view.true("barrier") is not False:
            yield Action("take-barrier", "Take the barrier away", ((0.0, door.sets(barrier=False)),))


def _at_aircraft(view: View) -> Iterator[Action]:
    for number, side in (view.airframe.engines if view.airframe is not None else {}).items():
        if view.engine(number) is not True:
            yield Action(
                f"start-engine-{number}",
                f"Start engine {number} ({side})",
                ((0.0, {(None, f"engine_{number}_running"): True}),),
            )
    running = [n for n in (view.airframe.engines if view.airframe is not None else ()) if view.engine(n) is not False]
    if running:
        stopped: Readings = {(None, f"engine_{number}_running"): False for number in running}
        yield Action("stop-engines", "Stop every engine", ((0.0, stopped),))
    if view.airframe_true("beacon") is not True:
        yield Action("beacon-on", "Switch the beacon on", ((0.0, {(None, "beacon"): True}),))
    moving: Readings = {(None, "beacon"): True, (None, "parking_brake"): False, (None, "chocks"): False}
    yield Action("move-off", "Let the aircraft move off", ((0.0, moving), (2.0, {(None, "ground_speed_kt"): 4.0})))
    if view.airframe_true("refuelling") is not True:
        yield Action("start-refuelling", "Start refuelling", ((0.0, {(None, "refuelling"): True}),))
