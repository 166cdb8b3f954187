"""One door of any of the eight kinds, as a mechanism that moves in time.

Owns the handle, latches, lock, hold-open lock, cover, selector and pumps, what holds and
moves the leaf, and what each of their sensors shows. A single shaft carries the handle: the
lock lets go first, then the latches, then the leaf is free, and all of it comes back the
other way round; so every sensor order that this model gives is one that a real door could
give. How a leaf swings is :mod:`simulators.models.leaf`'s, and what a pump does
:mod:`simulators.models.hydraulics`'s. It never knows a topic, a clock or an aircraft.
"""

from __future__ import annotations

import enum
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from monitor.core.airframe import DoorKind, DoorType
from monitor.core.signals import Value
from simulators.models import hydraulics
from simulators.models.hydraulics import HydraulicBuild
from simulators.models.leaf import Breeze, LeafBuild, Swing, build_leaf, swing
from simulators.models.motion import toward

HANDLE_HOME: Final = 0.03
"""Shaft position (0 home, 1 fully lifted) below which the handle is on its locked stop."""
FLAGS_SHOWN: Final = 0.22
LOCK_ENGAGED: Final = 0.25
LATCH_ENGAGED: Final = 0.6
LEAF_FREE: Final = 0.95
"""Shaft position from which nothing but its own weight holds the leaf in its frame."""
IN_FRAME: Final = 0.01
"""Leaf travel (0 shut, 1 full) below which its frame switch is made."""

_ASSISTED_OPEN_S: Final = 3.0
"""How long the leaf takes with a full assist bottle."""
_PLUGS: Final = frozenset({DoorKind.CABIN, DoorKind.OVERWING, DoorKind.WINDOW, DoorKind.BULK, DoorKind.HATCH})
"""Kinds whose leaf comes inwards first: pressure in the cabin presses it into its frame."""
_OVERCOME_N: Final = 2500.0
"""More than that on a leaf, and nobody brings it inwards by its handle: common practice."""
_PRESSED_AT: Final = 0.7
"""Where the handle of a leaf that is pressed into its frame comes to a stop: unlatched, not free."""
_SUNK_TO: Final = 2 * IN_FRAME
"""A leaf that sinks by itself comes to rest on its sill, out of its frame."""
_DAMPER_LEFT: Final = 0.05
"""What is left of a damper that is worn out: friction."""


class Task(enum.Enum):
    """What the person at the door is doing."""

    NONE = "none"
    OPENING = "opening"
    CLOSING = "closing"


@dataclass(frozen=True, slots=True)
class Mechanism:
    """How one door is built. Times in seconds for the whole way at a usual pace; ``actuator`` on powered ones."""

    kind: DoorKind
    handle_s: float
    open_s: float
    close_s: float
    hold_open_lock: bool
    swinging: LeafBuild
    actuator: HydraulicBuild | None

    @property
    def powered(self) -> bool:
        return self.actuator is not None


@dataclass(frozen=True, slots=True)
class DoorState:
    """Where every part of a door is. Positions run from 0 (home, shut) to 1.

    ``pumped_s`` is how long the hand pump has been worked, and ``pump_until_s`` when it rests
    again (``None``: when told). Faults: ``sink_per_s``; ``leak_cm3_s``, lost at the holding
    pressure; ``pump_failed``, the electric one; ``drag``, how many times as long as new the leaf
    takes; ``damper_worn``, the share of its strength that the damper has lost.
    """

    task: Task = Task.NONE
    pace: float = 1.0
    handle: float = 0.0
    handle_to: float = 0.0
    outside: float = 0.0
    outside_to: float = 0.0
    leaf: float = 0.0
    leaf_to: float = 0.0
    leaf_rad_per_s: float = 0.0
    hold_open: bool = False
    cover: bool = True
    selector: str = "neutral"
    actuator_bar: float = 0.0
    hand_pump: bool = False
    pumped_s: float = 0.0
    pump_until_s: float | None = None
    sink_per_s: float = 0.0
    leak_cm3_s: float = 0.0
    pump_failed: bool = False
    drag: float = 1.0
    damper_worn: float = 0.0
    access: str = "none"
    barrier: bool = False

    @property
    def shaft(self) -> float:
        """How far the shaft is turned, by whichever handle turned it further."""
        return max(self.handle, self.outside)

    @property
    def damper(self) -> float:
        """How strong the leaf's damper is, with whatever drags on it; 1 as new."""
        return max(_DAMPER_LEFT, 1.0 - self.damper_worn) * self.drag

    @property
    def in_frame(self) -> bool:
        return self.leaf <= IN_FRAME

    @property
    def secured(self) -> bool:
        """In frame with every handle home, so latched and locked too."""
        return self.in_frame and self.shaft <= HANDLE_HOME


_TIMES: Final[Mapping[DoorKind, tuple[float, float, float]]] = MappingProxyType(
    {
        DoorKind.CABIN: (1.2, 7.5, 8.0),
        DoorKind.AIRSTAIR: (1.0, 9.0, 12.0),
        DoorKind.OVERWING: (0.6, 2.0, 4.0),
        DoorKind.WINDOW: (0.8, 2.5, 2.5),
        DoorKind.CARGO: (1.5, 20.0, 22.0),
        DoorKind.BULK: (1.0, 4.0, 4.0),
        DoorKind.HATCH: (0.8, 2.0, 2.0),
        DoorKind.MAIN_DECK: (2.0, 40.0, 44.0),
    }
)
"""Seconds to lift the handle, to open and to close, by kind: common practice."""

_USUAL_HOLDING_BAR: Final = 120.0


def mechanism_for(door: DoorType, rng: random.Random) -> Mechanism:
    """Build the mechanism of ``door``; ``rng`` makes each door its own, within 6 per cent."""
    handle_s, open_s, close_s = (seconds * rng.uniform(0.94, 1.06) for seconds in _TIMES[door.kind])
    powered = door.kind in (DoorKind.CARGO, DoorKind.MAIN_DECK)
    holding_bar = door.actuator_bar_min or _USUAL_HOLDING_BAR
    return Mechanism(
        kind=door.kind,
        handle_s=handle_s,
        open_s=open_s,
        close_s=close_s,
        hold_open_lock="hold_open" in door.signals,
        swinging=build_leaf(door.kind, door.leaf_area_m2, open_s, close_s),
        actuator=hydraulics.build_hydraulics(door.leaf_area_m2, holding_bar, open_s, close_s) if powered else None,
    )


def begin_opening(state: DoorState, *, pace: float = 1.0, outside: bool = False) -> DoorState:
    """Have somebody open the door, from the outside if said; ``pace`` above 1 is quicker than usual."""
    if outside:
        return replace(state, task=Task.OPENING, pace=pace, outside_to=1.0)
    return replace(state, task=Task.OPENING, pace=pace)


def begin_closing(state: DoorState, *, pace: float = 1.0) -> DoorState:
    """Have somebody close the door and put its handle home."""
    return replace(state, task=Task.CLOSING, pace=pace, sink_per_s=0.0, leak_cm3_s=0.0)


def begin_pumping(state: DoorState, strokes: int | None = None) -> DoorState:
    """Have somebody work the hand pump, for so many strokes, or until told to rest."""
    until = None if strokes is None else hydraulics.seconds_for(strokes)
    return replace(state, hand_pump=until != 0, pumped_s=0.0, pump_until_s=until)


def losing(state: DoorState, build: HydraulicBuild, bar_per_s: float) -> DoorState:
    """Have the actuator leak so that its pressure first falls by ``bar_per_s``."""
    return replace(state, leak_cm3_s=hydraulics.usual_leak_cm3_s(build, bar_per_s))


def settled(mechanism: Mechanism, state: DoorState) -> bool:
    """Return true when another time step would change nothing."""
    if state.task is not Task.NONE or state.hand_pump or state.sink_per_s:
        return False
    if state.leak_cm3_s and state.actuator_bar > 0:
        return False
    still = state.handle == state.handle_to and state.outside == state.outside_to
    if mechanism.powered and (state.selector != "neutral" or (state.in_frame and state.actuator_bar > 0)):
        return False
    return still and state.leaf == state.leaf_to


def step(
    mechanism: Mechanism,
    state: DoorState,
    dt_s: float,
    *,
    assist: float = 0.0,
    breeze: Breeze | None = None,
    press_n: float = 0.0,
) -> DoorState:
    """Let ``dt_s`` seconds pass.

    ``assist`` is how full the emergency assist bottle is that drives the leaf, 0 where none
    does; ``breeze`` what blows on this side of the aircraft; ``press_n`` how hard the cabin
    presses the leaf outwards (N), which holds a plug in its frame.
    """
    state = _next_move(mechanism, state)
    turn = dt_s * state.pace / mechanism.handle_s
    handle = _turned(state.handle, state.handle_to, turn, state.in_frame)
    outside = _turned(state.outside, state.outside_to, turn, state.in_frame)
    if state.in_frame and press_n > _OVERCOME_N and mechanism.kind in _PLUGS:
        handle, outside = (
            min(new, max(old, _PRESSED_AT)) for new, old in ((handle, state.handle), (outside, state.outside))
        )
    if handle != state.handle or outside != state.outside:
        state = replace(state, handle=handle, outside=outside)
    if mechanism.actuator is not None:
        return _driven(mechanism, mechanism.actuator, state, dt_s)
    return _swung(mechanism, state, dt_s, assist, breeze)


def _next_move(mechanism: Mechanism, state: DoorState) -> DoorState:
    if state.task is Task.OPENING:
        return _next_opening_move(mechanism, state)
    if state.task is Task.CLOSING:
        return _next_closing_move(mechanism, state)
    return state


def _next_opening_move(mechanism: Mechanism, state: DoorState) -> DoorState:
    if mechanism.kind is DoorKind.OVERWING and state.cover:
        return replace(state, cover=False)
    if state.outside_to < 1.0 and state.handle_to < 1.0:
        return replace(state, handle_to=1.0)
    if state.shaft < LEAF_FREE:
        return state
    if state.leaf >= 1.0 and (state.hold_open or not mechanism.hold_open_lock):
        return replace(state, task=Task.NONE, selector="neutral")
    return replace(state, leaf_to=1.0, selector="open" if mechanism.powered else state.selector)


def _next_closing_move(mechanism: Mechanism, state: DoorState) -> DoorState:
    if state.leaf > 0:
        return replace(state, leaf_to=0.0, selector="close" if mechanism.powered else state.selector)
    if state.shaft > 0:
        return replace(state, handle_to=0.0, outside_to=0.0)
    return replace(state, task=Task.NONE, selector="neutral", cover=True)


def _turned(position: float, goal: float, turn: float, in_frame: bool) -> float:
    # With the leaf out of its frame the mechanism holds the handle up: it cannot go home.
    return toward(position, goal, turn) if in_frame or goal > position else position


def _driven(mechanism: Mechanism, build: HydraulicBuild, state: DoorState, dt_s: float) -> DoorState:
    """Move a leaf that hangs on an actuator."""
    if state.hold_open and (state.selector == "close" or state.sink_per_s):
        state = replace(state, hold_open=False)
    flow, pumped_s, pumping = _pumped(build, state, dt_s)
    valves = hydraulics.Valves(
        inflow_cm3_s=flow / state.drag,
        leak_cm3_s_bar=hydraulics.leak_for(build, state.leak_cm3_s),
        lowering=state.selector == "close",
        # In neutral the valve locks the fluid in, as long as there is a leaf to hold.
        dumping=state.selector != "open" and not pumping and state.in_frame,
        free=not state.hold_open and not (state.in_frame and state.shaft < LEAF_FREE),
    )
    bar, travel = hydraulics.step(build, state.actuator_bar, state.leaf, valves, dt_s)
    travel = max(0.0, travel - state.sink_per_s * dt_s)
    if state.selector != "close" and travel < state.leaf:
        travel = max(min(_SUNK_TO, state.leaf), travel)
    return replace(
        state,
        actuator_bar=bar,
        leaf=travel,
        leaf_to=travel,
        hold_open=mechanism.hold_open_lock and travel >= 1.0 and state.selector != "close",
        pumped_s=pumped_s,
        hand_pump=pumping,
    )


def _pumped(build: HydraulicBuild, state: DoorState, dt_s: float) -> tuple[float, float, bool]:
    """Return what the pumps deliver (cm³/s), how long the hand pump has been worked (s), and whether it still is."""
    flow = build.pump_cm3_s if state.selector == "open" and not state.pump_failed else 0.0
    if not state.hand_pump:
        return flow, state.pumped_s, False
    left_s = dt_s if state.pump_until_s is None else min(dt_s, state.pump_until_s - state.pumped_s)
    flow += hydraulics.stroke_flow(build, state.pumped_s, left_s) * left_s / dt_s
    pumped_s = state.pumped_s + left_s
    rests = state.pump_until_s is not None and pumped_s >= state.pump_until_s - 1e-9
    return flow, pumped_s, not rests


def _swung(mechanism: Mechanism, state: DoorState, dt_s: float, assist: float, breeze: Breeze | None) -> DoorState:
    """Move a leaf that somebody pushes."""
    if state.leaf == state.leaf_to and not state.sink_per_s:
        return state if not state.leaf_rad_per_s else replace(state, leaf_rad_per_s=0.0)
    if state.in_frame and state.shaft < LEAF_FREE:
        # A push against engaged latches moves nothing.
        return state if state.task is not Task.NONE or state.leaf > 0 else replace(state, leaf_to=0.0)
    if state.hold_open and (state.leaf_to < state.leaf or state.sink_per_s):
        return replace(state, hold_open=False)
    if state.sink_per_s:
        sunk = max(_SUNK_TO, state.leaf - state.sink_per_s * dt_s)
        return replace(state, leaf=sunk, leaf_to=sunk)
    opening = state.leaf_to > state.leaf
    push = mechanism.swinging.push_nm * state.pace
    if opening and assist:
        push = max(push, mechanism.swinging.push_nm * assist * mechanism.open_s / _ASSISTED_OPEN_S)
    moved = swing(
        mechanism.swinging,
        Swing(state.leaf, state.leaf_rad_per_s),
        push if opening else -push,
        dt_s,
        breeze=breeze,
        damper=state.damper,
    )
    held = mechanism.hold_open_lock and moved.share >= 1.0
    return replace(state, leaf=moved.share, leaf_rad_per_s=moved.rad_per_s, hold_open=held)


def door_readings(state: DoorState) -> dict[str, Value]:
    """Return what every sensor that any kind of door might have shows; the caller keeps the fitted ones."""
    shaft = state.shaft
    return {
        "closed": state.in_frame,
        "latched": state.in_frame and shaft < LATCH_ENGAGED,
        "locked": state.in_frame and shaft < LOCK_ENGAGED,
        "lock_flags": state.in_frame and shaft < FLAGS_SHOWN,
        "handle_lifted": state.handle > HANDLE_HOME,
        "outside_handle_lifted": state.outside > HANDLE_HOME,
        "flap_pressed": state.outside > 0 or state.outside_to > 0,
        "hold_open": state.hold_open,
        "travel": 0.0 if state.in_frame else round(state.leaf, 2),
        "cover_fitted": state.cover,
        "selector": state.selector,
        "actuator_bar": round(state.actuator_bar, 0),
        "hand_pump": state.hand_pump,
        "access": state.access,
        "barrier": state.barrier,
        "rope_stowed": True,
        "lock_indicator": "locked" if state.in_frame and shaft < LOCK_ENGAGED else "unlocked",
    }
