"""Each alert of a period from its raising on: who answered when, and whether that was in time.

Owns what counts as an answer: the first acknowledgement, counted from when the alert last began
to ask for one (raised, raised again, or no longer set aside), as the journal has it. Whether it
was in time is left open where nobody needed to answer, or still could. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

from monitor.core.alert import RANK, AlertState, Priority
from monitor.core.effects import Document
from monitor.core.times import SECOND, parse_time
from monitor.debrief.values import AlertLine, Scope, Told


class _Story:
    """One alert as its changes pass by."""

    def __init__(self, first: Told) -> None:
        self.first = first
        self.data = first.data
        self.raised_at = parse_time(first.data["raised_at"])
        self.priority = str(first.data["priority"])
        self.cleared_at: int | None = None
        self.ended_at: int | None = None
        self.acknowledged_at: int | None = None
        self.by: str | None = None
        self.response: int | None = None
        self.drill = bool(first.data.get("drill"))
        self.late = self.simulated = False
        self.sounded = first.type != "taken-out-of-service"
        self._asks = False
        self._asked_at = self.raised_at
        self._longest = 0

    def take(self, told: Told) -> None:
        data = self.data = told.data
        if RANK[Priority(data["priority"])] > RANK[Priority(self.priority)]:
            self.priority = str(data["priority"])
        self._follow_asking(told.time, asks=data["state"] == AlertState.UNACKNOWLEDGED)
        over = data["state"] == AlertState.NORMAL
        # What was never more than a sign that a hazard is out of service is over when it is back in service.
        if over or (self.sounded and not data.get("active", True)):
            self.cleared_at = told.time if self.cleared_at is None else self.cleared_at
        else:
            self.cleared_at = None
        self.ended_at = told.time if over else None
        if told.type == "acknowledged" and self.acknowledged_at is None:
            self.acknowledged_at, self.by = told.time, data.get("by")
            self.response = told.time - self._asked_at
        # What a drill that began later says of it does not make it one of the drill.
        self.drill |= told.type == "reraised" and bool(data.get("drill"))
        self.late |= bool(data.get("late"))
        self.simulated |= bool(data.get("simulated"))

    def _follow_asking(self, at: int, *, asks: bool) -> None:
        """Note for how long it asked for an answer without a break, until somebody gave one."""
        if self._asks and self.acknowledged_at is None:
            self._longest = max(self._longest, at - self._asked_at)
        if asks and not self._asks:
            self._asked_at = at
        self._asks = asks
        self.sounded |= asks

    def finish(self, until: int) -> AlertLine:
        data, within = self.data, self.data.get("respond_within_s")
        limit = None if within is None else round(within * SECOND)
        self._follow_asking(until, asks=self._asks)
        return AlertLine(
            alert_id=data["alert_id"],
            code=self.first.code,
            priority=self.priority,
            aircraft=self.first.aircraft,
            stand=str(data.get("stand", "")),
            door=self.first.door,
            raised_at=self.raised_at,
            cleared_at=self.cleared_at,
            ended_at=self.ended_at,
            acknowledged_at=self.acknowledged_at,
            by=self.by,
            response=self.response,
            within=limit,
            in_time=self._is_in_time(limit),
            text=str(self.first.data["text"]),
            action=str(data.get("action", "")),
            drill=self.drill,
            simulated=self.simulated,
            late=self.late,
            sounded=self.sounded,
            state=str(data["state"]),
        )

    def _is_in_time(self, limit: int | None) -> bool | None:
        if limit is None or self.late:
            return None
        if self._longest > limit:
            return False
        # Over, or set aside, before the time was up: nobody had to answer, though somebody may have later.
        return True if self.response is not None and self.response <= limit else None


def tell_alerts(scope: Scope, told: Iterable[Told]) -> tuple[AlertLine, ...]:
    """Put changes (in order, of whole alerts) together, the alert that was raised first before the others."""
    stories: dict[str, _Story] = {}
    for each in told:
        if not (each.aircraft == "-" or scope.holds(each.door)):
            continue
        story = stories.get(each.data["alert_id"])
        if story is None:
            story = stories[each.data["alert_id"]] = _Story(each)
        story.take(each)
    lines = [story.finish(scope.until) for story in stories.values()]
    return tuple(sorted(lines, key=lambda line: (line.raised_at, line.alert_id)))


def sum_up(scope: Scope, alerts: Sequence[AlertLine]) -> Document:
    """Count the alerts that were raised in the period, and how soon they were answered; the others only stood in it."""
    sounded = [alert for alert in alerts if alert.sounded]
    raised = [alert for alert in sounded if scope.since <= alert.raised_at]
    responses = sorted(alert.response for alert in raised if alert.response is not None)
    return {
        "alerts": {str(p): sum(alert.priority == p for alert in raised) for p in reversed(Priority)},
        "stood_before": len(sounded) - len(raised),
        "acknowledged": len(responses),
        "response_s": {"median": round(median(responses) / SECOND, 3), "worst": responses[-1] / SECOND}
        if responses
        else None,
        "within_time": sum(alert.in_time is True for alert in raised),
        "late": sum(alert.in_time is False for alert in raised),
    }
