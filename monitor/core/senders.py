"""Who sends: each aircraft's clock, heartbeat and last word.

Owns the shape of what readers are told of the senders. Reads the state and never changes it.
"""

from __future__ import annotations

from monitor.core.effects import Document
from monitor.core.readout import feed_word
from monitor.core.state import AircraftRecord
from monitor.core.system import System
from monitor.core.times import SECOND


def list_senders(system: System, now: int) -> list[Document]:
    """Every aircraft as a sender, by registration; ages in seconds, ``None`` where nothing came."""
    connected = system.record.broker_connected
    return [
        _describe_sender(aircraft, now, connected=connected) for _, aircraft in sorted(system.record.aircraft.items())
    ]


def _describe_sender(aircraft: AircraftRecord, now: int, *, connected: bool) -> Document:
    sender = aircraft.sender
    flags = {"simulated": True} if aircraft.simulated else {}
    return {
        "aircraft": aircraft.reg,
        "stand": aircraft.stand,
        "presence": str(aircraft.presence),
        "feed": feed_word(aircraft, now, connected=connected),
        "clock_offset_s": None if sender.usual is None else round(sender.usual / SECOND, 3),
        "heartbeat": sender.heartbeat,
        "heartbeat_age_s": _age(sender.heartbeat_at, now),
        "last_message_age_s": _age(aircraft.live_at, now),
        **flags,
    }


def _age(at: int | None, now: int) -> float | None:
    return None if at is None else round((now - at) / SECOND, 3)
