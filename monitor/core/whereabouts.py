"""Where each aircraft is, and whether anything can be heard of it.

Owns how presence follows weight, power, silence and a person's word, what begins or ends with
it, and the grace that everybody has after a silence that was ours. Judges no hazard itself.
"""

from __future__ import annotations

from monitor.core.events import BrokerConnected, BrokerDisconnected
from monitor.core.intake import AWAY_AFTER, GRACE, LEFT_AFTER, Changes
from monitor.core.notes.identity import forget_identity
from monitor.core.refitting import Refitting
from monitor.core.signals import Quality
from monitor.core.state import AircraftRecord, Presence, Reading


class Whereabouts(Refitting):
    """Keeps aircraft present, powered down or away."""

    def _note_start(self, now: int) -> None:
        """Nothing was heard while this instance was down: silence till now is nobody's."""
        self.record.broker_connected = False
        self.record.broker_why = "starting"
        self._give_grace(now)

    def _give_grace(self, now: int) -> None:
        for aircraft in self.record.aircraft.values():
            aircraft.calm_until = aircraft.feed_grace_until = now + GRACE
            self._arm_watch(aircraft, now + GRACE)

    def _on_broker(self, event: BrokerConnected | BrokerDisconnected, now: int) -> None:
        self.record.broker_connected = isinstance(event, BrokerConnected)
        self.record.broker_why = "" if isinstance(event, BrokerConnected) else event.why
        if self.record.broker_connected:
            self.record.proof.awaited_since = now
            self._give_grace(now)
            for aircraft in self.record.aircraft.values():
                # What the broker holds now was published as it stood then, not as it was last shown.
                aircraft.readiness_shown = None
                self.note_answers(aircraft, now)
        self._cause = f"broker|{now}"
        self._judge_site("broker", now)

    def _update_presence(self, aircraft: AircraftRecord, now: int, changes: Changes) -> None:
        left = (
            aircraft.live_at is None and aircraft.newest_time is not None and now - aircraft.newest_time >= LEFT_AFTER
        )
        if left != aircraft.left_on_broker:
            aircraft.left_on_broker = left
            changes.setdefault(None, set()).update(("*", "presence"))
        power = aircraft.readings.get("power")
        off_since = aircraft.off_ground_since
        if aircraft.sent_away or (off_since is not None and now - off_since >= AWAY_AFTER):
            presence = Presence.AWAY
        elif aircraft.parked or (power is not None and power.value == "off" and power.quality is Quality.GOOD):
            presence = Presence.POWERED_DOWN
        else:
            presence = Presence.PRESENT
        if presence is not aircraft.presence:
            self._change_presence(aircraft, presence, now)
            changes.setdefault(None, set()).update(("*", "presence"))

    def _change_presence(self, aircraft: AircraftRecord, presence: Presence, now: int) -> None:
        before, aircraft.presence = aircraft.presence, presence
        if presence is Presence.PRESENT:
            aircraft.calm_until = max(aircraft.calm_until, now + GRACE)
            aircraft.feed_grace_until = max(aircraft.feed_grace_until, now + GRACE)
            self._arm_watch(aircraft, now + GRACE)
        elif presence is Presence.AWAY:
            self._end_everything(aircraft, now, "away")
            forget_identity(aircraft)
        if before is Presence.AWAY:
            for door in aircraft.doors.values():
                door.shown = 0

    def declare_presence(self, aircraft: AircraftRecord, presence: Presence, now: int) -> None:
        """Take a person's word for where an aircraft is."""
        aircraft.sent_away = presence is Presence.AWAY
        aircraft.parked = presence is Presence.POWERED_DOWN
        if presence is Presence.PRESENT:
            aircraft.off_ground_since = None
        changes: Changes = {}
        self._update_presence(aircraft, now, changes)
        if changes:
            self.settle(aircraft, changes, now)

    def _note_weight(self, aircraft: AircraftRecord, weight: Reading, now: int) -> None:
        if weight.value is False:
            if aircraft.off_ground_since is None:
                aircraft.off_ground_since = now
                self._arm_watch(aircraft, now + AWAY_AFTER)
        elif aircraft.off_ground_since is not None:
            aircraft.off_ground_since = None
            aircraft.sent_away = False
            aircraft.feed_grace_until = max(aircraft.feed_grace_until, now + GRACE)
