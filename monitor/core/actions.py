"""What a person does to an alert, a door or an aircraft: refused with a reason, or done and audited.

What boards say of an alert comes the same way, but nobody did it, so the audit is not told.

Owns the rules of acknowledging, shelving, closing, resetting and declaring, and hands permits
and reports on. Each action is one function from the event to effects; nothing is half done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from monitor.core import permits, reports
from monitor.core.alert import Alert, AlertEvent, AlertState
from monitor.core.door import State
from monitor.core.effects import CountDropped, Effect, RecordAudit
from monitor.core.events import (
    AlertAcknowledged,
    AlertClosed,
    AlertDrawn,
    AlertLeftUndrawn,
    AlertShelved,
    AlertUnacknowledged,
    AlertUnshelved,
    DeliveryReplayed,
    DestinationResumed,
    DoorReported,
    DoorReset,
    IdentitySettled,
    PermitEnded,
    PermitGranted,
    PersonsCommand,
    PresenceDeclared,
)
from monitor.core.notes import identity
from monitor.core.refusal import RefusedError
from monitor.core.state import Presence, Tracker
from monitor.core.times import MINUTE, format_time

if TYPE_CHECKING:
    from monitor.core.ledger import Place
    from monitor.core.system import System

SHELVABLE_FROM_S: Final = 10
"""A rule that asks for an answer within this many seconds is never shelved."""


def count_dropped(reason: str) -> Effect:
    """Count a reading that was not taken."""
    return CountDropped(reason)


def act(system: System, event: PersonsCommand, now: int) -> list[Effect]:
    """Do what a person asks, or say why not; returns the audit or the refusal."""
    try:
        if isinstance(event, DoorReset):
            return _reset(system, event, now)
        if isinstance(event, PresenceDeclared):
            return _declare(system, event, now)
        if isinstance(event, PermitGranted):
            return permits.grant(system, event, now)
        if isinstance(event, PermitEnded):
            return permits.end(system, event, now)
        if isinstance(event, DoorReported):
            return reports.take_report(system, event, now)
        if isinstance(event, IdentitySettled):
            return _settle_identity(system, event, now)
        if isinstance(event, (DeliveryReplayed, DestinationResumed)):
            return [_note_delivery(event, now)]
        return _act_on_alert(system, event, now)
    except RefusedError as refused:
        return [refused.effect]


def note_drawing(system: System, event: AlertLeftUndrawn | AlertDrawn, now: int) -> list[Effect]:
    """Take the boards' word for whether an alert can be seen; returns nothing, or the refusal."""
    try:
        found, _, alert = _find_alert(system, event.alert_id)
        place = system.place(*found, now)
        if isinstance(event, AlertDrawn):
            if not alert.undrawn:
                raise RefusedError("conflict", "the alert is not marked as one that is on no screen")
            system.ledger.note_drawn(place, alert)
        elif alert.undrawn:
            raise RefusedError("conflict", "the alert is marked already as one that is on no screen")
        elif not system.ledger.leave_undrawn(place, alert):
            raise RefusedError(
                "conflict", "only a warning that asks to be acknowledged, outside a drill, has to be seen"
            )
    except RefusedError as refused:
        return [refused.effect]
    return []


def _find_alert(system: System, alert_id: str) -> tuple[tuple[str, str, str], Tracker, Alert]:
    found = system.ledger.index.get(alert_id)
    tracker = system.find_tracker(*found) if found is not None else None
    if found is None or tracker is None or tracker.alert is None:
        raise RefusedError("not-found", f"no alert {alert_id} stands; it may be over: see the history")
    return found, tracker, tracker.alert


def _act_on_alert(
    system: System,
    event: AlertAcknowledged | AlertUnacknowledged | AlertShelved | AlertUnshelved | AlertClosed,
    now: int,
) -> list[Effect]:
    found, tracker, alert = _find_alert(system, event.alert_id)
    if event.seen is not None and event.seen != alert.changed_at:
        raise RefusedError(
            "conflict",
            f"the alert changed at {format_time(alert.changed_at)}, after what you saw; look at it again",
        )
    place = system.place(*found, now)
    before = str(alert.state)
    kept = (alert.by, alert.reason)
    alert.by, alert.reason = event.by, event.reason
    try:
        action = _apply(system, place, tracker, event, now)
    except RefusedError:
        alert.by, alert.reason = kept
        raise
    reg, door, code = found
    if system.ledger.changed and reg != "-":
        aircraft = system.record.aircraft[reg]
        system.settle(aircraft, {None if door == "-" else door: {f"alert:{code}", f"rule:{code}"}}, now)
    after = str(alert.state)
    return [
        RecordAudit(
            now, event.by, action, f"{reg}/{door}/{code}/{event.alert_id}", event.reason, before, after, event.origin
        )
    ]


def _apply(
    system: System,
    place: Place,
    tracker: Tracker,
    event: AlertAcknowledged | AlertUnacknowledged | AlertShelved | AlertUnshelved | AlertClosed,
    now: int,
) -> str:
    alert = tracker.alert
    if alert is None:
        raise RefusedError("not-found", "the alert is over")
    ledger, state = system.ledger, alert.state
    if isinstance(event, AlertAcknowledged):
        step = AlertEvent.ACKNOWLEDGE_LATCHING if place.rule.latching else AlertEvent.ACKNOWLEDGE
        done, action = ledger.apply(place, tracker, step), "acknowledge"
    elif isinstance(event, AlertUnacknowledged):
        done, action = ledger.apply(place, tracker, AlertEvent.UNACKNOWLEDGE), "unacknowledge"
    elif isinstance(event, AlertShelved):
        _check_shelving(system, place, event, now)
        done, action = _shelve(system, place, tracker, event), "shelve"
    elif isinstance(event, AlertUnshelved):
        done, action = _unshelve(system, place, tracker), "unshelve"
    else:
        if place.rule.latching:
            raise RefusedError("conflict", f"{place.rule.code} ends by its door's reset; reset the door instead")
        if state is AlertState.OUT_OF_SERVICE:
            raise RefusedError("conflict", "an alert that is out of service returns with its permit; end the permit")
        if not alert.blind:
            raise RefusedError("conflict", "only a blind alert is closed by a person; this one's inputs are known")
        done, action = ledger.dismiss(place, tracker, by=event.by, reason=event.reason or "closed by a person"), "close"
        for level in tracker.levels:
            level.held, level.ran, level.since, level.cause = False, 0, None, ""
    if not done:
        raise RefusedError("conflict", f"an alert that is {state.replace('_', ' ')} cannot be {action}d")
    return action


def _check_shelving(system: System, place: Place, event: AlertShelved, now: int) -> None:
    if place.rule.respond_within_s <= SHELVABLE_FROM_S:
        raise RefusedError(
            "refused", f"{place.rule.code} asks for an answer within {place.rule.respond_within_s:g} s: not shelved"
        )
    if not event.reason.strip() or not event.by.strip():
        raise RefusedError("refused", "shelving needs a reason and who does it")
    most = system.site.shelve_minutes_max
    if not now < event.until <= now + most * MINUTE:
        raise RefusedError("refused", f"shelving needs an end within {most} minutes from now")


def _shelve(system: System, place: Place, tracker: Tracker, event: AlertShelved) -> bool:
    if tracker.alert is None or tracker.alert.state is AlertState.SHELVED:
        return False
    tracker.alert.shelved_until = event.until
    if tracker.alert.state in (AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE):
        tracker.alert.shelved_until = None
        return False
    done = system.ledger.apply(place, tracker, AlertEvent.SHELVE)
    system.queue_shelf(event.until, place.reg, place.door, place.rule.code)
    return done


def _unshelve(system: System, place: Place, tracker: Tracker) -> bool:
    alert = tracker.alert
    if alert is None:
        return False
    if not alert.active:
        event = AlertEvent.UNSHELVE_OVER
    elif place.view.aircraft is not None and system.is_silent(place.rule, place.view, place.trackers):
        event = AlertEvent.UNSHELVE_SILENT
    else:
        event = AlertEvent.UNSHELVE_ACTIVE
    return system.ledger.apply(place, tracker, event)


def end_shelf(system: System, reg: str, door: str, code: str, now: int) -> None:
    """Bring an alert back from the shelf when its time is up."""
    tracker = system.find_tracker(reg, door, code)
    alert = tracker.alert if tracker is not None else None
    if tracker is None or alert is None or alert.shelved_until is None or alert.shelved_until > now:
        return
    alert.by, alert.reason = None, "time is up"
    _unshelve(system, system.place(reg, door, code, now), tracker)
    if reg != "-":
        system.settle(
            system.record.aircraft[reg], {None if door == "-" else door: {f"alert:{code}", f"rule:{code}"}}, now
        )


def _reset(system: System, event: DoorReset, now: int) -> list[Effect]:
    aircraft = system.record.aircraft.get(event.aircraft)
    door = aircraft.doors.get(event.door) if aircraft is not None else None
    if aircraft is None or door is None:
        raise RefusedError("not-found", f"no door {event.door} of {event.aircraft} is known")
    tracker = door.trackers.get("slide-deployed")
    alert = tracker.alert if tracker is not None else None
    if alert is not None and alert.state is AlertState.OUT_OF_SERVICE:
        # It returns with its permit, not with the door.
        alert = None
    if not door.deployed and alert is None:
        raise RefusedError("conflict", f"{event.door} has no released slide to reset")
    view = system.view(event.aircraft, event.door, now)
    if view.true("slide_released"):
        raise RefusedError(
            "conflict",
            f"slide_released of {event.door} still reads true; reset the door once it reads false or is withdrawn",
        )
    before = door.state
    if tracker is not None and alert is not None:
        place = system.place(event.aircraft, event.door, "slide-deployed", now)
        alert.by, alert.reason = event.by, event.reason
        if alert.active:
            # Its input is unknown (a known release was refused above): a person's word ends it.
            alert.active = alert.blind = False
            system.ledger.apply(place, tracker, AlertEvent.CLEAR_LATCHING)
        system.ledger.apply(place, tracker, AlertEvent.RESET)
        door.trackers.pop("slide-deployed", None)
    door.deployed = door.released_in_emergency = False
    system.settle(aircraft, {event.door: {"*"}}, now, reset=True)
    after = State(door.state)
    return [
        RecordAudit(now, event.by, "reset", f"{event.aircraft}/{event.door}", event.reason, before, after, event.origin)
    ]


def _declare(system: System, event: PresenceDeclared, now: int) -> list[Effect]:
    aircraft = system.record.aircraft.get(event.aircraft)
    if aircraft is None:
        raise RefusedError("not-found", f"no aircraft {event.aircraft} is known")
    try:
        presence = Presence(event.presence)
    except ValueError:
        raise RefusedError("refused", f"presence is one of {', '.join(Presence)}") from None
    before = str(aircraft.presence)
    system.declare_presence(aircraft, presence, now)
    after = str(aircraft.presence)
    return [RecordAudit(now, event.by, "declare-presence", event.aircraft, event.reason, before, after, event.origin)]


def _settle_identity(system: System, event: IdentitySettled, now: int) -> list[Effect]:
    aircraft = system.record.aircraft.get(event.aircraft)
    if aircraft is None:
        raise RefusedError("not-found", f"no aircraft {event.aircraft} is known")
    tracker = aircraft.trackers.get("identity-conflict")
    alert = tracker.alert if tracker is not None else None
    memo = aircraft.identity
    if alert is None and (memo is None or not (memo.two_senders or memo.other_type or memo.shared_with)):
        raise RefusedError("conflict", f"nothing speaks against {event.aircraft} being one aircraft")
    before = "normal" if alert is None else str(alert.state)
    identity.settle_identity(aircraft, now)
    system.settle(aircraft, {None: {"*"}}, now)
    standing = aircraft.trackers.get("identity-conflict")
    after = "normal" if standing is None or standing.alert is None else str(standing.alert.state)
    return [RecordAudit(now, event.by, "settle-identity", event.aircraft, event.reason, before, after, event.origin)]


def _note_delivery(event: DeliveryReplayed | DestinationResumed, now: int) -> Effect:
    """Audit what a person had done about deliveries; the outbox does it, and nothing here changes."""
    if isinstance(event, DeliveryReplayed):
        return RecordAudit(
            now, event.by, "replay-delivery", event.letter, event.reason, "dead", "waiting", event.origin
        )
    return RecordAudit(now, event.by, "resume-destination", event.destination, event.reason, "", "", event.origin)
