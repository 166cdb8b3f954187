"""The last half hour of each aircraft's pressure and each stand's wind, for drawing.

Owns samples in bounded memory: one a second at most, and beside it the lowest and highest
of that second. A value that is not known is a gap and is kept as such. It is told what is
known and never judges it; nothing of it outlives the run.
"""

from __future__ import annotations

import asyncio
import logging
import math
from array import array
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Final, NamedTuple, Protocol

from monitor.core.events import ReadingsArrived, StandReadingArrived
from monitor.core.times import MINUTE, SECOND, format_time
from monitor.core.view import WIND
from monitor.ports import Readout, Step

LOG: Final = logging.getLogger(__name__)

KEPT: Final = 30 * MINUTE
PRESSURE: Final = "differential_pressure_hpa"

SAMPLE_BYTES: Final = 12
"""What a sample takes: its moment in 8 bytes, its value in 4 (seven digits, more than any sensor here has).

At worst three a second are kept (lowest, highest, last): 5,400 and 65 kB a curve; 22 kB for one sample a
second; next to nothing for a value that stands still.
"""
_SLACK: Final = 256
"""Samples that may be too old before they are cut off, so that not every sample moves all the others."""

_A_TURN: Final = 64
"""Aircraft or stands that are sampled in one turn of the loop, well under a millisecond."""


class Gauges(Protocol):
    """What is known now; ``None`` where it is not, or where there is no such place."""

    def pressure(self, reg: str) -> float | None: ...
    def weather(self, stand: str) -> Mapping[str, float | None]: ...
    def registrations(self) -> Iterable[str]: ...
    def stand_names(self) -> Iterable[str]: ...


class _Sample(NamedTuple):
    at: int
    value: float


class Curve:
    """One value over time.

    A value that stands still is kept as its first and its last moment, so that a line through
    the samples shows neither a slope that was not there nor a break.
    """

    __slots__ = ("_high", "_known_at", "_last", "_low", "_moments", "_second", "_values")

    def __init__(self) -> None:
        self._moments = array("q")
        self._values = array("f")
        self._second = -1
        self._low: _Sample | None = None
        self._high: _Sample | None = None
        self._last: _Sample | None = None
        self._known_at = -1

    @property
    def bytes_used(self) -> int:
        """How much memory the samples take."""
        return len(self._moments) * SAMPLE_BYTES

    @property
    def known_at(self) -> int:
        """When it was last known (µs), -1 for never."""
        return self._known_at

    def add(self, now: int, value: float | None) -> None:
        """Take what is known at ``now`` (µs): a value, or ``None``."""
        if now // SECOND != self._second:
            for sample in self._open():
                self._keep(sample)
            self._low = self._high = None
            self._second = now // SECOND
        if value is None:
            self._last = _Sample(now, math.nan)
            return
        self._known_at = now
        self._last = sample = _Sample(now, float(value))
        if self._low is None or sample.value < self._low.value:
            self._low = sample
        if self._high is None or sample.value > self._high.value:
            self._high = sample

    def cut(self, before: int) -> None:
        """Drop what is older than ``before`` (µs), but for the newest of it: that one held on."""
        old = bisect_left(self._moments, before) - 1
        if old > _SLACK:
            del self._moments[:old]
            del self._values[:old]

    def copy(self) -> Curve:
        """Return the same as it is now."""
        other = Curve()
        other._moments, other._values = self._moments[:], self._values[:]
        other._second, other._known_at = self._second, self._known_at
        other._low, other._high, other._last = self._low, self._high, self._last
        return other

    def samples(self, since: int) -> list[Readout]:
        """Write the samples from ``since`` (µs) on, the first with what held then; ``None`` for what is not known."""
        first = bisect_left(self._moments, since)
        kept = map(_Sample, self._moments[first:], self._values[first:])
        held = [_Sample(since, self._values[first - 1])] if first else []
        return [
            {"at": format_time(at), "value": None if math.isnan(value) else round(value, 2)}
            for at, value in (*held, *kept, *(sample for sample in self._open() if sample.at >= since))
        ]

    def _open(self) -> list[_Sample]:
        """The samples of the second that runs, in order."""
        last = self._last
        if last is not None and last is self._low and last is self._high:
            return [last]
        return sorted({sample for sample in (self._low, self._high, self._last) if sample is not None})

    def _keep(self, sample: _Sample) -> None:
        values = self._values
        values.append(sample.value)
        if len(values) > 2 and _same(values[-1], values[-2]) and _same(values[-2], values[-3]):
            del values[-1]
            self._moments[-1] = sample.at
        else:
            self._moments.append(sample.at)


class Excerpt(NamedTuple):
    """Curves that nobody adds to, so that they may be written on another thread: thousands of samples take a while."""

    aircraft: str
    stand: str
    since: int
    curves: Mapping[str, Curve | None]

    def describe(self) -> Readout:
        """Write the samples from ``since`` (µs) on."""
        return {
            "aircraft": self.aircraft,
            "stand": self.stand,
            "since": format_time(self.since),
            **{signal: [] if curve is None else curve.samples(self.since) for signal, curve in self.curves.items()},
        }


class Tape:
    """Records as an ``Observer``, and once a second beside it; ``started`` in µs."""

    def __init__(self, gauges: Gauges, started: int) -> None:
        self._gauges = gauges
        self._started = started
        self._pressures: dict[str, Curve] = {}
        self._winds: dict[str, dict[str, Curve]] = {}

    def observe(self, step: Step) -> None:
        """Take a reading as it comes, so that no peak falls between two seconds."""
        event = step.event
        if isinstance(event, ReadingsArrived):
            for item in event.items:
                if item.signal == PRESSURE:
                    self._add_pressure(event.aircraft, step.now)
                    return
        elif isinstance(event, StandReadingArrived) and event.signal in WIND:
            self._add_weather(event.stand, step.now)

    def sample(self, now: Callable[[], int]) -> Iterator[None]:
        """Take what is known of everyone, a few a turn, and let go of who left; to be gone through once a second."""
        regs, stands = set(self._gauges.registrations()), set(self._gauges.stand_names())
        for number, reg in enumerate(regs):
            self._add_pressure(reg, now())
            if number % _A_TURN == 0:
                yield
        for number, stand in enumerate(stands):
            self._add_weather(stand, now())
            if number % _A_TURN == 0:
                yield
        before = now() - KEPT
        self._pressures = {
            reg: curve for reg, curve in self._pressures.items() if reg in regs and curve.known_at >= before
        }
        self._winds = {
            stand: curves
            for stand, curves in self._winds.items()
            if stand in stands and any(curve.known_at >= before for curve in curves.values())
        }
        for curve in self._curves():
            curve.cut(before)

    async def serve_samples(self, now: Callable[[], int]) -> None:
        """Sample once a second for ever, until cancelled."""
        while True:
            await asyncio.sleep(1.0)
            try:
                for _ in self.sample(now):
                    await asyncio.sleep(0)
            except Exception:
                LOG.exception("no sample was taken", extra={"action": "sample"})

    @property
    def bytes_used(self) -> int:
        """How much memory all samples take."""
        return sum(curve.bytes_used for curve in self._curves())

    def copy(self, reg: str, stand: str, now: int) -> Excerpt:
        """Copy an aircraft's curves and those of its stand, 30 min at most."""
        curves = {PRESSURE: self._pressures.get(reg), **self._winds.get(stand, dict.fromkeys(WIND))}
        copies = {signal: None if curve is None else curve.copy() for signal, curve in curves.items()}
        return Excerpt(reg, stand, max(self._started, now - KEPT), copies)

    def _curves(self) -> Iterator[Curve]:
        yield from self._pressures.values()
        for curves in self._winds.values():
            yield from curves.values()

    def _add_pressure(self, reg: str, now: int) -> None:
        value = self._gauges.pressure(reg)
        curve = self._pressures.get(reg)
        if curve is None:
            # Nothing is kept of who never told: a gap begins where something was known.
            if value is None:
                return
            curve = self._pressures[reg] = Curve()
        curve.add(now, value)

    def _add_weather(self, stand: str, now: int) -> None:
        weather = self._gauges.weather(stand)
        curves = self._winds.get(stand)
        if curves is None:
            if all(weather.get(signal) is None for signal in WIND):
                return
            curves = self._winds[stand] = {signal: Curve() for signal in WIND}
        for signal, curve in curves.items():
            curve.add(now, weather.get(signal))


def _same(one: float, other: float) -> bool:
    return one == other or (math.isnan(one) and math.isnan(other))
