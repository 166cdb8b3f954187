"""What whoever takes over must know: what is open, set aside, out of service, blind or unheard.

Owns what belongs into a hand-over and in which order. The state is read back from the record, as
the monitor itself does when it starts, so that no monitor has to run. It decides nothing.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Final, cast

from monitor.adapters.notify.outbox_file import OUTBOX_FILE, OutboxError, open_beside
from monitor.adapters.notify.outbox_reading import count_letters
from monitor.config import Config
from monitor.core import alarm_health, readout
from monitor.core.effects import Document
from monitor.core.permits import list_permits
from monitor.core.system import System
from monitor.core.times import MINUTE, format_time
from monitor.debrief.archive import Archive
from monitor.debrief.debrief import CAUTION, SIMULATED, leave_out_names
from monitor.debrief.drills import list_drills
from monitor.debrief.periods import DAY, find_zone, say_moment
from monitor.engine import restore
from monitor.ports import Journal
from monitor.rerun import make_codec

BEHIND: Final = MINUTE
"""A record that ends longer ago than this does not tell of the present."""

_SET_ASIDE: Final = ("shelved", "suppressed", "out_of_service")
_SHOWN: Final = (
    *("alert_id", "code", "priority", "state", "aircraft", "stand", "door", "raised_at", "text", "action", "role"),
    *("respond_within_s", "active", "by", "reason", "shelved_until", "permit", "out_of_service_until"),
    *("late", "drill", "simulated", "blind"),
)


def collect_handover(
    archive: Archive, config: Config, data: Path, *, now: int, zone: str | None, names: bool
) -> Document:
    """Write a hand-over from the record in ``data``, at ``now`` (µs); raises ``ReportError`` and ``JournalError``."""
    name = zone or config.site.timezone
    shown = find_zone(name)
    archive.held()
    system = restore(config.site, cast(Journal, archive), make_codec(config)).system
    at = system.record.at
    alerts = [{key: alert[key] for key in _SHOWN if key in alert} for alert in readout.list_alerts(system, at)]
    crafts = readout.list_aircraft(system, at)
    drills = [drill for drill in list_drills(archive, now) if drill["ended_at"] is None]
    simulated = any(craft["simulated"] for craft in crafts) or any(alert.get("simulated") for alert in alerts)
    cautions = [CAUTION, *([SIMULATED] if simulated else [])]
    if now - at > BEHIND:
        cautions.append(f"The record ends at {say_moment(at, shown)}: what has happened since is not in it.")
    if not system.record.broker_connected:
        cautions.append("The broker was not connected then: nothing was heard.")
    document: Document = {
        "of": {
            "kind": "handover",
            "title": f"Hand-over, site {config.site.name}",
            "since": format_time(at),
            "zone": name,
        },
        "at": format_time(at),
        "simulated": simulated,
        "cautions": cautions,
        "broker_connected": system.record.broker_connected,
        "open": [alert for alert in alerts if alert["state"] not in _SET_ASIDE],
        **{state: [alert for alert in alerts if alert["state"] == state] for state in _SET_ASIDE},
        "permits": list_permits(system.record, now),
        "drills": drills,
        "blind": list(_list_blind(system, crafts, at)),
        "deaf_to": list(_list_deaf(system, crafts, at)),
        "feeds_lost": [
            {key: craft[key] for key in ("aircraft", "stand", "presence", "feed", "last_message_at", "simulated")}
            for craft in crafts
            if craft["feed"] != "live" and craft["presence"] == "present"
        ],
        "chattering": _find_chattering(archive, at),
        "undelivered": _count_undelivered(data),
        "aircraft": [
            {key: craft[key] for key in ("aircraft", "type", "stand", "presence", "feed", "simulated")}
            for craft in crafts
            if craft["presence"] != "away"
        ],
    }
    if not names:
        leave_out_names(document)
    return document


def _list_blind(system: System, crafts: Iterable[Document], at: int) -> Iterable[Document]:
    """The doors whose picture does not hold, by stand; not those of an aircraft that is away or parked."""
    for craft in crafts:
        if craft["presence"] != "present":
            continue
        for door, document in readout.describe_doors(system, craft["aircraft"], at).items():
            if document["blind"]:
                yield {
                    "aircraft": craft["aircraft"],
                    "stand": craft["stand"],
                    "door": door,
                    "state": document["state"],
                    "simulated": craft["simulated"],
                }


def _list_deaf(system: System, crafts: Iterable[Document], at: int) -> Iterable[Document]:
    """What cannot be seen at each place, one row a place and reason."""
    for craft in crafts:
        if craft["presence"] != "present":
            continue
        doors = readout.describe_doors(system, craft["aircraft"], at)
        for place, deaf in [("-", craft["deaf_to"]), *((door, doors[door]["deaf_to"]) for door in doors)]:
            by_why: dict[str, list[str]] = {}
            for each in deaf:
                by_why.setdefault(each["why"], []).append(each["code"])
            for why, codes in sorted(by_why.items()):
                yield {
                    "aircraft": craft["aircraft"],
                    "door": place,
                    "why": why,
                    "codes": sorted(set(codes)),
                    "simulated": craft["simulated"],
                }


def _find_chattering(archive: Archive, at: int) -> list[Document]:
    """What chattered over the last 24 h."""
    told = archive.annunciations(at - DAY, at + 1)
    figures = alarm_health.measure(told, since=at - DAY, until=at + 1, roles=())
    return cast(list[Document], figures["overall"]["chattering"]["worst"])


def _count_undelivered(data: Path) -> list[Document] | None:
    """What was not told outside, by destination; ``None`` where nothing is kept of that, or it cannot be read."""
    path = data / OUTBOX_FILE
    if not path.is_file():
        return None
    try:
        with contextlib.closing(open_beside(path)) as connection:
            waiting, dead = count_letters(connection, dead=False), count_letters(connection, dead=True)
    except (OutboxError, sqlite3.Error):
        return None
    return [
        {"destination": name, "waiting": waiting[name], "dead": dead[name]}
        for name in sorted(waiting.keys() | dead.keys())
    ]
