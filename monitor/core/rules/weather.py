"""Hazards of wind at a leaf, and of leaves left unsecured."""

from __future__ import annotations

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.door import State
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.physics import density_kg_m3, wind_load_n
from monitor.core.rules.rule import ALL_KINDS, HANDLES, LOCKS, Level, Parameters, Rule, Scope, door_name
from monitor.core.times import SECOND
from monitor.core.view import View


def _offered(view: View) -> Truth:
    """The leaf is out of its frame, or unlocked by its handle or its selector."""
    by_selector = all3((view.lock_moved, not3(view.selector_neutral)))
    return any3((view.leaf_out, view.handle_moved, by_selector))


def _limits(view: View) -> list[float]:
    """The limits that may count now, in knots: both while it is not known whether the leaf is held open."""
    spec = view.spec
    if spec is None:
        return []
    held = all3((view.leaf_out, view.held_open))
    limits = {True: (spec.wind_held_kt,), False: (spec.wind_moved_kt,), None: (spec.wind_held_kt, spec.wind_moved_kt)}
    return [limit for limit in limits[held] if limit is not None]


def _over_by(view: View, below_kt: float) -> Truth:
    offered = _offered(view)
    if offered is False:
        # The commonest answer by far, asked of every door at every reading of the wind.
        return False
    over = [view.wind_over(limit - below_kt) for limit in _limits(view)]
    # True or false only where every limit that may count says so.
    return all3((offered, over[0] if len(set(over)) == 1 else None)) if over else False


def _over_limit(view: View, p: Parameters, held: bool) -> Truth:
    return _over_by(view, 0.0)


def _near_limit(view: View, p: Parameters, held: bool) -> Truth:
    return _over_by(view, p["below_kt"])


def _shut(view: View, p: Parameters, held: bool) -> Truth:
    return not3(_offered(view))


def _wind_text(view: View, priority: Priority) -> str:
    wind, spec, limits = view.wind_kt, view.spec, _limits(view)
    if wind is None or spec is None or not limits:
        return f"{door_name(view)}: the wind is over the leaf's limit, or close to it."
    # At sea level's density, the most that it can be at any site.
    load = wind_load_n(wind, spec.leaf_area_m2, density_kg_m3(0.0))
    return f"{door_name(view)}: wind {wind:.0f} kt at a limit of {min(limits):.0f} kt, up to {load:.0f} N on the leaf."


WIND_LIMIT = Rule(
    code="wind-limit",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(
        Level(Priority.WARNING, _over_limit, delay="on_delay_s"),
        Level(Priority.CAUTION, _near_limit, delay="on_delay_s"),
    ),
    reads=frozenset({"stand/wind_kt", "stand/gust_kt", "leaf", "hold_open", "state", *LOCKS, "selector"}),
    needs=("closed", "offer", "held", "wind"),
    parameters={"below_kt": 5.0, "on_delay_s": 2.0, "off_delay_s": 60.0},
    off_delay="off_delay_s",
    ends_at_once=_shut,
    summary="Wind or gusts are over what the leaf stands while it is open or free to open; a caution close below.",
    text=_wind_text,
    action="Stop work at the door and keep everybody out of the leaf's path. Tell the crew what the wind is.",
    consequence="The leaf is torn from whoever holds it or off its hinges, and strikes or throws a person.",
    respond_within_s=30,
    role="coordinator",
    basis="common practice: each door type has wind limits while moved and while held open; the delays are the contract's",
    evidence=("stand/wind_kt", "stand/gust_kt", "closed", "hold_open", "travel", *HANDLES, "selector"),
)


def _left_unsecured(view: View, p: Parameters, held: bool) -> Truth:
    if view.state is State.UNKNOWN:
        return None
    memo = view.door.leaf_memo if view.door is not None else None
    if view.state is not State.AJAR or memo is None or memo.ajar_since is None:
        return False
    neutral = view.selector_neutral
    if neutral is False:
        return False
    due = memo.ajar_since - memo.ajar_ran + round(p["ajar_s"] * SECOND)
    if memo.moved_at is not None:
        due = max(due, memo.moved_at + round(p["still_s"] * SECOND))
    if view.now < due:
        view.wake_at(due)
        return False
    return neutral


UNSECURED_LEAF = Rule(
    code="unsecured-leaf",
    scope=Scope.DOOR,
    kinds=ALL_KINDS - {DoorKind.WINDOW},
    levels=(Level(Priority.CAUTION, _left_unsecured),),
    reads=frozenset({"state", "selector", "memo/leaf-moves"}),
    needs=("closed", "held", "drive"),
    parameters={"ajar_s": 20.0, "still_s": 5.0},
    summary="A leaf stands out of its frame, not held open, and nobody is moving it.",
    text=lambda view, priority: f"{door_name(view)}: left ajar; nothing holds the leaf.",
    action="Keep clear of the leaf's path. Look who is working there and tell them that nothing holds the leaf.",
    consequence="A gust, a jolt or a leak in its drive swings the leaf into a person or off its hinges.",
    respond_within_s=60,
    role="door team",
    basis="14 CFR 25.809(i) by analogy: an open exit is held open; the delays are the contract's",
    evidence=("closed", "hold_open", "travel", "selector"),
)


def _unlocked(view: View, p: Parameters, held: bool) -> Truth:
    return None if view.state is State.UNKNOWN else view.state is State.UNLOCKED


UNLOCKED_LINGERING = Rule(
    code="unlocked-lingering",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(Level(Priority.CAUTION, _unlocked, delay="on_delay_s"),),
    reads=frozenset({"state"}),
    needs=("closed", "moved", "engagement"),
    parameters={"on_delay_s": 60.0},
    summary="A door has stood in its frame without being closed, latched and locked.",
    text=lambda view, priority: f"{door_name(view)}: in its frame but not secure, and left so.",
    action="Look whether anybody is working at the door. Tell the door team which part reads as not home.",
    consequence="A door that looks shut and is not can swing out in a gust, or leave with the aircraft.",
    respond_within_s=120,
    role="door team",
    basis="14 CFR 25.783(e)(1): secure is closed, latched and locked together; 60 s is the contract's",
    evidence=("closed", "latched", "locked", *HANDLES),
)

RULES: tuple[Rule, ...] = (WIND_LIMIT, UNSECURED_LEAF, UNLOCKED_LINGERING)
