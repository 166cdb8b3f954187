"""What a door's readings mean by the contract alone: its state, and which hazards stand after how long.

The judge. Plain yes and no over complete readings, written from the contract's tables and
from nothing that is judged: no door table, view, rule or parameter is imported. What is
unknown is judged by :mod:`tests.exhaustive.worlds`, as every value that it could have.
"""

from __future__ import annotations

from itertools import product
from typing import Final, NamedTuple

from tests.exhaustive.doors import Readings, Shape, wind_of

RANK: Final = {"advisory": 0, "caution": 1, "warning": 2}
SECURE: Final = ("closed_locked", "armed")
SEATS: Final = {"A": 110, "B": 75, "C": 55, "I": 45, "II": 40, "III": 35, "IV": 9}
"""25.807(g): seats for a pair; one usable exit of a pair counts half of it."""
STANDS_IN_EVACUATION: Final = ("slide-", "emergency-open-slow", "open-engine-running", "evacuation-in-progress")


class Level(NamedTuple):
    """A priority, how many seconds it takes, and whether its condition holds; ``None``: the contract leaves it open."""

    priority: str
    after_s: float
    holds: bool | None


class Facts(NamedTuple):
    """What several rows of the tables speak of."""

    state: str
    out: bool
    moved: bool
    handle: bool
    engaged: bool
    fully_engaged: bool
    parts_differ: bool
    released: bool
    departing: bool | None
    moving: bool
    aboard: int


def leaf_out(door: Readings) -> bool:
    """Of two contradictory readings the more dangerous is taken."""
    return not door["closed"] or door.get("hold_open") is True or door.get("travel", 0.0) > 0.5


def state_of(shape: Shape, door: Readings) -> str:
    """The table of states."""
    if shape.slide and door.get("slide_released"):
        return "slide_deployed"
    if leaf_out(door):
        if "hold_open" in shape.signals:
            return "open" if door["hold_open"] else "ajar"
        if "travel" in shape.signals:
            return "open" if door["travel"] >= 0.98 else "ajar"
        return "open"
    moved, (engaged, _) = lock_moved(door), slide_of(shape, door)
    if moved:
        return "armed_unlocked" if engaged else "unlocked"
    return "armed" if engaged else "closed_locked"


def lock_moved(door: Readings) -> bool:
    """A latch, a lock or a handle is off its stop."""
    return False in (door.get("latched"), door.get("locked")) or handle_moved(door)


def handle_moved(door: Readings) -> bool:
    return True in (door.get("handle_lifted"), door.get("outside_handle_lifted"))


def slide_of(shape: Shape, door: Readings) -> tuple[bool, bool]:
    """Whether any part says that the slide is engaged, and whether all do."""
    if not shape.slide:
        return False, False
    if shape.kind == "overwing":
        return True, True
    parts = [door[part] for part in ("lever_armed", "girt_left", "girt_right") if part in door]
    return any(parts), all(parts)


def facts_of(shape: Shape, door: Readings, air: Readings) -> Facts:
    engaged, fully = slide_of(shape, door)
    out = leaf_out(door)
    running = any(air[f"engine_{number}_running"] for number in shape.engines)
    departing: bool | None = False
    if air["beacon"]:
        # With no engine heard of yet, whether the beacon came on anew is anybody's guess.
        departing = True if running else None
        if shape.kind == "cabin" and (out or door.get("access", "none") != "none"):
            departing = False
        elif shape.kind != "cabin":
            # An aircraft of this one door has no cabin door that could be closed or open.
            departing = None
    brakes_off = not air["parking_brake"] and not air["chocks"]
    return Facts(
        state=state_of(shape, door),
        out=out,
        moved=lock_moved(door),
        handle=handle_moved(door),
        engaged=engaged,
        fully_engaged=fully,
        parts_differ=engaged and not fully,
        released=shape.slide and door.get("slide_released") is True,
        departing=departing,
        moving=air["ground_speed_kt"] >= 2.0 or (brakes_off and air["beacon"]),
        aboard=air["passengers_aboard"],
    )


def both(*answers: bool | None) -> bool | None:
    """All of them; open if it hangs on one that is open."""
    return False if False in answers else None if None in answers else True


def conditions(shape: Shape, door: Readings, air: Readings, wind: str, came: bool) -> dict[str, list[Level]]:
    """Every code of the catalogue that hangs on these readings, by its own condition, whatever silences it.

    ``came``: the door was seen closed, locked and at rest just before; else it was found so.
    """
    f = facts_of(shape, door, air)
    return {
        **_slide(shape, door, air, f, came),
        **_slide_parts(shape, door, f),
        **_around(shape, door, air, f),
        **_wind_and_leaf(shape, door, wind, f),
        **_movement(shape, door, air, f),
        **_sensors(shape, door, air, f),
        **_holds(shape, door, f),
    }


def _slide(shape: Shape, door: Readings, air: Readings, f: Facts, came: bool) -> dict[str, list[Level]]:
    declared = air["emergency"]
    levels: dict[str, list[Level]] = {
        "slide-deployed": [
            Level("warning", 0.0, f.released and not declared),
            Level("advisory", 0.0, f.released and declared),
        ],
        "evacuation-in-progress": [Level("warning", 0.0, f.released and declared)],
    }
    if not shape.slide:
        return {}
    not_erect = f.released and not door.get("slide_erect", False)
    late_by = 10.0 if shape.exit_type == "C" and f.handle else 6.0
    levels["slide-slow"] = [
        Level("caution", late_by, None if not_erect and "slide_erect" not in shape.signals else not_erect)
    ]
    left = f.out and f.engaged and not f.released
    levels["slide-not-released"] = [Level("warning", 2.0, left if came or not left else None)]
    if shape.kind == "cabin":
        from_outside = door.get("outside_handle_lifted", False)
        armed = f.state == "armed_unlocked"
        opening = f.engaged and (f.out or declared) and not door.get("hold_open", False)
        inside = door["handle_lifted"]
        if not inside:
            # In its frame with the handle home it is over; else it hangs on what the handle did before.
            slow: bool | None = None if opening and f.out and not came else False
        else:
            slow = None if opening and f.parts_differ else opening
        levels |= {
            "armed-handle-moved": [
                Level("warning", 0.0, None if armed and from_outside and inside else armed and not from_outside),
                Level("advisory", 0.0, None if armed and from_outside and inside else False),
            ],
            "armed-leaf-moving": [Level("warning", 0.0, f.out and f.engaged)],
            "emergency-open-slow": [Level("warning", 10.0, slow)],
            "outside-opening-armed": [
                Level("advisory", 0.0, from_outside and f.engaged),
                Level("warning", 2.0, from_outside and f.engaged),
            ],
        }
    return levels


def _slide_parts(shape: Shape, door: Readings, f: Facts) -> dict[str, list[Level]]:
    levels: dict[str, list[Level]] = {}
    if shape.slide:
        low = door.get("slide_bottle_bar", 999.0) < 100.0 or door.get("assist_bottle_bar", 999.0) < 80.0
        levels["bottle-low"] = [Level("caution", 60.0, low)]
    if shape.slide and shape.kind == "cabin":
        pin = door["pin_fitted"]
        unpinned = f.out and not f.fully_engaged and not pin
        levels |= {
            "pin-missing": [Level("advisory", 15.0, None if unpinned and (f.engaged or f.released) else unpinned)],
            "pin-left-in": [Level("caution", 5.0, door["lever_armed"] and pin)],
            "girt-disagree": [
                Level("caution", 2.0, f.parts_differ),
                Level("warning", 2.0, f.parts_differ and f.handle),
            ],
        }
    if shape.kind == "overwing":
        disturbed = not door["cover_fitted"] or door["handle_lifted"] or f.out
        levels["overwing-disturbed"] = [Level("warning", 0.0, disturbed)]
    return levels


def _under_pressure(shape: Shape, air: Readings, f: Facts) -> tuple[bool, bool]:
    """Whether a worked door, and whether a cabin slide that is merely disengaged, is under residual pressure."""
    left = air["weight_on_wheels"] and abs(air["differential_pressure_hpa"]) > 2.5
    return left and f.moved, left and shape.kind == "cabin" and shape.slide and not f.fully_engaged


def _around(shape: Shape, door: Readings, air: Readings, f: Facts) -> dict[str, list[Level]]:
    running = any(air[f"engine_{number}_running"] for number in shape.engines)
    near = any(air[f"engine_{number}_running"] for number in shape.own_engines)
    moved, disengaged = _under_pressure(shape, air, f)
    handle_alone = f.state in ("unlocked", "armed_unlocked") and False not in (door.get("latched"), door.get("locked"))
    insecure = f.state not in SECURE
    if handle_alone or (f.state == "slide_deployed" and not f.out and not f.moved):
        # Closed and locked by its sensors, but not by the name of its state.
        secure_or_open: bool | None = None
    else:
        secure_or_open = insecure
    full = air["differential_pressure_hpa"] > 10.0 and (not air["weight_on_wheels"] or running)
    levels = {
        "residual-pressure": [Level("warning", 0.0, moved), Level("warning", 3.0, disengaged)],
        "unlocked-pressurised": [Level("warning", 0.0, both(full, secure_or_open))],
    }
    if shape.kind != "window":
        levels["open-engine-running"] = [
            Level("caution", 0.0, f.out and running),
            Level("warning", 0.0, f.out and near),
        ]
    bare = f.out and door.get("access", "none") == "none"
    if shape.kind == "cabin":
        hanging = f.released and not door.get("slide_detached", False)
        drop = bare and shape.sill_m >= 1.2 and not door.get("barrier", False) and not hanging
        levels["unguarded-drop"] = [Level("warning", 5.0, drop)]
    elif shape.kind in ("cargo", "bulk", "main_deck"):
        levels["unguarded-drop"] = [Level("caution", 120.0, bare)]
    return levels


def _wind_and_leaf(shape: Shape, door: Readings, wind: str, f: Facts) -> dict[str, list[Level]]:
    at_rest = door.get("selector", "neutral") == "neutral"
    levels = {"unlocked-lingering": [Level("caution", 60.0, f.state == "unlocked")]}
    if shape.kind != "window":
        levels["unsecured-leaf"] = [Level("caution", 20.0, f.state == "ajar" and at_rest)]
    limit = shape.wind_held_kt if f.state == "open" else shape.wind_moved_kt
    if shape.wind_moved_kt is None or limit is None or wind == "untold":
        return levels
    worked = f.handle or not at_rest
    exposed: bool | None = f.state in ("ajar", "open") or (f.state == "unlocked" and worked)
    if f.state == "slide_deployed" or (f.state == "armed_unlocked" and worked):
        exposed = None
    knots = wind_of(shape, wind)
    levels["wind-limit"] = [
        Level("warning", 2.0, both(exposed, knots > limit)),
        Level("caution", 2.0, both(exposed, knots > limit - 5.0)),
    ]
    return levels


def _movement(shape: Shape, door: Readings, air: Readings, f: Facts) -> dict[str, list[Level]]:
    levels: dict[str, list[Level]] = {}
    if shape.kind != "window":
        levels["moving-not-secure"] = [Level("warning", 0.0, f.moving and f.state not in SECURE)]
    if shape.kind == "cabin" and shape.slide:
        not_ready = both(f.departing, f.aboard > 0, not f.fully_engaged)
        levels["not-armed-departure"] = [
            Level("caution", 60.0, not_ready),
            Level("caution", 0.0, both(not_ready, f.moving)),
            Level("warning", 0.0, both(not_ready, air["ground_speed_kt"] >= 2.0)),
        ]
    levels["refuel-exits-short"] = [Level("warning", 5.0, air["refuelling"] and f.aboard > 0)]
    short = _exits_short(shape, door, f)
    levels["exit-capacity-short"] = [
        Level("caution", 60.0, both(short, f.departing)),
        Level("caution", 5.0, both(short, f.moving or air["emergency"])),
    ]
    return levels


def _exits_short(shape: Shape, door: Readings, f: Facts) -> bool | None:
    """People aboard exceed what this one exit is rated for, usable or not."""
    rated = SEATS.get(shape.exit_type or "", 0) // 2
    usable = _usable(shape, door, f)
    short_if = {worth: f.aboard > worth for worth in (0, rated)}
    if usable is None:
        return short_if[0] if short_if[0] is short_if[rated] else None
    return short_if[rated if usable else 0]


def _usable(shape: Shape, door: Readings, f: Facts) -> bool | None:
    if shape.exit_type is None:
        return False
    access = door.get("access", "none")
    if shape.kind == "overwing":
        undisturbed = door["cover_fitted"] and not door["handle_lifted"] and not f.out
        # Whether a hatch at rest must also read locked, with a full bottle and its pack in, is left open.
        return None if undisturbed else False
    if access in ("loader", "platform"):
        return False
    if access in ("bridge", "stairs"):
        return True
    if shape.kind == "airstair":
        return f.state == "open" or (None if f.out else False)
    if not shape.slide and shape.sill_m <= 1.83:
        # Low enough to step down from: the contract does not say.
        return None
    if not shape.slide or not f.fully_engaged or f.released or door["pin_fitted"]:
        return False
    if door["slide_bottle_bar"] < 100.0 or door.get("ground_clear") is False:
        return False
    # An assist bottle that is low, a manual handle pulled, a leaf half out: left open.
    rest = f.out or f.moved or door.get("assist_bottle_bar", 999.0) < 80.0 or door.get("manual_inflation", False)
    return None if rest else True


def _sensors(shape: Shape, door: Readings, air: Readings, f: Facts) -> dict[str, list[Level]]:
    locked, latched = door.get("locked"), door.get("latched")
    differ = (
        (locked is True and latched is False)
        or (not door["closed"] and True in (locked, latched))
        or (door.get("lock_flags") is True and latched is False)
    )
    levels = {
        "lock-disagree": [Level("caution", 1.0, differ)],
        "signal-bad": [Level("caution", 1.0, door["closed"] and f.out)],
    }
    lies: list[bool | None] = []
    if "lock_indicator" in shape.signals:
        lies.append((door["lock_indicator"] == "locked") is not locked)
    if "armed_light" in shape.signals:
        should = f.handle and f.engaged
        lies.append(None if f.handle and f.parts_differ else door["armed_light"] is not should)
    if "pressure_light" in shape.signals:
        moved, disengaged = _under_pressure(shape, air, f)
        dark = not door["pressure_light"]
        lies.append(dark and (True if moved else None if disengaged else False))
        lies.append(not dark and abs(air["differential_pressure_hpa"]) < 2.0)
    if lies:
        levels["indicator-disagree"] = [
            Level("caution", 3.0, True if True in lies else None if None in lies else False)
        ]
    return levels


def _holds(shape: Shape, door: Readings, f: Facts) -> dict[str, list[Level]]:
    if shape.kind not in ("cargo", "main_deck"):
        return {}
    shut = door["closed"] and door["latched"] and not door["lock_flags"] and door["selector"] == "neutral"
    low = f.out and door["selector"] != "close" and door["actuator_bar"] < 100.0 and not door.get("hold_open", False)
    return {
        "cargo-unlatched-flags": [Level("caution", 5.0, None if shut and f.out else shut)],
        "cargo-pressure-low": [Level("caution", 2.0, low)],
    }


def silenced(code: str, standing: dict[str, list[Level]], *, emergency: bool) -> bool | None:
    """Whether another row of the table says that this code is not told now."""
    if holds("evacuation-in-progress", standing) and not code.startswith(STANDS_IN_EVACUATION):
        return True
    if emergency and (code.startswith("armed-") or code == "overwing-disturbed"):
        return True
    if code in ("armed-leaf-moving", "bottle-low"):
        return holds("slide-deployed", standing)
    if code == "residual-pressure":
        return holds("unlocked-pressurised", standing)
    return False


def holds(code: str, standing: dict[str, list[Level]]) -> bool | None:
    answers = [level.holds for level in standing.get(code, ())]
    return True if True in answers else None if None in answers else False


Story = tuple[tuple[float, str], ...]


def stories(levels: list[Level], horizon_s: float) -> set[Story]:
    """Every way in which a code's (seconds, priority) may be told within the horizon, one where nothing is left open."""
    ways = product(*((False, True) if level.holds is None else (level.holds,) for level in levels))
    return {_story([x for x, true in zip(levels, way, strict=True) if true and x.after_s <= horizon_s]) for way in ways}


def _story(levels: list[Level]) -> Story:
    told: list[tuple[float, str]] = []
    for level in sorted(levels, key=lambda x: (x.after_s, -RANK[x.priority])):
        if not told or RANK[level.priority] > RANK[told[-1][1]]:
            told.append((level.after_s, level.priority))
    return tuple(told)


def expected(
    shape: Shape, door: Readings, air: Readings, wind: str, *, came: bool, horizon_s: float
) -> dict[str, set[Story]]:
    """Every code with the ways in which it may be told; one that is not named must not be told at all."""
    standing = conditions(shape, door, air, wind, came)
    may: dict[str, set[Story]] = {}
    for code, levels in standing.items():
        silent = silenced(code, standing, emergency=air["emergency"])
        ways: set[Story] = {()} if silent is not False else set()
        may[code] = ways if silent else ways | stories(levels, horizon_s)
    return may
