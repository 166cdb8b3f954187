"""One message for the broker, and the envelopes of the wire contract that it carries.

Owns the bytes: field order and number format are fixed, so that one seed gives one stream
of bytes. Every envelope says ``"simulated": true``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import orjson

from monitor.core.signals import Value
from monitor.core.times import format_time


class Publication(NamedTuple):
    """A message due at ``at_us`` (µs since the epoch), always at QoS 1."""

    at_us: int
    topic: str
    payload: bytes
    retain: bool


def encode_reading(at_us: int, seq: int, value: Value, quality: str) -> bytes:
    """Write one reading's envelope."""
    return orjson.dumps({"time": format_time(at_us), "seq": seq, "value": value, "quality": quality, "simulated": True})


def encode_bundle(at_us: int, seq: int, readings: Mapping[str, tuple[Value, str]]) -> bytes:
    """Write a bundle; a reading in good quality is its bare value."""
    body = {
        key: value if quality == "good" else {"value": value, "quality": quality}
        for key, (value, quality) in readings.items()
    }
    return orjson.dumps({"time": format_time(at_us), "seq": seq, "simulated": True, "readings": body})
