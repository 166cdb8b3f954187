"""Three-valued truth: ``True``, ``False`` and ``None`` for "cannot tell" (Kleene's strong logic).

Owns how an unknown reading spreads through a condition: it matters only where the
known ones do not already settle the answer.
"""

from __future__ import annotations

from collections.abc import Iterable

Truth = bool | None


def not3(value: Truth) -> Truth:
    """Negate; unknown stays unknown."""
    return None if value is None else not value


def any3(values: Iterable[Truth]) -> Truth:
    """Or: true if one is, false if all are known false."""
    unknown = False
    for value in values:
        if value:
            return True
        unknown = unknown or value is None
    return None if unknown else False


def all3(values: Iterable[Truth]) -> Truth:
    """And: false if one is, true if all are known true."""
    unknown = False
    for value in values:
        if value is None:
            unknown = True
        elif not value:
            return False
    return None if unknown else True
