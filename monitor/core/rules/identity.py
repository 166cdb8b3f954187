"""Hazards of not knowing who speaks as an aircraft."""

from __future__ import annotations

from monitor.core.alert import Priority
from monitor.core.kleene import Truth
from monitor.core.rules.rule import Level, Parameters, Rule, Scope
from monitor.core.view import View, is_disputed, is_present


def _disputed(view: View, p: Parameters, held: bool) -> Truth:
    if view.aircraft is None or not is_disputed(view.aircraft):
        return False
    # Powered down, its signs stay and nothing is raised.
    return True if is_present(view.aircraft) else None


def _text(view: View, priority: Priority) -> str:
    memo = view.aircraft.identity if view.aircraft is not None else None
    grounds: list[str] = []
    if view.aircraft is not None and memo is not None:
        if memo.two_senders:
            grounds.append("two senders count as this aircraft")
        if memo.other_type:
            grounds.append(f"it is here as {view.aircraft.type} and is called {memo.other_type}")
        if memo.shared_with:
            grounds.append(f"stand {view.aircraft.stand} is claimed by {', '.join(memo.shared_with)} too")
    said = "; ".join(grounds) or "it is not clear who speaks as this aircraft"
    return f"{said[0].upper()}{said[1:]}."


IDENTITY_CONFLICT = Rule(
    code="identity-conflict",
    scope=Scope.AIRCRAFT,
    levels=(Level(Priority.CAUTION, _disputed),),
    reads=frozenset({"memo/identity", "presence"}),
    names_signals=True,
    summary=(
        "Two senders speak as one aircraft, its type changes while it is here, or two aircraft claim one stand: "
        "its doors read unknown until a person decides."
    ),
    text=_text,
    action="Go and look which aircraft stands there. Take none of its doors on the board as known. Tell ops.",
    consequence="What is shown may be another aircraft's; nothing that happens at its doors is warned of.",
    respond_within_s=60,
    role="coordinator",
    basis="14 CFR 25.783(e)(3) by analogy: a false indication must not read as secure; common practice",
    evidence=("airframe/type", "airframe/stand", "airframe/heartbeat"),
)

RULES = (IDENTITY_CONFLICT,)
