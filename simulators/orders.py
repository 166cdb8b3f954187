"""What a person, a crew or a fault can do to a simulated aircraft, in plain words.

Owns the vocabulary that plans, incidents and scenario files share. An order says what is
done, never what a sensor should then show: that is for the models, except for the orders
that falsify a reading, or break its sensor, on purpose.

A sensor is broken by a phrase that names its reading: ``stick door/L1/closed``,
``bounce door/L1/closed 0.8`` (s), ``bias airframe/differential_pressure_hpa -2.5`` (its own
unit), ``drift door/CF/actuator_bar 6`` (a minute), ``delay door/L1/closed 3`` (s),
``drop out door/L1/locked 40`` (per cent of the time). ``release`` mends it.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from monitor.config.problems import nearest
from monitor.core.signals import DOOR_SIGNALS, Kind, Signal, Value


class Verb(enum.StrEnum):
    """The phrases of a scenario file's ``do:``; each value is the phrase itself."""

    OPEN = "open"
    OPEN_OUTSIDE = "open from outside"
    CLOSE = "close"
    LIFT_HANDLE = "lift handle"
    LOWER_HANDLE = "lower handle"
    LIFT_OUTSIDE_HANDLE = "lift outside handle"
    LOWER_OUTSIDE_HANDLE = "lower outside handle"
    ARM_SLIDE = "arm slide"
    DISARM_SLIDE = "disarm slide"
    FIT_PIN = "fit pin"
    REMOVE_PIN = "remove pin"
    REPLACE_SLIDE = "replace slide"
    JAM_LEFT_GIRT = "jam left girt end"
    JAM_RIGHT_GIRT = "jam right girt end"
    FREE_GIRTS = "free girt ends"
    BLOCK_SLIDE = "block slide release"
    SLOW_SLIDE = "slow slide inflation"
    PULL_INFLATION_HANDLE = "pull inflation handle"
    DETACH_SLIDE = "detach slide"
    LEAK_SLIDE_BOTTLE = "let slide bottle leak"
    LEAK_ASSIST_BOTTLE = "let assist bottle leak"
    CHARGE_SLIDE_BOTTLE = "charge slide bottle"
    CHARGE_ASSIST_BOTTLE = "charge assist bottle"
    DOCK = "dock"
    WITHDRAW_ACCESS = "withdraw access"
    FIT_BARRIER = "fit barrier"
    REMOVE_BARRIER = "remove barrier"
    REMOVE_COVER = "remove cover"
    FIT_COVER = "fit cover"
    SET_SELECTOR = "set selector"
    WORK_HAND_PUMP = "work hand pump"
    REST_HAND_PUMP = "rest hand pump"
    STROKE_HAND_PUMP = "stroke hand pump"
    FAIL_ELECTRIC_PUMP = "fail electric pump"
    MEND_ELECTRIC_PUMP = "mend electric pump"
    LOSE_ACTUATOR_PRESSURE = "lose actuator pressure"
    LET_ACTUATOR_LEAK = "let actuator leak"
    MEND_ACTUATOR = "mend actuator"
    WEAR_DAMPER = "wear damper"
    RENEW_DAMPER = "renew damper"
    STIFFEN_LEAF = "stiffen leaf"
    LET_LEAF_SINK = "let leaf sink"
    START_ENGINE = "start engine"
    STOP_ENGINE = "stop engine"
    STOP_ENGINES = "stop engines"
    BEACON_ON = "beacon on"
    BEACON_OFF = "beacon off"
    SET_BRAKE = "set parking brake"
    RELEASE_BRAKE = "release parking brake"
    CHOCKS_IN = "chocks in"
    CHOCKS_OUT = "chocks out"
    BOARD = "board"
    DEBOARD = "deboard"
    START_REFUELLING = "start refuelling"
    STOP_REFUELLING = "stop refuelling"
    DECLARE_EMERGENCY = "declare emergency"
    END_EMERGENCY = "end emergency"
    SUPPLY_AIR = "supply air"
    CUT_AIR = "cut air"
    OPEN_OUTFLOW_VALVE = "open outflow valve"
    SHUT_OUTFLOW_VALVE = "shut outflow valve"
    POWER_ON = "power on"
    POWER_OFF = "power off"
    TAXI = "taxi"
    STOP_TAXIING = "stop taxiing"
    REACH_STAND = "reach stand"
    LEAVE_STAND = "leave stand"
    TAKE_OFF = "take off"
    APPROACH = "approach"
    LAND = "land"
    FALL_SILENT = "fall silent"
    SPEAK_AGAIN = "speak again"
    SHIFT_CLOCK = "shift clock"
    SQUALL = "squall"
    CALM = "calm"
    SET_READING = "set"
    RELEASE_READING = "release"
    SET_QUALITY = "quality"
    WITHHOLD_READING = "withhold"
    BOUNCE = "bounce"
    BIAS = "bias"
    DELAY = "delay"
    DROP_OUT = "drop out"
    STICK = "stick"
    DRIFT = "drift"


class Scope(enum.Enum):
    """What an order is given to."""

    DOOR = "a door"
    AIRCRAFT = "an aircraft"
    FEED = "an aircraft's sensors"
    STAND = "the weather at an aircraft's stand"
    READING = "one reading"


class Argument(enum.Enum):
    """What follows the phrase."""

    NONE = "nothing"
    NUMBER = "a number"
    MAYBE_NUMBER = "nothing or a number"
    SIGNED_NUMBER = "a number, which may be negative"
    WORD = "a word"


ACCESS: Final = tuple(word for word in DOOR_SIGNALS["access"].choices if word != "none")

WORDS: Final[Mapping[Verb, tuple[str, ...]]] = MappingProxyType(
    {Verb.DOCK: ACCESS, Verb.SET_SELECTOR: DOOR_SIGNALS["selector"].choices}
)
"""The words that may follow a verb that takes one."""

_NUMBERS: Final = (
    *(Verb.START_ENGINE, Verb.STOP_ENGINE, Verb.BOARD, Verb.TAXI, Verb.SQUALL),
    *(Verb.CHARGE_SLIDE_BOTTLE, Verb.CHARGE_ASSIST_BOTTLE, Verb.STROKE_HAND_PUMP, Verb.DELAY),
)
_MAYBE_NUMBERS: Final = (
    *(Verb.LIFT_HANDLE, Verb.SUPPLY_AIR, Verb.OPEN_OUTFLOW_VALVE),
    *(Verb.LET_ACTUATOR_LEAK, Verb.WEAR_DAMPER, Verb.BOUNCE, Verb.DROP_OUT),
)
_SIGNED_NUMBERS: Final = (Verb.BIAS, Verb.DRIFT, Verb.SHIFT_CLOCK)
_WHOLE_NUMBERS: Final = (Verb.START_ENGINE, Verb.STOP_ENGINE, Verb.BOARD, Verb.STROKE_HAND_PUMP)
_MOST: Final[Mapping[Verb, int]] = MappingProxyType(
    {
        Verb.LIFT_HANDLE: 1,
        **dict.fromkeys((Verb.WEAR_DAMPER, Verb.DROP_OUT, Verb.CHARGE_SLIDE_BOTTLE, Verb.CHARGE_ASSIST_BOTTLE), 100),
    }
)
"""The largest number after a share: of the handle's whole way, or per cent; what is more would only be cut off."""
_FEED: Final = (Verb.FALL_SILENT, Verb.SPEAK_AGAIN, Verb.SHIFT_CLOCK)
_STAND: Final = (Verb.SQUALL, Verb.CALM)
_LAST_DOOR_VERB: Final = Verb.LET_LEAF_SINK

SENSOR_FAULTS: Final = (Verb.BOUNCE, Verb.BIAS, Verb.DELAY, Verb.DROP_OUT, Verb.STICK, Verb.DRIFT)
"""The verbs that break one reading's sensor: their phrase names the reading, ``stick door/L1/closed``."""

_READING: Final = (
    *(Verb.SET_READING, Verb.RELEASE_READING, Verb.SET_QUALITY, Verb.WITHHOLD_READING),
    *SENSOR_FAULTS,
)


def _scope_of(verb: Verb) -> Scope:
    if verb in _FEED:
        return Scope.FEED
    if verb in _STAND:
        return Scope.STAND
    if verb in _READING:
        return Scope.READING
    verbs = list(Verb)
    return Scope.DOOR if verbs.index(verb) <= verbs.index(_LAST_DOOR_VERB) else Scope.AIRCRAFT


def _argument_of(verb: Verb) -> Argument:
    if verb in WORDS:
        return Argument.WORD
    if verb in _NUMBERS:
        return Argument.NUMBER
    if verb in _SIGNED_NUMBERS:
        return Argument.SIGNED_NUMBER
    return Argument.MAYBE_NUMBER if verb in _MAYBE_NUMBERS else Argument.NONE


SCOPES: Final[Mapping[Verb, Scope]] = MappingProxyType({verb: _scope_of(verb) for verb in Verb})
ARGUMENTS: Final[Mapping[Verb, Argument]] = MappingProxyType({verb: _argument_of(verb) for verb in Verb})
PHRASES: Final = tuple(verb for verb in Verb if SCOPES[verb] is not Scope.READING)
"""The verbs whose phrase names no reading."""


NEEDS_SLIDE: Final = frozenset(
    {
        Verb.ARM_SLIDE,
        Verb.DISARM_SLIDE,
        Verb.FIT_PIN,
        Verb.REMOVE_PIN,
        Verb.REPLACE_SLIDE,
        Verb.JAM_LEFT_GIRT,
        Verb.JAM_RIGHT_GIRT,
        Verb.FREE_GIRTS,
        Verb.BLOCK_SLIDE,
        Verb.SLOW_SLIDE,
        Verb.PULL_INFLATION_HANDLE,
        Verb.DETACH_SLIDE,
        Verb.LEAK_SLIDE_BOTTLE,
        Verb.LEAK_ASSIST_BOTTLE,
        Verb.CHARGE_SLIDE_BOTTLE,
        Verb.CHARGE_ASSIST_BOTTLE,
    }
)
"""The verbs that make no sense at a door without a slide."""

NEEDS_ACTUATOR: Final = frozenset(
    {
        Verb.WORK_HAND_PUMP,
        Verb.REST_HAND_PUMP,
        Verb.STROKE_HAND_PUMP,
        Verb.FAIL_ELECTRIC_PUMP,
        Verb.MEND_ELECTRIC_PUMP,
        Verb.LOSE_ACTUATOR_PRESSURE,
        Verb.LET_ACTUATOR_LEAK,
        Verb.MEND_ACTUATOR,
        Verb.SET_SELECTOR,
    }
)
"""The verbs that make no sense at a door without a hydraulic actuator (kinds ``cargo`` and ``main_deck``)."""

NEEDS_COVER: Final = frozenset({Verb.REMOVE_COVER, Verb.FIT_COVER})
"""The verbs that make no sense but at an overwing hatch."""

NEEDS_OUTSIDE_HANDLE: Final = frozenset({Verb.OPEN_OUTSIDE, Verb.LIFT_OUTSIDE_HANDLE, Verb.LOWER_OUTSIDE_HANDLE})
"""The verbs that make no sense at a door with one handle: inside (``window``), or outside (those with an actuator)."""


@dataclass(frozen=True, slots=True)
class Order:
    """One thing that is done. ``signal`` (as in a bundle) belongs to the orders that falsify a reading or its sensor."""

    verb: Verb
    door: str | None = None
    value: Value | None = None
    signal: str | None = None


class OrderError(ValueError):
    """The phrase is no order; the message says what would be right."""


def parse_phrase(text: str, door: str | None = None) -> Order:
    """Read a phrase such as ``dock bridge``, ``start engine 2`` or ``stick door/L1/closed``.

    Raises :class:`OrderError` where no verb begins it, or what follows does not fit. Whether
    an aircraft has such a reading is the caller's to check.
    """
    words = " ".join(text.split())
    known = (*PHRASES, *SENSOR_FAULTS)
    starts = [verb for verb in known if words == verb.value or words.startswith(verb.value + " ")]
    if not starts:
        near = nearest(words, known)
        right = f"one of: {', '.join(known)}" if near is None else f"did you mean {str(near)!r}?"
        raise OrderError(f"{words!r} is not something that can be done; {right}")
    verb = max(starts, key=lambda candidate: len(candidate.value))
    rest = words[len(verb.value) :].strip()
    if SCOPES[verb] is Scope.READING:
        key, _, rest = rest.partition(" ")
        if "/" not in key:
            raise OrderError(f"{verb.value!r} is done to a reading; name it, as in {verb.value} door/L1/closed")
        return Order(verb, None, _argument(verb, rest), key)
    if SCOPES[verb] is Scope.DOOR and door is None:
        raise OrderError(f"{verb.value!r} is done to a door; add door: and its name")
    return Order(verb, door if SCOPES[verb] is Scope.DOOR else None, _argument(verb, rest))


def misfit(order: Order, signal: Signal) -> str | None:
    """Say why a sensor fault cannot befall ``signal``'s sensor; ``None`` where it can."""
    numeric = signal.kind in (Kind.FLOAT, Kind.INT)
    if order.verb in (Verb.BIAS, Verb.DRIFT) and not numeric:
        return f"{order.verb.value!r} is for a reading that is a number; {signal.name} is {signal.kind.value}"
    if order.verb is Verb.BOUNCE and signal.kind is not Kind.BOOL:
        return f"{order.verb.value!r} is for a reading that is true or false; {signal.name} is {signal.kind.value}"
    return None


def _argument(verb: Verb, rest: str) -> Value | None:
    kind = ARGUMENTS[verb]
    if kind is Argument.NONE:
        if rest:
            raise OrderError(f"nothing follows {verb.value!r}, not {rest!r}")
        return None
    if kind is Argument.WORD:
        if rest not in WORDS[verb]:
            raise OrderError(f"{verb.value!r} is followed by one of {', '.join(WORDS[verb])}, not {rest or 'nothing'}")
        return rest
    if not rest and kind is Argument.MAYBE_NUMBER:
        return None
    try:
        number = float(rest)
    except ValueError:
        raise OrderError(f"{verb.value!r} is followed by a number, not {rest or 'nothing'}") from None
    least, most = -2000 if kind is Argument.SIGNED_NUMBER else 0, _MOST.get(verb, 2000)
    if not least <= number <= most:
        raise OrderError(f"the number after {verb.value!r} is from {least} to {most}, not {rest}")
    if verb in _WHOLE_NUMBERS and not number.is_integer():
        raise OrderError(f"{verb.value!r} is followed by a whole number, not {rest}")
    return number
