"""How a scenario's outcome is told: a table for a person, a document for a machine.

Owns the words and the columns. It judges nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from simulators.expectation import Expected, Outcome, Telling, Verdict
from simulators.expectation_play import Played

_HEAD: Final = ("expected alert", "where", "priority", "when", "seen", "over", "verdict")
_NOTHING: Final = "-"


def tell_played(played: Played) -> str:
    """Write what was expected, what was seen, and the verdict of each; no line ends with a space."""
    judgement, scenario = played.judgement, played.scenario
    head = f"{scenario.name} (simulated, seed {played.seed}, {write_seconds(played.length_s)}): {scenario.about}"
    blocks = [head]
    if judgement.outcomes:
        blocks.append(_table([_HEAD, *map(_row, judgement.outcomes)]))
    strays = judgement.unexpected if judgement.only else judgement.forbidden
    if strays:
        blocks.append("raised and not expected:\n" + _table([_stray(telling) for telling in strays]))
    return "\n\n".join([*blocks, _sum(played)])


def describe_played(played: Played) -> dict[str, Any]:
    """Return the same as a JSON-ready document; times in seconds from the beginning."""
    judgement, scenario = played.judgement, played.scenario
    return {
        "simulated": True,
        "scenario": scenario.name,
        "about": scenario.about,
        "seed": played.seed,
        "length_s": played.length_s,
        "passed": judgement.passed,
        "only_expected": judgement.only,
        "never": list(scenario.expectations.never),
        "expected": [_describe_outcome(outcome) for outcome in judgement.outcomes],
        "unexpected": [_describe_telling(telling) for telling in judgement.unexpected],
    }


def write_seconds(seconds: float) -> str:
    """Write a length of time as a scenario does: ``40s``, ``2min``, ``1m30s``."""
    minutes, rest = divmod(round(seconds, 3), 60)
    if not minutes:
        return f"{rest:g}s"
    return f"{minutes:g}m{rest:g}s" if rest else f"{minutes:g}min"


def _row(outcome: Outcome) -> tuple[str, ...]:
    expected, seen = outcome.expected, outcome.seen
    verdict = outcome.verdict.value
    if outcome.verdict is Verdict.OTHER_PRIORITY and seen is not None:
        verdict += f": {seen.priority}"
    if outcome.verdict is Verdict.NOT_OVER and expected.cleared_by_s is not None:
        verdict += f": by {write_seconds(expected.cleared_by_s)}"
    if outcome.verdict is Verdict.OVER_EARLY:
        verdict += f": from {write_seconds(expected.cleared_after_s)}"
    return (
        expected.alert,
        _where(expected),
        expected.priority or "any",
        f"{write_seconds(expected.after_s)} to {write_seconds(expected.by_s)}",
        _NOTHING if seen is None else _moment(seen.at_s),
        _NOTHING if outcome.over_s is None else _moment(outcome.over_s),
        verdict,
    )


def _where(expected: Expected) -> str:
    aircraft, door = expected.aircraft or "any aircraft", expected.door
    if door == "-":
        return aircraft
    return f"{aircraft} {door or 'any door'}"


def _stray(telling: Telling) -> tuple[str, ...]:
    where = telling.aircraft if telling.door == "-" else f"{telling.aircraft} {telling.door}"
    return (telling.alert, where, telling.priority, _moment(telling.at_s), telling.text)


def _sum(played: Played) -> str:
    judgement = played.judgement
    met = sum(outcome.verdict is Verdict.MET for outcome in judgement.outcomes)
    said = [f"{met} of {len(judgement.outcomes)} as expected"] if judgement.outcomes else []
    if judgement.only:
        said.append(f"{len(judgement.unexpected) or 'nothing'} not expected")
    elif played.scenario.expectations.never:
        said.append(f"{len(judgement.forbidden) or 'nothing'} that must never be raised")
    return f"{'passed' if judgement.passed else 'FAILED'}: {', '.join(said)}"


def _table(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows)
    return "\n".join(f"  {line.rstrip()}" for line in lines)


def _moment(at_s: float) -> str:
    return f"{at_s:.1f}s"


def _describe_outcome(outcome: Outcome) -> dict[str, Any]:
    expected = outcome.expected
    return {
        "alert": expected.alert,
        "aircraft": expected.aircraft,
        "door": expected.door,
        "priority": expected.priority,
        "after_s": expected.after_s,
        "by_s": expected.by_s,
        "cleared_by_s": expected.cleared_by_s,
        "cleared_after_s": expected.cleared_after_s,
        "verdict": outcome.verdict.value,
        "seen": None if outcome.seen is None else _describe_telling(outcome.seen),
        "over_s": outcome.over_s,
    }


def _describe_telling(telling: Telling) -> dict[str, Any]:
    return {
        "at_s": telling.at_s,
        "aircraft": telling.aircraft,
        "door": telling.door,
        "alert": telling.alert,
        "priority": telling.priority,
        "text": telling.text,
    }
