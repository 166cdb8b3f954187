"""Which hazards cannot be seen at a door now, and why.

Owns "deaf to". A hazard is deaf while one of the signals that it needs is not known; a
gap is never painted as calm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from typing import Final

from monitor.core.airframe import DoorKind, DoorType
from monitor.core.exits import EXIT_KINDS
from monitor.core.rules import DOOR_RULES
from monitor.core.rules.rule import HANDLES, LOCKS, SLIDE, Rule
from monitor.core.rules.upkeep import list_bottles
from monitor.core.rules.witness import HELD_AGAINST
from monitor.core.signals import Quality
from monitor.core.state import Reading
from monitor.core.view import CABIN_ENTRIES, WIND, View, why_not_judged

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


SLIDE_PACK: Final = ("slide_released", "slide_detached", "slide_bottle_bar", "slide_bottle_temp_c", "ground_clear")
"""What says whether a slide that is engaged can be used."""

Wanted = Iterable[tuple[str, str | None]]
"""(signal, why it is not known)."""


def _wanted(view: View, need: str) -> Wanted:
    """Expand one need into what it asks for."""
    if need in _EXPANDED:
        yield from _EXPANDED[need](view)
    elif need in _WHERE_THERE:
        yield from _ask(view, *_WHERE_THERE[need])
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
        yield from list(_ask(view, *group)) or [(group[0], "not fitted")]
    else:
        yield need, why_unknown(view.reading(need), fitted=view.fits(need))


def _ask(view: View, *signals: str, fitted: bool = True, at: str = "") -> Wanted:
    """Ask for those of ``signals`` that were ever reported or, if ``fitted`` counts, that the type has."""
    for signal in signals:
        reading = view.reading(signal)
        if reading is not None or (fitted and view.fits(signal)):
            yield f"{at}{signal}", why_unknown(reading, fitted=True)


def _wanted_barrier(view: View) -> Wanted:
    """Ask for a barrier once one was reported: until then there is none."""
    yield from _ask(view, "barrier", fitted=False)


def _wanted_guards(view: View) -> Wanted:
    """Ask for what may stand or hang before a cabin doorway, once it was reported."""
    if view.spec is not None and view.spec.kind is DoorKind.CABIN:
        yield from _ask(view, "barrier", "slide_released", "slide_detached", fitted=False)


def _wanted_held(view: View) -> Wanted:
    """Ask for what tells open from ajar: the hold-open lock, or the travel of a leaf that has none."""
    yield from _ask(view, "hold_open")
    if not view.has_hold_open:
        yield from _ask(view, "travel")


def _wanted_engagement(view: View) -> Wanted:
    """Ask for the slide's parts at a door that has one; over the wing a slide is always engaged."""
    if view.has_slide and view.spec is not None and view.spec.kind is not DoorKind.OVERWING:
        yield from _wanted(view, "slide")


def _wanted_offer(view: View) -> Wanted:
    """Ask for what unlocks a leaf: its handles, and where a selector drives it that and the locks too."""
    powered = view.fits("selector") or view.reading("selector") is not None
    yield from _ask(view, *(("selector", *LOCKS) if powered else HANDLES))


def _wanted_entries(view: View, *signals: str) -> Wanted:
    """Ask every cabin door for those of ``signals`` that it has."""
    for door in view.doors():
        if door.spec is not None and door.spec.kind in CABIN_ENTRIES and door.door is not None:
            yield from _ask(door, *signals, at=f"door/{door.door.name}/")


def _wanted_exits(view: View) -> Wanted:
    """Ask every exit for what says whether it can be used; an exit that cannot be told may be the missing one."""
    for door in view.doors():
        if door.spec is None or door.door is None or door.spec.kind not in EXIT_KINDS or door.spec.exit_type is None:
            continue
        at = f"door/{door.door.name}/"
        if door.spec.kind is DoorKind.OVERWING:
            yield from _ask(door, "closed", *HANDLES, "cover_fitted", at=at)
        elif door.has_slide:
            yield from _ask(door, "closed", "access", *SLIDE, "pin_fitted", at=at)
        else:
            held = "hold_open" if door.has_hold_open else "travel"
            yield from _ask(door, "closed", "access", *LOCKS, held, at=at)
        if door.has_slide:
            yield from _ask(door, *SLIDE_PACK, at=at)


def _wanted_engines(view: View) -> Wanted:
    for number in view.engine_numbers:
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
    "barriers": _wanted_barrier,
    "guards": _wanted_guards,
    "held": _wanted_held,
    "engagement": _wanted_engagement,
    "offer": _wanted_offer,
    "docks": lambda view: _wanted_entries(view, "access"),
    "slides": lambda view: _wanted_entries(view, *SLIDE),
    "exits": _wanted_exits,
}
"""A need that several signals meet, or that a door's type, or another door, decides."""

_WHERE_THERE: Final[Mapping[str, tuple[str, ...]]] = {
    "handles": HANDLES,
    "drive": ("selector",),
    "pump": ("hand_pump",),
    "hook": ("hold_open",),
    "flags": ("lock_flags",),
    "dock": ("access",),
}
"""A need that counts only at a door whose type has the signal, or where it was ever reported."""

NAMED: Final = frozenset({*_EXPANDED, *_WHERE_THERE, "slide", "moved"})
"""Every need that is no signal."""


_OF_OTHERS: Final = frozenset({"docks", "exits", "releases", "slides"})
"""Needs that ask the other doors of an aircraft too, beside those that are written ``doors/…``."""


def list_applicable(spec: DoorType | None) -> Sequence[Rule]:
    """List the rules that a door of this type can meet at all; none for a door without one."""
    return () if spec is None else _applicable(spec.kind, spec.slide)[0]


def is_deaf_anew(view: View, known: Iterable[tuple[str, ...]]) -> bool:
    """Tell whether other doors made a door deaf to something else than what is ``known`` of it.

    Only for a door of which nothing changed, nor of its aircraft as a whole: only rules that ask
    other doors are looked at.
    """
    if view.spec is None:
        return False
    rules = _applicable(view.spec.kind, view.spec.slide)[1]
    codes = {rule.code for rule in rules}
    return list_deafness(view, rules) != tuple(entry for entry in known if entry[0] in codes)


@cache
def _applicable(kind: DoorKind, slide: bool) -> tuple[Sequence[Rule], Sequence[Rule]]:
    """What a door of this kind can meet at all, and what of it asks the other doors too."""
    rules = tuple(rule for rule in DOOR_RULES if rule.applies_to_kind(kind, slide))
    asking = tuple(
        rule for rule in rules if any(need in _OF_OTHERS or need.startswith("doors/") for need in rule.needs)
    )
    return rules, asking


def list_deafness(view: View, rules: Sequence[Rule]) -> tuple[tuple[str, ...], ...]:
    """List (code, why, signal, …) for each rule that cannot be seen through ``view``."""
    aircraft = view.aircraft
    if aircraft is None:
        return ()
    if (not_judged := why_not_judged(aircraft)) is not None:
        return tuple((rule.code, not_judged) for rule in rules if rule.needs)
    deaf: list[tuple[str, ...]] = []
    gaps: dict[str, list[tuple[str, str]]] = {}  # Many rules have the same needs, and most needs are met.
    for rule in rules:
        wanting: dict[str, list[str]] = {}
        for need in rule.needs:
            found = gaps.get(need)
            if found is None:
                found = gaps[need] = [(signal, why) for signal, why in _wanted(view, need) if why is not None]
            for signal, reason in found:
                wanting.setdefault(reason, []).append(signal)
        if wanting:
            deaf.extend((rule.code, why, *wanting[why]) for why in REASONS if why in wanting)
    return tuple(deaf)
