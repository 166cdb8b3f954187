"""What the shipped scenarios are: one entry each, for a person or a machine.

Owns the words and the columns of the list. It plays nothing.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from typing import Any, Final

from simulators.expectation_table import write_seconds
from simulators.scenario import Scenario

_WIDE: Final = 110


def list_scenarios(scenarios: Iterable[Scenario]) -> Iterator[str]:
    """Yield the lines of the list: name, length and what happens, and below the alerts that it leads to."""
    shown = list(scenarios)
    wide = max(len(scenario.name) for scenario in shown)
    for scenario in shown:
        head = f"{scenario.name:<{wide}}  {_length(scenario):>7}  "
        yield from textwrap.wrap(
            scenario.about,
            _WIDE,
            initial_indent=head,
            subsequent_indent=" " * len(head),
            break_on_hyphens=False,
        )
        alerts = ", ".join(alerts_of(scenario)) or "none"
        yield from textwrap.wrap(
            f"alerts: {alerts}",
            _WIDE,
            initial_indent=" " * len(head),
            subsequent_indent=" " * (len(head) + 2),
            break_on_hyphens=False,
        )


def describe_scenario(scenario: Scenario) -> dict[str, Any]:
    """Return the same as a JSON-ready document; ``length_s`` is ``None`` where it never ends by itself."""
    return {
        "simulated": True,
        "name": scenario.name,
        "about": scenario.about,
        "length_s": scenario.end_s,
        "seed": scenario.seed,
        "aircraft": [{"aircraft": part.reg, "type": part.type, "stand": part.stand} for part in scenario.cast],
        "alerts": list(alerts_of(scenario)),
        "never": list(scenario.expectations.never),
        "only_expected": scenario.expectations.only,
    }


def alerts_of(scenario: Scenario) -> tuple[str, ...]:
    """Return the codes of the alerts that it expects, each once, in the file's order."""
    return tuple(dict.fromkeys(expected.alert for expected in scenario.expectations.alerts))


def _length(scenario: Scenario) -> str:
    return "endless" if scenario.end_s is None else write_seconds(scenario.end_s)
