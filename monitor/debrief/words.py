"""The words of a report, and its times, for people.

Owns what a state, an answer or a step is called in every form of a report; never colours.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from monitor.core.times import SECOND, parse_time
from monitor.debrief.periods import find_zone, local_time, say_clock, say_moment, say_offset, say_span, say_zone

STATES: Final[Mapping[str, str]] = {
    "unknown": "no data",
    "closed_locked": "locked",
    "armed": "armed",
    "unlocked": "unlocked",
    "armed_unlocked": "unlocked, armed",
    "ajar": "ajar",
    "open": "open",
    "slide_deployed": "slide deployed",
    "not-recorded": "not on record",
    "not-running": "monitor not running",
    "not-here": "not at the stand",
}
STEPS: Final[Mapping[str, str]] = {
    "waiting": "not reached",
    "due": "due",
    "taken": "taken",
    "skipped": "skipped",
    "out-of-order": "out of order",
    "too-slow": "too slow",
    "cannot-tell": "cannot tell",
}
UNSEEN: Final = "cannot tell: it could not be seen"
"""What is said of a rule of a procedure that nothing showed kept or broken."""
RUNS: Final[Mapping[str, str]] = {
    "running": "going on",
    "finished": "finished",
    "abandoned": "given up",
    "cannot-tell": "cannot tell",
}
QUESTIONS: Final[Mapping[str, str]] = {
    "open": "opening the door",
    "leave": "leaving",
    "board": "boarding",
    "refuel": "refuelling",
}
KINDS: Final[Mapping[str, str]] = {
    "drill": "Debrief of a drill",
    "aircraft": "Debrief of an aircraft",
    "stand": "Debrief of a stand",
    "period": "Debrief of a period",
    "compare": "Two drills side by side",
    "handover": "Hand-over",
}


NOT_KNOWN_OUTSIDE: Final = "What was told outside is not known: there is no outbox here, or it cannot be read."
REASONS_MAX: Final = 3
"""How many reasons of one answer are written out."""


def word(table: Mapping[str, str], key: object) -> str:
    """Return what something is called; what has no word of its own is called by its own name."""
    return table.get(str(key), str(key).replace("_", " ").replace("-", " "))


class Times:
    """The times of one report, in its zone: with the day where it spans more than one, and always with the offset."""

    def __init__(self, zone: str, since: str, until: str) -> None:
        self._name = zone
        self._zone = find_zone(zone)
        self._since, self._until = parse_time(since), parse_time(until)
        days = {local_time(at, self._zone).date() for at in (self._since, max(self._since, self._until - 1))}
        self._day = days.pop() if len(days) == 1 else None

    @property
    def zone(self) -> str:
        """Which zone it is, with its offsets."""
        return say_zone(self._name, self._since, self._until)

    def moment(self, text: str | None) -> str:
        """Write a document's time with its day and offset; ``-`` for none."""
        return "-" if text is None else say_moment(parse_time(text), self._zone)

    def clock(self, text: str | None) -> str:
        """Write a document's time as short as the report allows; ``-`` for none."""
        if text is None:
            return "-"
        at = parse_time(text)
        if local_time(at, self._zone).date() != self._day:
            return say_moment(at, self._zone)
        return f"{say_clock(at, self._zone)} {say_offset(local_time(at, self._zone))}"

    def between(self, begun: str, over: str) -> str:
        """Write how long something lasted."""
        return say_span(parse_time(over) - parse_time(begun))


def seconds(value: float | None) -> str:
    """Write a length in seconds in words; ``-`` for none."""
    return "-" if value is None else say_span(round(value * SECOND))


def in_time(alert: Mapping[str, Any]) -> str:
    """Say whether an alert was answered in time."""
    if alert["in_time"] is None:
        return "told late" if alert["late"] else "-"
    if alert["in_time"]:
        return "in time"
    return "too late" if alert["response_s"] is not None else "not answered"


def complete_run(run: Mapping[str, Any]) -> dict[str, Any]:
    """Return a procedure's run with every key that a report looks at, ``None`` where the run has it not."""
    steps = [{**dict.fromkeys(("at", "took_s", "limit_s", "reported")), **step} for step in run.get("steps", ())]
    optional = ("ended_at", "elapsed_s", "drill", "simulated", "late")
    drill = run.get("drill") and {"name": None, "score": None, **run["drill"]}
    return {**dict.fromkeys(optional), "forbidden": [], "unseen": [], **run, "steps": steps, "drill": drill}


def group_unwatched(rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Put hazards together that could not be seen for as long and for the same reasons: one row instead of hundreds."""
    groups: dict[tuple[str, float, str], dict[str, Any]] = {}
    for row in rows:
        key = (str(row["aircraft"]), round(row["deaf_minutes"], 1), ", ".join(row["reasons"]))
        group = groups.setdefault(key, {"aircraft": key[0], "minutes": key[1], "why": key[2], "doors": [], "codes": []})
        for name, value in (("doors", row["door"]), ("codes", row["code"])):
            if value not in group[name]:
                group[name].append(value)
    return sorted(groups.values(), key=lambda group: (group["aircraft"], -group["minutes"], group["why"]))


def group_lanes(lanes: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Put doors of an aircraft together that stood alike all the while, as most do that nobody touched."""
    groups: dict[tuple[str, str], dict[str, Any]] = {}
    for lane in lanes:
        if lane["states"]:
            key = (str(lane["aircraft"]), repr(lane["states"]))
            group = groups.setdefault(key, {"aircraft": lane["aircraft"], "doors": [], "states": lane["states"]})
            group["doors"].append(lane["door"])
    return list(groups.values())


def group_answers(answers: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """List when something spoke against a question or could not be told, in order; doors of which the same holds as one."""
    groups: dict[tuple[str, ...], dict[str, Any]] = {}
    for each in answers:
        for span in each["spans"]:
            if span["verdict"] not in ("stopped by", "cannot tell"):
                continue
            whys = [str(why) for why in span["stopped_by"]]
            why = "; ".join(whys[:REASONS_MAX]) + (
                f"; and {len(whys) - REASONS_MAX} more" if len(whys) > REASONS_MAX else ""
            )
            key = (str(each["question"]), str(span["from"]), str(span["to"]), str(span["verdict"]), why)
            group = groups.setdefault(key, {**span, "question": each["question"], "doors": [], "why": why})
            if each["door"] is not None:
                group["doors"].append(each["door"])
    return sorted(groups.values(), key=lambda group: (group["from"], group["question"], group["doors"]))


def place(document: Mapping[str, Any]) -> str:
    """Say where something is: ``TW-101 L1``, of an aircraft as a whole its registration, of none the site."""
    reg, door = document.get("aircraft"), document.get("door")
    if reg == "-":
        return "the site"
    return f"{reg} {door}" if door not in (None, "-", "") else str(reg)
