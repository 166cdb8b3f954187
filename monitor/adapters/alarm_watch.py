"""The rolling windows of alarm health, fed by every step.

Owns the observer that keeps them; what a flood is, the core says.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Protocol

from monitor.core.alarm_health import LEAD_IN, Annunciation, LiveRates, read_annunciation
from monitor.core.effects import PublishEvent
from monitor.ports import Step


class Past(Protocol):
    """What is asked of the journal."""

    async def study_annunciations(
        self, study: Callable[[int | None, Iterable[Annunciation]], Any], *, since: int, until: int
    ) -> Any: ...


class AlarmWatch:
    """Counts what asks for attention as an ``Observer``."""

    def __init__(self, roles: Iterable[str]) -> None:
        self._rates = LiveRates(roles)

    async def recall(self, past: Past, now: int) -> None:
        """Take up what was told before ``now`` (µs): a flood does not end with a restart."""

        def take(_: int | None, told: Iterable[Annunciation]) -> None:
            for each in told:
                self._rates.take(each)

        await past.study_annunciations(take, since=now - LEAD_IN, until=now + 1)

    def observe(self, step: Step) -> None:
        """Count what one step led to."""
        for effect in step.effects:
            if isinstance(effect, PublishEvent) and (told := read_annunciation(effect)) is not None:
                self._rates.take(told)

    def floods(self, now: int) -> dict[str, int | None]:
        """Each role, and all of them, with when its flood began; ``None`` where there is none (µs)."""
        return self._rates.floods(now)
