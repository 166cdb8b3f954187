"""How a person writes a length of time, and moments of a turnaround, in a scenario."""

from __future__ import annotations

import re
from typing import Final

FORM: Final = "a length of time such as 12s, 1m30s, 2min or 1h"

_UNITS: Final = {"h": 3600.0, "min": 60.0, "m": 60.0, "s": 1.0}
_PART: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(h|min|m|s)\s*")
_MOMENT: Final = re.compile(r"([a-z-]+)(?:\s*([+-])\s*(\S+))?")


def parse_duration(raw: object) -> float:
    """Read ``12s``, ``1m30s``, ``2min``, ``1h`` or a plain number as seconds; raise ``ValueError``."""
    if isinstance(raw, (int, float)) and not isinstance(raw, bool) and raw >= 0:
        return float(raw)
    text = raw.strip() if isinstance(raw, str) else ""
    if re.fullmatch(r"\d+(\.\d+)?", text):
        return float(text)
    seconds, at = 0.0, 0
    while at < len(text):
        part = _PART.match(text, at)
        if part is None:
            break
        seconds += float(part[1]) * _UNITS[part[2]]
        at = part.end()
    if not text or at < len(text):
        raise ValueError(f"{raw!r} is not a length of time; write {FORM}")
    return seconds


def parse_moment(raw: object) -> tuple[str, float]:
    """Read ``armed``, ``armed + 4s`` or ``boarding - 45s`` as a mark and seconds after it; raise ``ValueError``."""
    found = _MOMENT.fullmatch(raw.strip()) if isinstance(raw, str) else None
    if found is None:
        raise ValueError(f"{raw!r} is not a moment of a turnaround; write one such as 'armed' or 'armed + 4s'")
    after_s = parse_duration(found[3]) if found[3] else 0.0
    return found[1], -after_s if found[2] == "-" else after_s
