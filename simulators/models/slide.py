"""An escape slide with its arming lever, girt bar, safety pin and bottles.

Owns arming, release as an armed leaf leaves its frame, inflation and the fall of bottle
pressure. It never moves a door: it is told whether the leaf is out of its frame.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from typing import Final

from monitor.core.airframe import DoorKind, DoorType
from monitor.core.signals import Value

LEVER_ARMED: Final = 0.25
"""Lever position (0 disarmed, 1 armed) from which its own switch is made."""
GIRT_LEFT_IN: Final = 0.5
GIRT_RIGHT_IN: Final = 0.75

_LEVER_S: Final = 1.0
_RELEASE_DELAY_US: Final = 350_000
_BOTTLE_EMPTIES_S: Final = 1.1
_EMPTY_SHARE: Final = 0.03
_LEAKED_SHARE: Final = 0.8
_REFERENCE_K: Final = 293.15
"""Bottle limits are given at 20 °C."""


@dataclass(frozen=True, slots=True)
class SlideBuild:
    """How one slide is built: seconds to stand, bar at 20 °C, degrees Celsius."""

    always_armed: bool
    inflation_s: float
    bottle_bar: float
    assist_bar: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class SlideState:
    """Where every part of a slide is; times in µs. ``stuck``, ``slow`` and the jams are faults."""

    lever: float = 0.0
    lever_to: float = 0.0
    pin: bool = True
    pin_to: bool = True
    jam_left: bool = False
    jam_right: bool = False
    stuck: bool = False
    slow: bool = False
    left_frame_at: int | None = None
    released_at: int | None = None
    erect: bool = False
    inflation_handle: bool = False
    detached: bool = False
    bottle_share: float = 1.0
    assist_share: float = 1.0

    @property
    def engaged(self) -> bool:
        """Lever or either girt end engaged: what lifts with the leaf."""
        return self.lever >= LEVER_ARMED

    @property
    def fully_engaged(self) -> bool:
        return self.lever >= GIRT_RIGHT_IN


def build_for(door: DoorType, rng: random.Random, *, temperature_c: float = 15.0) -> SlideBuild:
    """Build the slide of ``door``: inflation takes about 3.5 s (common practice)."""
    return SlideBuild(
        always_armed=door.kind is DoorKind.OVERWING,
        inflation_s=rng.uniform(3.2, 3.8),
        bottle_bar=round((door.slide_bottle_bar_min or 170.0) * rng.uniform(1.06, 1.16), 1),
        assist_bar=round((door.assist_bottle_bar_min or 90.0) * rng.uniform(1.06, 1.16), 1),
        temperature_c=round(temperature_c + rng.uniform(-1.0, 1.0), 1),
    )


def first_state(build: SlideBuild, *, armed: bool = False) -> SlideState:
    """Return a slide at rest; one that is always armed has no lever and no pin to fit."""
    if build.always_armed or armed:
        return SlideState(lever=1.0, lever_to=1.0, pin=False, pin_to=False)
    return SlideState()


def arm(state: SlideState) -> SlideState:
    """Have somebody take the pin out and then move the lever to armed."""
    return replace(state, pin_to=False, lever_to=1.0)


def disarm(state: SlideState) -> SlideState:
    """Have somebody move the lever to disarmed and then fit the pin."""
    return replace(state, lever_to=0.0, pin_to=True)


def leaking(state: SlideState, *, slide: bool = False, assist: bool = False) -> SlideState:
    """Return the slide with a bottle that has lost a fifth of what it held."""
    return replace(
        state,
        bottle_share=min(state.bottle_share, _LEAKED_SHARE) if slide else state.bottle_share,
        assist_share=min(state.assist_share, _LEAKED_SHARE) if assist else state.assist_share,
    )


def replaced(build: SlideBuild, state: SlideState) -> SlideState:
    """Return the slide after maintenance packed a new one: disarmed, pin fitted, bottles full."""
    fresh = first_state(build)
    return replace(fresh, jam_left=state.jam_left, jam_right=state.jam_right)


def settled(state: SlideState) -> bool:
    """Return true when another time step would change nothing."""
    if state.left_frame_at is not None and state.released_at is None:
        return state.stuck and not state.inflation_handle
    if state.released_at is not None and not state.erect:
        return False
    return state.lever == state.lever_to and state.pin == state.pin_to


def step(build: SlideBuild, state: SlideState, now: int, dt_s: float, *, leaf_out: bool) -> SlideState:
    """Let ``dt_s`` seconds pass up to ``now`` (µs); ``leaf_out`` says that the leaf is out of its frame."""
    state = _moved_lever(state, dt_s)
    if state.released_at is None:
        return _maybe_released(state, now, leaf_out)
    gone_s = (now - state.released_at) / 1e6
    left = _EMPTY_SHARE + (1 - _EMPTY_SHARE) * math.exp(-gone_s / _BOTTLE_EMPTIES_S)
    stands_after_s = build.inflation_s * (3.0 if state.slow else 1.0)
    return replace(
        state,
        bottle_share=min(state.bottle_share, left),
        assist_share=min(state.assist_share, left),
        erect=state.erect or gone_s >= stands_after_s,
    )


def _moved_lever(state: SlideState, dt_s: float) -> SlideState:
    if state.lever != state.lever_to:
        if state.pin and state.lever_to > state.lever:
            # The pin blocks the lever, so it comes out first; fitted, it would have to be broken.
            return replace(state, pin=state.pin_to)
        reach = dt_s / _LEVER_S
        lever = min(1.0, state.lever + reach) if state.lever_to > state.lever else max(0.0, state.lever - reach)
        return replace(state, lever=lever)
    if state.pin != state.pin_to:
        return replace(state, pin=state.pin_to)
    return state


def _maybe_released(state: SlideState, now: int, leaf_out: bool) -> SlideState:
    if not leaf_out or not state.fully_engaged:
        return state if state.left_frame_at is None else replace(state, left_frame_at=None)
    if state.left_frame_at is None:
        return replace(state, left_frame_at=now)
    if state.stuck and not state.inflation_handle:
        return state
    if now - state.left_frame_at < _RELEASE_DELAY_US:
        return state
    return replace(state, released_at=now)


def bottle_bar(bar_at_20_c: float, share: float, temperature_c: float) -> float:
    """Return what a gauge shows (bar): an ideal gas at constant volume, so in proportion to kelvin."""
    return round(bar_at_20_c * share * (temperature_c + 273.15) / _REFERENCE_K, 1)


def slide_readings(build: SlideBuild, state: SlideState, *, temperature_sent: bool) -> dict[str, Value]:
    """Return what the slide's sensors show.

    Where no temperature is sent (``temperature_sent`` false), the gauge is one that
    corrects itself to 20 °C.
    """
    gauge_c = build.temperature_c if temperature_sent else 20.0
    return {
        "lever_armed": state.lever >= LEVER_ARMED,
        "girt_left": state.lever >= GIRT_LEFT_IN and not state.jam_left,
        "girt_right": state.lever >= GIRT_RIGHT_IN and not state.jam_right,
        "pin_fitted": state.pin,
        "slide_released": state.released_at is not None,
        "slide_erect": state.erect,
        "manual_inflation": state.inflation_handle,
        "slide_detached": state.detached,
        "ground_clear": True,
        "slide_bottle_bar": bottle_bar(build.bottle_bar, state.bottle_share, gauge_c),
        "assist_bottle_bar": bottle_bar(build.assist_bar, state.assist_share, gauge_c),
        "slide_bottle_temp_c": build.temperature_c,
        "assist_bottle_temp_c": build.temperature_c,
    }
