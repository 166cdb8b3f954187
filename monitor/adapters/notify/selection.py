"""What a destination is told of: now, later or not at all.

Owns the filters, the quiet hours, and what a drill, a simulation, a backlog and the
monitor's own proving never do: page anybody. Pure; times are handed in (µs).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta, tzinfo
from enum import Enum
from typing import Any, Final, NamedTuple

from monitor.config.notify_file import Destination, QuietHours
from monitor.core.alert import AlertState, Priority
from monitor.core.times import SECOND

Alert = Mapping[str, Any]

PROVING: Final = "proof"
"""The aircraft that the monitor proves itself with; no registration on the wire can be that."""

LATE_WAIT: Final = 30 * SECOND
"""How long an alert told late must still stand, where its sender does not catch up before that (µs)."""

_ASKING: Final = frozenset({"raised", "reraised", "reprioritised"})
_HOLDING: Final = frozenset({AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED})


class Choice(Enum):
    """What becomes of an event for one destination."""

    SEND = "send"
    HOLD = "hold"
    SKIP = "skip"


class Chosen(NamedTuple):
    """A choice; ``until`` (µs) says until when an event is held."""

    choice: Choice
    until: int = 0


_SKIP: Final = Chosen(Choice.SKIP)
_SEND: Final = Chosen(Choice.SEND)


def is_served(destination: Destination, alert: Alert) -> bool:
    """Tell whether an alert is one of those that the destination is there for."""
    return (
        alert.get("priority") in destination.priorities
        and (not destination.roles or alert.get("role") in destination.roles)
        and (not destination.codes or alert.get("code") in destination.codes)
    )


def may_page(destination: Destination, alert: Alert) -> bool:
    """Tell whether an alert may page anybody there at all, whatever the filters say."""
    if alert.get("aircraft") == PROVING or alert.get("drill"):
        return False
    return destination.simulated or not alert.get("simulated")


def is_warning(alert: Alert) -> bool:
    """Tell whether an alert is a warning, for which no hours are quiet."""
    return alert.get("priority") == Priority.WARNING


def holds(alert: Alert) -> bool:
    """Tell whether an alert's condition holds and nobody set it aside."""
    return bool(alert.get("active")) and alert.get("state") in _HOLDING


def choose(
    destination: Destination, kind: str, alert: Alert, *, told: bool, now: int, zone: tzinfo, ahead: int = 0
) -> Chosen:
    """Choose for one lifecycle event: ``kind`` is its word, ``alert`` its data.

    ``told``: the destination was told of this alert before, and then hears what becomes of it
    whatever its filters say. ``ahead``: by how much people's clock, which quiet hours go by, is ahead of ``now``.
    """
    if alert.get("aircraft") == PROVING or (alert.get("simulated") and not destination.simulated):
        return _SKIP
    if alert.get("drill") and (kind in _ASKING or not told):
        return _SKIP
    if not told and not is_served(destination, alert):
        return _SKIP
    until = quiet_until(destination.quiet_hours, now + ahead, zone) if not is_warning(alert) else None
    if until is not None:
        return Chosen(Choice.HOLD, until - ahead)
    if alert.get("late") and not told:
        # What a backlog tells may be over already. What is not is told again unmarked once it is
        # caught up; a sender that stays behind is not waited for.
        return Chosen(Choice.HOLD, now + LATE_WAIT) if holds(alert) else _SKIP
    return _SEND


def hold_on(
    destination: Destination, alert: Alert, release_at: int, *, now: int, zone: tzinfo, ahead: int
) -> int | None:
    """Return until when (µs) what is kept back until ``release_at`` has to stay so, ``None``: it may go.

    People's clock may have been set since, and quiet hours may have begun.
    """
    until = quiet_until(destination.quiet_hours, now + ahead, zone) if not is_warning(alert) else None
    if until is not None:
        return until - ahead
    return release_at if alert.get("late") and now < release_at <= now + LATE_WAIT else None


def quiet_until(hours: QuietHours | None, now: int, zone: tzinfo) -> int | None:
    """Return when the quiet hours end that ``now`` is in (µs), or ``None`` outside of them."""
    if hours is None:
        return None
    local = datetime.fromtimestamp(now // SECOND, UTC).astimezone(zone)
    begin, end = time.fromisoformat(hours.begin), time.fromisoformat(hours.end)
    clock = local.time()
    if begin < end:
        if not begin <= clock < end:
            return None
        day = local.date()
    elif clock >= begin:
        day = local.date() + timedelta(days=1)
    elif clock < end:
        day = local.date()
    else:
        return None
    over = datetime.combine(day, end, tzinfo=zone)
    if over.timestamp() * SECOND <= now:
        # Where the clock is set back, that time comes a second time.
        over = over.replace(fold=1)
    # A clock set forward may leave the end out that day: at least it comes after now.
    return max(round(over.timestamp()) * SECOND, now + SECOND)
