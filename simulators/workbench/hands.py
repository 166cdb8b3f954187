"""A hand on a part of a door, for as long as it is held there.

Owns what a held part does to a door's mechanism that no order of the scenario language says:
a handle on its way, a push of some strength on the leaf, a release, a selector that springs
back. A leaf that nobody holds swings on and lets the wind move it. Pure: a doorway and a
time step go in, a doorway comes out.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from simulators.aircraft import Doorway
from simulators.models import door
from simulators.models.leaf import Breeze, Swing, swing


class Part(enum.StrEnum):
    """What a hand can hold."""

    HANDLE = "handle"
    OUTSIDE = "outside"
    LEVER = "lever"
    LEAF = "leaf"
    HOLD_OPEN = "hold-open"
    SELECTOR = "selector"
    PUMP = "pump"
    FLAP = "flap"


MOVED: Final = (Part.HANDLE, Part.OUTSIDE, Part.LEVER)
"""The parts that stay where a hand leaves them, anywhere on their way."""

_FLAP_IN: Final = door.HANDLE_HOME / 2
"""Travel of the outside handle at which its flap is pressed in and the handle itself is still home."""

Forces = Mapping[Part, float]
"""How hard each part of one door is held, -1 to 1: towards open or lifted, or towards shut or home."""

NO_HANDS: Final[Forces] = MappingProxyType({})


def move(way: Doorway, part: Part, to: float) -> Doorway:
    """Have a hand take a handle or the lever to ``to`` (0 home, 1 fully lifted or armed), and leave it there."""
    if part is Part.LEVER:
        return way if way.slide is None else replace(way, slide=replace(way.slide, lever_to=to))
    state = replace(way.door, task=door.Task.NONE, pace=1.0)
    if part is Part.HANDLE:
        return replace(way, door=replace(state, handle_to=to))
    return replace(way, door=replace(state, outside_to=to))


def why_not(way: Doorway, part: Part, to: float) -> str | None:
    """Say why a part cannot be taken there; ``None`` where it can."""
    if part not in MOVED:
        return f"the {part} is held, not moved"
    if part is not Part.LEVER:
        return None
    if way.slide is None or way.slide_build is None or way.slide_build.always_armed:
        return f"door {way.type.name} has no lever"
    return "the safety pin blocks the lever; take it out first" if way.slide.pin and to > way.slide.lever else None


def hold(way: Doorway, forces: Forces) -> Doorway:
    """Have hands on the parts of a door."""
    state = way.door
    if forces:
        state = replace(state, task=door.Task.NONE)
    for part in (Part.HANDLE, Part.OUTSIDE, Part.FLAP):
        if part in forces:
            state = _handle(state, part, forces[part])
    if Part.PUMP in forces and not state.hand_pump and way.mechanism.powered:
        state = door.begin_pumping(state)
    if Part.SELECTOR in forces:
        state = replace(state, selector="open" if forces[Part.SELECTOR] > 0 else "close")
    if Part.HOLD_OPEN in forces and state.hold_open:
        state = replace(state, hold_open=False)
    if Part.LEAF in forces and not way.mechanism.powered:
        state = _pushed(way, state, forces[Part.LEAF])
    return replace(way, door=state)


def let_go(way: Doorway, part: Part) -> Doorway:
    """Have a hand leave a part: what is sprung goes back, what is not stays."""
    state = way.door
    match part:
        case Part.HANDLE:
            state = replace(state, handle_to=state.handle)
        case Part.OUTSIDE:
            state = replace(state, outside_to=state.outside)
        case Part.FLAP if state.outside_to <= _FLAP_IN:
            state = replace(state, outside_to=0.0)
        case Part.SELECTOR:
            state = replace(state, selector="neutral")
        case Part.PUMP:
            state = replace(state, hand_pump=False)
        case Part.LEAF if not _assisted(way):
            state = replace(state, leaf_to=state.leaf, pace=1.0)
        case _:
            pass
    return replace(way, door=state)


def swing_free(way: Doorway, rad_per_s: float, dt_s: float, breeze: Breeze | None) -> tuple[Doorway, float]:
    """Let a leaf that nobody holds swing on for ``dt_s`` seconds; return the doorway and the leaf's speed (rad/s)."""
    state, build = way.door, way.mechanism
    loose = not (build.powered or state.hold_open or state.in_frame) and state.leaf == state.leaf_to
    if not loose or state.task is not door.Task.NONE:
        return way, 0.0
    moved = swing(build.swinging, Swing(state.leaf, rad_per_s), 0.0, dt_s, breeze=breeze, damper=state.damper)
    # It comes to lie against its frame; to be in it, it has to be pulled.
    share = max(moved.share, 2 * door.IN_FRAME)
    held = build.hold_open_lock and share >= 1.0 and moved.share > state.leaf
    still = abs(share - state.leaf) < 1e-6
    return (
        replace(way, door=replace(state, leaf=share, leaf_to=share, hold_open=held)),
        0.0 if still else moved.rad_per_s,
    )


def _handle(state: door.DoorState, part: Part, force: float) -> door.DoorState:
    goal = 1.0 if force > 0 else 0.0
    if part is Part.HANDLE:
        return replace(state, handle_to=goal, pace=1.0)
    if part is Part.OUTSIDE:
        return replace(state, outside_to=goal, pace=1.0)
    return state if state.outside_to > _FLAP_IN else replace(state, outside_to=_FLAP_IN)


def _pushed(way: Doorway, state: door.DoorState, force: float) -> door.DoorState:
    if force > 0 and state.leaf >= 1.0:
        return replace(state, hold_open=way.mechanism.hold_open_lock)
    if force < 0 and state.hold_open:
        # Its lock holds it: pulled as hard as may be, it stays.
        return state
    if state.in_frame and state.shaft < door.LEAF_FREE:
        return state
    return replace(state, leaf_to=1.0 if force > 0 else 0.0, pace=abs(force))


def _assisted(way: Doorway) -> bool:
    """Tell whether the assist bottle goes on driving a leaf that was let go."""
    return way.slide is not None and way.slide.engaged and not way.door.in_frame and way.door.leaf_to > way.door.leaf
