"""Hazards of an exit that does not do in time what people who leave by it count on."""

from __future__ import annotations

from typing import Final

from monitor.core.alert import Priority
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
from monitor.core.times import SECOND
from monitor.core.view import View

MEMO = "memo/slide"
HANDLE_MAY_LAG: Final = SECOND
"""On topics of their own, the handle's reading may come this much behind the release that it led to."""


def _after(at: int, seconds: float) -> int:
    return at + round(seconds * SECOND)


def _due(view: View, at: int) -> bool:
    """Tell whether a time limit is up; asks to be judged again when it will be."""
    view.wake_at(at)
    return view.now >= at


def _not_erect(view: View, p: Parameters, held: bool) -> Truth:
    door, spec = view.door, view.spec
    if door is None or spec is None or not view.has_slide or not door.deployed:
        return False
    memo = door.slide_memo
    if memo is not None and memo.erect:
        return False
    if not view.fits("slide_erect") and view.reading("slide_erect") is None:
        return False
    # A deployed door's state has stood since its slide was released.
    due = _after(door.since, p["erect_s"])
    moved = memo.handle_at if memo is not None and spec.exit_type == "C" else None
    if moved is not None and moved <= door.since + HANDLE_MAY_LAG:
        due = max(due, _after(moved, p["type_c_s"]))
    return view.never_seen_or("slide_erect", False) if _due(view, due) else False


SLIDE_SLOW = Rule(
    code="slide-slow",
    scope=Scope.DOOR,
    kinds=SLIDES,
    slide_only=True,
    levels=(Level(Priority.CAUTION, _not_erect),),
    reads=frozenset({"slide_released", "slide_erect", "state", MEMO}),
    needs=("slide_released", "slide_erect"),
    parameters={"erect_s": 6.0, "type_c_s": 10.0},
    summary=(
        "The slide is not seen erect 6 s after its release, on a type C exit 10 s after a handle moved where that is "
        "later; ends once it was seen erect, or at the door's reset."
    ),
    text=lambda view, priority: f"{door_name(view)}: slide released and still not seen erect.",
    action="Keep everybody off the slide and away from under it. Look whether it fills. Tell the crew at once.",
    consequence="A half-filled slide carries nobody; whoever steps onto it falls.",
    respond_within_s=30,
    role="coordinator",
    basis="14 CFR 25.810(a)(1)(ii): erected within 6 s of the start of deployment, type C within 10 s of actuation",
    evidence=("slide_released", "slide_erect", "manual_inflation", "slide_bottle_bar", *HANDLES),
)


def _nothing_released(view: View, p: Parameters, held: bool) -> Truth:
    door = view.door
    memo = door.slide_memo if door is not None else None
    if door is None or memo is None or memo.left_at is None or door.deployed or not view.has_slide:
        return False
    if not view.fits("slide_released") and view.reading("slide_released") is None:
        return False
    return view.never_seen_or("slide_released", False) if _due(view, _after(memo.left_at, p["release_s"])) else False


def _nothing_released_text(view: View, priority: Priority) -> str:
    pulled = ", though its manual inflation handle is pulled" if view.true("manual_inflation") else ""
    return f"{door_name(view)}: left its frame with the slide engaged and nothing was released{pulled}."


SLIDE_NOT_RELEASED = Rule(
    code="slide-not-released",
    scope=Scope.DOOR,
    kinds=SLIDES,
    slide_only=True,
    levels=(Level(Priority.WARNING, _nothing_released),),
    reads=frozenset({"slide_released", "state", "manual_inflation", MEMO}),
    needs=("closed", "slide_released", "engagement"),
    parameters={"release_s": 2.0},
    names_signals=True,
    summary=(
        "The leaf left its frame with the slide engaged and no slide was released 2 s later; ends when one is, "
        "or with the leaf back in its frame."
    ),
    text=_nothing_released_text,
    action=(
        "Tell the crew that nothing has released and that the manual inflation handle is theirs to use. "
        "Keep clear of the door and of the ground below it."
    ),
    consequence="People who count on the slide find none; or it goes off late, over whoever has come near.",
    respond_within_s=5,
    role="coordinator",
    basis="14 CFR 25.810(a)(1)(i): deployment begins before the exit is fully open; 2 s is our choice",
    evidence=("closed", "slide_released", "manual_inflation", *SLIDE),
)


def _open_late(view: View, p: Parameters, held: bool) -> Truth:
    door = view.door
    memo = door.slide_memo if door is not None else None
    if memo is None or memo.inside_at is None or memo.opened:
        return False
    out = view.leaf_out
    wanted = all3((view.engaged, any3((out, view.emergency)), not3(all3((out, view.held_open)))))
    if wanted is False:
        return False
    return wanted if _due(view, _after(memo.inside_at, p["open_s"])) else False


EMERGENCY_OPEN_SLOW = Rule(
    code="emergency-open-slow",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(Level(Priority.WARNING, _open_late),),
    reads=frozenset({"leaf", "hold_open", "travel", "state", "handle_lifted", EMERGENCY, MEMO, *SLIDE}),
    needs=("closed", "handle_lifted", "hold_open", "slide", EMERGENCY),
    parameters={"open_s": 10.0},
    summary=(
        "With the slide engaged, the leaf is out of its frame, or an emergency is declared, and it is not held open "
        "10 s after the inside handle moved; ends when it was held open, the slide is disengaged, or the handle is "
        "home with the leaf in its frame."
    ),
    text=lambda view, priority: (
        f"{door_name(view)}: handle moved with the slide engaged, and the door is still not held open."
    ),
    action="Keep clear of the door and of the ground below it. Tell the crew which exit is slow. Look for other exits.",
    consequence="People wait at an exit that does not give way, or that swings back on them.",
    respond_within_s=5,
    role="coordinator",
    basis="14 CFR 25.809(b): fully open within 10 s of actuation; 25.809(i): it holds itself open",
    evidence=("handle_lifted", *LEAF, *SLIDE, "assist_bottle_bar", EMERGENCY),
)

RULES: tuple[Rule, ...] = (SLIDE_SLOW, SLIDE_NOT_RELEASED, EMERGENCY_OPEN_SLOW)
