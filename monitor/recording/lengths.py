"""How a person writes a length of time on these commands.

Owns the form; asks no clock.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from monitor.core.times import HOUR, MINUTE, SECOND

_UNITS: Final[Mapping[str, int]] = {"s": SECOND, "min": MINUTE, "h": HOUR, "d": 24 * HOUR}
_FORM: Final = re.compile(r"(\d{1,9}(?:\.\d{1,6})?)\s*(s|min|h|d)")


def parse_length(text: str) -> int:
    """Read ``90s``, ``30min``, ``12h`` or ``30d`` as µs; raises ``ValueError``."""
    found = _FORM.fullmatch(text.strip())
    length = round(float(found[1]) * _UNITS[found[2]]) if found is not None else 0
    if not length:
        raise ValueError(f"{text!r} is not a length of time; write one such as 90s, 30min, 12h or 30d")
    return length
