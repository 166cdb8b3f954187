"""Hazards of a slide, a bottle or a hatch that is not as it should be left."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.rules.rule import CABIN, EMERGENCY, HANDLES, SLIDE, SLIDES, Level, Parameters, Rule, Scope, door_name
from monitor.core.view import View

KELVIN = 273.15
RATED_C = 20.0
"""The temperature at which a type's limits for its bottles hold."""


def _no_pin(view: View, p: Parameters, held: bool) -> Truth:
    if not view.has_slide or view.deployed:
        return False
    return all3((view.leaf_out, not3(view.engaged), not3(view.true("pin_fitted"))))


PIN_MISSING = Rule(
    code="pin-missing",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(Level(Priority.ADVISORY, _no_pin, delay="on_delay_s"),),
    reads=frozenset({"leaf", "pin_fitted", "state", "slide_released", *SLIDE}),
    needs=("closed", "slide", "pin_fitted"),
    parameters={"on_delay_s": 15.0},
    summary="The door is out of its frame with the slide disengaged and no pin fitted.",
    text=lambda view, priority: f"{door_name(view)}: open with the slide disengaged and no pin in.",
    action="Tell the crew that the pin of this door reads missing. Look where it is.",
    consequence="Nothing but the lever itself keeps the slide from being engaged by mistake.",
    respond_within_s=300,
    role="door team",
    basis="common practice: the pin goes in as soon as the slide is disengaged",
    evidence=("pin_fitted", "closed", *SLIDE),
)


def _pin_left(view: View, p: Parameters, held: bool) -> Truth:
    return all3((view.true("lever_armed"), view.true("pin_fitted"))) if view.has_slide else False


PIN_LEFT_IN = Rule(
    code="pin-left-in",
    scope=Scope.DOOR,
    kinds=CABIN,
    slide_only=True,
    levels=(Level(Priority.CAUTION, _pin_left, delay="on_delay_s"),),
    reads=frozenset({"lever_armed", "pin_fitted"}),
    needs=("lever_armed", "pin_fitted"),
    parameters={"on_delay_s": 5.0},
    summary="The arming lever is at armed with the pin still fitted.",
    text=lambda view, priority: f"{door_name(view)}: lever at armed with the pin still in.",
    action="Tell the crew that the pin of this door is still in.",
    consequence="The slide can fail to deploy at an exit that shows as ready.",
    respond_within_s=60,
    role="door team",
    basis="14 CFR 121.570(a): each slide ready; that a fitted pin may block it is common practice",
    evidence=("lever_armed", "pin_fitted", "girt_left", "girt_right"),
)


def _cover_off(view: View) -> Truth:
    cover = view.true("cover_fitted")
    return not3(cover) if cover is not None or view.fits("cover_fitted") else False


def _disturbed(view: View, p: Parameters, held: bool) -> Truth:
    return any3((_cover_off(view), view.handle_moved, view.leaf_out))


def _disturbed_text(view: View, priority: Priority) -> str:
    if view.leaf_out:
        what = "hatch out of its frame"
    elif view.handle_moved:
        what = "hatch handle pulled"
    else:
        what = "hatch cover off"
    return f"{door_name(view)}: {what} with no emergency declared."


OVERWING_DISTURBED = Rule(
    code="overwing-disturbed",
    scope=Scope.DOOR,
    kinds=frozenset({DoorKind.OVERWING}),
    levels=(Level(Priority.WARNING, _disturbed),),
    reads=frozenset({"leaf", "cover_fitted", *HANDLES, EMERGENCY}),
    needs=("closed", "cover_fitted", "handle_lifted"),
    unless=lambda view: view.emergency,
    names_signals=True,
    summary="An overwing hatch has its cover off, its handle pulled or is out, with no emergency declared.",
    text=_disturbed_text,
    action="Stop whoever is at the hatch. Keep everybody off the wing and from under it. Tell the crew.",
    consequence="The hatch falls on whoever lifts it, and where it has a slide that goes off over the wing.",
    respond_within_s=10,
    role="coordinator",
    basis="common practice: an overwing hatch is not touched but in an emergency or by maintenance",
    evidence=("cover_fitted", *HANDLES, "closed", EMERGENCY),
)


def list_bottles(view: View) -> Iterator[tuple[str, float]]:
    """List each bottle at the door that its type sets a limit for: (name, limit in bar at 20 °C)."""
    spec = view.spec
    if spec is not None and spec.slide_bottle_bar_min is not None and view.has_slide:
        yield "slide", spec.slide_bottle_bar_min
    if spec is not None and spec.assist_bottle_bar_min is not None:
        yield "assist", spec.assist_bottle_bar_min


ROUNDING_BAR: Final = 1e-9
"""A bottle exactly at its limit is at it, whatever the last bit of the correction says."""


def _bottle_below(view: View, bottle: str, limit_bar: float) -> Truth:
    """Tell whether a bottle is below ``limit_bar`` at 20 °C; at constant volume p is proportional to T."""
    signal, heat = f"{bottle}_bottle_bar", f"{bottle}_bottle_temp_c"
    bar, celsius = view.number(signal), view.number(heat)
    if bar is None:
        # Neither fitted nor ever sent: there is nothing to go by, and nothing that was lost.
        return None if view.fits(signal) or view.reading(signal) is not None else False
    if celsius is not None:
        bar *= (RATED_C + KELVIN) / (celsius + KELVIN)
    elif view.fits(heat) or view.reading(heat) is not None:
        return None
    return bar < limit_bar - ROUNDING_BAR


def _any_bottle_low(view: View, p: Parameters, held: bool) -> Truth:
    return any3(_bottle_below(view, bottle, limit) for bottle, limit in list_bottles(view))


def _bottle_text(view: View, priority: Priority) -> str:
    low = [
        f"{name} bottle below {limit:g} bar" for name, limit in list_bottles(view) if _bottle_below(view, name, limit)
    ]
    return f"{door_name(view)}: {' and '.join(low) or 'a bottle is low'} at 20 °C."


BOTTLE_LOW = Rule(
    code="bottle-low",
    scope=Scope.DOOR,
    kinds=SLIDES,
    levels=(Level(Priority.CAUTION, _any_bottle_low, delay="on_delay_s"),),
    reads=frozenset({"slide_bottle_bar", "assist_bottle_bar", "slide_bottle_temp_c", "assist_bottle_temp_c"}),
    needs=("bottles",),
    parameters={"on_delay_s": 60.0},
    names_signals=True,
    suppressed_by=("slide-deployed",),
    summary="The slide's or the assist bottle is below its limit, corrected to 20 °C where its temperature is known.",
    text=_bottle_text,
    action="Tell maintenance which bottle reads low. Look at its gauge.",
    consequence="The slide may not fill, or the door may not be driven out in an emergency.",
    respond_within_s=600,
    role="maintenance",
    basis="the type's own limit; correction by absolute temperature at constant volume: common practice",
    evidence=("slide_bottle_bar", "slide_bottle_temp_c", "assist_bottle_bar", "assist_bottle_temp_c"),
)

RULES: tuple[Rule, ...] = (PIN_MISSING, PIN_LEFT_IN, OVERWING_DISTURBED, BOTTLE_LOW)
