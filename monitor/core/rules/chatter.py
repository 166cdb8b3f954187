"""A sensor that flaps: what it says cannot end an alert, though it may raise one.

Owns when a door's signal chatters. That its door's other alerts then neither fall nor end
is the ledger's work.
"""

from __future__ import annotations

from collections.abc import Iterator

from monitor.core.alert import Priority
from monitor.core.kleene import Truth
from monitor.core.rules.rule import ALL_KINDS, CHATTER, Level, Parameters, Rule, Scope, door_name
from monitor.core.times import SECOND
from monitor.core.view import View, is_judged


def _chattering(view: View, p: Parameters) -> Iterator[tuple[str, int]]:
    """Yield each signal that chatters, with the moment at which it would have ceased by itself."""
    window, changes = round(p["window_s"] * SECOND), int(p["least_changes"])
    for signal, moments in ((view.door.flips if view.door is not None else None) or {}).items():
        if len(moments) >= changes and view.now < (ceases := moments[-changes] + window):
            yield signal, ceases


def _chatters(view: View, p: Parameters, held: bool) -> Truth:
    ends = [ceases for _, ceases in _chattering(view, p)]
    if not ends:
        return False
    # Told signal by signal: the text changes with each that ceases.
    view.wake_at(min(ends))
    return True if view.aircraft is not None and is_judged(view.aircraft) else None


def _text(view: View, priority: Priority) -> str:
    names = sorted(signal for signal, _ in _chattering(view, SIGNAL_CHATTER.parameters))
    return f"{door_name(view)}: {', '.join(names) or 'a signal'} flaps; its alerts stay until that ends."


SIGNAL_CHATTER = Rule(
    code=CHATTER,
    scope=Scope.DOOR,
    kinds=ALL_KINDS,
    levels=(Level(Priority.ADVISORY, _chatters),),
    reads=frozenset({"memo/flips"}),
    parameters={"least_changes": 6.0, "window_s": 10.0},
    suppressed_by=("feed-lost",),
    names_signals=True,
    summary="A yes-or-no signal changes back and forth faster than anybody works a door.",
    text=_text,
    action="Look at the door itself. Take the more dangerous reading as true. Tell maintenance.",
    consequence="What the signal says changes too fast to be acted on, and no alert of this door ends meanwhile.",
    respond_within_s=300,
    role="maintenance",
    basis="common practice, after IEC 62682 and ANSI/ISA-18.2 on chattering alarms; 6 in 10 s is the contract's",
)

RULES = (SIGNAL_CHATTER,)
