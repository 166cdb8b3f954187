"""Doors that take longer, or shorter, to open or close than they used to."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.baseline import LEAST_MS, MADS, SHARE, TIMED, band_ms
from monitor.core.kleene import Truth
from monitor.core.memos import Transits
from monitor.core.rules.rule import Level, Parameters, Rule, Scope, door_name
from monitor.core.view import View, is_judged


def _outside(view: View, p: Parameters) -> Iterator[tuple[str, Transits]]:
    """Yield each direction whose last way was not as usual."""
    memo = view.door.transit_memo if view.door is not None else None
    if memo is None:
        return
    for way, took in (("opening", memo.opening), ("closing", memo.closing)):
        if took.median_ms is None or took.last_ms is None:
            continue
        band = band_ms(
            took.median_ms, took.mad_ms, mads=p["mads"], share=p["off_percent"] / 100, least_ms=p["least_s"] * 1000
        )
        if abs(took.last_ms - took.median_ms) > band:
            yield way, took


def _unusual(view: View, p: Parameters, held: bool) -> Truth:
    if not any(True for _ in _outside(view, p)):
        return False
    return True if view.aircraft is not None and is_judged(view.aircraft) else None


def _part(view: View) -> str:
    powered = view.spec is not None and view.spec.kind in (DoorKind.CARGO, DoorKind.MAIN_DECK)
    return "actuator" if powered else "damper"


def _text(view: View, priority: Priority) -> str:
    said = [
        f"{way} took {(took.last_ms or 0) / 1000:.1f} s, usually {(took.median_ms or 0) / 1000:.1f} s"
        for way, took in _outside(view, TRANSIT_SLOW.parameters)
    ]
    return (
        f"{door_name(view)}: {', '.join(said) or 'a way took longer or shorter than usual'}; look at its {_part(view)}."
    )


TRANSIT_SLOW = Rule(
    code="transit-slow",
    scope=Scope.DOOR,
    kinds=TIMED,
    levels=(Level(Priority.ADVISORY, _unusual),),
    reads=frozenset({"memo/transit", "presence"}),
    needs=("closed", "held", "moved", "engagement"),
    parameters={"mads": MADS, "off_percent": SHARE * 100, "least_s": LEAST_MS / 1000},
    names_signals=True,
    summary="Opening or closing took a time outside the door's own baseline: its damper or its actuator may be failing.",
    text=_text,
    action="Look at the leaf as it moves next. Tell maintenance: damper, or actuator on a powered door.",
    consequence="A leaf whose damper or actuator fails moves hard or by itself, and can hit or drag a person.",
    respond_within_s=3600,
    role="maintenance",
    basis="common practice: median and median absolute deviation of the door's own last 20",
    evidence=("closed", "hold_open", "travel"),
)

RULES = (TRANSIT_SLOW,)
