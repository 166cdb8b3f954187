"""The journal's runs of procedures and its drills: how they are written, found, told and let go.

Owns the statements and the answers; what a row holds is :mod:`monitor.adapters.journal_rows`'. A trainee's
label is never among them.
"""

from __future__ import annotations

import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

import orjson

from monitor.adapters.journal_rows import DrillRow, Kept, Page, RunRow, decode_cursor, encode_cursor, page_size
from monitor.core.times import format_time
from monitor.ports import Readout

RUNS_OF_DRILL_MAX: Final = 1000
"""How many runs of one drill are named, the first to begin first."""

_INSERT_RUN: Final = (
    "INSERT INTO procedure_runs (run_id, began_at, ended_at, aircraft, door, procedure, drill, document, position)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (run_id) DO NOTHING"
)
_INSERT_DRILL: Final = (
    "INSERT INTO drills (permit_id, name, procedure, aircraft, doors, by, began_at, until, ended_at, simulated, position)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (permit_id) DO UPDATE SET"
    " ended_at = coalesce(ended_at, excluded.ended_at), simulated = max(simulated, excluded.simulated)"
)
_RUNS: Final = "SELECT document, began_at, seq FROM procedure_runs"
_DRILLS: Final = "SELECT permit_id, name, procedure, aircraft, doors, by, began_at, until, ended_at, simulated, position, seq FROM drills"
_OF_DRILL: Final = "SELECT run_id FROM procedure_runs WHERE drill = ? ORDER BY began_at, seq LIMIT ?"
_ALL_RUNS: Final = (
    "SELECT document, began_at, seq FROM procedure_runs WHERE (began_at, seq) > (?, ?) AND began_at < ?"
    " ORDER BY began_at, seq LIMIT ?"
)
_OLD_RUNS: Final = (
    "DELETE FROM procedure_runs WHERE seq IN"
    " (SELECT seq FROM procedure_runs WHERE began_at < ?1 AND ended_at < ?1 ORDER BY began_at LIMIT ?2)"
)
_OLD_DRILLS: Final = "DELETE FROM drills WHERE coalesce(ended_at, until) < ?"


def insert_procedures(connection: sqlite3.Connection, kept: Kept) -> None:
    """Write what a batch led to, in its transaction."""
    if kept.runs:
        connection.executemany(_INSERT_RUN, kept.runs)
    if kept.drills:
        connection.executemany(_INSERT_DRILL, kept.drills)


def delete_runs(connection: sqlite3.Connection, before: int, rows: int) -> int:
    """Delete ``rows`` runs at most that ended before a moment (µs), and with the last of them the drills."""
    gone = connection.execute(_OLD_RUNS, (before, rows)).rowcount
    if gone < rows:
        connection.execute(_OLD_DRILLS, (before,))
    return gone


def drill_readout(row: Sequence[Any], runs: Sequence[str]) -> Readout:
    """Give a :class:`DrillRow`'s columns as a reader wants them."""
    permit_id, name, procedure, aircraft, doors, by, began_at, until, ended_at, simulated = row[:10]
    readout: Readout = {
        "permit_id": permit_id,
        "name": name,
        "procedure": procedure or None,
        "aircraft": aircraft,
        "doors": orjson.loads(doors),
        "by": by,
        "began_at": format_time(began_at),
        "ended_at": None if ended_at is None else format_time(ended_at),
        "until": format_time(until),
        "runs": list(runs),
    }
    if simulated:
        readout["simulated"] = True
    return readout


Conditions = Sequence[tuple[str, Any]]
Found = tuple[Readout, tuple[int, int]]


class ProcedureQueries(ABC):
    """What is asked of them, over a reader's own connection."""

    @abstractmethod
    def _select(self, sql: str, *values: Any) -> list[Any]: ...

    @abstractmethod
    def _page(
        self,
        select: str,
        conditions: list[tuple[str, Any]],
        order: tuple[str, ...],
        limit: int,
        cursor: str | None,
        read: Callable[[Sequence[Any]], Found],
    ) -> Page: ...

    def procedure_runs(self, question: Mapping[str, Any], *, limit: int, before: str | None) -> Page:
        """Runs that have ended, newest first.

        ``question`` may name ``aircraft``, ``door``, ``procedure``, ``drill``, and ``since`` (from) and ``until`` (before)
        for when they began (µs). Raises :class:`monitor.adapters.journal_rows.CursorError`.
        """
        texts = {"since": "began_at >= ?", "until": "began_at < ?"}
        conditions = [(texts.get(name, f"{name} = ?"), value) for name, value in question.items() if value is not None]
        return self._page(
            _RUNS, conditions, ("began_at", "seq"), limit, before, lambda row: (orjson.loads(row[0]), (row[1], row[2]))
        )

    def every_run(self, since: int, until: int) -> Iterator[Readout]:
        """Every run that began in a period (µs), in order; they may be many."""
        place = (since, -1)
        while rows := self._select(_ALL_RUNS, *place, until, RUNS_OF_DRILL_MAX):
            yield from (orjson.loads(row[0]) for row in rows)
            place = (rows[-1][1], rows[-1][2])

    def drills(self, question: Mapping[str, Any], *, limit: int, before: str | None) -> Page:
        """Drills past and running, newest first, each with the runs of it that have ended.

        ``question`` may name ``aircraft``, ``permit_id``, and ``since`` and ``until``: what went on between them (µs).
        """
        texts = {"since": "coalesce(ended_at, until) >= ?", "until": "began_at < ?"}
        conditions = [(texts.get(name, f"{name} = ?"), value) for name, value in question.items() if value is not None]
        return self._page(_DRILLS, conditions, ("began_at", "seq"), limit, before, self._read_drill)

    def _read_drill(self, row: Sequence[Any]) -> Found:
        runs = [run for (run,) in self._select(_OF_DRILL, row[0], RUNS_OF_DRILL_MAX)]
        return drill_readout(row, runs), (row[6], row[11])


class ProceduresInMemory:
    """The same of a journal without a file: ``_runs`` and ``_drills`` play the tables, by id, in order."""

    def __init__(self) -> None:
        self._runs: dict[str, RunRow] = {}
        self._drills: dict[str, DrillRow] = {}

    def _keep_procedures(self, kept: Kept) -> None:
        for run in kept.runs:
            self._runs.setdefault(run.run_id, run)
        for drill in kept.drills:
            first = self._drills.get(drill.permit_id, drill)
            ended_at = first.ended_at if first.ended_at is not None else drill.ended_at
            simulated = first.simulated or drill.simulated
            self._drills[drill.permit_id] = first._replace(ended_at=ended_at, simulated=simulated)

    def _prune_procedures(self, limit: int) -> int:
        gone = len(self._runs)
        self._runs = {run_id: run for run_id, run in self._runs.items() if run.ended_at >= limit}
        ends = {name: drill.until if drill.ended_at is None else drill.ended_at for name, drill in self._drills.items()}
        self._drills = {name: drill for name, drill in self._drills.items() if ends[name] >= limit}
        return gone - len(self._runs)

    async def procedure_runs(self, question: Mapping[str, Any], *, limit: int = 100, before: str | None = None) -> Page:
        """As :meth:`ProcedureQueries.procedure_runs`."""
        found = [
            (orjson.loads(run.document), (run.began_at, number))
            for number, run in enumerate(self._runs.values())
            if _fits(run, question, began=run.began_at, ended=run.began_at)
        ]
        return _cut(found, limit, before)

    async def drills(self, question: Mapping[str, Any], *, limit: int = 100, before: str | None = None) -> Page:
        """As :meth:`ProcedureQueries.drills`."""
        found = []
        for number, drill in enumerate(self._drills.values()):
            ended = drill.until if drill.ended_at is None else drill.ended_at
            if _fits(drill, question, began=drill.began_at, ended=ended):
                runs = sorted((run.began_at, run.run_id) for run in self._runs.values() if run.drill == drill.permit_id)
                readout = drill_readout(drill, [run_id for _, run_id in runs[:RUNS_OF_DRILL_MAX]])
                found.append((readout, (drill.began_at, number)))
        return _cut(found, limit, before)


def _fits(row: RunRow | DrillRow, question: Mapping[str, Any], *, began: int, ended: int) -> bool:
    asked = {name: value for name, value in question.items() if value is not None}
    since, until = asked.pop("since", None), asked.pop("until", None)
    return (
        (since is None or ended >= since)
        and (until is None or began < until)
        and all(getattr(row, name) == value for name, value in asked.items())
    )


def _cut(found: list[Found], limit: int, before: str | None) -> Page:
    if before is not None:
        last = decode_cursor(before)
        found = [each for each in found if each[1] < last]
    found.sort(key=lambda each: each[1], reverse=True)
    page = found[: page_size(limit)]
    following = encode_cursor(*page[-1][1]) if len(found) > len(page) else None
    return Page([readout for readout, _ in page], following)
