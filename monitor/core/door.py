"""The door state machine: eight states, which changes between them are legal, and why.

A door's state is read off its known signals (:func:`observe`), never moved by hand.
The machine's work is to judge the *step* from the last state to the one now seen.
Every ordered pair of states stands in :data:`EDGES`; a pair that the table does not
allow is not refused, because the door is where it is: it is taken as a
resynchronisation, marked implausible and counted.

Owns the table and the observation; never a clock, an alert or a message.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from itertools import product
from types import MappingProxyType
from typing import Final, Protocol

from transitions import Machine

from monitor.core.kleene import Truth, any3


class State(enum.StrEnum):
    """What a door is doing now."""

    UNKNOWN = "unknown"
    CLOSED_LOCKED = "closed_locked"
    ARMED = "armed"
    UNLOCKED = "unlocked"
    ARMED_UNLOCKED = "armed_unlocked"
    AJAR = "ajar"
    OPEN = "open"
    SLIDE_DEPLOYED = "slide_deployed"


class Edge(enum.Enum):
    """When a change of state is legal."""

    STAY = "no change"
    LEGAL = "always"
    NO_HOLD_OPEN = "on a door without a hold-open lock"
    BUNDLE = "within one bundle"
    BUNDLE_NO_HOLD_OPEN = "within one bundle, on a door without a hold-open lock"
    OVERWING = "on an overwing hatch"
    RESET = "by a person's reset"
    RESYNC = "never: resynchronisation, implausible"


def _both_ways(*pairs: tuple[State, State]) -> set[tuple[State, State]]:
    return {pair for a, b in pairs for pair in ((a, b), (b, a))}


def _edges() -> Mapping[tuple[State, State], Edge]:
    s = State
    table = dict.fromkeys(product(s, s), Edge.RESYNC)
    legal = _both_ways(
        (s.CLOSED_LOCKED, s.ARMED),
        (s.CLOSED_LOCKED, s.UNLOCKED),
        (s.ARMED, s.ARMED_UNLOCKED),
        (s.UNLOCKED, s.ARMED_UNLOCKED),
        (s.UNLOCKED, s.AJAR),
        (s.ARMED_UNLOCKED, s.AJAR),
        (s.AJAR, s.OPEN),
        *((s.UNKNOWN, other) for other in s),
    )
    legal |= {(s.ARMED, s.UNLOCKED)} | {(a, s.SLIDE_DEPLOYED) for a in (s.ARMED_UNLOCKED, s.AJAR, s.OPEN)}
    for pair in legal:
        table[pair] = Edge.LEGAL
    for pair in _both_ways((s.UNLOCKED, s.OPEN), (s.ARMED_UNLOCKED, s.OPEN)):
        table[pair] = Edge.NO_HOLD_OPEN
    table[s.AJAR, s.CLOSED_LOCKED] = table[s.AJAR, s.ARMED] = Edge.BUNDLE
    table[s.OPEN, s.CLOSED_LOCKED] = Edge.BUNDLE_NO_HOLD_OPEN
    table[s.ARMED, s.SLIDE_DEPLOYED] = Edge.OVERWING
    # A released slide outlives a lost feed: only a person ends that state.
    for target in s:
        table[s.SLIDE_DEPLOYED, target] = Edge.RESET
    for state in s:
        table[state, state] = Edge.STAY
    return MappingProxyType(table)


EDGES: Final = _edges()
"""(from, to) → when that change is legal; total over all pairs of states."""


def is_legal(source: State, target: State, *, hold_open: bool, bundle: bool, overwing: bool, reset: bool) -> bool:
    """Tell whether a door may have gone from ``source`` to ``target`` in one step.

    ``hold_open``: the door has a hold-open lock. ``bundle``: the readings came together.
    ``reset``: a person reset the door.
    """
    edge = EDGES[source, target]
    return (
        edge in (Edge.STAY, Edge.LEGAL)
        or (edge is Edge.NO_HOLD_OPEN and not hold_open)
        or (edge is Edge.BUNDLE and bundle)
        or (edge is Edge.BUNDLE_NO_HOLD_OPEN and bundle and not hold_open)
        or (edge is Edge.OVERWING and overwing)
        or (edge is Edge.RESET and reset)
    )


class Stateful(Protocol):
    """What the shared machine moves: anything with a ``state``."""

    state: str


def build_machine() -> Machine:
    """Build the one machine that all doors share: a trigger ``see_<state>`` per target state.

    Doors are never registered with it, which would decorate each with its own bound
    methods; the trigger is called with the door as its model instead.
    """
    machine = Machine(
        model=None, states=[str(state) for state in State], initial=str(State.UNKNOWN), auto_transitions=False
    )
    for (source, target), edge in EDGES.items():
        if edge is not Edge.STAY:
            machine.add_transition(f"see_{target}", str(source), str(target))
    return machine


_MACHINE: Final = build_machine()
_TRIGGERS: Final = {state: _MACHINE.events[f"see_{state}"] for state in State}


def move(door: Stateful, target: State) -> None:
    """Take ``door`` to ``target`` on the shared machine."""
    _TRIGGERS[target].trigger(door)


class Evidence(Protocol):
    """The known facts that a door's state is read from; ``None`` is "cannot tell"."""

    @property
    def deployed(self) -> bool: ...
    @property
    def leaf_out(self) -> Truth: ...
    @property
    def held_open(self) -> Truth: ...
    @property
    def lock_moved(self) -> Truth: ...
    @property
    def engaged(self) -> Truth: ...


def observe(evidence: Evidence) -> State:
    """Read a door's state off its evidence.

    "Secure" needs all of closed, latched, locked and handle home (14 CFR 25.783(e)(1)):
    it is never inferred from fewer, and an unknown among them gives ``unknown``.
    """
    if evidence.deployed:
        return State.SLIDE_DEPLOYED
    out = evidence.leaf_out
    if out is None:
        return State.UNKNOWN
    if out:
        held = evidence.held_open
        if held is None:
            return State.UNKNOWN
        return State.OPEN if held else State.AJAR
    moved, engaged = evidence.lock_moved, evidence.engaged
    if moved is None or engaged is None:
        return State.UNKNOWN
    if moved:
        return State.ARMED_UNLOCKED if engaged else State.UNLOCKED
    return State.ARMED if engaged else State.CLOSED_LOCKED


SECURE: Final = frozenset({State.CLOSED_LOCKED, State.ARMED})
TRAVEL_FULL: Final = 0.98
TRAVEL_CONTRADICTS_FRAME: Final = 0.5


def leaf_out_of_frame(closed: Truth, hold_open: Truth, travel: float | None) -> Truth:
    """Tell whether the leaf is out of its frame.

    Where the frame switch says closed but the hold-open lock or the travel says
    otherwise, the more dangerous of the two is taken.
    """
    if closed is None:
        return None
    contradicted = any3((hold_open, None if travel is None else travel > TRAVEL_CONTRADICTS_FRAME))
    return not closed or contradicted is True
