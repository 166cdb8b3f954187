"""An escape slide with its arming lever, girt bar, safety pin and bottles.

Owns arming, release as an armed leaf leaves its frame, and inflation: the bottle blows down
into the slide, which stands once it holds enough gas. A cold bottle blows more slowly, one
with too little gas takes longer, and one with far too little never makes it stand. It never
moves a door: it is told whether the leaf is out of its frame.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from typing import Final

from monitor.core.airframe import DoorKind, DoorType
from monitor.core.signals import Value
from simulators.models import bottle

LEVER_ARMED: Final = 0.25
"""Lever position (0 disarmed, 1 armed) from which its own switch is made."""
GIRT_LEFT_IN: Final = 0.5
GIRT_RIGHT_IN: Final = 0.75

_LEVER_S: Final = 1.0
_RELEASE_DELAY_US: Final = 350_000
_RICHNESS: Final = 1.5
"""A full bottle at 20 °C holds this many times the gas that makes its slide stand: common practice."""
_ASSIST_TAU_S: Final = 0.9
_BLOCKED: Final = 3.0
"""How many times as long a bottle takes through a partly blocked orifice."""
_SPENT: Final = 0.02
"""Share of a full bottle's pressure at which it is called empty: a few bar, the flow about to be choked no more."""
_LEAKED_SHARE: Final = 0.8
_ZERO_C_K: Final = 273.15
_REFERENCE_K: Final = 293.15
"""Bottle limits are given at 20 °C."""


@dataclass(frozen=True, slots=True)
class SlideBuild:
    """How one slide is built: seconds to stand from a full bottle at 20 °C, bar at 20 °C, degrees Celsius."""

    always_armed: bool
    inflation_s: float
    bottle_bar: float
    assist_bar: float
    temperature_c: float

    @property
    def tau_s(self) -> float:
        """The bottle's time constant as it is, warm or cold: in proportion to one over the speed of sound."""
        at_reference = self.inflation_s / bottle.seconds_until(1.0 - 1.0 / _RICHNESS, 1.0)
        return at_reference * float((_REFERENCE_K / (self.temperature_c + _ZERO_C_K)) ** 0.5)


@dataclass(frozen=True, slots=True)
class SlideState:
    """Where every part of a slide is; times in µs. ``stuck``, ``slow`` and the jams are faults.

    The charges are what the bottles were filled with, as shares of full; the shares what
    pressure they have now, as shares of a full bottle's.
    """

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
    bottle_charge: float = 1.0
    assist_charge: float = 1.0
    bottle_share: float = 1.0
    assist_share: float = 1.0
    spent: bool = False

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


def charged(state: SlideState, *, bottle_share: float | None = None, assist_share: float | None = None) -> SlideState:
    """Return the slide with that much gas in its bottles, as shares of full; a released one stays as it is."""
    if state.released_at is not None:
        return state
    of_bottle = state.bottle_charge if bottle_share is None else bottle_share
    of_assist = state.assist_charge if assist_share is None else assist_share
    return replace(
        state, bottle_charge=of_bottle, bottle_share=of_bottle, assist_charge=of_assist, assist_share=of_assist
    )


def leaking(state: SlideState, *, slide: bool = False, assist: bool = False) -> SlideState:
    """Return the slide with a bottle that has lost a fifth of what it held."""
    return charged(
        state,
        bottle_share=min(state.bottle_charge, _LEAKED_SHARE) if slide else None,
        assist_share=min(state.assist_charge, _LEAKED_SHARE) if assist else None,
    )


def replaced(build: SlideBuild, state: SlideState) -> SlideState:
    """Return the slide after maintenance packed a new one: disarmed, pin fitted, bottles full."""
    fresh = first_state(build)
    return replace(fresh, jam_left=state.jam_left, jam_right=state.jam_right)


def settled(state: SlideState) -> bool:
    """Return true when another time step would change nothing."""
    if state.left_frame_at is not None and state.released_at is None:
        return state.stuck and not state.inflation_handle
    if state.released_at is not None and not state.spent:
        return False
    return state.lever == state.lever_to and state.pin == state.pin_to


def step(build: SlideBuild, state: SlideState, now: int, dt_s: float, *, leaf_out: bool) -> SlideState:
    """Let ``dt_s`` seconds pass up to ``now`` (µs); ``leaf_out`` says that the leaf is out of its frame."""
    state = _moved_lever(state, dt_s)
    if state.released_at is None:
        return _maybe_released(state, now, leaf_out)
    gone_s = (now - state.released_at) / 1e6
    tau_s = _tau_s(build, state)
    left = bottle.pressure_left(gone_s, tau_s)
    stands_after_s = stands_after(build, state)
    return replace(
        state,
        bottle_share=state.bottle_charge * left,
        assist_share=state.assist_charge * bottle.pressure_left(gone_s, _ASSIST_TAU_S),
        erect=state.erect or (stands_after_s is not None and gone_s >= stands_after_s),
        spent=left <= _SPENT,
    )


def stands_after(build: SlideBuild, state: SlideState) -> float | None:
    """Return how long after its release the slide stands (s); ``None``: it never does.

    The gas of the bottle, with the air that it draws in, fills the more the warmer it is.
    """
    kelvin = build.temperature_c + _ZERO_C_K
    left = 1.0 - _REFERENCE_K / (_RICHNESS * state.bottle_charge * kelvin) if state.bottle_charge > 0 else 0.0
    if left <= 0.0:
        return None
    seconds = bottle.seconds_until(left, _tau_s(build, state))
    return seconds if bottle.pressure_left(seconds, _tau_s(build, state)) >= _SPENT else None


def _tau_s(build: SlideBuild, state: SlideState) -> float:
    return build.tau_s * (_BLOCKED if state.slow else 1.0)


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
    return round(bar_at_20_c * share * (temperature_c + _ZERO_C_K) / _REFERENCE_K, 1)


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
