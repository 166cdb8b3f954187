"""What a message that was left out still says: that its aircraft is heard, and what is not known now.

Owns what :class:`~monitor.core.events.ReadingsShed` makes of the records. A value that never
arrived vouches for nothing: the one before it is known no longer, until the next comes.
"""

from __future__ import annotations

from monitor.core.events import ReadingsShed
from monitor.core.intake import Changes
from monitor.core.signals import Quality
from monitor.core.state import AircraftRecord, Reading, SiteRecord

CODE = "overload"


def note_shed(record: SiteRecord, event: ReadingsShed, now: int) -> dict[str, Changes]:
    """Count what was left out, note who was heard, and doubt what was told anew and did not arrive.

    Returns what changed, by aircraft; a stand's weather under the aircraft that stand there.
    """
    record.overload.note(event.counts, event.waiting, now, anew=CODE not in record.trackers)
    changed: dict[str, Changes] = {}
    for reg in event.heard:
        aircraft = record.aircraft.get(reg)
        if aircraft is not None and aircraft.live_at is not None:
            _note_life(aircraft, changed.setdefault(reg, {}), now)
    for reg, door, signal in event.readings:
        aircraft = record.aircraft.get(reg)
        if aircraft is not None:
            _doubt_reading(aircraft, door, signal, changed.setdefault(reg, {}))
    for name, signal in event.weather:
        stand = record.stands.get(name)
        if stand is not None and _doubt(stand.readings.get(signal)):
            for aircraft in record.aircraft.values():
                if aircraft.stand == name:
                    _mark(changed.setdefault(aircraft.reg, {}), None, f"stand/{signal}", "quality")
    return changed


def _doubt_reading(aircraft: AircraftRecord, door: str | None, signal: str, changes: Changes) -> None:
    record = aircraft.doors.get(door) if door is not None else None
    if door is None:
        if _doubt(aircraft.readings.get(signal)):
            _mark(changes, None, f"airframe/{signal}", "quality")
    elif record is None:
        _doubt(aircraft.held.get(f"{door}/{signal}"))
    elif _doubt(record.readings.get(signal)):
        _mark(changes, door, signal, "quality")


def _doubt(reading: Reading | None) -> bool:
    """Mark a good reading uncertain, as its sender would; tell whether there was one.

    What counts as known, and what readers are told of it, follows from that alone.
    """
    if reading is None or reading.quality is not Quality.GOOD or reading.value is None:
        return False
    reading.quality = Quality.UNCERTAIN
    return True


def _note_life(aircraft: AircraftRecord, changes: Changes, now: int) -> None:
    """What was left out came all the same: its aircraft is not silent."""
    aircraft.live_at = now
    if "feed-lost" in aircraft.trackers:
        _mark(changes, None, "feed")


def _mark(changes: Changes, door: str | None, *names: str) -> None:
    changes.setdefault(door, set()).update(names)
