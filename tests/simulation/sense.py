"""What a door's readings mean by the contract's sections 5 and 6, in yes, no and not known.

Owns the judge's tables: a door's state, and the hazards that can be told from the readings of
one instant. Written from the contract alone; :mod:`tests.simulation.test_sense` holds it to the
other independent judge, :mod:`tests.exhaustive.meaning`, wherever everything is known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from monitor.core.airframe import AirframeType, DoorType

Known = Mapping[str, Any]
"""Signal → value, ``None`` where it is not known."""

SECURE: Final = ("closed_locked", "armed")
STATE_SIGNALS: Final = (
    *("closed", "latched", "locked", "handle_lifted", "outside_handle_lifted", "hold_open", "travel"),
    *("lever_armed", "girt_left", "girt_right", "slide_released"),
)
OTHER_SIGNALS: Final = (
    *("access", "barrier", "slide_detached", "slide_erect", "pin_fitted", "cover_fitted", "selector", "lock_flags"),
    *("actuator_bar", "slide_bottle_bar", "assist_bottle_bar"),
)
AIR_SIGNALS: Final = ("differential_pressure_hpa", "weight_on_wheels", "ground_speed_kt", "emergency")
HOLD_KINDS: Final = ("cargo", "main_deck")


def any_of(*answers: bool | None) -> bool | None:
    return True if True in answers else None if None in answers else False


def all_of(*answers: bool | None) -> bool | None:
    return False if False in answers else None if None in answers else True


def no(answer: bool | None) -> bool | None:
    return None if answer is None else not answer


def is_over(number: float | None, limit: float) -> bool | None:
    return None if number is None else number > limit


@dataclass(slots=True)
class Sensed:
    """A door as far as it is known."""

    state: str
    lenient: bool
    out: bool | None
    moved: bool | None
    engaged: bool | None
    fully_engaged: bool | None
    released: bool | None


def sense(spec: DoorType, door: Known, *, deployed: bool) -> Sensed:
    """Read a door's state; ``lenient``: something that a state is read from is missing, so that unknown will do too."""

    def of(signal: str) -> Any:
        return door.get(signal) if signal in spec.signals else None

    fitted = [signal for signal in STATE_SIGNALS if signal in spec.signals]
    lenient = any(door.get(signal) is None for signal in fitted)
    # A contradiction takes the more dangerous side; a cross-check that is not known contradicts nothing.
    contradicted = of("hold_open") is True or (of("travel") or 0.0) > 0.5
    closed = of("closed")
    out = True if closed is False or contradicted else None if closed is None else False
    moved = any_of(
        *(no(of(s)) for s in ("latched", "locked") if s in spec.signals),
        *(of(s) for s in ("handle_lifted", "outside_handle_lifted") if s in spec.signals),
    )
    engaged, fully = _slide(spec, of)
    released = of("slide_released") if spec.slide else False
    state = _state(spec, of, out=out, moved=moved, engaged=engaged)
    if spec.slide and (released or deployed):
        state = "slide_deployed"
    return Sensed(state, lenient, out, moved, engaged, fully, released)


def _slide(spec: DoorType, of: Callable[[str], Any]) -> tuple[bool | None, bool | None]:
    if not spec.slide:
        return False, False
    if spec.kind == "overwing":
        return True, True
    parts = [of(part) for part in ("lever_armed", "girt_left", "girt_right") if part in spec.signals]
    return any_of(*parts), all_of(*parts)


def _state(
    spec: DoorType, of: Callable[[str], Any], *, out: bool | None, moved: bool | None, engaged: bool | None
) -> str:
    if out is None:
        return "unknown"
    if out:
        if "hold_open" in spec.signals:
            held = of("hold_open")
        elif "travel" in spec.signals:
            held = None if of("travel") is None else of("travel") >= 0.98
        else:
            held = True
        return "unknown" if held is None else "open" if held else "ajar"
    if moved is None or engaged is None:
        return "unknown"
    if moved:
        return "armed_unlocked" if engaged else "unlocked"
    return "armed" if engaged else "closed_locked"


class Hazard(NamedTuple):
    """A code that may be told within ``after_s`` of its condition, which is read from what is known now."""

    code: str
    after_s: float
    kinds: tuple[str, ...]
    holds: Callable[[DoorType, AirframeType, Sensed, Known, Known], bool | None]
    stands_in_for: tuple[str, ...] = ()
    """Codes whose alert at the same door says it as well: they take over from this one, or silence it."""


def _running(airframe: AirframeType, air: Known) -> bool | None:
    return any_of(*(air.get(f"engine_{number}_running") for number in airframe.engines))


def _calm(air: Known) -> bool | None:
    return no(air["emergency"])


def _bare(door: Known) -> bool | None:
    access = door.get("access")
    return all_of(None if access is None else access == "none", no(door.get("barrier")))


def _of_state(sensed: Sensed, *states: str) -> bool | None:
    return None if sensed.state == "unknown" else sensed.state in states


CABIN: Final = ("cabin",)
SLIDES: Final = ("cabin", "overwing")
NOT_WINDOWS: Final = ("cabin", "airstair", "overwing", "cargo", "bulk", "hatch", "main_deck")
ALL: Final = (*NOT_WINDOWS, "window")

HAZARDS: Final = (
    Hazard(
        "armed-handle-moved", 0.0, CABIN,
        lambda _s, _a, n, d, air: all_of(
            _of_state(n, "armed_unlocked"), no(d.get("outside_handle_lifted")), _calm(air)
        ),
    ),
    Hazard(
        "armed-leaf-moving", 0.0, CABIN,
        lambda _s, _a, n, d, air: all_of(n.out, n.engaged, no(n.released), _calm(air), n.state != "slide_deployed"),
        ("slide-deployed",),
    ),
    Hazard("slide-deployed", 0.0, SLIDES, lambda _s, _a, n, _d, _air: n.released),
    Hazard(
        "slide-slow", 10.0, SLIDES,
        lambda s, _a, n, d, _air: all_of("slide_erect" in s.signals, n.released, no(d.get("slide_erect"))),
    ),
    Hazard("open-engine-running", 0.0, NOT_WINDOWS, lambda _s, a, n, _d, air: all_of(n.out, _running(a, air))),
    Hazard(
        "residual-pressure", 0.0, ALL,
        lambda _s, _a, n, _d, air: all_of(
            air["weight_on_wheels"], n.moved,
            None if air["differential_pressure_hpa"] is None else abs(air["differential_pressure_hpa"]) > 2.5,
        ),
        ("unlocked-pressurised",),
    ),
    Hazard(
        "unguarded-drop", 5.0, CABIN,
        lambda s, _a, n, d, _air: all_of(n.out, s.sill_m >= 1.2, _bare(d), no(n.released), n.state != "slide_deployed"),
        ("access-withdrawn",),
    ),
    Hazard(
        "moving-not-secure", 0.0, NOT_WINDOWS,
        lambda _s, _a, n, _d, air: all_of(
            None if air["ground_speed_kt"] is None else air["ground_speed_kt"] >= 2.0,
            None if n.state == "unknown" else n.state not in SECURE,
        ),
    ),
    Hazard(
        "lock-disagree", 1.0, ALL,
        lambda _s, _a, _n, d, _air: any_of(
            all_of(d.get("locked"), no(d.get("latched"))),
            all_of(no(d.get("closed")), any_of(d.get("locked"), d.get("latched"))),
        ),
    ),
    Hazard("pin-left-in", 5.0, CABIN, lambda _s, _a, _n, d, _air: all_of(d.get("lever_armed"), d.get("pin_fitted"))),
    Hazard(
        "girt-disagree", 2.0, CABIN,
        lambda _s, _a, n, _d, _air: all_of(n.engaged, no(n.fully_engaged)),
    ),
    Hazard(
        "overwing-disturbed", 0.0, ("overwing",),
        lambda _s, _a, n, d, air: all_of(any_of(no(d.get("cover_fitted")), d.get("handle_lifted"), n.out), _calm(air)),
    ),
    Hazard(
        "cargo-unlatched-flags", 5.0, HOLD_KINDS,
        lambda _s, _a, n, d, _air: all_of(
            d.get("closed"), no(n.out), d.get("latched"), no(d.get("lock_flags")),
            None if d.get("selector") is None else d["selector"] == "neutral",
        ),
    ),
    Hazard("unlocked-lingering", 60.0, ALL, lambda _s, _a, n, _d, _air: _of_state(n, "unlocked")),
)  # fmt: skip
"""The rows of the catalogue that hang on one instant's readings of one door and its airframe."""

TOLD_IN_EVACUATION: Final = ("slide-deployed", "slide-slow", "open-engine-running")


def against_opening(spec: DoorType, airframe: AirframeType, sensed: Sensed, door: Known, air: Known) -> list[str]:
    """What nobody may overlook who asks whether anything speaks against opening this door: true, or not known."""
    dp, speed = air["differential_pressure_hpa"], air["ground_speed_kt"]
    asked: dict[str, bool | None] = {
        "state not known": sensed.state == "unknown",
        "pressure": None if dp is None else abs(dp) > 2.5,
        "off the ground": no(air["weight_on_wheels"]),
        "moving": None if speed is None else speed >= 2.0,
    }
    if spec.kind != "window":
        asked["engine"] = _running(airframe, air)
    if spec.kind == "cabin" and spec.slide:
        asked["slide"] = any_of(sensed.engaged, sensed.released, sensed.state == "slide_deployed")
    if spec.kind == "cabin" and spec.sill_m >= 1.2:
        asked["drop"] = _bare(door)
    if spec.kind in HOLD_KINDS:
        asked["selector"] = None if door.get("selector") is None else door["selector"] != "neutral"
    if spec.kind in ("overwing", "window"):
        asked["emergency exit"] = no(air["emergency"])
    return [name for name, answer in asked.items() if answer is not False]


def against_leaving(spec: DoorType, sensed: Sensed, door: Known, air: Known) -> list[str]:
    """The same for leaving, as far as one door and the airframe go."""
    access = door.get("access", "none") if "access" in spec.signals else "none"
    asked: dict[str, bool | None] = {
        "not secure": None if sensed.state == "unknown" else sensed.state not in SECURE,
        "docked": None if access is None else access != "none",
        "emergency": air["emergency"],
        "off the ground": no(air["weight_on_wheels"]),
    }
    return [name for name, answer in asked.items() if answer is not False]
