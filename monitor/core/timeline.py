"""What became of an aircraft's doors and alerts over a while, as a line of time.

Owns the shape of that answer, from what was noted of each door and the lifecycle changes of
each alert. What is not on record is left out, never filled in. Never judges a reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from monitor.core.alert import RANK, AlertState, Priority
from monitor.core.effects import Document
from monitor.core.times import format_time, parse_time
from monitor.core.watched import Span

BY_A_PERSON: Final = frozenset(
    {"acknowledged", "unacknowledged", "shelved", "unshelved", "reset", "taken-out-of-service", "returned-to-service"}
)
"""Changes that name who made them; of any other the alert still names who last did something to it."""


class Stood(NamedTuple):
    """How a door stood from ``at`` (µs) on, as ``NoteState`` has it."""

    at: int
    door: str
    state: str
    slide: str


class Change(NamedTuple):
    """One lifecycle change of an alert, as ``PublishEvent`` has it."""

    at: int
    door: str
    code: str
    type: str
    data: Mapping[str, Any]


class Recorded(NamedTuple):
    """What is on record of one aircraft's while.

    ``first``: the first moment (µs) from which on all is. ``begin``: where what follows begins, which is
    later than was asked for where there was too much, or what was is no longer kept. ``stood``: each door's notes in order,
    the one that held at ``begin`` first; ``changes`` in order, first those before
    ``begin`` that tell of alerts that then stood: the first, one at the worst priority, the newest; ``off``: when the monitor did not run.
    """

    first: int | None
    begin: int
    stood: Sequence[Stood]
    changes: Sequence[Change]
    off: Sequence[Span]


def assemble_timeline(reg: str, recorded: Recorded, *, since: int, until: int, simulated: bool = False) -> Document:
    """Write an aircraft's while, ``since`` up to ``until`` (µs), for a reader.

    ``cut`` is the moment before which nothing is told, where there was too much to tell all or the
    record of it is gone. ``simulated``: the aircraft is known to be; of one that has left its alerts tell it.
    """
    doors: dict[str, list[Document]] = {}
    for note in recorded.stood:
        entry = {"at": format_time(note.at), "state": note.state, "slide": note.slide}
        doors.setdefault(note.door, []).append(entry)
    alerts = _describe_alerts(recorded.changes)
    simulated = simulated or any(alert.get("simulated") for alert in alerts)
    return {
        "aircraft": reg,
        **({"simulated": True} if simulated else {}),
        "since": format_time(since),
        "until": format_time(until),
        "recorded_from": None if recorded.first is None else format_time(recorded.first),
        "cut": format_time(recorded.begin) if recorded.begin > since else None,
        "doors": doors,
        "alerts": alerts,
        "monitor_not_running": [
            {"since": format_time(max(begun, since)), "until": format_time(min(over, until))}
            for begun, over in recorded.off
        ],
    }


def _describe_alerts(changes: Iterable[Change]) -> list[Document]:
    alerts: dict[str, Document] = {}
    for change in changes:
        data = change.data
        alert = alerts.get(data["alert_id"])
        if alert is None:
            alert = alerts[data["alert_id"]] = {
                "alert_id": data["alert_id"],
                "code": change.code,
                "door": change.door,
                "priority": data["priority"],
                "raised_at": data["raised_at"],
                "ended_at": None,
                "text": data["text"],
                "changes": [],
            }
        if RANK[Priority(data["priority"])] > RANK[Priority(alert["priority"])]:
            alert["priority"] = data["priority"]
        at = format_time(change.at)
        alert["ended_at"] = at if data["state"] == AlertState.NORMAL else None
        alert["text"] = data["text"]
        if data.get("simulated"):
            alert["simulated"] = True
        told = {"at": at, "type": change.type, "priority": data["priority"], "state": data["state"]}
        if change.type in BY_A_PERSON and data.get("by"):
            told["by"] = data["by"]
        alert["changes"].append(told)
    return sorted(alerts.values(), key=lambda alert: (parse_time(alert["raised_at"]), alert["alert_id"]))
