"""The tables as pictures and pages, so that no document states them by hand.

Owns the Mermaid and Markdown text made from the door table, the alert table and the
catalogue. Pure; writing them into files is the documents' build's work.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.alert import LIFECYCLE
from monitor.core.door import EDGES, Edge
from monitor.core.rules import CATALOGUE
from monitor.core.rules.rule import Rule


def draw_doors() -> str:
    """Draw the legal changes of a door's state (Mermaid)."""
    lines = ["stateDiagram-v2"]
    for (source, target), edge in EDGES.items():
        if edge in (Edge.STAY, Edge.RESYNC):
            continue
        label = "" if edge is Edge.LEGAL else f" : {edge.value}"
        lines.append(f"    {source} --> {target}{label}")
    return "\n".join(lines)


def draw_lifecycle() -> str:
    """Draw the life of an alert (Mermaid); events that change nothing are left out."""
    lines = ["stateDiagram-v2"]
    for (source, event), outcome in LIFECYCLE.items():
        if outcome.state is not source:
            lines.append(f"    {source} --> {outcome.state} : {event.value.replace('_', ' ')}")
    return "\n".join(lines)


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _delays(rule: Rule) -> str:
    parts = []
    for level in rule.levels:
        delay = f"{rule.parameters[level.delay]:g} s" if level.delay else "0 s"
        parts.append(f"{level.priority} after {delay}")
    return ", ".join(parts)


def tabulate_catalogue() -> str:
    """Write the hazard catalogue as a Markdown page, a section a rule."""
    lines = []
    for rule in CATALOGUE:
        place = {"door": "at the door", "aircraft": "for the whole aircraft", "site": "for the site"}[rule.scope.value]
        kinds = ", ".join(sorted(rule.kinds)) or "-"
        lines += [
            f"### `{rule.code}` ({place})",
            "",
            rule.summary,
            "",
            "| | |",
            "|---|---|",
            _row(("raised as", _delays(rule))),
            _row(("door kinds", kinds)),
            _row(("do now", rule.action)),
            _row(("why it matters", rule.consequence)),
            _row(("answer within", f"{rule.respond_within_s:g} s, by the {rule.role}")),
            _row(("thresholds", ", ".join(f"`{k}` {v:g}" for k, v in rule.parameters.items()) or "none")),
            _row(("silenced by", ", ".join(f"`{code}`" for code in rule.suppressed_by) or "nothing")),
            _row(("basis", rule.basis)),
            "",
        ]
    return "\n".join(lines).rstrip()
