"""How a part moves towards where it is wanted, one time step at a time."""

from __future__ import annotations


def toward(value: float, goal: float, reach: float) -> float:
    """Move ``value`` towards ``goal`` by at most ``reach`` (same unit, not negative)."""
    if value < goal:
        return min(goal, value + reach)
    return max(goal, value - reach)
