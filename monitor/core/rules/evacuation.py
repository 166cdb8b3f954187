"""Hazards of many slides at once: an evacuation under way."""

from __future__ import annotations

from itertools import pairwise

from monitor.core.alert import Priority
from monitor.core.kleene import Truth, any3
from monitor.core.rules.rule import EMERGENCY, Level, Parameters, Rule, Scope
from monitor.core.times import SECOND
from monitor.core.view import View

SLIDES_LEAST = 2
"""Slides out that make an evacuation where no emergency is declared: one alone is a mishap."""


def _evacuating(view: View, p: Parameters, held: bool) -> Truth:
    aircraft = view.aircraft
    if aircraft is None:
        return False
    memo = aircraft.evacuation
    # A deployed door's state has stood since its slide was released: only a reset ends it.
    released = sorted(door.since for door in aircraft.doors.values() if door.deployed)
    if held:
        if memo is not None and memo.declared:
            return view.airframe_true("emergency")
        return len(released) >= SLIDES_LEAST
    if memo is not None:
        # What was released in an evacuation that is over makes no other one.
        released = [at for at in released if at >= memo.last_at]
    if not released:
        return False
    window = round(p["together_s"] * SECOND)
    return any3((any(later - earlier <= window for earlier, later in pairwise(released)), _emergency(view)))


def _emergency(view: View) -> Truth:
    """An emergency is declared; never reported means none."""
    return False if view.airframe_reading("emergency") is None else view.airframe_true("emergency")


def _text(view: View, priority: Priority) -> str:
    doors = [name for name, door in view.aircraft.doors.items() if door.deployed] if view.aircraft is not None else []
    where = f"slides out at {', '.join(doors)}" if len(doors) != 1 else f"slide out at {doors[0]}"
    return f"An evacuation is under way{', ' + where if doors else ''}."


EVACUATION_IN_PROGRESS = Rule(
    code="evacuation-in-progress",
    scope=Scope.AIRCRAFT,
    levels=(Level(Priority.WARNING, _evacuating),),
    reads=frozenset({"memo/released", EMERGENCY}),
    needs=("releases", EMERGENCY),
    parameters={"together_s": 30.0},
    names_signals=True,
    summary=(
        "Two slides released shortly after one another, or one in a declared emergency; ends with the emergency, "
        "or where none was declared once fewer than two are still out."
    ),
    text=_text,
    action=(
        "Stop all work around the aircraft. Keep vehicles away from the slides and the ground below them. "
        "Tell the rescue service."
    ),
    consequence="People come down the slides within seconds and run; whatever stands in their way hurts them.",
    respond_within_s=5,
    role="coordinator",
    basis="14 CFR 25.803(c): everybody out within 90 s, so a second slide follows the first at once; 30 s is our choice",
    evidence=(EMERGENCY,),
)

RULES: tuple[Rule, ...] = (EVACUATION_IN_PROGRESS,)
