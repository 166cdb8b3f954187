"""Each alert of a period from its raising on: who answered when, and whether that was in time.

Owns what counts as an answer: the first acknowledgement after the raising, as the journal has
it. Whether it was in time is left open where nobody needed to answer, or still could. Pure.
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
        self.drill = self.late = self.simulated = False

    def take(self, told: Told) -> None:
        data = self.data = told.data
        if RANK[Priority(data["priority"])] > RANK[Priority(self.priority)]:
            self.priority = str(data["priority"])
        over = data["state"] == AlertState.NORMAL
        if over or not data.get("active", True):
            self.cleared_at = told.time if self.cleared_at is None else self.cleared_at
        else:
            self.cleared_at = None
        self.ended_at = told.time if over else None
        if told.type == "acknowledged" and self.acknowledged_at is None:
            self.acknowledged_at, self.by = told.time, data.get("by")
        self.drill |= bool(data.get("drill"))
        self.late |= bool(data.get("late"))
        self.simulated |= bool(data.get("simulated"))

    def finish(self, until: int) -> AlertLine:
        data, within = self.data, self.data.get("respond_within_s")
        limit = None if within is None else round(within * SECOND)
        response = None if self.acknowledged_at is None else self.acknowledged_at - self.raised_at
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
            response=response,
            within=limit,
            in_time=self._is_in_time(response, limit, until),
            text=str(self.first.data["text"]),
            action=str(data.get("action", "")),
            drill=self.drill,
            simulated=self.simulated,
            late=self.late,
            state=str(data["state"]),
        )

    def _is_in_time(self, response: int | None, limit: int | None, until: int) -> bool | None:
        if limit is None or self.late:
            return None
        if response is not None:
            return response <= limit
        # Nobody answered: too late once the time was up while it still held, else nobody had to.
        end = self.cleared_at if self.cleared_at is not None else until
        return False if end - self.raised_at > limit else None


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
    raised = [alert for alert in alerts if scope.since <= alert.raised_at]
    responses = sorted(alert.response for alert in raised if alert.response is not None)
    return {
        "alerts": {str(p): sum(alert.priority == p for alert in raised) for p in reversed(Priority)},
        "stood_before": len(alerts) - len(raised),
        "acknowledged": len(responses),
        "response_s": {"median": round(median(responses) / SECOND, 3), "worst": responses[-1] / SECOND}
        if responses
        else None,
        "within_time": sum(alert.in_time is True for alert in raised),
        "late": sum(alert.in_time is False for alert in raised),
    }
