"""What readers ask about procedures and drills: the present from the core, the past from the journal.

Owns the putting together of the two, and the labels of trainees beside them. It changes nothing but a label.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, Protocol

import structlog

from monitor.core import readout
from monitor.core.system import System
from monitor.ports import JournalError, Readout

_log: Final = structlog.get_logger("sillwatch")


class Page(Protocol):
    """One page of the journal's readers."""

    @property
    def rows(self) -> list[Readout]: ...
    @property
    def next_cursor(self) -> str | None: ...


class Records(Protocol):
    """The journal as it is asked here."""

    async def procedure_runs(
        self, question: Mapping[str, Any], *, limit: int = ..., before: str | None = ...
    ) -> Page: ...
    async def drills(self, question: Mapping[str, Any], *, limit: int = ..., before: str | None = ...) -> Page: ...


class Labels(Protocol):
    """Where labels of trainees are kept; each method may block on the disk."""

    keep_days: float

    def keep(self, permit_id: str, label: str, until: int) -> None: ...
    def find(self, permits: Iterable[str], now: int) -> dict[str, str]: ...


class DrillDesk:
    """Answers about procedures and drills."""

    def __init__(self, system: System, records: Records, labels: Labels | None, now: Callable[[], int]) -> None:
        self._system = system
        self._records = records
        self._labels = labels
        self._now = now

    @property
    def keep_labels_days(self) -> float:
        """How long a label is kept after its drill; 0: none is taken."""
        return 0 if self._labels is None else self._labels.keep_days

    def procedures(self) -> list[Readout]:
        """Every configured procedure."""
        return readout.list_procedures(self._system)

    def runs_at(self, reg: str) -> list[Readout]:
        """The run that goes on at each of an aircraft's doors, or the last that ended there."""
        return readout.list_runs(self._system, reg, self._now())

    async def runs(self, question: Mapping[str, Any], *, limit: int, before: str | None) -> Readout:
        """Runs that have ended, newest first; raises ``ValueError`` for a cursor that is not ours."""
        page = await self._records.procedure_runs(question, limit=limit, before=before)
        return {"items": page.rows, "next": page.next_cursor}

    async def drills(self, question: Mapping[str, Any], *, limit: int, before: str | None) -> Readout:
        """Drills past and running, newest first; raises as :meth:`runs`."""
        page = await self._records.drills(question, limit=limit, before=before)
        labels = await self._find_labels([drill["permit_id"] for drill in page.rows])
        going = self._list_going()
        items = []
        for drill in page.rows:
            name = drill["permit_id"]
            runs = [*drill["runs"], *(run for run in going.get(name, ()) if run not in drill["runs"])]
            items.append({**drill, "runs": runs, **({"trainee": labels[name]} if name in labels else {})})
        return {"items": items, "next": page.next_cursor, "keep_labels_days": self.keep_labels_days}

    async def keep_label(self, permit_id: str, label: str, until: int) -> None:
        """Keep whose drill it is; ``until`` (µs) is its latest end. Raises :class:`monitor.ports.JournalError`."""
        if self._labels is not None:
            await asyncio.to_thread(self._labels.keep, permit_id, label, until)

    async def _find_labels(self, permits: Sequence[str]) -> dict[str, str]:
        if self._labels is None or not self._labels.keep_days:
            return {}
        try:
            return await asyncio.to_thread(self._labels.find, permits, self._now())
        except JournalError as error:
            # Whose drill it was is the least of it: the drills are told all the same.
            _log.warning("labels of drills not read", action="read-labels", why=str(error))
            return {}

    def _list_going(self) -> dict[str, list[str]]:
        going: dict[str, list[str]] = {}
        for aircraft in self._system.record.aircraft.values():
            for door in aircraft.doors.values():
                if door.run is not None and door.run.drill_id:
                    going.setdefault(door.run.drill_id, []).append(door.run.run_id)
        return going
