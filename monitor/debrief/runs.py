"""The kept runs of procedures, as far as the journal has them.

Owns the one place that knows in which table they lie; a journal of an older program has none.
"""

from __future__ import annotations

from typing import Final

import orjson

from monitor.debrief.archive import Archive
from monitor.debrief.periods import ReportError
from monitor.debrief.values import Scope
from monitor.ports import Readout

RUNS_MAX: Final = 5_000
"""The most runs that one report is made of."""

_TABLE: Final = "procedure_runs"
_RUNS: Final = "SELECT document FROM procedure_runs WHERE"
_LAST: Final = "ORDER BY began_at, seq LIMIT ?"


def list_runs(archive: Archive, scope: Scope) -> list[Readout]:
    """The runs that began in a scope's period, and of a drill all that ran in it; in order, each as its document."""
    if not archive.has_table(_TABLE):
        return []
    if scope.drill is not None:
        rows = archive.select(f"{_RUNS} drill = ? {_LAST}", scope.drill["permit_id"], RUNS_MAX + 1)
    elif scope.aircraft is not None:
        period = (scope.aircraft, scope.since, scope.until)
        rows = archive.select(f"{_RUNS} aircraft = ? AND began_at >= ? AND began_at < ? {_LAST}", *period, RUNS_MAX + 1)
    else:
        rows = archive.select(f"{_RUNS} began_at >= ? AND began_at < ? {_LAST}", scope.since, scope.until, RUNS_MAX + 1)
    if len(rows) > RUNS_MAX:
        raise ReportError("wrong", f"more than {RUNS_MAX} procedures ran in that period; give a shorter one")
    return [orjson.loads(document) for (document,) in rows]
