"""Reading what stands on our own status topic.

Owns the question whether a later run of this instance is on. Pure.
"""

from __future__ import annotations

import enum
import json

from monitor.core.times import parse_time


class Verdict(enum.Enum):
    """What a status message means to us."""

    NOTHING = "nothing"
    SUPERSEDED = "superseded"
    CLOCK_WENT_BACK = "clock went back"
    LATE_FAREWELL = "late farewell"


def judge_status(payload: bytes, *, own_started: str, left_over: bool) -> tuple[Verdict, str]:
    """Say what a status message means, and which start it names.

    ``left_over`` is true for a retained one met before we ever were online: if it says
    "offline" with a later start than ours, no other run is on; our clock went back. An
    "offline" that names our own start, or an earlier one, is the will or the goodbye of a
    connection that is over: while we are on, it is not true.
    """
    try:
        document = json.loads(payload)
        started, state = document["started"], document["state"]
        later = parse_time(started) > parse_time(own_started)
    except (ValueError, TypeError, KeyError, AttributeError):
        return Verdict.NOTHING, ""
    if not later:
        return Verdict.LATE_FAREWELL if state == "offline" else Verdict.NOTHING, started
    if left_over and state == "offline":
        return Verdict.CLOCK_WENT_BACK, started
    return Verdict.SUPERSEDED, started
