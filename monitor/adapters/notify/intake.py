"""From what happened to what each destination is told: events, escalations, the ends of quiet hours.

Owns the way from the journal's durable events and from the state into the outbox. A
destination's cursor moves in the transaction that takes its events over, so that a crash
loses none; what is taken twice has the same id.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from datetime import tzinfo
from typing import Any, Final

import orjson

from monitor.adapters.notify.aside import AsideOutbox
from monitor.adapters.notify.outbox import Outbox
from monitor.adapters.notify.outbox_rows import Draft, Entered, Held
from monitor.adapters.notify.selection import Alert, Choice, choose, hold_on, holds, is_served, is_warning, may_page
from monitor.config.notify_file import Destination
from monitor.core.alert import AlertState
from monitor.core.effects import PublishEvent
from monitor.core.times import SECOND, parse_time
from monitor.ports import KeptEvent

EVENTS_AT_ONCE: Final = 200
EVER: Final = 2**62
"""After every moment at which anything is told (µs)."""
ESCALATED: Final = "sillwatch.delivery.escalated"

Envelope = Callable[[PublishEvent], dict[str, Any]]
ReadEvents = Callable[[int, int], Awaitable[list[KeptEvent]]]


def draft_event(envelope: Envelope, event: PublishEvent) -> Draft:
    """Write an event exactly as the broker gets it."""
    document = envelope(event)
    alert_id = str(event.data.get("alert_id", event.id))
    return Draft(event.id, alert_id, document["type"], document["subject"], orjson.dumps(document))


def draft_escalation(envelope: Envelope, alert: Mapping[str, Any]) -> Draft:
    """Write that a warning was handed on to the role in ``alert``.

    The id rests on the alert, the role and the alert's last change, which a crash repeats;
    the moment of handing on may be judged anew after one.
    """
    role = str(alert["role"])
    stamp = parse_time(str(alert["changed_at"])) // 1000
    identity = f"{alert['alert_id']}-escalated-{role.replace(' ', '-')}-{stamp}"
    event = PublishEvent(
        str(alert["aircraft"]), str(alert["door"]), str(alert["code"]), "escalated", identity,
        parse_time(str(alert["escalated_at"])), dict(alert),
    )  # fmt: skip
    document = {**envelope(event), "type": ESCALATED}
    return Draft(identity, str(alert["alert_id"]), ESCALATED, document["subject"], orjson.dumps(document))


def wants_escalation(destination: Destination, alert: Alert) -> bool:
    """Tell whether a destination has to hear that a warning was handed on."""
    return (
        bool(alert.get("escalated"))
        and alert.get("state") == AlertState.UNACKNOWLEDGED
        and is_warning(alert)
        and holds(alert)
        and may_page(destination, alert)
        and is_served(destination, alert)
    )


def choose_held(held: Held, alert: Alert | None, destination: Destination) -> Entered:
    """Choose what becomes of the latest word about an alert: ``alert`` is how it stands now, if it does.

    What holds still is told; what is over only where the destination waits to hear so.
    """
    standing = alert is not None and holds(alert) and may_page(destination, alert)
    return Entered(held.draft, letter=held.told or standing, over=alert is None)


class Intake:
    """Takes events over for the destinations that are told of single events; ``queued`` hears of each addition."""

    def __init__(
        self,
        destinations: Mapping[str, Destination],
        outbox: AsideOutbox,
        *,
        envelope: Envelope,
        read_events: ReadEvents,
        alerts: Callable[[], list[dict[str, Any]]],
        now: Callable[[], int],
        wall: Callable[[], int],
        zone: tzinfo,
        queued: Callable[[], None],
    ) -> None:
        self._queued = queued
        self._destinations = destinations
        self._outbox = outbox
        self._envelope = envelope
        self._read_events = read_events
        self._alerts = alerts
        self._now = now
        self._wall = wall
        self._ahead: int | None = None
        self._zone = zone

    async def take_events(self) -> bool:
        """Take over what became durable since; ``False``: there was nothing."""
        if not self._destinations:
            return False
        cursors = await self._outbox.do(Outbox.cursors)
        behind = {name: cursors[name] for name in self._destinations}
        events = await self._read_events(min(behind.values()), EVENTS_AT_ONCE)
        drafts = [(kept, draft_event(self._envelope, kept.event)) for kept in events]
        for name, cursor in behind.items():
            fresh = [(kept.event, draft) for kept, draft in drafts if kept.seq > cursor]
            if fresh:
                entered = await self._choose(name, fresh)
                await self._outbox.do(Outbox.enter, name, entered, events[-1].seq, self._now())
                self._queued()
        return bool(events)

    async def _choose(self, name: str, fresh: list[tuple[PublishEvent, Draft]]) -> list[Entered]:
        destination, now, ahead = self._destinations[name], self._now(), self._wall() - self._now()
        told = await self._outbox.do(Outbox.told, name, sorted({draft.alert_id for _, draft in fresh}))
        entered = []
        for event, draft in fresh:
            known = draft.alert_id in told
            chosen = choose(destination, event.type, event.data, told=known, now=now, zone=self._zone, ahead=ahead)
            over = event.data.get("state") == AlertState.NORMAL
            letter = chosen.choice is Choice.SEND
            entered.append(Entered(draft, letter, chosen.until if chosen.choice is Choice.HOLD else None, over))
            if letter and not over:
                told.add(draft.alert_id)
            elif over and chosen.choice is not Choice.HOLD:
                told.discard(draft.alert_id)
        return entered

    async def take_escalations(self) -> None:
        """Queue what was handed on to a role and not told of yet, from the state."""
        handed_on = [alert for alert in self._alerts() if alert.get("escalated")] if self._destinations else []
        for alert in handed_on:
            draft = draft_escalation(self._envelope, alert)
            for name, destination in self._destinations.items():
                if wants_escalation(destination, alert):
                    await self._outbox.do(Outbox.escalate, name, draft, self._now())
                    self._queued()

    async def release(self) -> int | None:
        """Send or forget what was kept back and is due; returns when more will be (µs)."""
        standing: dict[str, dict[str, Any]] | None = None
        now = self._now()
        ahead, before = self._wall() - now, self._ahead
        # Where people's clock was set, or may have been while nobody ran, quiet hours end at another moment.
        was_set, self._ahead = before is None or abs(ahead - before) >= SECOND, ahead
        for name, destination in self._destinations.items():
            held = await self._outbox.do(Outbox.held, name, EVER if was_set else now)
            if not held:
                continue
            if standing is None:
                standing = {str(alert["alert_id"]): alert for alert in self._alerts()}
            released = []
            for each in held:
                data = orjson.loads(each.draft.body)["data"]
                until = hold_on(destination, data, each.release_at, now=now, zone=self._zone, ahead=ahead)
                if until is not None:
                    released.append(Entered(each.draft, hold=until))
                else:
                    released.append(choose_held(each, standing.get(each.draft.alert_id), destination))
            await self._outbox.do(Outbox.release, name, released, self._now())
            self._queued()
        return await self._outbox.do(Outbox.next_release)
