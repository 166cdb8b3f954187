"""Every signal that may arrive, with its type and range.

Owns the vocabulary of the wire: which names exist for a door, an airframe and a
stand, what a value of each may be, and which must be refreshed on their own. It
never looks at a reading's age or order; that is the aircraft's business.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

Value = bool | int | float | str
"""A reading's value, as JSON carries it."""


class Quality(enum.StrEnum):
    """How far the sender itself trusts a reading; only ``good`` ones are known."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


class Kind(enum.Enum):
    """The JSON type that a signal's value must have."""

    BOOL = "true or false"
    INT = "a whole number"
    FLOAT = "a number"
    TEXT = "a string"


class RejectedValueError(ValueError):
    """The value does not fit its signal; ``reason`` is the word that is counted."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal's name, type and range.

    ``low`` and ``high`` are inclusive bounds in the unit that the name ends with;
    ``choices`` are the only strings allowed. ``required`` says that, once seen, the
    signal is asked for again (airframe signals; a door's list is its type's).
    ``self_refreshed`` marks those for which no heartbeat vouches.
    """

    name: str
    kind: Kind
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    required: bool = True
    self_refreshed: bool = False

    def check(self, raw: object) -> Value:
        """Return ``raw`` as this signal's value, or raise :class:`RejectedValueError`.

        Reasons: ``wrong-type``, ``not-finite``, ``out-of-range``. A whole number is
        taken for a float signal; nothing else is converted.
        """
        kind = self.kind
        if kind is Kind.BOOL:
            if raw is True or raw is False:
                return raw
            raise self._wrong_type(raw)
        if kind is Kind.TEXT:
            if not isinstance(raw, str):
                raise self._wrong_type(raw)
            if self.choices and raw not in self.choices:
                raise RejectedValueError("out-of-range", f"{self.name} is one of {', '.join(self.choices)}")
            return raw
        if isinstance(raw, bool) or not isinstance(raw, (int, float)):
            raise self._wrong_type(raw)
        if kind is Kind.INT:
            if not isinstance(raw, int):
                raise self._wrong_type(raw)
        elif isinstance(raw, float) and not math.isfinite(raw):
            raise RejectedValueError("not-finite", f"{self.name} is a finite number")
        if not self.low <= raw <= self.high:
            raise RejectedValueError("out-of-range", f"{self.name} is from {_plain(self.low)} to {_plain(self.high)}")
        return float(raw) if kind is Kind.FLOAT else raw

    def _wrong_type(self, raw: object) -> RejectedValueError:
        return RejectedValueError("wrong-type", f"{self.name} is {self.kind.value}, not {_json_type(raw)}")


def _plain(bound: float) -> str:
    return str(int(bound)) if bound == int(bound) else f"{bound:g}"


def _json_type(raw: object) -> str:
    if raw is None:
        return "null"
    for kind, word in (
        (bool, "a boolean"),
        (str, "a string"),
        (int, "a whole number"),
        (float, "a number"),
        (list, "a list"),
    ):
        if isinstance(raw, kind):
            return word
    return "an object"


def _table(*signals: Signal) -> Mapping[str, Signal]:
    return MappingProxyType({signal.name: signal for signal in signals})


def _bools(*names: str, required: bool = True) -> tuple[Signal, ...]:
    return tuple(Signal(name, Kind.BOOL, required=required) for name in names)


BIG_COUNT: Final = 2**53 - 1
"""The largest whole number that every JSON reader keeps exactly (RFC 8259, section 6)."""

HEARTBEAT: Final = "heartbeat"

DOOR_SIGNALS: Final = _table(
    *_bools(
        "closed", "latched", "locked", "handle_lifted", "outside_handle_lifted", "flap_pressed", "hold_open",
        "lever_armed", "girt_left", "girt_right", "pin_fitted", "slide_released", "slide_erect", "manual_inflation",
        "slide_detached", "ground_clear", "cover_fitted", "hand_pump", "lock_flags", "barrier", "rope_stowed",
        "armed_light", "pressure_light",
    ),
    Signal("travel", Kind.FLOAT, 0.0, 1.0),
    Signal("slide_bottle_bar", Kind.FLOAT, 0.0, 1000.0),
    Signal("assist_bottle_bar", Kind.FLOAT, 0.0, 1000.0),
    Signal("slide_bottle_temp_c", Kind.FLOAT, -80.0, 150.0),
    Signal("assist_bottle_temp_c", Kind.FLOAT, -80.0, 150.0),
    Signal("selector", Kind.TEXT, choices=("open", "neutral", "close")),
    Signal("actuator_bar", Kind.FLOAT, 0.0, 1000.0),
    Signal("access", Kind.TEXT, choices=("none", "bridge", "stairs", "loader", "platform")),
    Signal("lock_indicator", Kind.TEXT, choices=("locked", "unlocked")),
    Signal(HEARTBEAT, Kind.INT, 0, BIG_COUNT, required=False),
)  # fmt: skip

ENGINES_MAX: Final = 4

AIRFRAME_SIGNALS: Final = _table(
    Signal("type", Kind.TEXT, required=False),
    Signal("stand", Kind.TEXT, required=False),
    Signal("power", Kind.TEXT, choices=("on", "off"), required=False),
    *_bools(*(f"engine_{number}_running" for number in range(1, ENGINES_MAX + 1))),
    Signal("differential_pressure_hpa", Kind.FLOAT, -1200.0, 1200.0, self_refreshed=True),
    *_bools("weight_on_wheels", "parking_brake", "beacon", "chocks", "refuelling", "emergency"),
    Signal("ground_speed_kt", Kind.FLOAT, 0.0, 1000.0),
    Signal("passengers_aboard", Kind.INT, 0, 2000),
    Signal(HEARTBEAT, Kind.INT, 0, BIG_COUNT, required=False),
)

STAND_SIGNALS: Final = _table(
    Signal("wind_kt", Kind.FLOAT, 0.0, 250.0, self_refreshed=True),
    Signal("gust_kt", Kind.FLOAT, 0.0, 250.0, self_refreshed=True),
    Signal("wind_from_deg", Kind.FLOAT, 0.0, 360.0, self_refreshed=True),
)
