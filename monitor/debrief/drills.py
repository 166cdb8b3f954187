"""Which drills there were: from the audit of who granted and ended them.

Owns the reading of the audit's words for a permit. What else is kept of a drill (its name,
its procedure, its runs, and a trainee's label while there is one) comes from the tables that
hold it, as far as the journal has them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import orjson

from monitor.core.times import format_time, parse_time
from monitor.debrief.archive import Archive
from monitor.ports import Readout

_KEPT: Final = "SELECT permit_id, name, procedure, aircraft, doors, by, began_at, until, ended_at, simulated FROM drills ORDER BY seq"
_ALL: Final = "all doors"
_WHOLE: Final = "the aircraft as a whole"


def list_drills(archive: Archive, now: int) -> list[Readout]:
    """Every drill on record, the first to begin first; ``ended_at`` is ``None`` while it runs at ``now`` (µs)."""
    drills = {drill["permit_id"]: drill for drill in _list_kept(archive)}
    for row in archive.permits():
        reg, _, permit_id = str(row["subject"]).split("/", 2)
        if row["action"] == "end-permit":
            if permit_id in drills and drills[permit_id]["ended_at"] is None:
                drills[permit_id]["ended_at"] = format_time(row["time"])
            continue
        kind, doors, *rest = str(row["after"]).split("; ")
        if kind != "drill" or permit_id in drills:
            continue
        until = next((part.removeprefix("until ") for part in reversed(rest) if part.startswith("until ")), "")
        drills[permit_id] = {
            "permit_id": permit_id,
            "name": None,
            "procedure": None,
            "aircraft": reg,
            "doors": _read_doors(doors),
            "by": row["by"],
            "reason": row["reason"],
            "began_at": format_time(row["time"]),
            "ended_at": None,
            "until": until,
            "runs": [],
        }
    for drill in drills.values():
        # One whose end is not on record, since the monitor did not run then, is over all the same.
        if drill["ended_at"] is None and drill["until"] and parse_time(drill["until"]) <= now:
            drill["ended_at"] = drill["until"]
    return sorted(drills.values(), key=lambda drill: (parse_time(drill["began_at"]), drill["permit_id"]))


def _list_kept(archive: Archive) -> Iterator[Readout]:
    """The drills that have a row of their own, with their names and runs."""
    if not archive.has_table("drills"):
        return
    runs: dict[str, list[str]] = {}
    for drill, run in archive.select(
        "SELECT drill, run_id FROM procedure_runs WHERE drill <> '' ORDER BY began_at, seq"
    ):
        runs.setdefault(drill, []).append(run)
    reasons = {str(row["subject"]).rpartition("/")[2]: row["reason"] for row in reversed(archive.permits())}
    for permit_id, name, procedure, reg, doors, by, began, until, ended, simulated in archive.select(_KEPT):
        yield {
            "permit_id": permit_id,
            "name": name or None,
            "procedure": procedure or None,
            "aircraft": reg,
            "doors": orjson.loads(doors),
            "by": by,
            "reason": reasons.get(permit_id, ""),
            "began_at": format_time(began),
            "ended_at": None if ended is None else format_time(ended),
            "until": format_time(until),
            "runs": runs.get(permit_id, []),
            **({"simulated": True} if simulated else {}),
        }


def _read_doors(text: str) -> list[str]:
    if text == _ALL:
        return []
    return ["-" if name == _WHOLE else name for name in text.split(", ")]
