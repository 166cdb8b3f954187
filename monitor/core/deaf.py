"""Which hazards cannot be seen at a door now, and why.

Owns "deaf to". A hazard is deaf while one of the signals that it needs is not known; a
gap is never painted as calm.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from monitor.core.rules.rule import LOCKS, SLIDE, Rule
from monitor.core.signals import Quality
from monitor.core.state import Presence, Reading
from monitor.core.view import CABIN_ENTRIES, View

REASONS: Final = ("not fitted", "never seen", "withdrawn", "stale", "bad", "uncertain")
"""Why one signal is not known, worst first."""


def why_unknown(reading: Reading | None, *, fitted: bool) -> str | None:
    """Say why a signal is not known, or ``None`` if it is."""
    if reading is None:
        return "never seen" if fitted else "not fitted"
    if reading.value is None:
        return "withdrawn"
    if reading.stale:
        return "stale"
    return None if reading.quality is Quality.GOOD else str(reading.quality)


def _wanted(view: View, need: str) -> Iterable[tuple[str, str | None]]:
    """Expand one need into (signal, why it is not known)."""
    if need == "engines":
        for number in view.airframe.engines if view.airframe is not None else ():
            signal = f"engine_{number}_running"
            yield f"airframe/{signal}", why_unknown(view.airframe_reading(signal), fitted=True)
    elif need.startswith("airframe/"):
        yield need, why_unknown(view.airframe_reading(need.removeprefix("airframe/")), fitted=True)
    elif need.startswith("doors/"):
        signal = need.removeprefix("doors/")
        for door in view.doors():
            if door.spec is not None and door.spec.kind in CABIN_ENTRIES and door.door is not None:
                yield (
                    f"door/{door.door.name}/{signal}",
                    why_unknown(door.reading(signal), fitted=door.fits(signal)),
                )
    elif need in ("slide", "moved"):
        group = SLIDE if need == "slide" else LOCKS
        known = [signal for signal in group if view.fits(signal) or view.reading(signal) is not None]
        if not known:
            yield group[0], "not fitted"
        for signal in known:
            yield signal, why_unknown(view.reading(signal), fitted=view.fits(signal))
    else:
        yield need, why_unknown(view.reading(need), fitted=view.fits(need))


def list_deafness(view: View, rules: Sequence[Rule]) -> tuple[tuple[str, ...], ...]:
    """List (code, why, signal, …) for each rule that cannot be seen through ``view``."""
    aircraft = view.aircraft
    if aircraft is None:
        return ()
    if aircraft.presence is not Presence.PRESENT or aircraft.left_on_broker:
        why = "left on the broker" if aircraft.left_on_broker else str(aircraft.presence).replace("_", " ")
        return tuple((rule.code, why) for rule in rules if rule.needs)
    deaf: list[tuple[str, ...]] = []
    for rule in rules:
        wanting: dict[str, list[str]] = {}
        for need in rule.needs:
            for signal, reason in _wanted(view, need):
                if reason is not None:
                    wanting.setdefault(reason, []).append(signal)
        deaf.extend((rule.code, why, *wanting[why]) for why in REASONS if why in wanting)
    return tuple(deaf)
