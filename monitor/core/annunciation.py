"""The moments at which an alert asks for somebody's attention, as the figures of alarm health count them.

Owns what such a moment is and how it is read from a lifecycle change. Counts nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from monitor.core.effects import PublishEvent

_ASKING: Final = frozenset({"raised", "reraised"})


class Annunciation(NamedTuple):
    """One moment (µs) at which an alert asked for attention, and whose; a drill or lateness leaves it out."""

    time: int
    aircraft: str
    door: str
    code: str
    role: str
    priority: str
    drill: bool = False
    late: bool = False
    simulated: bool = False


Place = tuple[str, str, str]
"""Aircraft, door and code: what the standards call one alarm."""


def read_annunciation(effect: PublishEvent) -> Annunciation | None:
    """Read a lifecycle change as an annunciation, or return ``None`` where it is none."""
    return make_annunciation(effect.time, effect.aircraft, effect.door, effect.code, effect.type, effect.data)


def make_annunciation(
    time: int, aircraft: str, door: str, code: str, kind: str, data: Mapping[str, Any]
) -> Annunciation | None:
    """Make one of a lifecycle change's parts; ``kind`` is the last word of its type, ``data`` its alert."""
    if kind not in _ASKING:
        return None
    role, priority = str(data.get("role", "")), str(data.get("priority", ""))
    drill, late, simulated = (bool(data.get(flag)) for flag in ("drill", "late", "simulated"))
    return Annunciation(time, aircraft, door, code, role, priority, drill, late, simulated)
