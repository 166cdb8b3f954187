"""What a rule or the state machine may ask about one door, one aircraft or the site.

Owns the meaning of readings: which are known, and the facts that follow from them, in
three-valued logic. Reads records and never changes them; the only thing it collects is
when a time-dependent answer must be asked again (``wake``).
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from typing import Any, Final

from monitor.core.airframe import AirframeType, DoorKind, DoorType, Side
from monitor.core.door import TRAVEL_FULL, State, leaf_out_of_frame
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.signals import ENGINES_MAX, Quality, Value
from monitor.core.state import AircraftRecord, DoorRecord, Presence, Reading, SiteRecord

SLIDE_SIGNALS: Final = ("lever_armed", "girt_left", "girt_right")
WIND: Final = ("wind_kt", "gust_kt")
HANDLES: Final = ("handle_lifted", "outside_handle_lifted")
CABIN_ENTRIES: Final = (DoorKind.CABIN, DoorKind.AIRSTAIR)
ENGINE_NUMBERS: Final = range(1, ENGINES_MAX + 1)
MOVING_KT: Final = 2.0
"""From here on an aircraft moves (the contract's "moving")."""


class _Unasked(enum.Enum):
    """Stands for an answer that was not worked out yet; ``None`` is an answer."""

    UNASKED = enum.auto()


_UNASKED: Final = _Unasked.UNASKED
_GOOD: Final = Quality.GOOD
_STATES: Final = {str(state): state for state in State}
_PUMP: Final = ("hand_pump",)
_OFF_STOPS: Final = ("latched", "locked")
_NO_READINGS: Final[dict[str, Reading]] = {}
_NONE_FITTED: Final[frozenset[str]] = frozenset()


class View:
    """One door (``door`` and ``spec`` set), one aircraft, or the site alone, at ``now``.

    It lives for one instant: facts that many rules ask for are worked out once. ``kept`` holds what
    was worked out of an unchanged door before, where somebody keeps it (:mod:`monitor.core.kept`).
    """

    __slots__ = (
        "_air", "_fitted", "_handle_moved", "_judged", "_leaf_out", "_lock_moved", "_own", "_slide_parts",
        "aircraft", "airframe", "door", "kept", "now", "site", "spec", "wake",
    )  # fmt: skip

    def __init__(
        self,
        site: SiteRecord,
        now: int,
        aircraft: AircraftRecord | None = None,
        airframe: AirframeType | None = None,
        door: DoorRecord | None = None,
    ) -> None:
        self.site = site
        self.now = now
        self.aircraft = aircraft
        self.airframe = airframe
        self.door = door
        # A door that a changed configuration no longer has says nothing more; the next start drops it.
        self.spec: DoorType | None = (
            airframe.doors.get(door.name) if airframe is not None and door is not None else None
        )
        self.wake: int | None = None
        self.kept: dict[str, Any] | None = None
        # Of an aircraft that is not judged nothing is known, whatever it reads.
        self._judged = judged = aircraft is not None and is_judged(aircraft)
        self._air = aircraft.readings if judged and aircraft is not None else _NO_READINGS
        self._own = door.readings if judged and door is not None else _NO_READINGS
        self._fitted = self.spec.signals if self.spec is not None else _NONE_FITTED
        self._leaf_out: Truth | _Unasked = _UNASKED
        self._handle_moved: Truth | _Unasked = _UNASKED
        self._lock_moved: Truth | _Unasked = _UNASKED
        self._slide_parts: list[Truth] | None = None

    def wake_at(self, at: int) -> None:
        """Ask to be judged again at ``at`` (µs), though nothing may have changed by then."""
        if at > self.now and (self.wake is None or at < self.wake):
            self.wake = at

    # Readings

    def reading(self, signal: str) -> Reading | None:
        """Return the door's last reading of ``signal``, known or not."""
        return None if self.door is None else self.door.readings.get(signal)

    def value(self, signal: str) -> Value | None:
        """Return the door signal's value if it is known: good, fresh, and the aircraft judged."""
        reading = self._own.get(signal)
        if reading is None or reading.stale or reading.quality is not _GOOD:
            return None
        return reading.value

    def true(self, signal: str) -> Truth:
        """Return a door's yes-or-no signal if it is known."""
        reading = self._own.get(signal)
        if reading is None or reading.stale or reading.quality is not _GOOD or reading.value is None:
            return None
        return reading.value is True

    def number(self, signal: str) -> float | None:
        """Return a door's numeric signal if it is known."""
        value = self.value(signal)
        return float(value) if isinstance(value, (int, float)) else None

    def airframe_reading(self, signal: str) -> Reading | None:
        """Return the aircraft's last reading of ``signal``, known or not."""
        return None if self.aircraft is None else self.aircraft.readings.get(signal)

    def airframe_value(self, signal: str) -> Value | None:
        """Return the airframe signal's value if it is known."""
        reading = self._air.get(signal)
        if reading is None or reading.stale or reading.quality is not _GOOD:
            return None
        return reading.value

    def airframe_true(self, signal: str) -> Truth:
        """Return an airframe's yes-or-no signal if it is known."""
        value = self.airframe_value(signal)
        return None if value is None else value is True

    def last_airframe_value(self, signal: str) -> Value | None:
        """Return the last picture's value, however old or poor."""
        reading = self.airframe_reading(signal)
        return None if reading is None else reading.value

    def fits(self, signal: str) -> bool:
        """Tell whether the door's type has this signal."""
        return signal in self._fitted

    def _asked(self, signals: Iterable[str]) -> list[Truth]:
        """Fitted signals are asked for, known or not; others are used when they are known."""
        answers: list[Truth] = []
        readings, fitted = self._own, self._fitted
        for signal in signals:
            reading = readings.get(signal)
            if reading is None or reading.stale or reading.quality is not _GOOD or reading.value is None:
                if signal in fitted:
                    answers.append(None)
            else:
                answers.append(reading.value is True)
        return answers

    def never_seen_or(self, signal: str, expected: bool) -> Truth:
        """Tell whether ``signal`` is ``expected``; never having been reported counts as ``False``.

        For "not seen", "no barrier" and "not declared", which also hold when nothing was
        ever reported.
        """
        if self.reading(signal) is None:
            return not expected
        answer = self.true(signal)
        return None if answer is None else answer is expected

    # Door facts

    @property
    def deployed(self) -> bool:
        """The slide pack was released and nobody has reset the door since."""
        return self.door is not None and self.door.deployed

    @property
    def has_hold_open(self) -> bool:
        """The door has a hold-open lock, by its type or because it is being reported."""
        return self.fits("hold_open") or self.value("hold_open") is not None

    @property
    def leaf_out(self) -> Truth:
        """The leaf is out of its frame."""
        if self._leaf_out is _UNASKED:
            self._leaf_out = leaf_out_of_frame(self.true("closed"), self.true("hold_open"), self.number("travel"))
        return self._leaf_out

    @property
    def held_open(self) -> Truth:
        """Open rather than ajar, for a leaf that is out of its frame."""
        if self.has_hold_open:
            return self.true("hold_open")
        travel = self.number("travel")
        if travel is not None or self.fits("travel"):
            return None if travel is None else travel >= TRAVEL_FULL
        return True

    @property
    def handle_moved(self) -> Truth:
        """Either handle is off its stop."""
        if self._handle_moved is _UNASKED:
            self._handle_moved = any3(self._asked(HANDLES))
        return self._handle_moved

    @property
    def lock_moved(self) -> Truth:
        """A latch, a lock or a handle is off its stop."""
        if self._lock_moved is _UNASKED:
            home = all3(self._asked(_OFF_STOPS))
            self._lock_moved = any3((not3(home), self.handle_moved))
        return self._lock_moved

    @property
    def has_slide(self) -> bool:
        """The door has a slide: by its type, and none declared taken out."""
        return self.spec is not None and self.spec.slide and not (self.door is not None and self.door.slide_removed)

    def slide_parts(self) -> list[Truth]:
        """Lever and girt ends that say engaged or not; an unknown fitted one as ``None``."""
        if self._slide_parts is None:
            self._slide_parts = self._asked(SLIDE_SIGNALS)
        return self._slide_parts

    @property
    def selector_neutral(self) -> Truth:
        """The selector is in neutral; a door that has none leaves it there."""
        selector = self.value("selector")
        return selector == "neutral" if selector is not None else None if self.fits("selector") else True

    @property
    def hand_pumped(self) -> Truth:
        """The hand pump is being worked; a door that has none is not."""
        return any3(self._asked(_PUMP))

    @property
    def engaged(self) -> Truth:
        """The slide is engaged, taking the more dangerous side where its parts disagree."""
        if self.spec is None or not self.has_slide:
            return False
        if self.spec.kind is DoorKind.OVERWING:
            return True
        parts = self.slide_parts()
        return any3(parts) if parts else None

    @property
    def fully_engaged(self) -> Truth:
        """The slide is engaged and every part says so."""
        if self.spec is None or not self.has_slide:
            return False
        if self.spec.kind is DoorKind.OVERWING:
            return True
        parts = self.slide_parts()
        return all3(parts) if parts else None

    @property
    def state(self) -> State:
        """The door's state as it stands."""
        return State.UNKNOWN if self.door is None else _STATES[self.door.state]

    @property
    def docked(self) -> Truth:
        """Access equipment stands at the door."""
        access = self.value("access")
        return None if access is None else access != "none"

    @property
    def guarded(self) -> Truth:
        """A barrier that holds a person is across the doorway; never reported means none."""
        return self.never_seen_or("barrier", True)

    @property
    def slide_attached(self) -> Truth:
        """A deployed slide still hangs at the door."""
        released = any3((self.deployed, self.never_seen_or("slide_released", True)))
        return all3((released, not3(self.never_seen_or("slide_detached", True))))

    # Facts of the stand

    def stand_reading(self, signal: str) -> Reading | None:
        """Return the last reading of the weather at the aircraft's stand, known or not."""
        stand = self.site.stands.get(self.aircraft.stand) if self.aircraft is not None else None
        return None if stand is None else stand.readings.get(signal)

    def stand_number(self, signal: str) -> float | None:
        """Return a number of the stand's weather if it is known: good and fresh."""
        reading = self.stand_reading(signal)
        if reading is None or reading.stale or reading.quality is not _GOOD or not self._judged:
            return None
        return float(reading.value) if isinstance(reading.value, (int, float)) else None

    @property
    def wind_kt(self) -> float | None:
        """The larger of wind and gust at the aircraft's stand, in knots, of those that are reported there.

        One that was reported and is not known now leaves the answer unknown, unless a known one
        is asked whether it is over a limit: see :meth:`wind_over`.
        """
        known = [self.stand_number(signal) for signal in WIND if self.stand_reading(signal) is not None]
        return None if not known or None in known else max(n for n in known if n is not None)

    def wind_over(self, limit_kt: float) -> Truth:
        """Tell whether wind or gust is over ``limit_kt``: one that is settles it, whatever the other."""
        known = [self.stand_number(signal) for signal in WIND if self.stand_reading(signal) is not None]
        return any3(None if n is None else n > limit_kt for n in known) if known else None

    # Airframe facts

    @property
    def on_ground(self) -> Truth:
        """Weight is on the wheels."""
        return self.airframe_true("weight_on_wheels")

    @property
    def engine_numbers(self) -> tuple[int, ...]:
        """The type's engines, and any other that is reported: that the type has none such may be the mistake."""
        engines: Mapping[int, Side] = self.airframe.engines if self.airframe is not None else {}
        readings = self.aircraft.readings if self.aircraft is not None else {}
        others = [(n, readings.get(f"engine_{n}_running")) for n in ENGINE_NUMBERS if n not in engines]
        return (*engines, *(n for n, reading in others if reading is not None and reading.value is not None))

    def engine(self, number: int) -> Truth:
        """One engine runs."""
        return self.airframe_true(f"engine_{number}_running")

    @property
    def any_engine(self) -> Truth:
        """Any engine runs."""
        return any3(self.engine(number) for number in self.engine_numbers)

    @property
    def engine_on_side(self) -> Truth:
        """A running engine is on the door's side, or on no known one; a door on the centre line takes any as its own."""
        if self.airframe is None or self.spec is None:
            return None
        side, sides = self.spec.side, self.airframe.engines
        return any3(self.engine(n) for n in self.engine_numbers if side is None or sides.get(n, side) is side)

    def faster_than(self, speed_kt: float) -> Truth:
        """Tell whether the ground speed is at least ``speed_kt``."""
        value = self.airframe_value("ground_speed_kt")
        return value >= speed_kt if isinstance(value, (int, float)) else None

    def moving(self, speed_kt: float = MOVING_KT) -> Truth:
        """Tell whether the aircraft moves, or may at any moment: brake and chocks off with the beacon on."""
        loose = (not3(self.airframe_true("parking_brake")), not3(self.airframe_true("chocks")))
        return any3((self.faster_than(speed_kt), all3((*loose, self.airframe_true("beacon")))))

    @property
    def departing(self) -> Truth:
        """The aircraft is departing, as :mod:`monitor.core.notes.turnround` last found; rules read ``memo/departing``."""
        memo = self.aircraft.turnround if self.aircraft is not None else None
        return None if memo is None else memo.departing

    @property
    def aboard(self) -> bool:
        """Passengers are aboard, or may be: a count that is not known means aboard."""
        return self.airframe_value("passengers_aboard") != 0

    @property
    def pressure(self) -> float | None:
        """Differential pressure, cabin minus outside, hPa, if known."""
        value = self.airframe_value("differential_pressure_hpa")
        return float(value) if isinstance(value, (int, float)) else None

    @property
    def emergency(self) -> bool:
        """An emergency is declared and known to be."""
        return self.airframe_true("emergency") is True

    @property
    def off_ground_in_last_picture(self) -> bool:
        """The last picture, however old, shows the aircraft off the ground."""
        weight = self.airframe_reading("weight_on_wheels")
        return weight is not None and weight.value is False and weight.quality is _GOOD

    def doors(self) -> Iterable[View]:
        """View each of the aircraft's doors, in station order."""
        if self.aircraft is not None:
            for door in self.aircraft.doors.values():
                yield View(self.site, self.now, self.aircraft, self.airframe, door)


def is_present(aircraft: AircraftRecord) -> bool:
    """Tell whether an aircraft is here at all: of a known type, powered, and not merely left on the broker."""
    return bool(aircraft.type) and aircraft.presence is Presence.PRESENT and not aircraft.left_on_broker


def is_disputed(aircraft: AircraftRecord) -> bool:
    """Tell whether it is open who speaks as this aircraft: two senders, two types, or another one on its stand."""
    memo = aircraft.identity
    return memo is not None and (memo.two_senders or bool(memo.other_type or memo.shared_with))


def is_judged(aircraft: AircraftRecord) -> bool:
    """Tell whether an aircraft's readings count at all: it is here, and nobody disputes that it is they who speak."""
    return is_present(aircraft) and (aircraft.identity is None or not is_disputed(aircraft))


def why_not_judged(aircraft: AircraftRecord) -> str | None:
    """Say why an aircraft's readings do not count, or ``None`` if they do."""
    if aircraft.left_on_broker:
        return "left on the broker"
    if not aircraft.type:
        return "type not known"
    if aircraft.presence is not Presence.PRESENT:
        return str(aircraft.presence).replace("_", " ")
    return None if is_judged(aircraft) else "identity conflict"
