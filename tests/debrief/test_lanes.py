"""Lines of time hold for every record: no hole, no overlap, no state where nobody looked; and no alert is lost."""

from __future__ import annotations

import itertools
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.alert import AlertState
from monitor.core.timeline import Stood
from monitor.core.times import SECOND, format_time
from monitor.debrief.alerts import sum_up, tell_alerts
from monitor.debrief.answers import AnswerLog
from monitor.debrief.lanes import cut_out, draw_bars, draw_lanes, find_blind, join_spans, leave_out
from monitor.debrief.trends import count_moves, find_trend
from monitor.debrief.values import NOT_RECORDED, NOT_RUNNING, Bar, Craft, Scope, Told

MOMENTS = st.integers(0, 200)
SPANS = st.lists(st.tuples(MOMENTS, MOMENTS), max_size=5)
STATES = st.sampled_from(["unknown", "closed_locked", "armed", "ajar", "open"])
NOTES = st.lists(st.tuples(MOMENTS, STATES), max_size=12).map(
    lambda notes: [Stood(at, "L1", state, "none") for at, state in sorted(notes, key=lambda note: note[0])]
)


def touching(spans: list[Any], since: int, until: int) -> bool:
    return [span[0] for span in spans] == [since, *(span[1] for span in spans[:-1])] and spans[-1][1] == until


@given(NOTES, SPANS, MOMENTS)
@settings(max_examples=50)
def test_bars_cover_the_period_without_overlap(notes: list[Stood], spans: list[tuple[int, int]], ends: int) -> None:
    since, until = 50, 150
    off = join_spans(spans, since, until)
    bars = draw_bars(notes, since, until, off, ends)
    assert touching(list(bars), since, until)
    assert all(a[2:] != b[2:] for a, b in itertools.pairwise(bars)), "what is alike is one"
    for moment in range(since, until, 3):
        (bar,) = [bar for bar in bars if bar.begun <= moment < bar.over]
        stopped = any(begun <= moment < over for begun, over in off)
        said = [note for note in notes if note.at <= moment]
        expected = (
            NOT_RUNNING if stopped else NOT_RECORDED if moment >= max(ends, since) or not said else said[-1].state
        )
        assert bar.state == expected
    blind = find_blind(bars, (), since, until, off, ends)
    hidden = {moment for gap in blind for moment in range(gap.begun, gap.over)}
    unseen = {NOT_RUNNING, NOT_RECORDED, "unknown"}
    assert hidden == {moment for bar in bars if bar.state in unseen for moment in range(bar.begun, bar.over)}


@given(SPANS, MOMENTS, MOMENTS)
def test_a_while_is_cut_without_loss(spans: list[tuple[int, int]], begun: int, length: int) -> None:
    parts = cut_out(begun, begun + length + 1, join_spans(spans, 0, 500))
    assert touching([part[:2] for part in parts], begun, begun + length + 1)


SCOPE = Scope("aircraft", "TW-101", "TW-101", None, None, None, 50 * SECOND, 150 * SECOND, "UTC")
DATA = {
    "alert_id": "a",
    "priority": "warning",
    "state": "unacknowledged",
    "active": True,
    "raised_at": format_time(10),
    "text": "t",
    "respond_within_s": 5,
}
LIVES = ["raised", "acknowledged", "cleared", "reraised", "shelved"]


@st.composite
def lives(draw: st.DrawFn) -> list[Told]:
    told = []
    for number in range(draw(st.integers(0, 6))):
        moments = sorted(draw(st.lists(st.integers(20, 149), min_size=1, max_size=6)))
        for place, second in enumerate(moments):
            kind = "raised" if place == 0 else draw(st.sampled_from(LIVES[1:]))
            data = {
                "alert_id": f"a{number}",
                "priority": draw(st.sampled_from(["warning", "caution", "advisory"])),
                "raised_at": format_time(moments[0] * SECOND),
                "state": draw(st.sampled_from(list(AlertState))),
                "active": draw(st.booleans()),
                "text": "t",
                "action": "a",
                "respond_within_s": draw(st.sampled_from([5, 60, None])),
            }
            if kind == "acknowledged":
                data["state"] = draw(st.sampled_from([AlertState.ACKNOWLEDGED, AlertState.NORMAL]))
            told.append(Told(second * SECOND, "TW-101", "L1", "code", kind, data))
    return sorted(told, key=lambda each: each.time)


def test_an_aircraft_that_stood_elsewhere_is_not_a_monitor_that_did_not_run() -> None:
    bars = (Bar(0, 100, "armed", "engaged"), Bar(100, 120, "not-running", "unknown"), Bar(120, 200, "open", "engaged"))
    left = leave_out(bars, [(50, 110), (150, 160)])
    assert [(bar.begun, bar.over, bar.state) for bar in left] == [
        (0, 50, "armed"),
        (50, 110, "not-here"),
        (110, 120, "not-running"),
        (120, 150, "open"),
        (150, 160, "not-here"),
        (160, 200, "open"),
    ]
    craft = Craft("TW-101", False, {}, {"L1": [Stood(0, "L1", "armed", "engaged")]}, {}, {}, [(0, 50), (80, 90)])
    scope = Scope("stand", "Stand S11", None, None, "S11", None, 0, 100, "UTC")
    mark = tell_alerts(scope, [Told(10, "TW-101", "L1", "code", "raised", DATA)])
    (lane,), _ = draw_lanes(scope, craft, mark, [(40, 45)], 101)
    assert [(bar.begun, bar.over, bar.state) for bar in lane.bars] == [
        (0, 40, "armed"),
        (40, 45, "not-running"),
        (45, 50, "armed"),
        (50, 80, "not-here"),
        (80, 90, "armed"),
        (90, 100, "not-here"),
    ]
    assert [gap[:2] for gap in lane.blind] == [(40, 45)], "what is not of the report is no gap of it"


def find_asked(own: list[Told]) -> int:
    """When an alert last began to ask for an answer before it first got one."""
    first = next(place for place, each in enumerate(own) if each.type == "acknowledged")
    asks = [each.data["state"] == AlertState.UNACKNOWLEDGED for each in own[: first + 1]]
    begins = [each.time for each, then, now in zip(own[1:], asks, asks[1:], strict=False) if now and not then]
    return begins[-1] if begins else own[0].time


@given(lives())
@settings(max_examples=60)
def test_no_alert_is_lost_and_an_answer_is_the_first_acknowledgement(told: list[Told]) -> None:
    lines = {line.alert_id: line for line in tell_alerts(SCOPE, told)}
    assert lines.keys() == {each.data["alert_id"] for each in told}
    for key, line in lines.items():
        own = [each for each in told if each.data["alert_id"] == key]
        answered = [each.time for each in own if each.type == "acknowledged"]
        assert line.acknowledged_at == min(answered, default=None)
        assert line.response == (answered[0] - find_asked(own) if answered else None)
        if line.response is not None and line.within is not None:
            assert (line.in_time is True) <= (line.response <= line.within)
            assert (line.in_time is None) <= (line.response > line.within)
        if line.within is None:
            assert line.in_time is None
    summary = sum_up(SCOPE, list(lines.values()))
    assert sum(summary["alerts"].values()) + summary["stood_before"] == len(lines)
    assert summary["within_time"] + summary["late"] <= len(lines)


@given(NOTES)
def test_moves_never_outnumber_what_was_seen(notes: list[Stood]) -> None:
    bars = draw_bars(notes, 0, 200, [], 200)
    moves = count_moves(bars)
    assert abs(moves.openings - moves.closings) <= 1 + sum(bar.state == "unknown" for bar in bars)
    assert len(moves.opening) <= moves.openings
    assert len(moves.closing) <= moves.closings
    trend = find_trend("TW-101", "L1", bars, notes)
    assert trend.cycles == min(moves.openings, moves.closings)


def test_an_opening_with_an_unknown_while_in_it_counts_for_no_time() -> None:
    states = ["closed_locked", "ajar", "unknown", "ajar", "open", "ajar", "closed_locked"]
    moves = count_moves(Bar(at, at + 1, state, "none") for at, state in enumerate(states))
    assert (moves.openings, moves.closings) == (1, 1)
    assert (moves.opening, moves.dwell, moves.closing) == ([], [1], [1])


def test_answers_cover_the_period_and_are_nobodys_while_the_monitor_was_off() -> None:
    log = AnswerLog(SCOPE)
    answer = {"verdict": "stopped by", "reasons": ["an engine runs"]}
    document = {
        "stand": "S12",
        "simulated": True,
        "doors": {"L1": answer},
        **dict.fromkeys(("leave", "board", "refuel"), answer),
    }
    log.take(60 * SECOND, "TW-101", document)
    log.take(120 * SECOND, "TW-101", None)
    off = [(80 * SECOND, 90 * SECOND)]
    answers = log.spans({}, off, 140 * SECOND)
    assert [(each.question, each.door) for each in answers] == [
        *(("leave", None), ("board", None), ("refuel", None), ("open", "L1")),
    ]
    for each in answers:
        assert touching(list(each.spans), SCOPE.since, SCOPE.until)
        assert [span.verdict for span in each.spans] == [
            *("not on record", "stopped by", "not on record", "stopped by", "not on record"),
        ]
    assert log.simulated == {"TW-101"}
    assert log.stands["TW-101"] == [(60 * SECOND, "S12"), (120 * SECOND, "")]
