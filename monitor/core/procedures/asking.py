"""What a condition says at a door now, in three-valued logic.

Owns how conditions are read off a :class:`monitor.core.view.View`. It remembers nothing.
"""

from __future__ import annotations

from monitor.core.documents import slide_word
from monitor.core.door import State
from monitor.core.kleene import Truth, all3, any3
from monitor.core.procedures.definition import AIRFRAME, COMPARISONS, SLIDE, STATE, Condition, Test
from monitor.core.signals import Value
from monitor.core.view import View

_UNKNOWN = "unknown"


def ask(view: View, condition: Condition) -> Truth:
    """Tell whether a condition is met at a door; ``None`` where that is not known. An empty one is."""
    if len(condition) == 1:
        return all3(_meets(view, test) for test in condition[0])
    return any3(all3(_meets(view, test) for test in together) for together in condition) if condition else True


def _meets(view: View, test: Test) -> Truth:
    value = _find(view, test.signal)
    if value is None:
        return None
    if test.comparison:
        return COMPARISONS[test.comparison](value, test.limit) if isinstance(value, (int, float)) else None
    return value in test.wanted


def _find(view: View, signal: str) -> Value | None:
    if signal == STATE:
        return None if view.state is State.UNKNOWN else str(view.state)
    if signal == SLIDE:
        word = slide_word(view)
        return None if word == _UNKNOWN else word
    if signal.startswith(AIRFRAME):
        return view.airframe_value(signal.removeprefix(AIRFRAME))
    return view.value(signal)
