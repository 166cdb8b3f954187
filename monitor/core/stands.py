"""What is known of the stands: their weather, and whom it concerns.

Owns the readings that come for a stand and not for an aircraft: which are let in, which count,
for how long, and whose hazards and answers are looked at anew.
"""

from __future__ import annotations

from typing import Final

from monitor.core import actions
from monitor.core.effects import RejectInput
from monitor.core.events import StandReadingArrived
from monitor.core.intake import LIFE_LIMIT
from monitor.core.lineup import STAND
from monitor.core.order import (
    AHEAD_LIMIT,
    Verdict,
    decide_order,
    has_caught_up,
    note_dropped,
    note_offset,
    note_taken,
)
from monitor.core.state import DroppedReading, Reading, StandRecord
from monitor.core.whereabouts import Whereabouts

STANDS_MAX: Final = 2000


class Stands(Whereabouts):
    """Follows the weather at every stand."""

    def _on_stand_reading(self, event: StandReadingArrived, now: int) -> None:
        stand = self._find_stand(event)
        if stand is None:
            return
        sender, time = stand.sender, event.time
        was_behind = sender.backlog
        last = stand.readings.get(event.signal)
        verdict = decide_order(
            last, time=time, seq=event.seq, bundle=False, now=now, epoch=sender.epoch, again=event.again
        )
        arrived = DroppedReading(None, event.signal, event.value, event.quality, time, event.seq, False)
        counts = [arrived] if verdict is Verdict.TAKEN else []
        if not counts:
            self.ledger.effects.append(actions.count_dropped(verdict.counted_as))
        if time is not None and not event.retained:
            if counts:
                note_taken(sender, event.topic, time, now, again=event.again)
                if not note_offset(sender, time, now, again=event.again):
                    has_caught_up(sender, time, now)
            elif verdict is not Verdict.SAME:
                dropped = {event.signal: arrived}
                counts = note_dropped(sender, event.topic, dropped, now, again=event.again).held
        names: set[str] = set()
        for reading in counts:
            ahead = reading.time is not None and reading.time > now + AHEAD_LIMIT
            before = stand.readings.get(reading.signal)
            fresh = stand.readings[reading.signal] = Reading(
                reading.value, reading.quality, reading.time, reading.seq, False, ahead, now, sender.epoch
            )
            if before is None or before.value != fresh.value:
                names.add(f"stand/{reading.signal}")
            known = [r is not None and r.value is not None and not r.stale and r.quality for r in (before, fresh)]
            if known[0] != known[1]:
                names.update((f"stand/{reading.signal}", "life"))
        if counts:
            self._settle_stand(stand, names, now)
        if sender.backlog is not was_behind:
            for aircraft in self.record.aircraft.values():
                if aircraft.stand == stand.name:
                    self.note_answers(aircraft, now)

    def _find_stand(self, event: StandReadingArrived) -> StandRecord | None:
        """Return a stand's record, made where it is heard of first; ``None`` where there are too many."""
        stand = self.record.stands.get(event.stand)
        if stand is None:
            if event.stand not in self.site.stands and len(self.record.stands) >= STANDS_MAX:
                self.ledger.effects.append(
                    RejectInput("too-many-stands", event.topic, f"{STANDS_MAX} stands are known already")
                )
                return None
            stand = self.record.stands[event.stand] = StandRecord(event.stand)
        return stand

    def _settle_stand(self, stand: StandRecord, names: set[str], now: int) -> None:
        """Follow up a stand's weather at the aircraft that stand there."""
        due = min((r.received + LIFE_LIMIT for r in stand.readings.values() if not r.stale), default=None)
        if due is not None and (stand.watch is None or due < stand.watch):
            stand.watch = due
            self._push(due, STAND, stand.name, "", "")
        for aircraft in self.record.aircraft.values() if names else ():
            if aircraft.stand == stand.name:
                self.settle(aircraft, {None: set(names)}, now)

    def _on_stand_watch(self, name: str, due: int, at: int) -> None:
        """Weather counts for 30 s: no heartbeat vouches for it."""
        stand = self.record.stands.get(name)
        if stand is None or stand.watch != due:
            return
        stand.watch = None
        names: set[str] = set()
        for signal, reading in stand.readings.items():
            if not reading.stale and at >= reading.received + LIFE_LIMIT:
                reading.stale = True
                names.update((f"stand/{signal}", "life"))
        self._cause = f"silence|stand/{name}|{due}"
        self._settle_stand(stand, names, at)
