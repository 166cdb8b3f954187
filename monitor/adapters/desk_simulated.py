"""Says of an answer about an aircraft that the aircraft is simulated, where the answer itself does not know.

Owns which aircraft an answer speaks of: the one it was asked about, its topic's, its subject's.
What the core writes of an aircraft carries the word already. Changes nothing else of an answer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from monitor.ports import Readout

FLAG: Final = {"simulated": True}


class SimulatedFlags:
    """Flags answers; ``is_simulated`` tells it of a registration, and of any other word that it is not."""

    def __init__(self, is_simulated: Callable[[str], bool]) -> None:
        self._is_simulated = is_simulated

    def flag(self, document: Readout, reg: str) -> Readout:
        """Return an answer about ``reg``, flagged where that is simulated."""
        return {**document, **FLAG} if self._is_simulated(reg) else document

    def flag_topics(self, rows: Iterable[Readout]) -> list[Readout]:
        """Return rows that name a topic; one that is no aircraft's stays as it is."""
        return [self.flag(row, _aircraft_of(str(row.get("topic", "")))) for row in rows]

    def flag_subjects(self, rows: Iterable[Readout]) -> list[Readout]:
        """Return rows whose subject begins with a registration."""
        return [self.flag(row, str(row.get("subject", "")).partition("/")[0]) for row in rows]


def _aircraft_of(topic: str) -> str:
    # A topic that was turned away need not be well formed: the level after "aircraft" is enough.
    _, _, rest = topic.partition("/aircraft/")
    return rest.partition("/")[0]
