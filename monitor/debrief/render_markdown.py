"""A report as Markdown, for a wiki, a ticket or a mail.

Owns the lines and how what people wrote is kept from being taken for markup. The pictures are
left out; every line of time stands there in words.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from monitor.core.alert import STATE_WORDS
from monitor.debrief import words
from monitor.debrief.words import Times, in_time, place, seconds, word

_MARKUP: Final = re.compile(r"([\\`*_{}\[\]<>#|~&])")
_BREAKS: Final = re.compile(r"\s+")


def plain(text: object) -> str:
    """Write a text so that Markdown, or HTML in it, takes no letter of it for markup; on one line."""
    return _MARKUP.sub(r"\\\1", _BREAKS.sub(" ", str(text)).strip())


def table(heads: Sequence[str], rows: Iterable[Sequence[object]], none: str) -> list[str]:
    """Write a table, or ``none`` where it has no row."""
    written = [f"| {' | '.join(plain(cell) or '-' for cell in row)} |" for row in rows]
    if not written:
        return [none, ""]
    return [f"| {' | '.join(heads)} |", f"|{' --- |' * len(heads)}", *written, ""]


def render_markdown(kind: str, document: Mapping[str, Any]) -> str:
    """Write a document of ``kind`` (debrief, compare, handover)."""
    of, made = document["of"], document["made"]
    times = Times(of["zone"], of["since"], of.get("until", of["since"]))
    title = of["title"] if kind == "handover" else f"{word(words.KINDS, of['kind'])}: {of['title']}"
    cautions = [line for text in document["cautions"] for line in (f"> {plain(text)}", ">")][:-1]
    bands = ["**SIMULATED: some or all of this was sent by a simulator, not by a real aircraft.**", ""]
    lines = [f"# {plain(title)}", "", *(bands if document["simulated"] else []), *_band_of_drill(of), *cautions, ""]
    lines += {"debrief": _debrief, "compare": _compare, "handover": _handover}[kind](document, times)
    lines += ["---", "", *cautions, ""]
    lines.append(
        f"Made {times.moment(made['at'])} from the record {plain(made['record'])} of site {plain(made['site'])}"
        f" by Sillwatch {made['version']}. Times are in {times.zone}."
    )
    return "\n".join(lines) + "\n"


def _band_of_drill(of: Mapping[str, Any]) -> list[str]:
    if of["kind"] != "drill":
        return []
    return [f"**DRILL{': it still runs, this is so far' if of['drill']['ended_at'] is None else ''}**", ""]


def _debrief(document: Mapping[str, Any], times: Times) -> list[str]:
    of, summary, health = document["of"], document["summary"], document["alarm_health"]
    counts, response = summary["alerts"], summary["response_s"]
    drill = of["drill"] or {}
    lines = [
        f"- Period: {times.moment(of['since'])} to {times.moment(of['until'])} ({times.between(of['since'], of['until'])})",
        f"- Aircraft: {plain(', '.join(of['aircraft']) or 'none')}"
        + (f", doors {plain(', '.join(of['doors']))}" if of["doors"] else ""),
        *([f"- Stand: {plain(of['stand'])}"] if of["stand"] else []),
        *[f"- {name}: {plain(drill[key])}" for key, name in _OF_DRILL if drill.get(key)],
        f"- On record: {times.moment(of['recorded_from'])} to {times.moment(of['recorded_to'])}",
        f"- Openings, closings: {summary['openings']}, {summary['closings']}",
        f"- Alerts raised: {counts['warning']} warning, {counts['caution']} caution, {counts['advisory']} advisory;"
        f" {summary['stood_before']} more stood already",
        f"- Acknowledged: {summary['acknowledged']}"
        + (f", median {seconds(response['median'])}, worst {seconds(response['worst'])}" if response else ""),
        f"- In time {summary['within_time']}, too late or not answered {summary['late']}",
        f"- Procedures: {summary['procedures']}"
        + (
            f", score {summary['score_percent']} % over the {summary['scored']} of them that could be scored"
            if summary["score_percent"] is not None
            else ""
        ),
        "",
        "## What could not be seen",
        "",
    ]
    lines += table(
        ("From", "To", "How long", "Why"),
        [
            (times.clock(g["from"]), times.clock(g["to"]), times.between(g["from"], g["to"]), g["why"])
            for g in of["gaps"]
        ],
        "The monitor ran and listened the whole time.",
    )
    groups = words.group_unwatched(document["not_watched"])
    if groups:
        lines += table(
            ("Aircraft", "Minutes", "Why", "Doors", "Hazards"),
            [(g["aircraft"], g["minutes"], g["why"], ", ".join(g["doors"]), ", ".join(g["codes"])) for g in groups],
            "",
        )
    lines += ["## Line of time", ""]
    lines += table(
        ("Doors", "From", "How long", "State", "Slide"),
        [
            (
                f"{group['aircraft']} {', '.join(group['doors'])}",
                times.clock(bar["from"]),
                times.between(bar["from"], bar["to"]),
                word(words.STATES, bar["state"]),
                bar["slide"],
            )
            for group in words.group_lanes(document["timeline"])
            for bar in group["states"]
        ],
        "No door stirred.",
    )
    if summary["doors_still"]:
        lines += [f"{summary['doors_still']} more doors did not stir and raised nothing.", ""]
    lines += ["## Procedures", "", *_procedures(document["procedures"], times)]
    lines += ["## Alerts", "", *_alerts(document["alerts"], times)]
    lines += ["## Readiness over time", ""]
    lines += _answers(document["readiness"], times)
    lines += ["## Trends", ""]
    lines += table(
        ("Door", "Cycles", "Opening took", "Stood open", "Closing took"),
        [
            (place(t), t["cycles"], _ways(t["opening_s"]), _ways(t["dwell_s"]), _ways(t["closing_s"]))
            for t in document["trends"]
        ],
        "No door was opened or closed.",
    )
    lines += ["## Alarm health", ""]
    lines += table(
        ("Role", "Raised", "Per hour", "Band"),
        [(role, f["raised"], f["per_hour"], f["band"]) for role, f in health["roles"].items()],
        "",
    )
    lines += [
        f"Counted {health['overall']['raised']}; left out {health['left_out']['drill']} of drills and"
        f" {health['left_out']['late']} told late. Floods: {health['overall']['floods']['number']}."
        f" Chattering: {health['overall']['chattering']['number']}. Longer than 24 h: {health['stale']['number']}.",
        "",
        "## What people did",
        "",
    ]
    return lines + table(
        ("When", "Who", "What", "To what", "Why"),
        [
            (times.clock(a["time"]), a["person"] or "-", a["action"], a["subject"], a["reason"] or "-")
            for a in document["actions"]
        ],
        "Nobody did anything that is on record here.",
    )


def _answers(readiness: Sequence[Mapping[str, Any]], times: Times) -> list[str]:
    if not readiness:
        return ["Readiness is not told in this report.", ""]
    lines: list[str] = []
    for reg in dict.fromkeys(answers["aircraft"] for answers in readiness):
        rows = [
            (
                f"{word(words.QUESTIONS, row['question'])} {', '.join(row['doors'])}",
                times.clock(row["from"]),
                times.between(row["from"], row["to"]),
                row["verdict"],
                row["why"],
            )
            for row in words.group_answers(answers for answers in readiness if answers["aircraft"] == reg)
        ]
        heads = (f"Question, {plain(reg)}", "From", "How long", "Answer", "Why")
        lines += table(heads, rows, f"{plain(reg)}: nothing was seen against any of it.")
    return lines


_OF_DRILL: Final = (("procedure", "Procedure"), ("by", "Led by"), ("trainee", "Trainee"), ("reason", "Reason"))


def _ways(ways: Mapping[str, Any] | None) -> str:
    if ways is None:
        return "-"
    usual = f" (usually {seconds(ways['usual'])})" if ways["usual"] is not None else ""
    return f"{seconds(ways['median'])}{usual}, {ways['n']} ×"


def _procedures(runs: Sequence[Mapping[str, Any]], times: Times) -> list[str]:
    lines: list[str] = []
    for run in map(words.complete_run, runs):
        score = (run["drill"] or {}).get("score")
        scored = f", score {score['percent']} %" if score else ""
        told = f"{run['title']}: {place(run)}, {word(words.RUNS, run['state'])}{scored}{_flags(run)}"
        lines += [f"### {plain(told)}", ""]
        rows = [
            (
                s["text"],
                word(words.STEPS, s["state"]),
                times.clock(s["at"]),
                seconds(s["took_s"]),
                seconds(s["limit_s"]),
            )
            for s in run["steps"]
        ]
        rows += [(rule["text"], "FORBIDDEN", times.clock(rule["at"]), "-", "-") for rule in run["forbidden"]]
        rows += [(f"Must not be: {rule['text']}", words.UNSEEN, "-", "-", "-") for rule in run["unseen"]]
        lines += table(("Step", "What became of it", "When", "Took", "At most"), rows, "It has no steps.")
    return lines or ["No procedure is on record in this period.", ""]


def _flags(document: Mapping[str, Any]) -> str:
    flags = [flag for flag in ("simulated", "drill", "late", "blind") if document.get(flag) is True]
    return f" ({', '.join(flags)})" if flags else ""


def _alerts(alerts: Sequence[Mapping[str, Any]], times: Times) -> list[str]:
    return table(
        ("Raised", "Alert", "Where", "Acknowledged", "After", "At most", "In time", "Over"),
        [
            (
                times.clock(a["raised_at"]),
                f"{a['priority']}: {a['code']}{_flags(a)}; {a['text']}",
                place(a),
                f"{times.clock(a['acknowledged_at'])} {a['by'] or ''}",
                seconds(a["response_s"]),
                seconds(a["respond_within_s"]),
                in_time(a),
                times.clock(a["cleared_at"]) if a["cleared_at"] else word(STATE_WORDS, a["state"]),
            )
            for a in alerts
        ],
        "No alert was raised, and none stood.",
    )


def _compare(document: Mapping[str, Any], times: Times) -> list[str]:
    names = [half["of"]["title"] for half in document["drills"]]
    heads = ("Figure", *map(plain, names))
    lines = [
        f"- {plain(half['of']['title'])}: {plain(', '.join(half['of']['aircraft']))},"
        f" {times.moment(half['of']['since'])} to {times.moment(half['of']['until'])}; {_say_gaps(half['of']['gaps'], times)}"
        for half in document["drills"]
    ]
    lines += ["", "## Figures", ""]
    figures: list[tuple[object, ...]] = [
        (row["text"], _figure(row["one"]), _figure(row["other"])) for row in document["figures"]
    ]
    responses = [document["response_s"][side] or {} for side in ("one", "other")]
    figures += [
        (f"Answered after, {key}", *(seconds(each.get(key)) for each in responses)) for key in ("median", "worst")
    ]
    lines += table(heads, figures, "")
    lines += ["## Steps", ""]
    lines += table(
        ("Procedure", "Step", *(cell for name in map(plain, names) for cell in (name, "took"))),
        [
            (
                row["title"] + (f", {row['run']}" if row["run"] > 1 else ""),
                row["text"],
                *(cell for half in (row["one"], row["other"]) for cell in _step(half)),
            )
            for row in document["steps"]
        ],
        "No procedure is on record in either.",
    )
    lines += ["## Alerts", ""]
    lines += table(
        ("Alert", *(cell for name in map(plain, names) for cell in (name, "worst answer"))),
        [
            (
                f"{row['priority']}: {row['code']}",
                *(cell for side in ("one", "other") for cell in (row[side], seconds(row["worst_response_s"][side]))),
            )
            for row in document["alerts"]
        ],
        "No alert was raised in either.",
    )
    lines += ["## How the doors moved", ""]
    return lines + table(
        ("Door", *(f"{way}, {name}" for name in map(plain, names) for way in ("Opening", "Closing"))),
        [
            (
                row["door"],
                *(
                    _ways(half[way] if half else None)
                    for half in (row["one"], row["other"])
                    for way in ("opening_s", "closing_s")
                ),
            )
            for row in document["trends"]
        ],
        "No door was opened or closed in either.",
    )


def _say_gaps(gaps: Sequence[Mapping[str, Any]], times: Times) -> str:
    told = [f"{times.moment(g['from'])}, {times.between(g['from'], g['to'])}: {g['why']}" for g in gaps]
    return f"not on record: {plain('; '.join(told))}" if told else "the monitor ran and listened"


def _figure(value: object) -> object:
    return "-" if value is None else value


def _step(half: Mapping[str, Any] | None) -> tuple[str, str]:
    return ("not on record", "-") if half is None else (word(words.STEPS, half["state"]), seconds(half["took_s"]))


def _handover(document: Mapping[str, Any], times: Times) -> list[str]:
    lines = [f"As of {times.moment(document['at'])}.", ""]
    for key, title, none in (
        ("open", "Open alerts", "No alert is open."),
        ("shelved", "Set aside", "Nothing is set aside."),
        ("out_of_service", "Out of service", "No alert that stands is out of service."),
        ("suppressed", "Suppressed", "Nothing is suppressed."),
    ):
        rows = [
            (
                f"{a['priority']}: {a['code']}{_flags(a)}; {a['text']}",
                place(a),
                times.moment(a["raised_at"]),
                _say_state(a, times),
                a["action"],
            )
            for a in document[key]
        ]
        lines += [f"## {title}", "", *table(("Alert", "Where", "Raised", "State", "What to do"), rows, none)]
    lines += ["## Permits", ""]
    lines += table(
        ("Permit", "Where", "Hazards out of service", "Until", "Left", "Why"),
        [
            (
                f"{p['kind']} {p.get('name') or ''}{_flags(p)}",
                f"{p['aircraft']} {', '.join(p['doors']) or 'all doors'}",
                ", ".join(p["codes"]) or "none",
                times.moment(p["until"]),
                seconds(p["seconds_left"]),
                f"{p['reason'] or '-'} {p['by'] or ''}",
            )
            for p in document["permits"]
        ],
        "No permit runs.",
    )
    lines += ["## Not seen, not heard", ""]
    lines += table(
        ("Place", "Why", "Hazards"),
        [
            *((place(b) + _flags(b), "blind", "the door's state") for b in document["blind"]),
            *((place(d) + _flags(d), d["why"], ", ".join(d["codes"])) for d in document["deaf_to"]),
            *((f["aircraft"] + _flags(f), f"feed {f['feed']}", "all") for f in document["feeds_lost"]),
        ],
        "Everything is seen and heard."
        if document["broker_connected"]
        else "The broker is not connected: none is heard.",
    )
    lines += ["## Chattering over the last 24 h", ""]
    chattering = [(c["code"], place(c), c["raised"]) for c in document["chattering"]]
    lines += table(("Alert", "Where", "Raised"), chattering, "None.")
    lines += ["## Not told outside", ""]
    if document["undelivered"] is None:
        return [*lines, words.NOT_KNOWN_OUTSIDE, ""]
    letters = [(u["destination"], u["waiting"], u["dead"]) for u in document["undelivered"]]
    return lines + table(("Destination", "Waiting", "Laid aside"), letters, "Everything was delivered.")


def _say_state(alert: Mapping[str, Any], times: Times) -> str:
    """Say who has it, why, and until when it is set aside."""
    until = alert.get("shelved_until") or alert.get("out_of_service_until")
    said = [word(STATE_WORDS, alert["state"]), alert.get("by"), alert.get("reason")]
    return ", ".join(filter(None, [*said, until and f"until {times.moment(until)}"]))
