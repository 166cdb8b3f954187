"""Hazards of powered hold doors."""

from __future__ import annotations

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.kleene import Truth, all3, not3
from monitor.core.rules.rule import Level, Parameters, Rule, Scope, door_name
from monitor.core.view import View

POWERED = frozenset({DoorKind.CARGO, DoorKind.MAIN_DECK})


def _flags_open(view: View, p: Parameters, held: bool) -> Truth:
    return all3((not3(view.leaf_out), view.true("latched"), not3(view.true("lock_flags")), view.selector_neutral))


CARGO_UNLATCHED_FLAGS = Rule(
    code="cargo-unlatched-flags",
    scope=Scope.DOOR,
    kinds=POWERED,
    levels=(Level(Priority.CAUTION, _flags_open, delay="on_delay_s"),),
    reads=frozenset({"leaf", "latched", "lock_flags", "selector"}),
    needs=("closed", "latched", "lock_flags", "selector"),
    parameters={"on_delay_s": 5.0},
    summary="A hold door reads closed and latched, but its lock flags do not all show engaged.",
    text=lambda view, priority: f"{door_name(view)}: closed and latched, but not all lock flags show engaged.",
    action="Look at every flag on the door. Tell the door team and the crew which one does not show.",
    consequence="A cam that is not home lets the door work loose under pressure in flight.",
    respond_within_s=120,
    role="door team",
    basis="14 CFR 25.783(e)(1): secure is closed, latched and locked, never inferred from fewer; 5 s is the contract's",
    evidence=("closed", "latched", "locked", "lock_flags", "selector"),
)


def _strays(view: View, p: Parameters, held: bool) -> Truth:
    out, neutral = view.leaf_out, view.selector_neutral
    if held:
        # Where it went since changes nothing: the selector or the frame ends it.
        return all3((out, neutral))
    memo = view.door.leaf_memo if view.door is not None else None
    if memo is None or memo.rest is None:
        return False
    moved = None if memo.position is None else abs(memo.position - memo.rest) >= p["moved_travel"] - 1e-9
    return all3((out, neutral, not3(view.hand_pumped), moved))


CARGO_UNCOMMANDED = Rule(
    code="cargo-uncommanded",
    scope=Scope.DOOR,
    kinds=POWERED,
    levels=(Level(Priority.WARNING, _strays),),
    reads=frozenset({"leaf", "selector", "hand_pump", "memo/leaf-strays"}),
    needs=("closed", "selector", "travel", "pump"),
    parameters={"moved_travel": 0.05},
    summary="A hold door's leaf moves with its selector in neutral and the hand pump at rest.",
    text=lambda view, priority: f"{door_name(view)}: the leaf is moving and nothing commands it.",
    action="Stop work below the door. Keep everybody from under the leaf. Tell maintenance.",
    consequence="The leaf comes down on people or on the loader.",
    respond_within_s=10,
    role="coordinator",
    basis="common practice: a powered leaf stays where its drive leaves it; 0.05 and 2 s are the contract's",
    evidence=("travel", "selector", "hand_pump", "actuator_bar", "hold_open"),
)


def _held_by_little(view: View, p: Parameters, held: bool) -> Truth:
    least = view.spec.actuator_bar_min if view.spec is not None else None
    out = view.leaf_out
    if least is None or out is False:
        return False
    selector, pressure = view.value("selector"), view.number("actuator_bar")
    closing = selector == "close" if selector is not None else None if view.fits("selector") else False
    hooked = view.true("hold_open") if view.has_hold_open else False
    return all3((out, not3(closing), None if pressure is None else pressure < least, not3(hooked)))


CARGO_PRESSURE_LOW = Rule(
    code="cargo-pressure-low",
    scope=Scope.DOOR,
    kinds=POWERED,
    levels=(Level(Priority.CAUTION, _held_by_little, delay="on_delay_s"),),
    reads=frozenset({"leaf", "hold_open", "selector", "actuator_bar"}),
    needs=("closed", "selector", "actuator_bar", "hook"),
    parameters={"on_delay_s": 2.0},
    summary="The actuators of an open hold door have less pressure than holds the leaf, and no lock holds it.",
    text=lambda view, priority: f"{door_name(view)}: actuator pressure is below what holds the leaf.",
    action="Keep everybody from under the leaf. Stop the loading there. Tell maintenance.",
    consequence="The leaf sinks or falls onto people or the loader.",
    respond_within_s=60,
    role="coordinator",
    basis="common practice: a leaf without a mechanical lock hangs on its actuators; 2 s is the contract's",
    evidence=("actuator_bar", "hold_open", "selector", "travel", "closed"),
)

RULES: tuple[Rule, ...] = (CARGO_UNCOMMANDED, CARGO_PRESSURE_LOW, CARGO_UNLATCHED_FLAGS)
