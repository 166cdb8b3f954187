"""The names that thresholds may use.

Owns the comparison of a file's thresholds with the rules' own parameters, which are
handed in: the catalogue is the core's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from monitor.config.document import Location
from monitor.config.problems import suggest

TIMES_THE_DEFAULT_MAX: Final = 100.0
"""A threshold further above its default is taken for a mistake."""

KEPT_MAX: Final[Mapping[tuple[str, str], float]] = {
    ("signal-chatter", "least_changes"): 20.0,
    ("signal-chatter", "window_s"): 60.0,
}
"""Thresholds that what is remembered cannot reach beyond."""

Known = Mapping[str, Mapping[str, float]]
"""Rule code → parameter → default."""


def check_thresholds(
    given: Mapping[str, Mapping[str, float]], known: Known | None, base: Location
) -> Iterator[tuple[Location, str]]:
    """Yield the location and the message of every name that no rule has."""
    if known is None:
        return
    for code, parameters in given.items():
        if code not in known:
            yield (*base, code), f"no rule has this code; {suggest(code, sorted(known))}"
            continue
        for parameter, value in parameters.items():
            if parameter not in known[code]:
                right = suggest(parameter, sorted(known[code]))
                yield (*base, code, parameter), f"the rule {code} has no such parameter; {right}"
            elif value > (most := _most(code, parameter, known[code][parameter])):
                yield (*base, code, parameter), f"{value:g} would switch the rule {code} off; give {most:g} at most"
        yield from _check_dead_bands(code, {**known[code], **parameters}, base)


def _most(code: str, parameter: str, default: float) -> float:
    return KEPT_MAX.get((code, parameter), default * TIMES_THE_DEFAULT_MAX)


def _check_dead_bands(code: str, parameters: Mapping[str, float], base: Location) -> Iterator[tuple[Location, str]]:
    """A dead band as large as its limit would let the alert never end."""
    for name, band in parameters.items():
        limit = parameters.get(name.replace("dead_band_", "limit_"))
        if name.startswith("dead_band_") and limit is not None and band >= limit:
            message = f"the alert would never end; give a dead band below the limit of {limit:g}"
            yield (*base, code, name), message
