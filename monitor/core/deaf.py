"""Which hazards cannot be seen at a door now, and why.

Owns "deaf to". A hazard is deaf while one of the signals that it needs is not known; a
gap is never painted as calm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

from monitor.core.airframe import DoorType
from monitor.core.rules import DOOR_RULES
from monitor.core.rules.rule import LOCKS, SLIDE, Rule
from monitor.core.rules.upkeep import list_bottles
from monitor.core.rules.witness import HELD_AGAINST
from monitor.core.signals import Quality
from monitor.core.state import Presence, Reading
from monitor.core.view import CABIN_ENTRIES, WIND, View, is_disputed

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


Wanted = Iterable[tuple[str, str | None]]
"""(signal, why it is not known)."""


def _wanted(view: View, need: str) -> Wanted:
    """Expand one need into what it asks for."""
    if need in _EXPANDED:
        yield from _EXPANDED[need](view)
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


def _wanted_engines(view: View) -> Wanted:
    for number in view.airframe.engines if view.airframe is not None else ():
        signal = f"engine_{number}_running"
        yield f"airframe/{signal}", why_unknown(view.airframe_reading(signal), fitted=True)


def _wanted_releases(view: View) -> Wanted:
    """Ask every door with a slide whether that was released."""
    for door in view.doors():
        if door.has_slide and door.door is not None:
            why = why_unknown(door.reading("slide_released"), fitted=door.fits("slide_released"))
            yield f"door/{door.door.name}/slide_released", why


def _wanted_bottles(view: View) -> Wanted:
    """Ask for each bottle that has a limit, and for its temperature where there is one."""
    for bottle, _ in list_bottles(view):
        signal, heat = f"{bottle}_bottle_bar", f"{bottle}_bottle_temp_c"
        yield signal, why_unknown(view.reading(signal), fitted=view.fits(signal))
        if view.fits(heat) or view.reading(heat) is not None:
            yield heat, why_unknown(view.reading(heat), fitted=view.fits(heat))


def _wanted_witness(view: View) -> Wanted:
    """Ask for a mark or lamp: one that speaks is enough, with what it is held against."""
    speaking = [mark for mark in HELD_AGAINST if view.reading(mark) is not None]
    if not speaking:
        yield "lock_indicator", why_unknown(None, fitted=view.fits("lock_indicator"))
    for mark in speaking:
        yield mark, why_unknown(view.reading(mark), fitted=True)
        for need in HELD_AGAINST[mark]:
            yield from _wanted(view, need)


def _wanted_wind(view: View) -> Wanted:
    """Ask for what the stand reports of wind and gusts; for either where it reports neither."""
    spec = view.spec
    if spec is None or (spec.wind_moved_kt is None and spec.wind_held_kt is None):
        return  # no wind is too much for this leaf
    seen = [signal for signal in WIND if view.stand_reading(signal) is not None]
    for signal in seen or WIND[:1]:
        yield f"stand/{signal}", why_unknown(view.stand_reading(signal), fitted=True)


_EXPANDED: Final[Mapping[str, Callable[[View], Wanted]]] = {
    "engines": _wanted_engines,
    "releases": _wanted_releases,
    "bottles": _wanted_bottles,
    "witness": _wanted_witness,
    "wind": _wanted_wind,
}


def list_applicable(spec: DoorType | None) -> list[Rule]:
    """List the rules that a door of this type can meet at all; none for a door without one."""
    return [] if spec is None else [rule for rule in DOOR_RULES if rule.applies_to(spec)]


def list_deafness(view: View, rules: Sequence[Rule]) -> tuple[tuple[str, ...], ...]:
    """List (code, why, signal, …) for each rule that cannot be seen through ``view``."""
    aircraft = view.aircraft
    if aircraft is None:
        return ()
    if aircraft.presence is not Presence.PRESENT or aircraft.left_on_broker:
        why = "left on the broker" if aircraft.left_on_broker else str(aircraft.presence).replace("_", " ")
        return tuple((rule.code, why) for rule in rules if rule.needs)
    if is_disputed(aircraft):
        return tuple((rule.code, "identity conflict") for rule in rules if rule.needs)
    deaf: list[tuple[str, ...]] = []
    for rule in rules:
        wanting: dict[str, list[str]] = {}
        for need in rule.needs:
            for signal, reason in _wanted(view, need):
                if reason is not None:
                    wanting.setdefault(reason, []).append(signal)
        deaf.extend((rule.code, why, *wanting[why]) for why in REASONS if why in wanting)
    return tuple(deaf)
