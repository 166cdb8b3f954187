"""When old rows leave the journal: once an hour, for as long as an instance runs.

Owns how often; which rows may go is the journal's affair.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final, Protocol

import structlog

from monitor.core.times import HOUR
from monitor.ports import JournalError

_DAY: Final = 24 * HOUR
PRUNE_EVERY_S: Final = 3600

_log: Final = structlog.get_logger("sillwatch")


class Prunable(Protocol):
    """A journal that lets old rows go."""

    async def prune(self, now: int, *, keep_inputs_us: int, keep_events_us: int) -> object: ...


async def serve_pruning(journal: Prunable, now: Callable[[], int], *, readings_days: int, retention_days: int) -> None:
    """Prune for ever; what cannot be pruned now is tried again later. ``now`` in µs."""
    while True:
        try:
            await journal.prune(now(), keep_inputs_us=readings_days * _DAY, keep_events_us=retention_days * _DAY)
        except JournalError as error:
            _log.warning("not pruned", action="prune", why=str(error))
        await asyncio.sleep(PRUNE_EVERY_S)
