"""What a judgement or a person does to an alert, and what is told of it.

Owns the passage from conditions and commands through the lifecycle table to effects. It
never judges a condition itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from monitor.core import documents
from monitor.core.alert import LIFECYCLE, RANK, Alert, AlertEvent, AlertState, Priority, derive_alert_id
from monitor.core.effects import Document, Effect, PublishActive, PublishEvent
from monitor.core.judge import Judgement, settle_priority
from monitor.core.permits import is_drilled
from monitor.core.rules.rule import Parameters, Rule
from monitor.core.state import AircraftRecord, Permit, Tracker
from monitor.core.times import SECOND, format_time
from monitor.core.view import View

NOBODY = "-"


@dataclass(slots=True)
class Place:
    """Where an alert stands: its rule, the view it is judged through, and the door's name or ``-``."""

    rule: Rule
    view: View
    door: str

    @property
    def aircraft(self) -> AircraftRecord | None:
        return self.view.aircraft

    @property
    def raised(self) -> dict[str, int]:
        """How often each rule was raised where this alert stands."""
        return (self.view.door or self.view.aircraft or self.view.site).raised

    @property
    def trackers(self) -> dict[str, Tracker]:
        """The trackers beside this alert's own."""
        return (self.view.door or self.view.aircraft or self.view.site).trackers

    @property
    def reg(self) -> str:
        return self.aircraft.reg if self.aircraft is not None else NOBODY


@dataclass(slots=True)
class Ledger:
    """Applies lifecycle events for one site and collects the effects of one instant.

    ``late`` marks what is told while its sender is behind; ``changed`` collects the places
    whose alert began or ceased to stand, since other rules may hang on it. A warning that nobody
    acknowledges goes up ``escalation``; ``queue_escalation`` is told when and where.
    """

    site: str
    escalation: tuple[str, ...] = ()
    queue_escalation: Callable[[int, str, str, str], None] | None = None
    effects: list[Effect] = field(default_factory=list)
    late: bool = False
    changed: list[tuple[str, str, str]] = field(default_factory=list)
    index: dict[str, tuple[str, str, str]] = field(default_factory=dict)

    # Conditions

    def settle(
        self,
        place: Place,
        tracker: Tracker,
        judgement: Judgement,
        parameters: Parameters,
        *,
        silent: bool,
        hold: bool = False,
    ) -> None:
        """Bring an alert in line with what its rule says now.

        ``silent``: something else silences it. ``hold``: its door's signals chatter, so that it
        may rise, and neither falls nor ends.
        """
        alert, now = tracker.alert, place.view.now
        if alert is None:
            if judgement.reached is not None and not silent:
                self._raise(place, tracker, judgement, judgement.reached)
            return
        if not alert.active:
            if judgement.reached is not None and not silent:
                self._return(place, tracker, alert, judgement.reached)
            return
        if hold and judgement.over:
            tracker.clear_since = None
            self._suppress(place, tracker, alert, silent=silent)
            return
        if judgement.over:
            self._clear_after_off_delay(place, tracker, parameters, now)
            return
        tracker.clear_since = None
        priority, blind = settle_priority(alert.priority, judgement)
        if hold and RANK[priority] < RANK[alert.priority]:
            priority = alert.priority
        if blind != alert.blind:
            alert.blind = blind
            self.show(place, alert)
        if priority is not alert.priority:
            event = AlertEvent.RISE if RANK[priority] > RANK[alert.priority] else AlertEvent.FALL
            alert.priority = priority
            self._renew(place, alert)
            self.apply(place, tracker, event)
        elif place.rule.names_signals and (text := place.rule.text(place.view, priority)) != alert.text:
            alert.text = text
            alert.evidence = documents.collect_evidence(place.rule, place.view)
            self.show(place, alert)
        self._suppress(place, tracker, alert, silent=silent)

    def _raise(self, place: Place, tracker: Tracker, judgement: Judgement, priority: Priority) -> None:
        now = place.view.now
        # A cause can come again, say from a sender whose clock starts over at every boot: the
        # ordinal tells the two apart, and is itself restored to what it was after a crash.
        code, raised = place.rule.code, place.raised
        raised[code] = raised.get(code, 0) + 1
        alert_id = derive_alert_id(self.site, place.reg, place.door, code, judgement.cause, str(raised[code]))
        alert = tracker.alert = Alert(alert_id, priority, raised_at=now, changed_at=now, late=self.late)
        self.index[alert_id] = (place.reg, place.door, place.rule.code)
        self._renew(place, alert)
        self.apply(place, tracker, AlertEvent.RAISE)

    def _return(self, place: Place, tracker: Tracker, alert: Alert, priority: Priority) -> None:
        """The condition is back before the alert was normal."""
        before = alert.priority
        alert.active, alert.priority = True, priority
        self._renew(place, alert)
        if self.apply(place, tracker, AlertEvent.RAISE):
            return
        # On the shelf or out of service: told only if it is more than what was set aside.
        if RANK[priority] <= RANK[before] or not self.apply(place, tracker, AlertEvent.RISE):
            self.show(place, alert)

    def _clear_after_off_delay(self, place: Place, tracker: Tracker, parameters: Parameters, now: int) -> None:
        rule, alert = place.rule, tracker.alert
        if alert is None:
            return
        if rule.off_delay and not (rule.ends_at_once is not None and rule.ends_at_once(place.view, parameters, True)):
            if tracker.clear_since is None:
                tracker.clear_since = now
            due = tracker.clear_since + round(parameters[rule.off_delay] * SECOND)
            if due > now:
                tracker.deadline = due if tracker.deadline is None else min(tracker.deadline, due)
                return
        tracker.clear_since = None
        alert.active = alert.blind = False
        # Told or not: what it silenced is judged again.
        self.changed.append((place.reg, place.door, rule.code))
        if rule.latching:
            event = AlertEvent.CLEAR_LATCHING
        elif alert.priority is Priority.WARNING:
            event = AlertEvent.CLEAR
        else:
            event = AlertEvent.CLEAR_ALONE
        self.apply(place, tracker, event)

    def _suppress(self, place: Place, tracker: Tracker, alert: Alert, *, silent: bool) -> None:
        if silent:
            self.apply(place, tracker, AlertEvent.SUPPRESS)
        elif alert.state is AlertState.SUPPRESSED:
            acknowledged = alert.acknowledged
            self.apply(
                place,
                tracker,
                AlertEvent.UNSUPPRESS_ACKNOWLEDGED if acknowledged else AlertEvent.UNSUPPRESS_ACTIVE,
            )

    def dismiss(self, place: Place, tracker: Tracker, *, by: str | None, reason: str) -> bool:
        """End an alert whatever its condition: the aircraft is away, or a person closed it."""
        alert = tracker.alert
        if alert is None:
            return False
        alert.active = alert.blind = False
        alert.by, alert.reason = by, reason
        self.changed.append((place.reg, place.door, place.rule.code))
        return self.apply(place, tracker, AlertEvent.DISMISS)

    # Permits

    def take_out(self, place: Place, tracker: Tracker, permit: Permit) -> None:
        """Take a hazard out of service: what stands of it, or else a sign that it is out, in plain sight."""
        alert, code, now = tracker.alert, place.rule.code, place.view.now
        if alert is None:
            alert_id = derive_alert_id(self.site, place.reg, place.door, code, "permit", permit.permit_id)
            alert = tracker.alert = Alert(
                alert_id, place.rule.priorities[0], raised_at=now, changed_at=now, active=False,
                text=f"{code} is out of service under a {permit.kind} permit.",
            )  # fmt: skip
            self.index[alert_id] = (place.reg, place.door, code)
        alert.by, alert.reason = permit.by, permit.reason
        alert.permit, alert.out_until = permit.permit_id, permit.until
        if not self.apply(place, tracker, AlertEvent.REMOVE):
            self.show(place, alert)

    def put_back(self, place: Place, tracker: Tracker, *, silent: bool, by: str | None, reason: str) -> None:
        """Return a hazard to service; it sounds if its condition holds and nothing silences it."""
        alert = tracker.alert
        if alert is None or alert.state is not AlertState.OUT_OF_SERVICE:
            return
        alert.by, alert.reason = by, reason
        sounding = AlertEvent.RETURN_SILENT if silent else AlertEvent.RETURN_ACTIVE
        self.apply(place, tracker, sounding if alert.active else AlertEvent.RETURN_OVER)

    # Escalation

    def escalate(self, place: Place, tracker: Tracker, due: int) -> None:
        """Hand a warning that nobody acknowledged in time to the next role."""
        alert = tracker.alert
        if alert is not None and alert.escalate_due == due and self._ask_next_role(place, alert):
            self.show(place, alert)

    def leave_undrawn(self, place: Place, alert: Alert) -> bool:
        """Mark a warning that is on no screen and hand it to the next role at once; ``False``: nobody has to see it.

        Once it was handed on, only time hands it further: a screen that comes and goes is one failing. Boards
        are no input of the wire, so that this touches no event and no time: a replay tells what the live run told.
        """
        if not self._wants_answer(place, alert):
            return False
        alert.undrawn = True
        if alert.undrawn_at is None:
            alert.undrawn_at = place.view.now
        self.show(place, alert)
        return True

    def note_drawn(self, place: Place, alert: Alert) -> None:
        """Take the mark away again; who is asked stays."""
        alert.undrawn = False
        self.show(place, alert)

    def _ask_next_role(self, place: Place, alert: Alert) -> bool:
        role = self._next_role(place, alert)
        if role is None:
            return False
        alert.role, alert.escalated_at = role, place.view.now
        self._time_escalation(place, alert, anew=True)
        return True

    def _wants_answer(self, place: Place, alert: Alert) -> bool:
        """Tell whether it is a warning that somebody must acknowledge now; in a drill nobody is paged."""
        return (
            alert.state is AlertState.UNACKNOWLEDGED
            and alert.active
            and alert.priority is Priority.WARNING
            and not is_drilled(place.view.site, place.reg, place.door)
        )

    def retime(self, place: Place, alert: Alert) -> None:
        """A drill began or ended where the alert stands: nobody is paged in it."""
        self._time_escalation(place, alert, anew=False)
        self.show(place, alert)

    def _time_escalation(self, place: Place, alert: Alert, *, anew: bool) -> None:
        """Note when the next role is asked, if nobody answers till then."""
        if not self._wants_answer(place, alert):
            alert.escalate_due, alert.undrawn = None, False
        elif self._next_role(place, alert) is None:
            alert.escalate_due = None
        elif anew or alert.escalate_due is None:
            due = alert.escalate_due = place.view.now + round(place.rule.respond_within_s * SECOND)
            if self.queue_escalation is not None:
                self.queue_escalation(due, place.reg, place.door, place.rule.code)

    def _next_role(self, place: Place, alert: Alert) -> str | None:
        """Return who is asked after the role that is asked now; a role outside the chain comes before it."""
        role, chain = alert.role or place.rule.role, self.escalation
        at = chain.index(role) + 1 if role in chain else 0
        return chain[at] if at < len(chain) else None

    # Lifecycle

    def apply(self, place: Place, tracker: Tracker, event: AlertEvent) -> bool:
        """Take an alert through the table; tell what changed. ``False``: the event has no place here."""
        alert = tracker.alert
        if alert is None:
            return False
        outcome = LIFECYCLE[alert.state, event]
        if not outcome.told:
            return False
        stood = alert.active or place.rule.latching
        alert.state = outcome.state
        alert.changed_at = place.view.now
        if outcome.state is AlertState.ACKNOWLEDGED:
            alert.acknowledged = True
        elif outcome.state in (AlertState.UNACKNOWLEDGED, AlertState.RTN_UNACKNOWLEDGED):
            alert.acknowledged = False
        if outcome.state is not AlertState.SHELVED:
            alert.shelved_until = None
        if outcome.state is not AlertState.OUT_OF_SERVICE:
            alert.permit, alert.out_until = "", None
        if outcome.state is AlertState.UNACKNOWLEDGED and event is not AlertEvent.FALL:
            alert.role, alert.escalated_at, alert.undrawn_at = "", None, None
        self._time_escalation(place, alert, anew=event is not AlertEvent.FALL)
        if event in (AlertEvent.RAISE, AlertEvent.RISE) and outcome.state is not AlertState.OUT_OF_SERVICE:
            # It asks for attention anew: whatever a person said was said of less.
            alert.acknowledged = False
            alert.by = alert.reason = None
            alert.late = self.late
        for told in outcome.told:
            self._tell(place, alert, told)
        if outcome.state is AlertState.NORMAL:
            tracker.alert = None
            self.index.pop(alert.alert_id, None)
            self.effects.append(PublishActive(place.reg, place.door, place.rule.code, None))
        else:
            self.show(place, alert)
        if stood or alert.active:
            self.changed.append((place.reg, place.door, place.rule.code))
        return True

    def reraise_caught_up(self, place: Place, tracker: Tracker) -> None:
        """Tell again, unmarked, what a backlog raised and what still holds after it."""
        alert = tracker.alert
        if alert is None or not alert.late or not alert.active:
            return
        alert.late = False
        if alert.state in (AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED):
            alert.changed_at = place.view.now
            self._tell(place, alert, "reraised")
        # What is suppressed, shelved or out of service stays quiet, but is no longer late.
        self.show(place, alert)

    def describe(self, place: Place, alert: Alert) -> Document:
        """Write the alert's document as it is shown."""
        document = self._describe_told(place, alert)
        if alert.undrawn:
            document["on_no_screen"] = True
        if alert.undrawn_at is not None and alert.escalated_at is None:
            role = self._next_role(place, alert)
            if role is not None:
                document.update(role=role, escalated=True, escalated_at=format_time(alert.undrawn_at))
        return document

    def _describe_told(self, place: Place, alert: Alert) -> Document:
        """Write the alert's document as its events tell it: what follows from the wire, time and people alone."""
        aircraft = place.aircraft
        return documents.describe_alert(
            place.rule,
            alert,
            site=self.site,
            aircraft=aircraft,
            door=place.door,
            simulated=aircraft is not None and aircraft.simulated,
            drill=is_drilled(place.view.site, place.reg, place.door),
        )

    def _renew(self, place: Place, alert: Alert) -> None:
        alert.text = place.rule.text(place.view, alert.priority)
        alert.evidence = documents.collect_evidence(place.rule, place.view)

    def _tell(self, place: Place, alert: Alert, told: str) -> None:
        alert.changes += 1
        data = self._describe_told(place, alert)
        if told == "cleared":
            data["evidence"] = documents.collect_evidence(place.rule, place.view)
        if self.late:
            data["late"] = True
        self.effects.append(
            PublishEvent(
                place.reg,
                place.door,
                place.rule.code,
                told,
                f"{alert.alert_id}-{alert.changes}",
                alert.changed_at,
                data,
            )
        )

    def show(self, place: Place, alert: Alert) -> None:
        """Publish the alert's document as it stands."""
        self.effects.append(PublishActive(place.reg, place.door, place.rule.code, self.describe(place, alert)))
