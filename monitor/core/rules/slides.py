"""Hazards of the slide: a handle, a leaf or a pack that moves while it is engaged."""

from __future__ import annotations

from monitor.core.alert import Priority
from monitor.core.door import State
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.rules.rule import (
    CABIN,
    EMERGENCY,
    HANDLES,
    LEAF,
    SLIDE,
    SLIDES,
    Level,
    Parameters,
    Rule,
    Scope,
    door_name,
)
from monitor.core.times import MILLISECOND
from monitor.core.view import View


def _emergency(view: View) -> bool:
    return view.emergency


def _armed_and_moved(view: View, p: Parameters, held: bool) -> Truth:
    state = view.state
    if state is State.UNKNOWN:
        return None
    return state is State.ARMED_UNLOCKED and view.door is not None and view.door.armed_moved_since is not None


def _armed_and_moved_from_inside(view: View, p: Parameters, held: bool) -> Truth:
    holds = _armed_and_moved(view, p, held)
    door = view.door
    if not holds or door is None or door.armed_moved_since is None or door.outside_since is None:
        return holds
    followed = door.outside_since - door.armed_moved_since
    return not 0 <= followed <= p["outside_follows_ms"] * MILLISECOND


ARMED_HANDLE_MOVED = Rule(
    code="armed-handle-moved",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(
        Level(Priority.WARNING, _armed_and_moved_from_inside),
        Level(Priority.ADVISORY, _armed_and_moved),
    ),
    reads=frozenset({"state", "outside_handle_lifted", EMERGENCY}),
    needs=("closed", "latched", "locked", "handle_lifted", "slide"),
    parameters={"outside_follows_ms": 300.0},
    unless=_emergency,
    summary="A latch, lock or handle is off its stop with the slide engaged, by any cause but the outside handle.",
    text=lambda view, priority: (
        f"{door_name(view)}: moved by its outside handle with the slide engaged."
        if priority is Priority.ADVISORY
        else f"{door_name(view)}: handle, latch or lock moved with the slide engaged; the slide may deploy."
    ),
    action="Stop. Keep clear of the door, inside and outside. Tell the crew that the slide is engaged.",
    consequence="If the leaf moves out, the slide inflates with force and can strike or kill anybody near it.",
    respond_within_s=5,
    role="coordinator",
    basis="14 CFR 25.810(a)(1)(i): deployment begins between the inside handle's actuation and the fully open exit",
    evidence=("closed", "latched", "locked", *HANDLES, *SLIDE),
)


def _leaf_out_and_engaged(view: View, p: Parameters, held: bool) -> Truth:
    return all3((view.leaf_out, view.engaged))


ARMED_LEAF_MOVING = Rule(
    code="armed-leaf-moving",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(Level(Priority.WARNING, _leaf_out_and_engaged),),
    reads=frozenset({"leaf", *SLIDE, EMERGENCY}),
    needs=("closed", "slide"),
    suppressed_by=("slide-deployed",),
    unless=_emergency,
    summary="The leaf is out of its frame with the slide engaged.",
    text=lambda view, priority: f"{door_name(view)}: leaf out of its frame with the slide engaged; it is deploying.",
    action="Keep clear of the door and of the ground below it. Stop everybody who comes near. Tell the crew.",
    consequence="The slide pack is pulled out and inflates within seconds over whoever stands there.",
    respond_within_s=5,
    role="coordinator",
    basis="14 CFR 25.810(a)(1)(i) and (ii): deployment begins before fully open; erected within 6 s of its start",
    evidence=(*LEAF, *SLIDE),
)


def _released(view: View, p: Parameters, held: bool) -> Truth:
    return view.true("slide_released") if view.has_slide else False


def _released_unplanned(view: View, p: Parameters, held: bool) -> Truth:
    released = _released(view, p, held)
    return False if view.door is not None and view.door.released_in_emergency else released


SLIDE_DEPLOYED = Rule(
    code="slide-deployed",
    scope=Scope.DOOR,
    kinds=SLIDES,
    slide_only=True,
    levels=(Level(Priority.WARNING, _released_unplanned), Level(Priority.ADVISORY, _released)),
    reads=frozenset({"slide_released", "state"}),
    needs=("slide_released",),
    latching=True,
    summary="The slide pack left its container; an advisory where an emergency was declared at that moment.",
    text=lambda view, priority: (
        f"{door_name(view)}: slide released in the declared emergency."
        if priority is Priority.ADVISORY
        else f"{door_name(view)}: slide released."
    ),
    action="Keep people and vehicles clear of the slide. Look for anybody hurt. Tell the crew and maintenance.",
    consequence="The slide may still be inflating or fall away; the exit is lost until it has been replaced.",
    respond_within_s=10,
    role="coordinator",
    basis="14 CFR 25.810(a)(1)(ii): erected within 6 s; that a used slide needs maintenance is common practice",
    evidence=("slide_released", "slide_erect", "closed", *SLIDE),
)


def _outside_and_engaged(view: View, p: Parameters, held: bool) -> Truth:
    return all3((view.true("outside_handle_lifted"), view.engaged))


OUTSIDE_OPENING_ARMED = Rule(
    code="outside-opening-armed",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(
        Level(Priority.WARNING, _outside_and_engaged, delay="still_engaged_s"),
        Level(Priority.ADVISORY, _outside_and_engaged),
    ),
    reads=frozenset({"outside_handle_lifted", *SLIDE}),
    needs=("outside_handle_lifted", "slide"),
    parameters={"still_engaged_s": 2.0},
    summary="The outside handle is lifted with the slide engaged; lifting it should have disengaged the slide.",
    text=lambda view, priority: (
        f"{door_name(view)}: outside handle lifted and the slide is still engaged; it may deploy."
        if priority is Priority.WARNING
        else f"{door_name(view)}: outside handle lifted with the slide engaged; it should disengage now."
    ),
    action="Stop. Move away from under the door. Tell the crew inside that the slide reads engaged.",
    consequence="The slide can inflate over whoever opens the door from outside.",
    respond_within_s=5,
    role="coordinator",
    basis="14 CFR 25.810(a)(1)(i): a means to prevent deployment when the exit is opened from outside; 2 s is our choice",
    evidence=("outside_handle_lifted", "flap_pressed", *SLIDE),
)


def _parts_disagree(view: View, p: Parameters, held: bool) -> Truth:
    parts = view.slide_parts()
    return all3((any3(parts), any3(not3(part) for part in parts))) if view.has_slide else False


def _parts_disagree_and_handle_moved(view: View, p: Parameters, held: bool) -> Truth:
    return all3((_parts_disagree(view, p, held), view.handle_moved))


GIRT_DISAGREE = Rule(
    code="girt-disagree",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(
        Level(Priority.WARNING, _parts_disagree_and_handle_moved, delay="on_delay_s"),
        Level(Priority.CAUTION, _parts_disagree, delay="on_delay_s"),
    ),
    reads=frozenset({*SLIDE, *HANDLES}),
    needs=("lever_armed", "girt_left", "girt_right", "handles"),
    parameters={"on_delay_s": 2.0},
    summary="The arming lever and the girt-bar ends do not say the same.",
    text=lambda view, priority: (
        f"{door_name(view)}: arming lever and girt-bar ends disagree; take the slide as engaged."
    ),
    action="Look at the girt bar and its floor brackets. Leave the handle alone. Tell the crew.",
    consequence="A slide held at one end deploys crooked, or an exit that shows as ready has none.",
    respond_within_s=30,
    role="door team",
    basis="14 CFR 121.570(a): each slide ready; that lever and both ends must agree is common practice",
    evidence=(*SLIDE, *HANDLES, EMERGENCY),
)

RULES = (SLIDE_DEPLOYED, ARMED_HANDLE_MOVED, ARMED_LEAF_MOVING, OUTSIDE_OPENING_ARMED, GIRT_DISAGREE)
