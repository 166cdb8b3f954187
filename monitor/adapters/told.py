"""Up to which lifecycle event the broker has acknowledged what it was told.

Owns one small file beside the journal. What was published and never acknowledged, because
we were killed or the broker was away to the last, is published again at the next start, with
the same ids: the journal holds it, and this says from where on. It is allowed to lag, which
repeats an event; it never runs ahead, which would lose one.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final, Protocol

import structlog

from monitor.ports import JournalError, KeptEvent

FILE: Final = "told"
LOOK_EVERY_S: Final = 0.5

log: Final = structlog.get_logger("sillwatch.told")


class Feed(Protocol):
    """What is asked of the feed: how much that is not retained it was given, and how much of it is unanswered."""

    @property
    def offered(self) -> int: ...
    @property
    def unanswered(self) -> int: ...


class Told:
    """The mark of one data folder; for the event loop's thread."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / FILE
        self._mark = 0
        self._failing = False

    async def untold(
        self, last_event: int, read_events: Callable[[int, int], Awaitable[list[KeptEvent]]], limit: int
    ) -> list[KeptEvent]:
        """At a start: the durable events, the newest ``limit`` at most, that the broker has not acknowledged.

        Without a mark, as after an upgrade, everything counts as told. Raises :class:`JournalError`.
        """
        mark = self._read()
        self._save(last_event if mark is None else min(mark, last_event))
        return await read_events(max(self._mark, last_event - limit), limit)

    async def serve(self, feed: Feed, last_event: Callable[[], Awaitable[int]]) -> None:
        """Follow what the broker acknowledges, for ever."""
        durable, offered = self._mark, 0
        while True:
            if feed.offered - feed.unanswered >= offered:
                self._save(durable)
                with contextlib.suppress(JournalError):
                    durable = await last_event()
                # Published before they were durable: all up to that one have been offered by now.
                offered = feed.offered
            await asyncio.sleep(LOOK_EVERY_S)

    def finish(self, feed: Feed, last_event: int) -> None:
        """At the end, when everything is durable: where nothing is unanswered, all of it was told."""
        if not feed.unanswered:
            self._save(last_event)

    def _read(self) -> int | None:
        try:
            return int(self._file.read_text(encoding="ascii"))
        except (OSError, ValueError):
            return None

    def _save(self, mark: int) -> None:
        if mark == self._mark and self._file.exists():
            return
        self._mark = mark
        # Renamed whole, and not forced to the disk: an older mark only repeats.
        fresh = self._file.with_name(f"{FILE}.new")
        try:
            fresh.write_text(f"{mark}\n", encoding="ascii")
            os.replace(fresh, self._file)
        except OSError as error:
            if not self._failing:
                log.warning("what was told cannot be noted", action="told-failed", why=error.strerror or str(error))
            self._failing = True
            return
        self._failing = False
