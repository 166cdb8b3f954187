"""What it came to: from the facts of a record to a debrief, and its one form as a document.

Owns the putting together and the keys of the document, which every form of a report is made
of. Names of people are left out on demand, all of them. Pure.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterable, Sequence
from typing import Any, Final

from monitor.core import alarm_health
from monitor.core.alarm_health import Annunciation, LiveRates
from monitor.core.alert import AlertState
from monitor.core.effects import Document
from monitor.core.times import SECOND, format_time
from monitor.core.watched import describe_watch, measure_watch
from monitor.debrief.alerts import sum_up, tell_alerts
from monitor.debrief.lanes import draw_lanes
from monitor.debrief.trends import find_trend
from monitor.debrief.values import (
    Action,
    AlertLine,
    Answers,
    Craft,
    Debrief,
    Facts,
    Gap,
    Lane,
    Mark,
    Scope,
    Trend,
    Ways,
)

CAUTION: Final = "Advisory only. It does not replace your own look at the door, the aircraft's manuals, local rules or licensed practice."
ON_RECORD: Final = "It tells what was recorded: what the sensors did not tell, or nobody listened to, is not in it."
SIMULATED: Final = "Simulated: some or all of what follows was sent by a simulator, not by a real aircraft."
DRILL: Final = "A drill: the alerts of it were meant to happen and do not count towards alarm health."


def make_debrief(facts: Facts) -> Debrief:
    """Work out what the facts come to."""
    scope = facts.scope
    alerts = tell_alerts(scope, facts.told)
    lanes: list[Lane] = []
    still = 0
    for craft in facts.crafts:
        drawn, left = draw_lanes(scope, craft, alerts, facts.off, facts.recorded_to + 1)
        lanes += drawn
        still += left
    own = [alert for alert in alerts if alert.aircraft == "-" and alert.sounded]
    if own:
        lanes.insert(0, _site_lane(scope, own))
    simulated = any(craft.simulated for craft in facts.crafts) or any(alert.simulated for alert in alerts)
    cautions = [CAUTION, ON_RECORD]
    cautions += [SIMULATED] if simulated else []
    cautions += [DRILL] if scope.kind == "drill" else []
    cautions += [facts.no_answers] if facts.no_answers else []
    return Debrief(
        facts=facts,
        simulated=simulated,
        cautions=tuple(cautions),
        alerts=alerts,
        lanes=tuple(lanes),
        still=still,
        answers=tuple(facts.answers or ()),
        trends=tuple(_find_trends(facts.crafts, lanes)),
        alarm_health=_measure_health(facts, alerts),
        not_watched=tuple(_find_unwatched(facts)),
    )


def _site_lane(scope: Scope, own: Sequence[AlertLine]) -> Lane:
    marks = tuple(Mark(a.alert_id, a.code, a.priority, max(a.raised_at, scope.since), a.ended_at) for a in own)
    return Lane("-", "-", "", (), marks, ())


def _find_trends(crafts: Sequence[Craft], lanes: Iterable[Lane]) -> Iterable[Trend]:
    earlier = {(craft.reg, door): notes for craft in crafts for door, notes in craft.earlier.items()}
    for lane in lanes:
        if lane.bars:
            trend = find_trend(lane.aircraft, lane.door, lane.bars, earlier.get((lane.aircraft, lane.door), ()))
            if trend.openings or trend.closings:
                yield trend


def _measure_health(facts: Facts, alerts: Sequence[AlertLine]) -> Document:
    """As the service's own alarm health has it, for the period as far as it is on record."""
    scope = facts.scope
    since = min(max(scope.since, facts.recorded_from), scope.until - 1)
    figures = alarm_health.measure(facts.annunciations, since=since, until=scope.until, roles=alarm_health.ROLES)
    live = LiveRates(alarm_health.ROLES)
    for told in _up_to(facts.annunciations, scope.until):
        live.take(told)
    newest = {each.data["alert_id"]: each.data for each in facts.told}
    kept = {alert.alert_id for alert in alerts}
    standing = [dict(data) for key, data in newest.items() if key in kept and data["state"] != AlertState.NORMAL]
    floods = live.floods(scope.until)
    return {
        **figures,
        "recorded_from": format_time(facts.recorded_from),
        "stale": alarm_health.list_stale(standing, scope.until),
        "floods_now": {role: None if begun is None else format_time(begun) for role, begun in floods.items()},
    }


def _up_to(told: Iterable[Annunciation], until: int) -> Iterable[Annunciation]:
    return (each for each in told if each.time < until)


def _find_unwatched(facts: Facts) -> Iterable[Document]:
    """For how long which hazard could not be seen at which place, and why."""
    scope = facts.scope
    for craft in facts.crafts:
        places = {door: notes for door, notes in craft.notes.items() if scope.holds(door)}
        codes = {door: sorted({code for note in notes for code, *_ in note.deaf_to}) for door, notes in places.items()}
        every = (note for notes in places.values() for note in notes)
        sums = measure_watch(every, codes, since=scope.since, until=scope.until, off=facts.off)
        for door, watches in describe_watch(craft.reg, sums, since=scope.since, until=scope.until)["doors"].items():
            for code, watch in watches.items():
                if watch["deaf_minutes"]:
                    yield {"aircraft": craft.reg, "door": door, "code": code, **watch}


# The document


def describe_debrief(debrief: Debrief, *, names: bool = True) -> Document:
    """Write a debrief for a reader; without ``names`` nobody is named in it."""
    facts, scope = debrief.facts, debrief.facts.scope
    trends = debrief.trends
    document: Document = {
        "of": _describe_scope(debrief),
        "simulated": debrief.simulated,
        "cautions": list(debrief.cautions),
        "summary": {
            "openings": sum(trend.openings for trend in trends),
            "closings": sum(trend.closings for trend in trends),
            **sum_up(scope, debrief.alerts),
            "procedures": len(facts.procedures),
            **_find_score(facts.procedures),
            "doors_still": debrief.still,
        },
        "timeline": [_describe_lane(lane, debrief) for lane in debrief.lanes],
        "procedures": copy.deepcopy(list(facts.procedures)),
        "alerts": [_describe_alert(alert) for alert in debrief.alerts],
        "readiness": [_describe_answers(answers, debrief) for answers in debrief.answers],
        "trends": [_describe_trend(trend, debrief) for trend in trends],
        "alarm_health": debrief.alarm_health,
        "not_watched": [{**each, **_simulated(str(each.get("aircraft")), debrief)} for each in debrief.not_watched],
        "actions": [_describe_action(action, debrief) for action in facts.actions],
    }
    if not names:
        leave_out_names(document)
    return document


def _describe_scope(debrief: Debrief) -> Document:
    facts, scope = debrief.facts, debrief.facts.scope
    regs = [craft.reg for craft in facts.crafts]
    return {
        "kind": scope.kind,
        "title": scope.title,
        "aircraft": regs or ([scope.aircraft] if scope.aircraft is not None else []),
        "doors": None if scope.doors is None else list(scope.doors),
        "stand": scope.stand,
        "drill": None
        if scope.drill is None
        else {**copy.deepcopy(dict(scope.drill)), **_simulated(str(scope.aircraft), debrief)},
        "since": format_time(scope.since),
        "until": format_time(scope.until),
        "zone": scope.zone,
        "recorded_from": format_time(facts.recorded_from),
        "recorded_to": format_time(facts.recorded_to),
        "gaps": [_describe_gap(gap) for gap in facts.gaps],
    }


def _describe_gap(gap: Gap) -> Document:
    return {"from": format_time(gap.begun), "to": format_time(gap.over), "why": gap.why}


def _simulated(reg: str, debrief: Debrief) -> Document:
    return {"simulated": True} if any(craft.reg == reg and craft.simulated for craft in debrief.facts.crafts) else {}


def _describe_lane(lane: Lane, debrief: Debrief) -> Document:
    return {
        "aircraft": lane.aircraft,
        "door": lane.door,
        "kind": lane.kind,
        "states": [
            {"from": format_time(bar.begun), "to": format_time(bar.over), "state": bar.state, "slide": bar.slide}
            for bar in lane.bars
        ],
        "alerts": [
            {
                "alert_id": mark.alert_id,
                "code": mark.code,
                "priority": mark.priority,
                "from": format_time(mark.begun),
                "to": None if mark.over is None else format_time(mark.over),
            }
            for mark in lane.marks
        ],
        "cannot_see": [_describe_gap(gap) for gap in lane.blind],
        **_simulated(lane.aircraft, debrief),
    }


def _describe_alert(alert: AlertLine) -> Document:
    return {
        "alert_id": alert.alert_id,
        "code": alert.code,
        "priority": alert.priority,
        "aircraft": alert.aircraft,
        "stand": alert.stand,
        "door": alert.door,
        "raised_at": format_time(alert.raised_at),
        "cleared_at": _time(alert.cleared_at),
        "acknowledged_at": _time(alert.acknowledged_at),
        "by": alert.by,
        "response_s": None if alert.response is None else alert.response / SECOND,
        "respond_within_s": None if alert.within is None else alert.within / SECOND,
        "in_time": alert.in_time,
        "state": alert.state,
        "text": alert.text,
        "action": alert.action,
        "drill": alert.drill,
        "simulated": alert.simulated,
        "late": alert.late,
        "sounded": alert.sounded,
    }


def _time(at: int | None) -> str | None:
    return None if at is None else format_time(at)


def _describe_action(action: Action, debrief: Debrief) -> Document:
    reg = action.subject.partition("/")[0]
    return {**action._asdict(), "time": format_time(action.time), **_simulated(reg, debrief)}


def _describe_answers(answers: Answers, debrief: Debrief) -> Document:
    return {
        **_simulated(answers.aircraft, debrief),
        "aircraft": answers.aircraft,
        "question": answers.question,
        "door": answers.door,
        "spans": [
            {
                "from": format_time(span.begun),
                "to": format_time(span.over),
                "verdict": span.verdict,
                "stopped_by": list(span.stopped_by),
            }
            for span in answers.spans
        ],
    }


def _describe_trend(trend: Trend, debrief: Debrief) -> Document:
    return {
        "aircraft": trend.aircraft,
        "door": trend.door,
        "openings": trend.openings,
        "closings": trend.closings,
        "cycles": trend.cycles,
        "opening_s": _describe_ways(trend.opening),
        "closing_s": _describe_ways(trend.closing),
        "dwell_s": _describe_ways(trend.dwell),
        **_simulated(trend.aircraft, debrief),
    }


def _describe_ways(ways: Ways | None) -> Document | None:
    if ways is None:
        return None
    usual = None if ways.usual is None else round(ways.usual / SECOND, 3)
    return {"median": round(ways.median / SECOND, 3), "usual": usual, "n": ways.n}


def _find_score(procedures: Sequence[Document]) -> Document:
    """The mean of the scores that could be given, and of how many runs: one that was given up has none."""
    scores = [run["drill"]["score"]["percent"] for run in procedures if (run.get("drill") or {}).get("score")]
    return {"score_percent": round(sum(scores) / len(scores), 1) if scores else None, "scored": len(scores)}


PERSONAL: Final = frozenset({"by", "person", "trainee", "reason"})
"""The keys under which people are named, or may be in what they wrote themselves."""


_WORD: Final = "'s report of "
_WITNESS: Final = re.compile(
    r"(^(?:[^:]*: )?|\band )((?:the (?:lock mark|armed lamp|pressure lamp) and )*).+?'s report of (?=\d\d:\d\dZ on )",
    re.DOTALL,
)
"""Who reported, in the text of an alert that holds a person's word against the sensors."""


def leave_out_names(document: Any) -> None:
    """Empty whatever names a person, wherever it stands; in place. Texts say "a person" instead."""
    entries = document.items() if isinstance(document, dict) else enumerate(document)
    for key, value in entries:
        if isinstance(value, dict | list):
            leave_out_names(value)
        elif isinstance(value, str) and key in PERSONAL:
            document[key] = None
        elif isinstance(value, str) and _WORD in value:
            document[key] = _WITNESS.sub(r"\1\2a person's report of ", value)
