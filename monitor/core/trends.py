"""A door's trends as readers are told them: cycles, how long it opens, stands open and closes, and its sensors' health.

Owns the words and the rounding. Judges nothing.
"""

from __future__ import annotations

from typing import Any

from monitor.core.airframe import DoorType
from monitor.core.baseline import TIMED, describe_spread
from monitor.core.memos import TransitMemo, Transits
from monitor.core.rules.rule import CHATTER
from monitor.core.state import DoorRecord


def describe_trends(door: DoorRecord, spec: DoorType | None) -> dict[str, Any]:
    """Describe a door's trends, ready for JSON. Times in seconds; ``None`` where nothing was counted yet.

    A door of a kind whose ways are not timed tells its sensors' health alone.
    """
    trends: dict[str, Any] = {}
    if spec is not None and spec.kind in TIMED:
        memo = door.transit_memo if door.transit_memo is not None else TransitMemo()
        trends["cycles"] = memo.cycles
        trends["opening"] = _describe_ways(memo.opening)
        trends["closing"] = _describe_ways(memo.closing)
        trends["dwell_s"] = _describe(memo.dwells, memo.dwells[-1] if memo.dwells else None)
    trends["sensor_health"] = {
        "implausible_jumps": door.jumps,
        "chatters": door.raised.get(CHATTER, 0),
        "bad": door.raised.get("signal-bad", 0),
        "stale": door.raised.get("signal-stale", 0),
    }
    return trends


def _describe_ways(ways: Transits) -> dict[str, Any]:
    return {**_describe(ways.usual, ways.last_ms), "outside": len(ways.strays)}


def _describe(kept: list[int], last: int | None) -> dict[str, Any]:
    middle, spread = describe_spread(kept) if kept else (None, None)
    return {"n": len(kept), "median_s": _seconds(middle), "mad_s": _seconds(spread), "last_s": _seconds(last)}


def _seconds(milliseconds: int | None) -> float | None:
    return None if milliseconds is None else milliseconds / 1000
