"""Wind and gusts at one stand, as a seeded random process.

Owns a mean that wanders and the turbulence on it, each a first-order Gauss-Markov process
stepped exactly, so that its variance and its autocorrelation exp(-t/tau) are the same at any
step. The turbulence has the length scale of the Dryden model near the ground (MIL-F-8785C,
from memory: L = h / (0.177 + 0.000823 h)^1.2, h in feet): tau = L / wind. What is told is cut
off at three standard deviations; for the turbulence that is how far gusts go above the mean.
A gust is the strongest of the last while. The generator is handed in, so the same seed gives
the same weather.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from typing import Final

from monitor.core.physics import KNOT_M_S
from monitor.core.signals import Value
from simulators.models.motion import toward

ANEMOMETER_FT: Final = 20.0
"""Height at which wind is measured, and for which the Dryden model gives its intensity."""
LENGTH_M: Final = ANEMOMETER_FT / (0.177 + 0.000823 * ANEMOMETER_FT) ** 1.2 * 0.3048
WANDERS_S: Final = 60.0
"""Time constant of the mean and of the direction: common practice for what a stand sees between two gusts."""

_SWING_DEG: Final = 8.5
_SIGMAS: Final = 3.0
_LEAST_M_S: Final = 1.0
"""Below this wind the air is as good as still, and its eddies no slower."""
_GUST_FORGOTTEN_S: Final = 60.0
_SQUALL_KT_PER_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Climate:
    """The mean wind (kt), how far it wanders (kt, standard deviation), how far gusts exceed it (kt), and whence (°)."""

    mean_kt: float = 9.0
    spread_kt: float = 1.5
    gust_kt: float = 4.0
    from_deg: float = 240.0


@dataclass(frozen=True, slots=True)
class WindState:
    """What blows: mean, gust and this instant's wind (kt), whence (°), and the processes behind them.

    ``squall_to`` is an extra wind (kt) that ``squall`` moves towards; the others are without it.
    """

    wind_kt: float
    gust_kt: float
    now_kt: float
    from_deg: float
    wander_kt: float = 0.0
    eddy_kt: float = 0.0
    peak_kt: float = 0.0
    swing_deg: float = 0.0
    squall: float = 0.0
    squall_to: float = 0.0


@dataclass(frozen=True, slots=True)
class Wind:
    """What blows at this instant: speed (kt) and whence (°)."""

    kt: float
    from_deg: float


def first_wind(climate: Climate) -> WindState:
    """Return the wind at its mean."""
    peak = climate.gust_kt / 2
    return WindState(climate.mean_kt, climate.mean_kt + peak, climate.mean_kt, climate.from_deg, peak_kt=peak)


def gauss_markov(value: float, sigma: float, tau_s: float, dt_s: float, chance: random.Random) -> float:
    """Step a first-order Gauss-Markov process about zero, exactly: variance sigma², autocorrelation exp(-t/tau)."""
    kept = math.exp(-dt_s / tau_s)
    return value * kept + sigma * math.sqrt(1.0 - kept * kept) * chance.gauss(0.0, 1.0)


def eddies_last_s(wind_kt: float) -> float:
    """Return the time constant of the turbulence in a wind (kt)."""
    return LENGTH_M / max(_LEAST_M_S, wind_kt * KNOT_M_S)


def step(climate: Climate, state: WindState, dt_s: float, rng: random.Random) -> WindState:
    """Let ``dt_s`` seconds pass."""
    wander = gauss_markov(state.wander_kt, climate.spread_kt, WANDERS_S, dt_s, rng)
    eddy = gauss_markov(
        state.eddy_kt, climate.gust_kt / _SIGMAS, eddies_last_s(climate.mean_kt + state.squall), dt_s, rng
    )
    swing = gauss_markov(state.swing_deg, _SWING_DEG, WANDERS_S, dt_s, rng)
    peak = max(0.0, eddy, state.peak_kt * math.exp(-dt_s / _GUST_FORGOTTEN_S))
    most = _SIGMAS * climate.spread_kt
    mean = max(0.0, climate.mean_kt + min(most, max(-most, wander)))
    return WindState(
        wind_kt=mean,
        # Never below the mean, whatever the eddies were.
        gust_kt=mean + min(climate.gust_kt, peak),
        now_kt=max(0.0, mean + min(climate.gust_kt, max(-climate.gust_kt, eddy))),
        from_deg=(climate.from_deg + swing) % 360.0,
        wander_kt=wander,
        eddy_kt=eddy,
        peak_kt=peak,
        swing_deg=swing,
        squall=toward(state.squall, state.squall_to, _SQUALL_KT_PER_S * dt_s),
        squall_to=state.squall_to,
    )


def ordered(state: WindState, squall_kt: float) -> WindState:
    """Have an extra wind of ``squall_kt`` come up, or go down again with 0."""
    return replace(state, squall_to=squall_kt)


def blowing(state: WindState) -> Wind:
    """Return what pushes at a leaf now, a squall included."""
    return Wind(state.now_kt + state.squall, state.from_deg)


def wind_readings(state: WindState) -> dict[str, Value]:
    """Return what the stand's anemometer shows."""
    return {
        "wind_kt": round(state.wind_kt + 0.7 * state.squall, 1),
        "gust_kt": round(state.gust_kt + state.squall, 1),
        "wind_from_deg": round(state.from_deg, 0) % 360.0,
    }
