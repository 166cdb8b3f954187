"""What was left out while more came than could be taken in.

Owns the count of one stretch of overload and how it is told. It decides neither what is
left out, which the shell does, nor what that makes of a reading (:mod:`monitor.core.shed`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

SUPERSEDED: Final = "superseded"
"""A newer reading of the same signal was waiting behind it: nothing but its moment is lost."""
REPEAT: Final = "repeat"
"""It said once more what the one waiting before it says."""
UNREADABLE: Final = "unreadable"
"""Its topic is none of the contract; it would only have been set aside."""
ANALOGUE: Final = "analogue"
"""The newest of a quantity: until the next one comes, that is not known."""
REFUSED: Final = "refused"
"""Whatever it was, there was no room, and its sender asked for no acknowledgement."""

REASONS: Final = (SUPERSEDED, REPEAT, UNREADABLE, ANALOGUE, REFUSED)
"""Why a delivery was left out, the most harmless first."""

_WORDS: Final = {
    SUPERSEDED: "overtaken by a newer one",
    REPEAT: "repeated",
    UNREADABLE: "unreadable",
    ANALOGUE: "of a quantity that is unknown now",
    REFUSED: "refused",
}


@dataclass(slots=True)
class Overload:
    """One stretch of overload: since when, when last (µs), and how many were left out by reason.

    ``waiting`` is how many deliveries waited when that was last told.
    """

    since: int | None = None
    last_at: int | None = None
    waiting: int = 0
    counts: dict[str, int] = field(default_factory=dict)

    def note(self, counts: Iterable[tuple[str, int]], waiting: int, now: int, *, anew: bool) -> None:
        """Count what was left out; ``anew`` begins a new stretch."""
        if anew or self.since is None:
            self.since, self.counts = now, {}
        self.last_at, self.waiting = now, waiting
        for reason, number in counts:
            self.counts[reason] = self.counts.get(reason, 0) + number

    def describe(self) -> str:
        """Say in a sentence how many were left out, and why."""
        parts = [f"{self.counts[reason]} {_WORDS[reason]}" for reason in REASONS if self.counts.get(reason)]
        return f"{sum(self.counts.values())} messages left out ({', '.join(parts)}); {self.waiting} wait."
