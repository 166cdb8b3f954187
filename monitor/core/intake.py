"""Readings in: ordered, kept, and turned into "what changed".

Owns how a message updates an aircraft's record, its senders' clocks and heartbeats, and
what is fresh. It decides nothing about doors or hazards.
"""

from __future__ import annotations

from typing import Final

from monitor.core.airframe import AirframeType
from monitor.core.effects import CountDropped, Effect, RejectInput
from monitor.core.events import Item, ReadingsArrived
from monitor.core.notes.identity import note_beat, note_other_type
from monitor.core.order import (
    AHEAD_LIMIT,
    Verdict,
    decide_order,
    has_caught_up,
    is_skewed,
    note_dropped,
    note_offset,
    note_taken,
    release_runs,
)
from monitor.core.rules.sensing import LIFE_LIMIT_S
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, HEARTBEAT, Kind, Quality
from monitor.core.state import AircraftRecord, DoorRecord, DroppedReading, Presence, Reading, Sender
from monitor.core.times import MINUTE, SECOND

LIFE_LIMIT: Final = int(LIFE_LIMIT_S * SECOND)
LEFT_AFTER: Final = 10 * MINUTE
AWAY_AFTER: Final = 60 * SECOND
GRACE: Final = 30 * SECOND
"""For so long after a feed or power came back nothing is newly lost or stale."""
HEARTBEAT_DOUBTFUL: Final = 10 * SECOND
HELD_MAX: Final = 1024
PRESSURES_KEPT: Final = 60 * SECOND
PRESSURES_MAX: Final = 2000
LASTING: Final = frozenset({"type", "stand", "power", HEARTBEAT})
"""Airframe signals that do not go stale: who and where the aircraft is."""

DISCRETE: Final = frozenset(name for name, signal in DOOR_SIGNALS.items() if signal.kind is Kind.BOOL or signal.choices)
"""Door signals that are one of a few values: what may chatter."""
FLIPS_MAX: Final = 20
FLIPS_KEPT: Final = 60 * SECOND

Changes = dict[str | None, set[str]]
"""Door (``None`` for the airframe) → names of what changed; ``*`` is everything."""


class Intake:
    """One message's way into one aircraft's record; ``changes`` and ``effects`` fill as it goes."""

    __slots__ = (
        "aircraft", "airframe", "backlog_turned", "caught_up", "changes", "effects", "event", "flipped", "late", "now",
        "pressure",
    )  # fmt: skip

    def __init__(
        self, aircraft: AircraftRecord, airframe: AirframeType | None, event: ReadingsArrived, now: int
    ) -> None:
        self.aircraft = aircraft
        self.airframe = airframe
        self.event = event
        self.now = now
        self.changes: Changes = {}
        self.effects: list[Effect] = []
        self.late = False
        self.caught_up = False
        self.backlog_turned = False
        self.flipped: list[tuple[DoorRecord, str]] = []
        self.pressure: float | None = None

    def take(self) -> bool:
        """Apply the message; tell whether any of its readings was taken."""
        sender = self._sender()
        taken = self._take(sender)
        if self.pressure is not None and not self.event.again:
            self._keep_pressure(self.pressure, sender)
        return taken

    def _take(self, sender: Sender) -> bool:
        event, aircraft, now = self.event, self.aircraft, self.now
        self._note_life()
        taken = False
        dropped: dict[str, DroppedReading] = {}
        for item in event.items:
            verdict = self._take_item(item, event.time, event.seq, event.bundle, sender)
            if verdict is Verdict.TAKEN:
                taken = True
            elif verdict is not None:
                self.effects.append(CountDropped(verdict.counted_as))
                if verdict is Verdict.SAME:
                    continue
                path = item.signal if item.door is None else f"{item.door}/{item.signal}"
                dropped[path] = DroppedReading(
                    item.door, item.signal, item.value, item.quality, event.time, event.seq, event.bundle
                )
        if event.retained or event.time is None:
            if event.retained and event.time is not None and taken:
                aircraft.newest_time = max(event.time, aircraft.newest_time or event.time)
            return taken
        if taken:
            note_taken(sender, event.topic, event.time, now, again=event.again)
            self._note_clock(sender, event.time)
            self._note_flips(sender)
        if dropped:
            self._readmit(sender, dropped)
        return taken

    def _note_flips(self, sender: Sender) -> None:
        """Remember when discretes changed. What a backlog brings at once did not change as fast as it comes."""
        for record, signal in () if sender.backlog or self.event.again else self.flipped:
            flips = record.flips or {}
            since = self.now - FLIPS_KEPT
            record.flips = {name: moments for name, moments in flips.items() if name == signal or moments[-1] > since}
            kept = [at for at in flips.get(signal, ()) if at > since]
            record.flips[signal] = [*kept[1 - FLIPS_MAX :], self.now]
            self.mark(record.name, "memo/flips")

    def _sender(self) -> Sender:
        if not self.event.bundle and self.event.items:
            item = self.event.items[0]
            door = self.aircraft.doors.get(item.door) if item.door is not None else None
            if door is not None and (door.sender is not None or item.signal == HEARTBEAT):
                if door.sender is None:
                    door.sender = Sender()
                return door.sender
        return self.aircraft.sender

    def _note_life(self) -> None:
        """A message without the retain flag proves that its aircraft is being heard."""
        aircraft, now = self.aircraft, self.now
        if self.event.retained:
            return
        silent = aircraft.live_at is not None and now - aircraft.live_at >= LIFE_LIMIT
        if aircraft.live_at is None and aircraft.left_on_broker:
            aircraft.left_on_broker = False
            self.mark(None, "*")
        if aircraft.live_at is None and (aircraft.readings or aircraft.doors):
            aircraft.calm_until = max(aircraft.calm_until, now + LIFE_LIMIT)
        if aircraft.sent_away and silent:
            aircraft.sent_away = False
        if silent:
            aircraft.calm_until = max(aircraft.calm_until, now + GRACE)
        aircraft.live_at = now
        event = self.event
        aircraft.last_cause = f"{event.topic}|{event.time}|{event.seq}"
        if silent or "feed-lost" in aircraft.trackers:
            self.mark(None, "feed")

    def _note_clock(self, sender: Sender, time: int) -> None:
        was_skewed, was_behind = is_skewed(sender), sender.backlog
        self.late = note_offset(sender, time, self.now, again=self.event.again)
        if not self.late:
            self.caught_up = has_caught_up(sender, time, self.now)
        self.backlog_turned = self.backlog_turned or sender.backlog is not was_behind
        if is_skewed(sender) != was_skewed:
            self.mark(None, "clock")

    def _readmit(self, sender: Sender, dropped: dict[str, DroppedReading]) -> None:
        readmitted = note_dropped(sender, self.event.topic, dropped, self.now, again=self.event.again)
        waiting = list(readmitted.held)
        if waiting and not readmitted.whole and waiting[0].door is not None and not self.event.bundle:
            # What the same unit said on its other topics, perhaps once only, waits in runs of their own.
            waiting += release_runs(sender, waiting[0].door)
        for held in waiting:
            unit = sender
            door = self.aircraft.doors.get(held.door) if held.door is not None else None
            if not readmitted.whole and door is not None and not self.event.bundle:
                # One door's unit has a clock of its own now: judged by the aircraft's it would be late for ever.
                unit = self._give_own_clock(door, sender)
            item = Item(held.door, held.signal, held.value, held.quality)
            self._take_item(item, held.time, held.seq, held.bundle, unit, forced=True)
            if not readmitted.whole and held.time is not None and unit is not sender:
                self._note_clock(unit, held.time)

    def _give_own_clock(self, door: DoorRecord, sender: Sender) -> Sender:
        """Judge one door's unit by its own stamps from now on; its heartbeat goes on counting."""
        own = door.sender
        if own is None or own is sender:
            own = door.sender = Sender(epoch=sender.epoch + 1)
            if sender is not self.aircraft.sender:
                own.heartbeat, own.heartbeat_at = sender.heartbeat, sender.heartbeat_at
        return own

    def mark(self, door: str | None, change: str) -> None:
        """Note that something changed."""
        changes = self.changes.get(door)
        if changes is None:
            changes = self.changes[door] = set()
        changes.add(change)

    def _take_item(
        self, item: Item, time: int | None, seq: int | None, bundle: bool, sender: Sender, forced: bool = False
    ) -> Verdict | None:
        """Take one reading if its order allows; ``None`` where it was rejected instead."""
        aircraft, again = self.aircraft, self.event.again
        record: DoorRecord | None = None
        if item.door is None:
            readings, key = aircraft.readings, item.signal
            if self._is_other_type(item):
                order = decide_order(
                    readings.get(key), time=time, seq=seq, bundle=bundle, now=self.now, epoch=sender.epoch, again=again
                )
                if order is Verdict.TAKEN and item.quality is Quality.GOOD:
                    self._dispute(note_other_type(aircraft, str(item.value)))
                return None
        elif self.airframe is None:
            readings, key = aircraft.held, f"{item.door}/{item.signal}"
            if key not in readings and len(readings) >= HELD_MAX:
                aircraft.held_dropped += 1
                self.effects.append(CountDropped("held-overflow"))
                return None
        else:
            record = aircraft.doors.get(item.door)
            if record is None:
                self._reject("unknown-door", f"{item.door}: type {self.airframe.name} has no such door")
                return None
            readings, key = record.readings, item.signal
        last = readings.get(key)
        verdict = decide_order(last, time=time, seq=seq, bundle=bundle, now=self.now, epoch=sender.epoch, again=again)
        if item.signal == HEARTBEAT and item.door is None and not (forced or again):
            # Of one delivered again, and out of its turn, a second series might be made.
            self._follow_beat(item, time, last, taken=verdict is Verdict.TAKEN)
        if verdict is not Verdict.TAKEN and not forced:
            return verdict
        ahead = time is not None and time > self.now + AHEAD_LIMIT
        fresh = Reading(item.value, item.quality, time, seq, bundle, ahead, self.now, sender.epoch)
        if item.door is not None and record is None:
            # It waits for the type. A retained heartbeat says nothing worth waiting for.
            if item.signal != HEARTBEAT or not self.event.retained:
                readings[key] = fresh
            return verdict
        readings[key] = fresh
        if item.signal == HEARTBEAT:
            self._note_heartbeat(item, record)
            if item.quality is not (Quality.GOOD if last is None else last.quality):
                self.mark(item.door, "quality")
        else:
            self._compare(item, last, fresh, record)
        return verdict

    def _follow_beat(self, item: Item, time: int | None, last: Reading | None, *, taken: bool) -> None:
        count = item.value
        if isinstance(count, int) and time is not None and item.quality is Quality.GOOD and not self.event.retained:
            self._dispute(note_beat(self.aircraft, count, time, last, self.now, taken=taken))

    def _dispute(self, begins: bool) -> None:
        """Have everything looked at again where a sign of two senders appears: from now on nothing is known."""
        if begins:
            self.mark(None, "*")
            self.mark(None, "memo/identity")

    def _is_other_type(self, item: Item) -> bool:
        aircraft = self.aircraft
        other = (
            item.signal == "type"
            and bool(item.value)
            and bool(aircraft.type)
            and item.value != aircraft.type
            and aircraft.presence is Presence.PRESENT
        )
        if other:
            self._reject(
                "type-conflict",
                f"airframe/type: {item.value}, but it is here as {aircraft.type}; say that one left first",
            )
        return other

    def _reject(self, reason: str, detail: str) -> None:
        self.effects.append(RejectInput(reason, self.event.topic, detail))

    def _compare(self, item: Item, last: Reading | None, fresh: Reading, record: DoorRecord | None) -> None:
        name = item.signal if record is not None else f"airframe/{item.signal}"
        if record is None and item.signal == "differential_pressure_hpa" and item.quality is Quality.GOOD:
            self.pressure = item.value if isinstance(item.value, float) else self.pressure
        if not self._is_alive(fresh, item.signal, record):
            # A heartbeat that stands still vouches for nothing, not even for what still arrives.
            fresh.stale = True
        if last is None or last.value != fresh.value or type(last.value) is not type(fresh.value):
            self.mark(item.door, name)
            if record is not None and name in DISCRETE and last is not None and _both_known(last, fresh):
                self.flipped.append((record, name))
        if last is None or last.stale != fresh.stale or (last.value is None) != (fresh.value is None):
            self.mark(item.door, name)
            self.mark(item.door, "life")
        if last is None or last.quality is not fresh.quality:
            self.mark(item.door, name)
            self.mark(item.door, "quality")

    def _keep_pressure(self, hpa: float, sender: Sender) -> None:
        """Keep a pressure with the moment it came; what a backlog brings at once did not change as fast as it comes."""
        if sender.backlog:
            return
        kept = self.aircraft.pressures
        kept.append((self.now, hpa))
        if kept[0][0] < self.now - PRESSURES_KEPT or len(kept) > PRESSURES_MAX:
            since = self.now - PRESSURES_KEPT
            kept[:] = [entry for entry in kept if entry[0] >= since][-PRESSURES_MAX:]
        # Its window slides with each reading, changed or not.
        self.mark(None, "airframe/differential_pressure_hpa")

    def _note_heartbeat(self, item: Item, record: DoorRecord | None) -> None:
        """A count that moved, delivered live, vouches for what its sender reports."""
        sender = self.aircraft.sender if record is None else record.sender
        if sender is None:
            sender = Sender()
            if record is not None:
                record.sender = sender
        previous = sender.heartbeat_at
        if item.value is None:
            sender.heartbeat = sender.heartbeat_at = None
        else:
            moved = item.value != sender.heartbeat
            sender.heartbeat = int(item.value)
            if self.event.retained or not moved or item.quality is not Quality.GOOD:
                return
            sender.heartbeat_at = self.now
            if previous is not None and self.now - previous < LIFE_LIMIT:
                if self.now - previous > HEARTBEAT_DOUBTFUL:
                    self.mark(None, "feed")
                return
            if previous is not None and record is None:
                self.aircraft.calm_until = max(self.aircraft.calm_until, self.now + GRACE)
        self.mark(None, "feed")
        if record is not None:
            self.mark(record.name, "life")
        refresh_life(self.aircraft, self.now, self.changes)

    def _is_alive(self, reading: Reading, signal: str, record: DoorRecord | None) -> bool:
        return is_alive(self.aircraft, record, signal, reading, self.now)


def _both_known(last: Reading, fresh: Reading) -> bool:
    """Tell whether a change of value is one: from a good reading to a good one."""
    return (
        last.value is not None
        and fresh.value is not None
        and last.quality is Quality.GOOD
        and fresh.quality is Quality.GOOD
    )


def is_alive(aircraft: AircraftRecord, door: DoorRecord | None, signal: str, reading: Reading, now: int) -> bool:
    """Tell whether a reading still counts: refreshed or vouched for within 30 s."""
    if door is None:
        if signal in LASTING:
            return True
        if AIRFRAME_SIGNALS[signal].self_refreshed:
            return now < reading.received + LIFE_LIMIT
    elif door.sender is not None and door.sender.heartbeat_at is not None:
        return now < door.sender.heartbeat_at + LIFE_LIMIT
    beat = aircraft.sender.heartbeat_at
    return now < (reading.received if beat is None else beat) + LIFE_LIMIT


def refresh_life(aircraft: AircraftRecord, now: int, changes: Changes) -> None:
    """Bring every reading's ``stale`` up to ``now`` and note what changed."""
    for signal, reading in aircraft.readings.items():
        stale = not is_alive(aircraft, None, signal, reading, now)
        if stale is not reading.stale:
            reading.stale = stale
            changes.setdefault(None, set()).update((f"airframe/{signal}", "life"))
    for name, door in aircraft.doors.items():
        own = door.sender
        for signal, reading in door.readings.items():
            stale = signal != HEARTBEAT and not is_alive(aircraft, door, signal, reading, now)
            if stale is not reading.stale:
                reading.stale = stale
                changes.setdefault(name, set()).update((signal, "life"))
        if own is not None and own.heartbeat_at is not None and now >= own.heartbeat_at + LIFE_LIMIT:
            changes.setdefault(name, set()).add("life")


def next_change_of_life(aircraft: AircraftRecord, now: int) -> int | None:
    """Return the next moment (µs) at which silence alone changes something about an aircraft."""
    dues: list[int] = []
    beat = aircraft.sender.heartbeat_at
    if beat is not None:
        dues.append(beat + LIFE_LIMIT)
    for signal, reading in aircraft.readings.items():
        if signal in LASTING or reading.stale:
            continue
        if beat is None or AIRFRAME_SIGNALS[signal].self_refreshed:
            dues.append(reading.received + LIFE_LIMIT)
    for door in aircraft.doors.values():
        if door.sender is not None and door.sender.heartbeat_at is not None:
            dues.append(door.sender.heartbeat_at + LIFE_LIMIT)
        elif beat is None:
            dues.extend(r.received + LIFE_LIMIT for s, r in door.readings.items() if s != HEARTBEAT and not r.stale)
    dues.append((aircraft.live_at if aircraft.live_at is not None else aircraft.first_seen) + LIFE_LIMIT)
    if aircraft.off_ground_since is not None:
        dues.append(aircraft.off_ground_since + AWAY_AFTER)
    if aircraft.live_at is None and aircraft.newest_time is not None:
        dues.append(aircraft.newest_time + LEFT_AFTER)
    dues.append(aircraft.feed_grace_until)
    return min((due for due in dues if due > now), default=None)
