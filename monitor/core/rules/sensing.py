"""Hazards of not seeing: readings that are old, bad, impossible, contradictory or missing."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.alert import Priority
from monitor.core.door import TRAVEL_CONTRADICTS_FRAME
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.order import is_skewed
from monitor.core.rules.rule import ALL_KINDS, ENGINES, GROUND, LEAF, Level, Parameters, Rule, Scope, door_name
from monitor.core.signals import AIRFRAME_SIGNALS, Quality
from monitor.core.times import SECOND
from monitor.core.view import ENGINE_NUMBERS, View, is_judged, is_present

LIFE_LIMIT_S = 30.0
"""A reading, a heartbeat or a whole feed counts for this long (the wire contract)."""


def _feed_lost(view: View, p: Parameters, held: bool) -> Truth:
    aircraft = view.aircraft
    if aircraft is None or not is_present(aircraft) or view.off_ground_in_last_picture:
        return False
    limit = int(LIFE_LIMIT_S * SECOND)
    heard = aircraft.live_at if aircraft.live_at is not None else aircraft.first_seen
    beat = aircraft.sender.heartbeat_at
    lost = view.now >= heard + limit or (beat is not None and view.now >= beat + limit)
    if lost and not held:
        if not view.site.broker_connected:
            return False
        if view.now < aircraft.feed_grace_until:
            view.wake_at(aircraft.feed_grace_until)
            return False
    return lost


def _last_picture_at_risk(view: View) -> bool:
    passengers = view.last_airframe_value("passengers_aboard")
    return (
        (isinstance(passengers, int) and passengers > 0)
        or view.last_airframe_value("refuelling") is True
        or any(view.last_airframe_value(f"engine_{n}_running") is True for n in ENGINE_NUMBERS)
        or any((reading := door.reading("closed")) is not None and reading.value is False for door in view.doors())
    )


def _feed_lost_at_risk(view: View, p: Parameters, held: bool) -> Truth:
    return bool(_feed_lost(view, p, held)) and _last_picture_at_risk(view)


FEED_LOST = Rule(
    code="feed-lost",
    scope=Scope.AIRCRAFT,
    levels=(Level(Priority.WARNING, _feed_lost_at_risk), Level(Priority.CAUTION, _feed_lost)),
    reads=frozenset(
        {"feed", "presence", GROUND, "airframe/passengers_aboard", "airframe/refuelling", *ENGINES, "doors/closed"}
    ),
    summary="Nothing is heard from an aircraft, or its heartbeat stands still; a warning if people may be at risk.",
    text=lambda view, priority: (
        "Feed lost; the last picture had passengers, an open door, refuelling or an engine running."
        if priority is Priority.WARNING
        else "Feed lost."
    ),
    action="Go and look. Take nothing on the board for this aircraft as current. Tell ops.",
    consequence="Nothing that happens at this aircraft's doors can be seen or warned of.",
    respond_within_s=60,
    role="coordinator",
    basis="14 CFR 25.783(e)(3) by analogy: a false or missing indication must not read as secure; 30 s is the contract's",
    evidence=("airframe/heartbeat", "airframe/passengers_aboard", "airframe/refuelling", *ENGINES),
)


def _broker_lost(view: View, p: Parameters, held: bool) -> Truth:
    return not view.site.broker_connected


BROKER_LOST = Rule(
    code="feed-lost",
    scope=Scope.SITE,
    levels=(Level(Priority.WARNING, _broker_lost, delay="broker_s"),),
    reads=frozenset({"broker"}),
    parameters={"broker_s": 2.0},
    summary="The connection to the broker is lost: no aircraft is being heard.",
    text=lambda view, priority: "Connection to the broker lost; no aircraft is being heard.",
    action="Go and look at every aircraft that is being worked. Tell ops.",
    consequence="Nothing that happens at any door can be seen or warned of.",
    respond_within_s=60,
    role="ops",
    basis="14 CFR 25.783(e)(3) by analogy; a broken connection that mends within 2 s is not told (our choice)",
)


def _stale_signals(view: View) -> list[str]:
    if view.door is not None and view.spec is not None:
        own = view.door.sender
        if own is not None and own.heartbeat_at is not None:
            limit = int(LIFE_LIMIT_S * SECOND)
            return ["heartbeat"] if view.now >= own.heartbeat_at + limit else []
        required = view.spec.signals
        return [name for name, r in view.door.readings.items() if r.stale and r.value is not None and name in required]
    if view.aircraft is None:
        return []
    return [
        name
        for name, reading in view.aircraft.readings.items()
        if reading.stale and reading.value is not None and AIRFRAME_SIGNALS[name].required
    ]


def _stale_stands(view: View) -> bool:
    """Tell whether it was raised: what merely held while it was silenced counts as new afterwards."""
    owner = view.door if view.door is not None else view.aircraft
    tracker = owner.trackers.get("signal-stale") if owner is not None else None
    return tracker is not None and tracker.alert is not None and tracker.alert.active


def _stale(view: View, p: Parameters, held: bool) -> Truth:
    aircraft = view.aircraft
    if aircraft is None or not is_present(aircraft):
        return False
    if not is_judged(aircraft):
        return None
    stale = _stale_signals(view)
    if not stale or view.off_ground_in_last_picture:
        return False
    if _stale_stands(view):
        return True
    if not view.site.broker_connected:
        return False
    if view.now < aircraft.calm_until:
        view.wake_at(aircraft.calm_until)
        return False
    beat = aircraft.sender.heartbeat_at
    doubtful = beat is not None and view.now - beat > p["heartbeat_s"] * SECOND
    return not (doubtful and all(AIRFRAME_SIGNALS[n].self_refreshed for n in stale if n in AIRFRAME_SIGNALS))


def _stale_text(view: View, priority: Priority) -> str:
    return f"{door_name(view)}: no fresh reading of {', '.join(sorted(_stale_signals(view))) or 'a signal'}."


SIGNAL_STALE_DOOR = Rule(
    code="signal-stale",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(Level(Priority.CAUTION, _stale),),
    reads=frozenset({"life", "feed", "presence", GROUND}),
    parameters={"heartbeat_s": 10.0},
    suppressed_by=("feed-lost",),
    names_signals=True,
    summary="A required signal that was seen, or a door's heartbeat, has not been refreshed within 30 s.",
    text=_stale_text,
    action="Look at the door itself. Take its state on the board as not known. Tell maintenance.",
    consequence="What this door does is not being seen.",
    respond_within_s=300,
    role="maintenance",
    basis="14 CFR 25.783(e)(3) by analogy; 30 s is the wire contract's",
)

SIGNAL_STALE_AIRFRAME = replace(
    SIGNAL_STALE_DOOR,
    scope=Scope.AIRCRAFT,
    kinds=frozenset(),
    summary="A required airframe signal that was seen has not been refreshed within 30 s.",
    action="Go and look at what the signal would tell. Tell maintenance.",
    consequence="Hazards that depend on this signal are not being seen.",
)


def _bad_signals(view: View) -> list[str]:
    owner = view.door if view.door is not None else view.aircraft
    readings = owner.readings if owner is not None else {}
    return [name for name, r in readings.items() if r.quality is Quality.BAD and r.value is not None]


def _impossible(view: View) -> Truth:
    held = view.true("hold_open") if view.reading("hold_open") is not None else False
    travel = view.number("travel")
    beyond = None if travel is None else travel > TRAVEL_CONTRADICTS_FRAME
    return all3((view.true("closed"), any3((held, beyond if view.reading("travel") is not None else False))))


def _bad(view: View, p: Parameters, held: bool) -> Truth:
    owner = view.door if view.door is not None else view.aircraft
    if view.aircraft is None or owner is None or not is_judged(view.aircraft):
        return None
    bad = [owner.readings[name] for name in _bad_signals(view)]
    heard = any(not reading.stale for reading in bad)
    # A bad reading that fell silent has not become good.
    return any3((heard or (None if bad else False), _impossible(view) is True if view.door is not None else False))


def _bad_text(view: View, priority: Priority) -> str:
    bad = _bad_signals(view)
    if bad:
        return f"{door_name(view)}: bad reading of {', '.join(sorted(bad))}."
    return f"{door_name(view)}: reads in its frame and held or moved open at once, which cannot be."


SIGNAL_BAD_DOOR = Rule(
    code="signal-bad",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(Level(Priority.CAUTION, _bad, delay="on_delay_s"),),
    reads=frozenset({"quality", "life", "closed", "leaf"}),
    parameters={"on_delay_s": 1.0},
    suppressed_by=("feed-lost",),
    names_signals=True,
    summary="A sensor calls its own reading bad, or readings are physically impossible together.",
    text=_bad_text,
    action="Look at the door itself. Take the more dangerous reading as true. Tell maintenance.",
    consequence="The door's state cannot be trusted.",
    respond_within_s=300,
    role="maintenance",
    basis="14 CFR 25.783(e)(3) by analogy; common practice",
    evidence=LEAF,
)

SIGNAL_BAD_AIRFRAME = replace(
    SIGNAL_BAD_DOOR,
    scope=Scope.AIRCRAFT,
    kinds=frozenset(),
    reads=frozenset({"quality", "life"}),
    summary="An airframe sensor calls its own reading bad.",
    action="Go and look at what the signal would tell. Tell maintenance.",
    consequence="Hazards that depend on this signal are not being seen.",
    evidence=(),
)


def _locks_disagree(view: View, p: Parameters, held: bool) -> Truth:
    closed, latched, locked = view.true("closed"), view.true("latched"), view.true("locked")
    return any3(
        (
            all3((locked, not3(latched))),
            all3((any3((locked, latched)), not3(closed))),
            all3((view.true("lock_flags") if view.reading("lock_flags") is not None else False, not3(latched))),
        )
    )


LOCK_DISAGREE = Rule(
    code="lock-disagree",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(Level(Priority.CAUTION, _locks_disagree, delay="on_delay_s"),),
    reads=frozenset({"closed", "latched", "locked", "lock_flags"}),
    needs=("closed", "latched", "locked", "flags"),
    parameters={"on_delay_s": 1.0},
    summary="Closed, latched, locked and lock flags cannot all be true as they are reported.",
    text=lambda view, priority: f"{door_name(view)}: closed, latched and locked contradict one another.",
    action="Look at the door itself. Take it as not secure. Tell the crew and maintenance.",
    consequence="A door can read locked while it is not.",
    respond_within_s=60,
    role="door team",
    basis="14 CFR 25.783(d)(5) (from memory) and (e)(1): locked requires latched, secure is all three",
    evidence=("closed", "latched", "locked", "lock_flags"),
)


def _jumped(view: View, p: Parameters, held: bool) -> Truth:
    return view.door is not None and view.door.jump_standing


IMPLAUSIBLE_JUMP = Rule(
    code="implausible-jump",
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(Level(Priority.ADVISORY, _jumped),),
    reads=frozenset({"jump"}),
    parameters={"slow_feed_jumps": 3.0, "slow_feed_window_s": 3600.0},
    summary="The door went from one state to another with no legal step between: readings were lost or are wrong.",
    text=lambda view, priority: f"{door_name(view)}: jumped to {view.state.replace('_', ' ')} with no step between.",
    action="Look at the door itself. Tell maintenance if it comes again.",
    consequence="A step was not seen; what happened in between is not in the record.",
    respond_within_s=300,
    role="maintenance",
    basis="common practice: a door passes through its states in order; 14 CFR 25.783(d)(6) for unlocked before unlatched",
    evidence=("closed", "latched", "locked", "hold_open", "travel"),
)


def _skewed(view: View, p: Parameters, held: bool) -> Truth:
    if view.aircraft is None or not is_present(view.aircraft):
        return None
    own = [door.sender for door in view.aircraft.doors.values() if door.sender is not None]
    return any(is_skewed(sender) for sender in (view.aircraft.sender, *own))


CLOCK_SKEW = Rule(
    code="clock-skew",
    scope=Scope.AIRCRAFT,
    levels=(Level(Priority.ADVISORY, _skewed),),
    reads=frozenset({"clock", "presence"}),
    summary="A sender's clock is usually more than 5 s from ours, or far ahead just now.",
    text=lambda view, priority: "The clock of this aircraft's sender is off; its times cannot be compared with ours.",
    action="Tell maintenance. Compare no times with this aircraft's until its clock is set.",
    consequence="The order of what happened here and elsewhere cannot be told from the record.",
    respond_within_s=3600,
    role="maintenance",
    basis="common practice; 5 s is the wire contract's",
)

FEEDS = (BROKER_LOST, FEED_LOST, CLOCK_SKEW)
"""Whether anything is heard at all: judged whoever speaks, and before what hangs on it."""

RULES = (
    SIGNAL_STALE_AIRFRAME,
    SIGNAL_BAD_AIRFRAME,
    SIGNAL_STALE_DOOR,
    SIGNAL_BAD_DOOR,
    LOCK_DISAGREE,
    IMPLAUSIBLE_JUMP,
)
