"""What may be said while a reading is not known: nothing that does not hold whatever it could be.

Owns the possible worlds of a case with one reading that is not known, and what each answer to
"open" and "leave" may not overlook. Independent of the core's three-valued logic.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from tests.exhaustive import meaning
from tests.exhaustive.doors import CHOICES, Readings, Shape, wind_of
from tests.exhaustive.meaning import RANK, SECURE, Level
from tests.exhaustive.watching import Case

HOWS: Final = ("bad", "uncertain", "withdrawn", "never", "stale")
NONE_WHEN_NEVER_SEEN: Final = ("barrier", "slide_released", "slide_detached", "slide_erect", "emergency")
"""Not seen, no barrier, not declared: they hold also when nothing was ever reported."""

STATE_NEEDS: Final = (
    *("closed", "latched", "locked", "handle_lifted", "outside_handle_lifted"),
    *("hold_open", "travel", "lever_armed", "girt_left", "girt_right", "slide_released"),
)
AIR_NEEDED_TO_OPEN: Final = ("differential_pressure_hpa", "weight_on_wheels", "ground_speed_kt")
NOTHING_SEEN: Final = "nothing seen against it"


class World(NamedTuple):
    """One complete way in which it could be."""

    door: Readings
    air: Readings


def air_values(signal: str) -> tuple[Any, ...]:
    """What an airframe signal could be, as far as anything hangs on it."""
    return {
        "differential_pressure_hpa": (0.0, 3.0, 15.0),
        "ground_speed_kt": (0.0, 6.0),
        "passengers_aboard": (0, 15, 100),
    }.get(signal, (True, False))


def worlds_of(case: Case) -> list[World]:
    """Every world that the case leaves possible."""
    found = [World(case.door, {name: value for name, value in case.air.items() if name != "type"})]
    for signal, how in case.poor.items():
        found = [other for world in found for other in _vary(world, signal, how)]
    return found


def _vary(world: World, signal: str, how: str) -> Iterator[World]:
    if how == "never" and signal in NONE_WHEN_NEVER_SEEN:
        values: tuple[Any, ...] = (False,)
    elif signal in world.door:
        values = CHOICES[signal]
        if world.door["closed"]:
            # A cross-check that is not known contradicts nothing: the frame switch stands alone.
            values = {"hold_open": (False,), "travel": (0.0, 0.3)}.get(signal, values)
    else:
        values = air_values(signal)
    for value in values:
        if signal in world.door:
            yield World({**world.door, signal: value}, world.air)
        else:
            yield World(world.door, {**world.air, signal: value})


def allowed_states(shape: Shape, case: Case, worlds: list[World]) -> set[str]:
    """The state that all worlds share; else none but unknown."""
    states = {meaning.state_of(shape, world.door) for world in worlds}
    poor = {signal for signal in case.poor if signal in case.door}
    if "slide_released" in poor and len(worlds) > 1:
        # The door's own readings go on telling where the leaf is; what is not known is only the pack.
        return (states - {"slide_deployed"}) | {"unknown"}
    if len(states) > 1:
        return {"unknown"}
    return states if poor.isdisjoint(STATE_NEEDS) or states == {"slide_deployed"} else states | {"unknown"}


def is_backed(code: str, priority: str, case: Case, per_world: list[dict[str, list[Level]]]) -> bool:
    """Whether a code of at least this priority holds by its own condition in every world: unknown never raises."""
    if code == "signal-bad" and "bad" in case.poor.values():
        return True
    if code == "signal-stale" and "stale" in case.poor.values():
        return True
    if code == "armed-handle-moved" and "outside_handle_lifted" in case.poor:
        # Not by the outside handle, as far as is known: the more dangerous of the two is taken.
        per_world = per_world[-1:]
    if code == "slide-deployed" and "emergency" in case.poor:
        priority = "advisory"
    if code == "not-armed-departure" and "passengers_aboard" in case.poor:
        # An unknown count means aboard.
        per_world = per_world[-1:]
    if "slide_released" in case.poor and not code.startswith(("slide-", "evacuation-")):
        # What hangs on where the leaf, the handle and the girt are goes on being told.
        per_world = per_world[-1:]
    return all(
        any(level.holds is not False and RANK[level.priority] >= RANK[priority] for level in world.get(code, ()))
        for world in per_world
    )


def speaks_against_opening(shape: Shape, world: World, wind: str) -> list[str]:
    """What nobody may overlook who asks whether anything speaks against opening this door."""
    door, air = world
    f = meaning.facts_of(shape, door, air)
    worked = shape.kind in ("cargo", "main_deck") and door["selector"] != "neutral"
    bare = door.get("access", "none") == "none" and not door.get("barrier", False)
    found = {
        "pressure": abs(air["differential_pressure_hpa"]) > 2.5,
        "engine": shape.kind != "window" and any(air[f"engine_{number}_running"] for number in shape.engines),
        "off the ground": not air["weight_on_wheels"],
        "moving": f.moving,
        "slide": shape.kind == "cabin" and (f.engaged or f.released),
        "drop": shape.kind == "cabin" and shape.sill_m >= 1.2 and bare,
        "wind": shape.wind_moved_kt is not None and (wind == "untold" or wind_of(shape, wind) > shape.wind_moved_kt),
        "selector": worked,
        "emergency exit": shape.kind in ("overwing", "window") and not air["emergency"],
    }
    return [name for name, against in found.items() if against]


def speaks_against_leaving(shape: Shape, world: World) -> list[str]:
    """What nobody may overlook who asks whether anything speaks against leaving."""
    door, air = world
    f = meaning.facts_of(shape, door, air)
    found = {
        "not secure": f.state not in SECURE,
        "slide": shape.kind == "cabin" and shape.slide and f.aboard > 0 and not f.fully_engaged,
        "docked": door.get("access", "none") != "none",
        "refuelling": air["refuelling"],
        "emergency": air["emergency"],
        "off the ground": not air["weight_on_wheels"],
    }
    return [name for name, against in found.items() if against]
