"""One door of any of the eight kinds, as a mechanism that moves in time.

Owns the handle, latches, lock, leaf, hold-open lock, cover, selector and hydraulic
pressure, and what each of their sensors shows. A single shaft carries the handle: the
lock lets go first, then the latches, then the leaf is free, and all of it comes back the
other way round; so every sensor order that this model gives is one that a real door could
give. It never knows a topic, a clock or an aircraft.
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

_PUMP_BAR_PER_S: Final = 120.0
_BLEED_BAR_PER_S: Final = 40.0
_HAND_PUMP_SHARE: Final = 0.25
_ASSISTED_OPEN_S: Final = 3.0


class Task(enum.Enum):
    """What the person at the door is doing."""

    NONE = "none"
    OPENING = "opening"
    CLOSING = "closing"


@dataclass(frozen=True, slots=True)
class Mechanism:
    """How one door is built. Times in seconds for the whole way at an even pace; pressure in bar."""

    kind: DoorKind
    handle_s: float
    open_s: float
    close_s: float
    powered: bool
    hold_open_lock: bool
    holding_bar: float


@dataclass(frozen=True, slots=True)
class DoorState:
    """Where every part of a door is. Positions run from 0 (home, shut) to 1.

    Faults: ``sink_per_s``; ``leak_bar_per_s``; ``drag``, how many times as long as new the leaf takes.
    """

    task: Task = Task.NONE
    pace: float = 1.0
    handle: float = 0.0
    handle_to: float = 0.0
    outside: float = 0.0
    outside_to: float = 0.0
    leaf: float = 0.0
    leaf_to: float = 0.0
    hold_open: bool = False
    cover: bool = True
    selector: str = "neutral"
    actuator_bar: float = 0.0
    hand_pump: bool = False
    sink_per_s: float = 0.0
    leak_bar_per_s: float = 0.0
    drag: float = 1.0
    access: str = "none"
    barrier: bool = False

    @property
    def shaft(self) -> float:
        """How far the shaft is turned, by whichever handle turned it further."""
        return max(self.handle, self.outside)

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


def mechanism_for(door: DoorType, rng: random.Random) -> Mechanism:
    """Build the mechanism of ``door``; ``rng`` makes each door its own, within 6 per cent."""
    handle_s, open_s, close_s = (seconds * rng.uniform(0.94, 1.06) for seconds in _TIMES[door.kind])
    return Mechanism(
        kind=door.kind,
        handle_s=handle_s,
        open_s=open_s,
        close_s=close_s,
        powered=door.kind in (DoorKind.CARGO, DoorKind.MAIN_DECK),
        hold_open_lock="hold_open" in door.signals,
        holding_bar=door.actuator_bar_min or 120.0,
    )


def begin_opening(state: DoorState, *, pace: float = 1.0, outside: bool = False) -> DoorState:
    """Have somebody open the door, from the outside if said; ``pace`` above 1 is quicker than usual."""
    if outside:
        return replace(state, task=Task.OPENING, pace=pace, outside_to=1.0)
    return replace(state, task=Task.OPENING, pace=pace)


def begin_closing(state: DoorState, *, pace: float = 1.0) -> DoorState:
    """Have somebody close the door and put its handle home."""
    return replace(state, task=Task.CLOSING, pace=pace, sink_per_s=0.0, leak_bar_per_s=0.0)


def settled(mechanism: Mechanism, state: DoorState) -> bool:
    """Return true when another time step would change nothing."""
    if state.task is not Task.NONE or state.hand_pump or state.sink_per_s:
        return False
    if state.leak_bar_per_s and state.actuator_bar > 0:
        return False
    still = state.handle == state.handle_to and state.outside == state.outside_to
    if mechanism.powered and (state.selector != "neutral" or (state.in_frame and state.actuator_bar > 0)):
        return False
    return still and state.leaf == state.leaf_to


def step(mechanism: Mechanism, state: DoorState, dt_s: float, *, assisted: bool = False) -> DoorState:
    """Let ``dt_s`` seconds pass. ``assisted`` says the emergency assist bottle drives the leaf."""
    state = _next_move(mechanism, state)
    turn = dt_s * state.pace / mechanism.handle_s
    handle = _turned(state.handle, state.handle_to, turn, state.in_frame)
    outside = _turned(state.outside, state.outside_to, turn, state.in_frame)
    state = replace(state, handle=handle, outside=outside, actuator_bar=_pressure(mechanism, state, dt_s))
    return _moved_leaf(mechanism, state, dt_s, assisted)


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


def _pressure(mechanism: Mechanism, state: DoorState, dt_s: float) -> float:
    if not mechanism.powered:
        return 0.0
    if state.selector == "open" or state.hand_pump:
        return toward(state.actuator_bar, 1.35 * mechanism.holding_bar, _PUMP_BAR_PER_S * dt_s)
    if state.selector == "close":
        return toward(state.actuator_bar, 0.7 * mechanism.holding_bar, _BLEED_BAR_PER_S * dt_s)
    # In neutral the valve locks the fluid in, as long as there is a leaf to hold.
    lost = _BLEED_BAR_PER_S if state.in_frame else state.leak_bar_per_s
    return toward(state.actuator_bar, 0.0, lost * dt_s)


def _moved_leaf(mechanism: Mechanism, state: DoorState, dt_s: float, assisted: bool) -> DoorState:
    if mechanism.powered:
        state = replace(state, leaf_to=_powered_goal(mechanism, state))
    if state.leaf == state.leaf_to and not state.sink_per_s:
        return state
    if state.in_frame and state.shaft < LEAF_FREE:
        # A push against engaged latches moves nothing.
        return state if state.task is not Task.NONE or state.leaf > 0 else replace(state, leaf_to=0.0)
    if state.hold_open and (state.leaf_to < state.leaf or state.sink_per_s):
        return replace(state, hold_open=False)
    if state.sink_per_s:
        leaf = max(2 * IN_FRAME, state.leaf - state.sink_per_s * dt_s)
        return replace(state, leaf=leaf, leaf_to=leaf)
    leaf = toward(state.leaf, state.leaf_to, _leaf_reach(mechanism, state, dt_s, assisted))
    return replace(state, leaf=leaf, hold_open=mechanism.hold_open_lock and leaf >= 1.0)


def _powered_goal(mechanism: Mechanism, state: DoorState) -> float:
    if state.selector == "close":
        return 0.0
    wants_up = state.selector == "open" or state.hand_pump
    return 1.0 if wants_up and state.actuator_bar >= 1.1 * mechanism.holding_bar else state.leaf


def _leaf_reach(mechanism: Mechanism, state: DoorState, dt_s: float, assisted: bool) -> float:
    opening = state.leaf_to > state.leaf
    whole_s = mechanism.open_s if opening else mechanism.close_s
    if assisted and opening:
        whole_s = min(whole_s, _ASSISTED_OPEN_S)
    share = _HAND_PUMP_SHARE if state.hand_pump and state.selector == "neutral" else 1.0
    return dt_s * state.pace * share / (whole_s * state.drag)


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
