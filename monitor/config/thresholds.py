"""The names that thresholds may use.

Owns the comparison of a file's thresholds with the rules' own parameters, which are
handed in: the catalogue is the core's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from monitor.config.document import Location
from monitor.config.problems import suggest

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
        for parameter in parameters:
            if parameter not in known[code]:
                right = suggest(parameter, sorted(known[code]))
                yield (*base, code, parameter), f"the rule {code} has no such parameter; {right}"
