"""The alerts that stand, kept posted to an alertmanager.

Owns the documents of its public API and the rhythm: at once when something changes, again
every minute, and an end until it was confirmed. It reads the state, never events, so that
what was missed makes itself good.

Source: the Alertmanager API v2 (POST /api/v2/alerts), Prometheus's data model for labels.
"""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import Callable, Iterable
from datetime import tzinfo
from typing import Any, Final

import orjson
import structlog

from monitor.adapters.notify.aside import AsideOutbox
from monitor.adapters.notify.outbox import Outbox
from monitor.adapters.notify.outbox_rows import Firing
from monitor.adapters.notify.posting import DELIVERED, Fate, Outcome, Poster
from monitor.adapters.notify.selection import LATE_WAIT, Alert, holds, is_served, is_warning, may_page, quiet_until
from monitor.adapters.notify.worker import TRY_AGAIN_AFTER, Pace, wait_for_wake
from monitor.config.notify_file import Destination
from monitor.core.times import MINUTE, SECOND, format_time, parse_time

API_PATH: Final = "/api/v2/alerts"
AGAIN_AFTER: Final = MINUTE
"""How often what stands is posted again, and the longest gap after a failure (µs)."""

GATHER: Final = SECOND
"""How long one post waits after another at least, so that a flood of changes is one (µs)."""

POSTED_MAX: Final = 200

_LABELLED: Final = ("site", "aircraft", "door", "stand", "alert_id")
_log: Final = structlog.get_logger("sillwatch.notify")


def label_alert(alert: Alert) -> Firing:
    """Write one alert that stands: its labels name it, so that any of them changed makes it another."""
    labels = {"alertname": str(alert["code"]), "severity": str(alert["priority"])}
    labels.update((name, str(alert[name])) for name in _LABELLED if alert.get(name))
    if alert.get("simulated"):
        # A label and no annotation, so that one can route by it.
        labels["simulated"] = "true"
    annotations = {"text": str(alert["text"]), "action": str(alert["action"])}
    return Firing(json.dumps(labels, sort_keys=True), json.dumps(annotations, sort_keys=True), str(alert["raised_at"]))


def choose_firing(
    destination: Destination, alerts: Iterable[Alert], *, known: frozenset[str], now: int, zone: tzinfo, ahead: int = 0
) -> dict[str, Firing]:
    """Choose what fires, by its labels.

    ``known``: labels of what fires there already. Neither quiet hours nor another role that is
    asked now end that: it would be told as over while it stands. ``ahead``: as :func:`choose` takes it.
    """
    quiet = quiet_until(destination.quiet_hours, now + ahead, zone) is not None
    chosen: dict[str, Firing] = {}
    for alert in alerts:
        if not (holds(alert) and may_page(destination, alert)):
            continue
        firing = label_alert(alert)
        late = bool(alert.get("late")) and now - parse_time(str(alert["changed_at"])) < LATE_WAIT
        wanted = is_served(destination, alert) and not late and not (quiet and not is_warning(alert))
        if wanted or firing.labels in known:
            chosen[firing.labels] = firing
    return chosen


def write_posted(firing: Iterable[Firing]) -> bytes:
    """Write the body of one post."""
    return orjson.dumps([_describe(each) for each in firing])


def _describe(firing: Firing) -> dict[str, Any]:
    document: dict[str, Any] = {
        "labels": orjson.loads(firing.labels),
        "annotations": orjson.loads(firing.annotations),
        "startsAt": firing.starts_at,
    }
    return document if firing.ends_at is None else {**document, "endsAt": firing.ends_at}


class AlertmanagerWorker:
    """Keeps one alertmanager posted until cancelled. ``alerts`` answers on the loop, and is quick."""

    def __init__(
        self,
        pace: Pace,
        destination: Destination,
        poster: Poster,
        outbox: AsideOutbox,
        *,
        alerts: Callable[[], list[dict[str, Any]]],
        now: Callable[[], int],
        wall: Callable[[], int],
        zone: tzinfo,
        count: Counter[tuple[str, str]],
    ) -> None:
        self.name = pace.name
        self.unconfirmed = 0
        """How many alerts it was not told of yet, or not that they are over."""
        self._pace = pace
        self._destination = destination
        self._poster = poster
        self._outbox = outbox
        self._alerts = alerts
        self._now = now
        self._wall = wall
        self._zone = zone
        self._count = count
        self._woken = asyncio.Event()
        self._looked_at = -GATHER
        self._posted_at = 0
        self._posted: frozenset[Firing] = frozenset()

    def wake(self) -> None:
        """Look again: alerts have changed, or time has passed."""
        self._woken.set()

    async def serve(self) -> None:
        """Work until cancelled."""
        try:
            while True:
                self._woken.clear()
                try:
                    look_at = await self._work()
                except Exception:
                    _log.exception("a destination's worker failed", action="delivery-fault", destination=self.name)
                    look_at = self._now() + TRY_AGAIN_AFTER
                await wait_for_wake(self._woken, look_at, self._now())
        finally:
            await self._poster.close()

    async def _work(self) -> int | None:
        now = self._now()
        # Commits wake this many times a second; thousands of alerts are not gone through as often.
        if self._looked_at <= now < self._looked_at + GATHER:
            return self._looked_at + GATHER
        standing = await self._outbox.do(Outbox.condition, self.name)
        if standing is None or standing.gone_since is not None:
            return None
        self._looked_at = now
        known = await self._outbox.do(Outbox.known_firing, self.name)
        firing = await asyncio.to_thread(
            choose_firing,
            self._destination,
            self._alerts(),
            known=known,
            now=now,
            zone=self._zone,
            ahead=self._wall() - now,
        )
        posted = await self._outbox.do(Outbox.fire, self.name, firing, format_time(now))
        self.unconfirmed = len(frozenset(posted) - self._posted)
        if not posted:
            return now + AGAIN_AFTER
        not_before = max(standing.not_before, self._posted_at + (GATHER if self.unconfirmed else AGAIN_AFTER))
        if not_before > now:
            return not_before
        self._posted_at = now
        outcome = await self._post(posted)
        if outcome.fate is not Fate.DELIVERED:
            self._count[self.name, "failed"] += 1
            failure = await self._pace.plan_failure(outcome)
            await self._outbox.do(Outbox.note_failure, self.name, failure, now)
            self._pace.tell_failure(failure)
            return None if failure.gone else failure.not_before
        self._count[self.name, "delivered"] += self.unconfirmed
        await self._outbox.do(Outbox.confirm, self.name, posted, self._now())
        self._pace.note_success()
        self._posted = frozenset(each for each in posted if each.ends_at is None)
        self.unconfirmed = 0
        return now + AGAIN_AFTER

    async def _post(self, posted: list[Firing]) -> Outcome:
        for start in range(0, len(posted), POSTED_MAX):
            body = write_posted(posted[start : start + POSTED_MAX])
            outcome = await self._poster.post(body, {"Content-Type": "application/json"})
            if outcome.fate is not Fate.DELIVERED:
                return outcome
        return DELIVERED
