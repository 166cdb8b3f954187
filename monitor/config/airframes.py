"""From a type's file to the core's :class:`AirframeType`.

Owns what must fit together in a type: a door and its kind, a slide and its signals, a
sensor and its limit, seats and exits.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from monitor.config.document import Document, Location, read_document
from monitor.config.explain import validate
from monitor.config.layers import file_layer, place
from monitor.config.problems import ConfigError
from monitor.config.thresholds import Known, check_thresholds
from monitor.config.type_file import NONE, DoorEntry, Equipment, TypeFile
from monitor.core.airframe import AirframeType, DoorKind, DoorType, Side
from monitor.core.exits_table import exit_pairs, seats_allowed

_EXIT_KINDS: Final = (DoorKind.CABIN, DoorKind.AIRSTAIR, DoorKind.OVERWING)
_SLIDE_KINDS: Final = (DoorKind.CABIN, DoorKind.OVERWING)
_SIDED_KINDS: Final = (*_EXIT_KINDS, DoorKind.WINDOW)
_ARMING_SIGNALS: Final = ("lever_armed", "girt_left", "girt_right")
_SLIDE_SIGNALS: Final = (
    *_ARMING_SIGNALS,
    "pin_fitted",
    "slide_released",
    "slide_erect",
    "slide_bottle_bar",
    "slide_bottle_temp_c",
    "manual_inflation",
    "slide_detached",
)
_LIMITS: Final = (
    ("slide_bottle_bar", "slide_bottle_bar_min"),
    ("assist_bottle_bar", "assist_bottle_bar_min"),
    ("actuator_bar", "actuator_bar_min"),
)

Finding = tuple[Location, str]


def read_type(path: Path, known: Known | None = None) -> AirframeType:
    """Read one type's file; raise :class:`ConfigError` with everything that is wrong in it."""
    document = read_document(path)
    layers = [file_layer(document)]
    file = validate(TypeFile, layers)
    findings = list(_check_file(file, document, known))
    if findings:
        raise ConfigError(place(layers, location, message) for location, message in findings)
    return _airframe(file)


def _given(file: TypeFile, door: DoorEntry) -> Equipment:
    """Return the door's equipment: its own keys over those of its kind."""
    kind = file.kinds.get(door.kind)
    own = {key: getattr(door, key) for key in Equipment.model_fields if getattr(door, key) is not None}
    base = {key: getattr(kind, key) for key in Equipment.model_fields} if kind is not None else {}
    return Equipment.model_construct(**(base | own))


def _airframe(file: TypeFile) -> AirframeType:
    doors = sorted((_door(file, door) for door in file.doors), key=lambda door: (door.station, door.side is Side.RIGHT))
    return AirframeType(
        name=file.name,
        description=file.description,
        seats=file.seats,
        engines={number: Side(side) for number, side in sorted(file.engines.items())},
        doors={door.name: door for door in doors},
        thresholds=file.thresholds,
    )


def _door(file: TypeFile, door: DoorEntry) -> DoorType:
    given = _given(file, door)
    return DoorType(
        name=door.name,
        kind=DoorKind(door.kind),
        side=None if door.side == NONE else Side(door.side),
        station=door.station,
        half=door.half,
        sill_m=float(given.sill_m or 0.0),
        leaf_area_m2=float(given.leaf_area_m2 or 0.0),
        signals=frozenset(given.signals or ()),
        slide=bool(given.slide),
        exit_type=None if given.exit_type in {None, NONE} else given.exit_type,
        wind_moved_kt=given.wind_moved_kt,
        wind_held_kt=given.wind_held_kt,
        slide_bottle_bar_min=given.slide_bottle_bar_min,
        assist_bottle_bar_min=given.assist_bottle_bar_min,
        actuator_bar_min=given.actuator_bar_min,
        access_needed=tuple(given.access_needed or ()),
        thresholds=door.thresholds,
    )


def _check_file(file: TypeFile, document: Document, known: Known | None) -> Iterator[Finding]:
    yield from check_thresholds(file.thresholds, known, ("thresholds",))
    names = Counter(door.name for door in file.doors)
    seen: set[str] = set()
    for index, door in enumerate(file.doors):
        if door.name in seen:
            yield ("doors", index, "name"), f"{names[door.name]} doors have this name; give each its own"
        seen.add(door.name)
        yield from _check_door(file, index, document)
        yield from check_thresholds(door.thresholds, known, ("doors", index, "thresholds"))
    yield from _check_exits(file)


def _check_door(file: TypeFile, index: int, document: Document) -> Iterator[Finding]:
    door = file.doors[index]
    given = _given(file, door)

    def at(key: str) -> Location:
        """Return where the key is written: at the door, else at its kind, else the door itself."""
        places: Sequence[Location] = (("doors", index, key), ("kinds", door.kind, key))
        return next((location for location in places if location in document.lines), places[0])

    for key in ("sill_m", "leaf_area_m2", "signals"):
        if getattr(given, key) is None:
            field = Equipment.model_fields[key]
            yield at(key), f"is missing; give {field.description} here or under kinds.{door.kind}"
    if door.side == NONE and door.kind in _SIDED_KINDS:
        yield at("side"), f"a door of kind {door.kind} has a side; give left or right"
    for location, message in _check_equipment(door.kind, given):
        yield at(location), message


def _check_equipment(kind: str, given: Equipment) -> Iterator[tuple[str, str]]:
    """Yield the key and the message of whatever does not fit together."""
    signals = given.signals or []
    for number, signal in enumerate(signals):
        if signal in signals[:number]:
            yield "signals", f"{signal!r} is listed twice; list each signal once"
    if given.signals is not None and "closed" not in signals:
        yield "signals", "'closed' is not fitted, so the door's state could never be known; add closed"
    if given.exit_type not in {None, NONE} and kind not in _EXIT_KINDS:
        yield "exit_type", f"a door of kind {kind} is no passenger exit; give none, or make it {_either(_EXIT_KINDS)}"
    yield from _check_slide(kind, given, signals)
    for signal, limit in _LIMITS:
        if signal in signals and getattr(given, limit) is None:
            yield limit, f"is missing although {signal} is fitted; give its least value in bar, or take the signal out"
    moved, held = given.wind_moved_kt, given.wind_held_kt
    if moved is not None and held is not None and held < moved:
        yield "wind_held_kt", f"{held:g} is below wind_moved_kt ({moved:g}); give the same or more"


def _check_slide(kind: str, given: Equipment, signals: Sequence[str]) -> Iterator[tuple[str, str]]:
    if given.slide:
        if kind not in _SLIDE_KINDS:
            yield "slide", f"a door of kind {kind} has no slide; give false, or make it {_either(_SLIDE_KINDS)}"
        elif kind == DoorKind.CABIN and not set(signals) & set(_ARMING_SIGNALS):
            yield (
                "signals",
                f"a slide that nothing tells to be engaged; fit at least one of {', '.join(_ARMING_SIGNALS)}",
            )
        return
    stray = [signal for signal in signals if signal in _SLIDE_SIGNALS]
    if stray:
        yield "signals", f"{', '.join(stray)} belong to a slide and none is fitted; take them out, or give slide: true"
    if given.slide_bottle_bar_min is not None:
        yield "slide_bottle_bar_min", "there is no slide; take the limit out, or give slide: true"


def _check_exits(file: TypeFile) -> Iterator[Finding]:
    exits = [_door(file, door) for door in file.doors if door.kind in _EXIT_KINDS]
    index_of = {door.name: index for index, door in reversed(list(enumerate(file.doors)))}
    at_station: dict[tuple[int, Side], DoorType] = {}
    clash = False
    for door in exits:
        if door.exit_type is None or door.side is None:
            continue
        other = at_station.setdefault((door.station, door.side), door)
        opposite = at_station.get((door.station, Side.RIGHT if door.side is Side.LEFT else Side.LEFT))
        here: Location = ("doors", index_of[door.name], "station")
        if other is not door:
            clash = True
            yield here, f"{other.name} is an exit on the same side at this station; give each pair a station of its own"
        elif opposite is not None and opposite.exit_type != door.exit_type:
            clash = True
            yield (
                here,
                (
                    f"exit of type {door.exit_type} opposite {opposite.name} of type {opposite.exit_type}; "
                    "give both one exit_type, or each a station of its own"
                ),
            )
    if clash or file.seats == 0:
        return
    pairs = [pair.exit_type for pair in exit_pairs(exits) if len(pair.doors) == 2]
    limit = seats_allowed(pairs, type_iii_rows_apart=file.type_iii_rows_apart)
    if file.seats > limit.seats:
        counts = Counter(pairs)
        fitted = " + ".join(f"{count} × {exit_type}" for exit_type, count in counts.items()) or "none"
        right = f"give at most {limit.seats} seats, or other exits" if limit.seats else "give other exits"
        yield (
            ("seats",),
            f"{file.seats} seats are more than the pairs of exits ({fitted}) allow, 14 CFR 25.807{limit.reason}; {right}",
        )


def _either(kinds: Sequence[DoorKind]) -> str:
    return " or ".join(kind.value for kind in kinds)
