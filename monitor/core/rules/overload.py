"""The hazard of not keeping up: more comes than can be taken in."""

from __future__ import annotations

from monitor.core.alert import Priority
from monitor.core.kleene import Truth
from monitor.core.rules.rule import Level, Parameters, Rule, Scope
from monitor.core.times import SECOND
from monitor.core.view import View


def _sheds(view: View, p: Parameters, held: bool) -> Truth:
    last = view.site.overload.last_at
    if last is None:
        return False
    over = last + round(p["quiet_s"] * SECOND)
    view.wake_at(over)
    return view.now < over


OVERLOAD = Rule(
    code="overload",
    scope=Scope.SITE,
    levels=(Level(Priority.CAUTION, _sheds),),
    reads=frozenset({"overload"}),
    parameters={"quiet_s": 30.0},
    names_signals=True,
    summary="More messages come than can be taken in, and some were left out; over once none was for 30 s.",
    text=lambda view, priority: f"Overloaded: {view.site.overload.describe()}",
    action="Look which sender sends too much and have it slowed down. Look at the machine's load and its disk.",
    consequence="Alerts may come late, quantities such as a pressure may not be known, and what a door said may have been refused.",
    respond_within_s=300,
    role="ops",
    basis="common practice: what is left out is counted and told, never dropped in silence; 30 s is our choice",
)

RULES = (OVERLOAD,)
