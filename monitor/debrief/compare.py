"""Two drills side by side: their steps, times, scores and alerts.

Owns how what is alike in both is put into one row. Works on the documents of two debriefs, so
that it says nothing that they do not. Pure.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

from monitor.core.effects import Document

FIGURES = (
    ("openings", "Openings"),
    ("closings", "Closings"),
    ("acknowledged", "Alerts acknowledged"),
    ("within_time", "Alerts answered in time"),
    ("late", "Alerts answered too late, or not at all"),
    ("procedures", "Procedures"),
    ("scored", "Procedures that could be scored"),
    ("score_percent", "Score of those, %"),
)


def compare_debriefs(one: Document, other: Document) -> Document:
    """Write two debriefs side by side, each whole under ``drills``."""
    return {
        "of": {
            "kind": "compare",
            "title": f"{one['of']['title']} and {other['of']['title']}",
            "since": min(one["of"]["since"], other["of"]["since"]),
            "zone": one["of"]["zone"],
        },
        "simulated": one["simulated"] or other["simulated"],
        "cautions": list(dict.fromkeys([*one["cautions"], *other["cautions"]])),
        "figures": [
            {"figure": key, "text": text, "one": one["summary"].get(key), "other": other["summary"].get(key)}
            for key, text in FIGURES
        ],
        "response_s": {"one": one["summary"]["response_s"], "other": other["summary"]["response_s"]},
        "steps": _compare_steps(one["procedures"], other["procedures"]),
        "alerts": _compare_alerts(_list_raised(one), _list_raised(other)),
        "trends": _compare_trends(one["trends"], other["trends"]),
        "drills": [one, other],
    }


def _compare_steps(one: list[Document], other: list[Document]) -> list[Document]:
    """One row a step of a procedure, by its place among the runs of that procedure; ``None`` where one has it not."""
    rows: dict[tuple[str, int, str], dict[str, Any]] = {}
    for side, runs in (("one", one), ("other", other)):
        numbers: Counter[str] = Counter()
        for run in runs:
            name = str(run["procedure"])
            numbers[name] += 1
            for step in run.get("steps", ()):
                key = (name, numbers[name], str(step["step"]))
                row = rows.setdefault(
                    key,
                    {
                        "procedure": name,
                        "title": run.get("title", name),
                        "run": numbers[name],
                        "step": step["step"],
                        "text": step.get("text", ""),
                        "one": None,
                        "other": None,
                    },
                )
                row[side] = {key: step.get(key) for key in ("state", "at", "took_s", "limit_s")}
    return list(rows.values())


def _list_raised(debrief: Document) -> list[Document]:
    """The alerts that a debrief counts: raised in its period; the others only stood in it."""
    return [each for each in debrief["alerts"] if each["sounded"] and each["raised_at"] >= debrief["of"]["since"]]


def _compare_alerts(one: list[Document], other: list[Document]) -> list[Document]:
    counts = [Counter(str(alert["code"]) for alert in alerts) for alerts in (one, other)]
    priorities = {str(alert["code"]): alert["priority"] for alert in (*other, *one)}
    worst = {
        code: [
            max((a["response_s"] for a in alerts if a["code"] == code and a["response_s"] is not None), default=None)
            for alerts in (one, other)
        ]
        for code in priorities
    }
    return [
        {
            "code": code,
            "priority": priorities[code],
            "one": counts[0][code],
            "other": counts[1][code],
            "worst_response_s": {"one": worst[code][0], "other": worst[code][1]},
        }
        for code in sorted(priorities, key=lambda code: (-(counts[0][code] + counts[1][code]), code))
    ]


def _compare_trends(one: list[Document], other: list[Document]) -> list[Document]:
    rows: dict[str, dict[str, Any]] = {}
    for side, trends in (("one", one), ("other", other)):
        for trend in trends:
            row = rows.setdefault(str(trend["door"]), {"door": trend["door"], "one": None, "other": None})
            row[side] = {key: trend[key] for key in ("cycles", "opening_s", "closing_s", "dwell_s")}
    return list(rows.values())
