"""How the cabin's differential pressure goes, and when it will be below its limit.

While a cabin vents to still air, the square root of a small differential pressure falls
linearly in time, so a straight line through the roots of the recent readings says when it
will pass the limit, and their scatter how well that is known. Only the magnitude counts: a
cabin below outside's pressure pulls a leaf in as hard as one above it pushes it out.

Owns the fit and its words. It reads no record and raises nothing; too few, too old or too
uneven readings give "cannot tell" and never a forecast.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from monitor.core.kleene import Truth
from monitor.core.times import SECOND

FRESH_S: Final = 30.0
"""A differential pressure counts for so long (the wire contract)."""
WINDOW_S: Final = 60.0
READINGS_MIN: Final = 4
SPAN_S_MIN: Final = 3.0
STRETCHES_S: Final = (60.0, 40.0, 25.0, 15.0, 10.0, 6.0, SPAN_S_MIN)
"""Tried longest first: the longest recent stretch that one line fits is what goes on now."""
SETTLED_S: Final = 10.0
"""From so long a stretch without a trend the pressure is steady; from a shorter one it cannot be told."""
FORECAST_S_MAX: Final = 600.0
"""A minute of readings is not carried further ahead than this."""

NOISE_HPA: Final = 0.05
"""The least scatter that a reading is credited with, so that a quiet sensor gives no band of zero width."""
MISFIT_HPA: Final = 0.25
LEAN_HPA: Final = 0.12
"""The most by which a reading, and the last four on average, may miss a line that still fits."""
CHANGE_HPA_MIN: Final = 0.2
"""A smaller change along the stretch is no trend: a noise of ±0.1 hPa makes as much."""
TURN_HPA: Final = 0.35
"""What the last seconds must add up to, against what the longer stretch says: more than noise can."""
JUMP_HPA: Final = 0.5
JUMP_S: Final = 10.0
"""So much above the lowest reading of so long is rising whatever the line says (as `pressure-rising` has it)."""

_T_95: Final = (
    12.706,
    4.303,
    3.182,
    2.776,
    2.571,
    2.447,
    2.365,
    2.306,
    2.262,
    2.228,
    2.201,
    2.179,
    2.160,
    2.145,
    2.131,
)
"""Student's t, two-sided 95 %, for 1 to 15 degrees of freedom; 2.0 beyond."""


class Trend(enum.StrEnum):
    """Where the magnitude of the differential pressure goes."""

    FALLING = "falling"
    RISING = "rising"
    STEADY = "steady"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class PressureAnswer:
    """What the recent readings say. Pressures in hPa (``now_hpa`` signed), times in seconds from now.

    ``below_limit_in_s`` with its 95 % band is given only while falling towards the limit;
    ``below_limit`` is whether it is there already.
    """

    trend: Trend
    now_hpa: float | None
    limit_hpa: float
    below_limit: Truth
    sentence: str
    below_limit_in_s: float | None = None
    low_s: float | None = None
    high_s: float | None = None


class _Point(NamedTuple):
    """A moment (s, now is 0) and the magnitude of the difference then (hPa)."""

    t: float
    hpa: float


class _Line(NamedTuple):
    """root(t) = at_now + slope * t, with the variances of both and their covariance; 95 % takes ``quantile``."""

    at_now: float
    slope: float
    var_at_now: float
    var_slope: float
    covariance: float
    quantile: float
    span_s: float
    change_hpa: float
    fits: bool

    def agrees(self, other: _Line) -> bool:
        """Tell whether both go the same way."""
        return other.sloping and self.slope * other.slope > 0

    @property
    def sloping(self) -> bool:
        """The slope is more than its scatter explains, and adds up to a change."""
        return abs(self.slope) > self.quantile * math.sqrt(self.var_slope) and abs(self.change_hpa) >= CHANGE_HPA_MIN


def assess_pressure(
    readings: Iterable[tuple[int, float]], now: int, *, limit_hpa: float, known_hpa: float | None
) -> PressureAnswer:
    """Say where the pressure goes, from ``readings`` of (µs, hPa, signed) in order of time, at ``now`` (µs).

    ``known_hpa`` is the present reading if it is known (good and fresh), otherwise ``None``.
    """
    if known_hpa is None:
        return cannot_tell_pressure(limit_hpa, "no fresh, good reading")
    below = abs(known_hpa) <= limit_hpa
    points = _recent_points(readings, now, math.copysign(1.0, known_hpa))
    trend, line, why = _find_trend(points)
    forecast = None
    if trend is Trend.FALLING and line is not None and not below:
        forecast = _forecast(line, math.sqrt(limit_hpa))
    about, low, high = forecast if forecast is not None else (None, None, None)
    sentence = _say(known_hpa, limit_hpa, trend, why, forecast)
    return PressureAnswer(trend, known_hpa, limit_hpa, below, sentence, about, low, high)


def cannot_tell_pressure(limit_hpa: float, why: str) -> PressureAnswer:
    """Say of the pressure only that it cannot be told, and ``why``."""
    return PressureAnswer(Trend.CANNOT_TELL, None, limit_hpa, None, f"Cabin pressure: cannot tell: {why}.")


def _recent_points(readings: Iterable[tuple[int, float]], now: int, sign: float) -> list[_Point]:
    """Average the readings of each second back from the newest, oldest first; only those of the present sign."""
    recent = [(at, hpa) for at, hpa in readings if now - WINDOW_S * SECOND <= at <= now]
    if not recent or now - recent[-1][0] >= FRESH_S * SECOND:
        return []
    newest = recent[-1][0]
    bins: dict[int, list[tuple[int, float]]] = {}
    for at, hpa in reversed(recent):
        if hpa * sign < -CHANGE_HPA_MIN:
            break
        bins.setdefault((newest - at) // SECOND, []).append((at, max(0.0, hpa * sign)))
    points = [
        _Point(
            (sum(at for at, _ in kept) / len(kept) - now) / SECOND,
            sum(hpa for _, hpa in kept) / len(kept),
        )
        for kept in bins.values()
    ]
    points.reverse()
    return points


def _find_trend(points: Sequence[_Point]) -> tuple[Trend, _Line | None, str]:
    """Return the trend, the line it rests on, and why it cannot be told."""
    if not points:
        return Trend.CANNOT_TELL, None, "no recent readings"
    newest = points[-1]
    lately = [point.hpa for point in points if point.t >= newest.t - JUMP_S]
    if newest.hpa >= min(lately) + JUMP_HPA and newest.hpa >= max(lately) - CHANGE_HPA_MIN:
        return Trend.RISING, None, ""
    line = _best_line(points)
    if line is None:
        return Trend.CANNOT_TELL, None, f"fewer than {READINGS_MIN} readings over {SPAN_S_MIN:g} s"
    if not line.fits:
        return Trend.CANNOT_TELL, None, "the readings are too uneven"
    if line.sloping:
        return (Trend.RISING if line.slope > 0 else Trend.FALLING), line, ""
    if line.span_s >= SETTLED_S:
        return Trend.STEADY, line, ""
    return Trend.CANNOT_TELL, None, "the readings are too few yet for a trend"


def _best_line(points: Sequence[_Point]) -> _Line | None:
    """Fit the longest recent stretch that one line fits; the shortest one where none does.

    A shorter one that clearly goes another way counts instead: the two arms of a turn
    together may look like a level line.
    """
    best: _Line | None = None
    for stretch_s in STRETCHES_S:
        # Half a second of grace: a stretch of one-second averages is as long as its seconds.
        since = points[-1].t - stretch_s - 0.5
        stretch = [point for point in points if point.t >= since]
        if len(stretch) < READINGS_MIN or stretch[-1].t - stretch[0].t < SPAN_S_MIN - 0.5:
            break
        line = _fit(stretch)
        if best is None or not best.fits:
            best = line
        elif line.fits and line.sloping and abs(line.change_hpa) >= TURN_HPA and not line.agrees(best):
            return line
    return best


def _fit(points: Sequence[_Point]) -> _Line:
    """Fit a line through the roots by weighted least squares.

    A root's scatter is the reading's over twice the root, so each weighs as its pressure.
    """
    roots = [math.sqrt(point.hpa) for point in points]
    weights = [max(point.hpa, CHANGE_HPA_MIN) for point in points]
    total = sum(weights)
    mean_t = sum(w * p.t for w, p in zip(weights, points, strict=True)) / total
    mean_root = sum(w * r for w, r in zip(weights, roots, strict=True)) / total
    s_tt = sum(w * (p.t - mean_t) ** 2 for w, p in zip(weights, points, strict=True))
    s_ty = sum(w * (p.t - mean_t) * (r - mean_root) for w, p, r in zip(weights, points, roots, strict=True))
    slope = s_ty / s_tt
    at_now = mean_root - slope * mean_t
    misses = [p.hpa - max(0.0, at_now + slope * p.t) ** 2 for p in points]
    free = len(points) - 2
    scatter = max(sum(miss * miss for miss in misses) / free, NOISE_HPA * NOISE_HPA)
    unit = scatter / 4.0  # the variance of a root of weight one
    var_slope = unit / s_tt
    start, end = (max(0.0, at_now + slope * t) ** 2 for t in (points[0].t, points[-1].t))
    lean = sum(misses[-READINGS_MIN:]) / READINGS_MIN
    return _Line(
        at_now=at_now,
        slope=slope,
        var_at_now=unit / total + mean_t * mean_t * var_slope,
        var_slope=var_slope,
        covariance=-mean_t * var_slope,
        quantile=_T_95[free - 1] if free <= len(_T_95) else 2.0,
        span_s=points[-1].t - points[0].t,
        change_hpa=end - start,
        fits=max(map(abs, misses)) <= MISFIT_HPA and abs(lean) <= LEAN_HPA,
    )


def _forecast(line: _Line, limit_root: float) -> tuple[float, float, float] | None:
    """Return when the line passes the limit's root (s from now) and the band; ``None`` where it is too far off.

    The band is Fieller's: every moment at which the limit lies within the line's own 95 %.
    """
    above = line.at_now - limit_root
    square = line.quantile * line.quantile
    a = line.slope * line.slope - square * line.var_slope
    half_b = above * line.slope - square * line.covariance
    c = above * above - square * line.var_at_now
    root = math.sqrt(max(0.0, half_b * half_b - a * c))
    about, low, high = (max(0.0, t) for t in (-above / line.slope, (-half_b - root) / a, (-half_b + root) / a))
    return (about, low, high) if about <= FORECAST_S_MAX else None


def _say(
    known_hpa: float, limit_hpa: float, trend: Trend, why: str, forecast: tuple[float, float, float] | None
) -> str:
    side = "above" if known_hpa >= 0 else "below"
    now = f"Cabin pressure {abs(known_hpa):.1f} hPa {side} outside's"
    if trend is Trend.RISING:
        return f"{now}: is rising." if known_hpa >= 0 else f"{now}: the difference is rising."
    if abs(known_hpa) <= limit_hpa:
        return f"{now}: is below {limit_hpa:g} hPa."
    if trend is Trend.STEADY:
        return f"{now}: is not falling."
    if trend is Trend.CANNOT_TELL:
        return f"{now}: cannot tell when it will be below {limit_hpa:g} hPa: {why}."
    if forecast is None:
        return f"{now}: is falling, too slowly to tell when it will be below {limit_hpa:g} hPa."
    about, low, high = (_round_seconds(value) for value in forecast)
    return f"{now}: will be below {limit_hpa:g} hPa in about {about} s ({low} to {high} s)."


def _round_seconds(value: float) -> int:
    return round(value) if value < 100 else 10 * round(value / 10)
