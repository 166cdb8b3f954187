"""What one aircraft's answers were worked out from, kept until something at its doors changes.

Most of an answer is many readings of many doors, and one door at a time is worked. Owns what
is kept and when it is forgotten. It spares work only: no record holds it, so after a restore
everything is worked out anew.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from typing import Any, TypeVar

from monitor.core.effects import Document
from monitor.core.view import View

Found = TypeVar("Found")


class Kept:
    """One aircraft's: each door's answer with what it hangs on, and facts of each door by name.

    ``outside`` is what the doors' answers take from the aircraft as a whole.
    """

    __slots__ = ("facts", "openings", "outside")

    def __init__(self) -> None:
        self.outside: Hashable = None
        self.openings: dict[str, tuple[Hashable, Document]] = {}
        self.facts: dict[str, dict[str, Any]] = {}

    def forget(self, changed: Iterable[str | None]) -> None:
        """Forget the doors at which something changed; ``None`` among them stands for the aircraft."""
        for door in changed:
            if door is not None:
                self.openings.pop(door, None)
                self.facts.pop(door, None)

    def open_door(self, door: str, outside: Hashable, own: Hashable, work: Callable[[], Document]) -> Document:
        """Return a door's answer as it was if it hangs on the same, or work it out."""
        if outside != self.outside:
            self.outside = outside
            self.openings.clear()
        found = self.openings.get(door)
        if found is None or found[0] != own:
            found = self.openings[door] = (own, work())
        return found[1]


def recall(view: View, name: str, work: Callable[[View], Found]) -> Found:
    """Return a fact of a door that did not change since, or work it out; only readings of that door may enter it."""
    if view.kept is None:
        return work(view)
    if name not in view.kept:
        view.kept[name] = work(view)
    found: Found = view.kept[name]
    return found
