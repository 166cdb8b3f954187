"""Wind and gusts at one stand, as a seeded random process.

Owns an Ornstein-Uhlenbeck wind (it wanders, and is drawn back to its mean) with gusts on
top. The generator is handed in, so the same seed gives the same weather.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

from monitor.core.signals import Value
from simulators.models.motion import toward


@dataclass(frozen=True, slots=True)
class Climate:
    """The mean wind (kt), how far it wanders (kt), how far gusts exceed it (kt), and whence (°)."""

    mean_kt: float = 9.0
    spread_kt: float = 1.5
    gust_kt: float = 4.0
    from_deg: float = 240.0


@dataclass(frozen=True, slots=True)
class WindState:
    """What blows now; ``squall_to`` is an extra wind (kt) that ``squall`` moves towards."""

    wind_kt: float
    gust_kt: float
    from_deg: float
    squall: float = 0.0
    squall_to: float = 0.0


_DRAWN_BACK_S = 60.0
_SQUALL_KT_PER_S = 3.0


def first_wind(climate: Climate) -> WindState:
    """Return the wind at its mean."""
    return WindState(climate.mean_kt, climate.mean_kt + climate.gust_kt / 2, climate.from_deg)


def step(climate: Climate, state: WindState, dt_s: float, rng: random.Random) -> WindState:
    """Let ``dt_s`` seconds pass."""
    pull = 1.0 - math.exp(-dt_s / _DRAWN_BACK_S)
    noise = climate.spread_kt * math.sqrt(2.0 * pull)
    wander = state.wind_kt + (climate.mean_kt - state.wind_kt) * pull + rng.gauss(0.0, 1.0) * noise
    calmest, strongest = climate.mean_kt - 3 * climate.spread_kt, climate.mean_kt + 3 * climate.spread_kt
    wind = min(strongest, max(0.0, calmest, wander))
    gust = wind + climate.gust_kt * rng.uniform(0.3, 1.0)
    swing = state.from_deg + (climate.from_deg - state.from_deg) * pull + rng.gauss(0.0, 1.0) * 12.0 * math.sqrt(pull)
    squall = toward(state.squall, state.squall_to, _SQUALL_KT_PER_S * dt_s)
    return replace(state, wind_kt=wind, gust_kt=gust, from_deg=swing % 360.0, squall=squall)


def ordered(state: WindState, squall_kt: float) -> WindState:
    """Have an extra wind of ``squall_kt`` come up, or go down again with 0."""
    return replace(state, squall_to=squall_kt)


def wind_readings(state: WindState) -> dict[str, Value]:
    """Return what the stand's anemometer shows."""
    return {
        "wind_kt": round(state.wind_kt + 0.7 * state.squall, 1),
        "gust_kt": round(state.gust_kt + state.squall, 1),
        "wind_from_deg": round(state.from_deg, 0) % 360.0,
    }
