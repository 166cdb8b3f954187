"""What a debrief says is what the journal holds: every alert, every answer, every while."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import orjson
import pytest

from monitor.core.times import MINUTE, SECOND, format_time, parse_time
from monitor.debrief.archive import Archive
from monitor.debrief.asking import Asked, find_scope
from monitor.debrief.debrief import leave_out_names
from monitor.debrief.periods import ReportError
from monitor.debrief.reports import Limits, compare_document, debrief_document, handover_document
from tests.debrief.records import NOW, SCRIPT, debrief_of, demo_config, desk_at
from tests.stories import REG, STAND, START


def at(seconds: float) -> str:
    return format_time(START + round(seconds * SECOND))


def history(folder: Path) -> list[dict[str, Any]]:
    with contextlib.closing(Archive(folder)) as archive:
        page = archive.history(
            aircraft=None, door=None, code=None, since=None, until=None, limit=1000, before_cursor=None
        )
    return page.rows[::-1]


def covers(spans: Iterable[dict[str, Any]], since: str, until: str) -> bool:
    """Whether spans follow one another from one end to the other."""
    place = since
    for span in spans:
        if span["from"] != place or parse_time(span["to"]) <= parse_time(span["from"]):
            return False
        place = span["to"]
    return place == until


@pytest.mark.parametrize("asked", [{"aircraft": REG}, {"stand": STAND}, {}])
def test_every_alert_of_the_journal_is_in_it_with_the_journals_own_times(record: Path, asked: dict[str, str]) -> None:
    document = debrief_of(record, **asked)
    events = history(record)
    raised = {event["data"]["alert_id"]: event for event in events if event["type"].endswith(".raised")}
    alerts = {alert["alert_id"]: alert for alert in document["alerts"]}
    assert alerts.keys() == raised.keys()
    assert raised
    for key, event in raised.items():
        assert alerts[key]["raised_at"] == event["time"]
        answered = [e for e in events if e["data"]["alert_id"] == key and e["type"].endswith(".acknowledged")]
        took = (parse_time(answered[0]["time"]) - parse_time(event["time"])) / SECOND if answered else None
        assert alerts[key]["response_s"] == took
        assert alerts[key]["by"] == (answered[0]["data"]["by"] if answered else None)
    assert sum(document["summary"]["alerts"].values()) == len(raised)


def test_a_line_covers_its_period_and_is_never_drawn_where_nothing_was_recorded(record: Path) -> None:
    document = debrief_of(record, aircraft=REG, since=at(-60))
    of = document["of"]
    lanes = [lane for lane in document["timeline"] if lane["states"]]
    assert len(lanes) == 15
    for lane in lanes:
        assert covers(lane["states"], of["since"], of["until"]), lane["door"]
        assert lane["states"][0]["state"] == "not-recorded"
        assert lane["states"][0]["to"] == at(0)
    assert [gap["why"] for gap in of["gaps"]] == ["nothing is on record, or no longer"]
    (front,) = [lane for lane in lanes if lane["door"] == "L1"]
    assert [bar["state"] for bar in front["states"]][1:9] == [
        *("armed", "armed_unlocked", "armed", "armed_unlocked", "armed", "closed_locked", "ajar", "open"),
    ]
    assert [gap["why"] for gap in front["cannot_see"]] == ["nothing is on record", "its sensors did not tell"]
    for answers in document["readiness"]:
        assert covers(answers["spans"], of["since"], of["until"])
        assert answers["spans"][0]["verdict"] == "not on record"


def test_moves_are_counted_and_timed(record: Path) -> None:
    document = debrief_of(record, aircraft=REG, door="L1")
    (trend,) = document["trends"]
    assert (trend["openings"], trend["closings"], trend["cycles"]) == (1, 1, 1)
    assert trend["opening_s"] == {"median": 4.0, "usual": None, "n": 1}
    assert trend["dwell_s"]["median"] == 14.0
    assert trend["closing_s"]["median"] == 5.0
    assert {lane["door"] for lane in document["timeline"]} == {"L1"}
    assert {answers["door"] for answers in document["readiness"]} == {None, "L1"}


def test_a_drill_is_found_by_its_number_and_told_from_its_beginning_to_its_end(record: Path) -> None:
    whole = debrief_of(record, aircraft=REG)
    (granted,) = [action for action in whole["actions"] if action["action"] == "grant-permit"]
    permit_id = granted["subject"].rpartition("/")[2]
    document = debrief_of(record, drill=permit_id)
    assert (document["of"]["since"], document["of"]["until"]) == (at(30), at(81))
    assert document["of"]["drill"]["by"] == "Ben"
    assert document["of"]["doors"] == ["L1"]
    assert [(a["code"], a["drill"], a["in_time"]) for a in document["alerts"]] == [("armed-handle-moved", True, None)]
    assert document["alarm_health"]["overall"]["raised"] == 0
    assert document["alarm_health"]["left_out"]["drill"] == 1
    assert any("drill" in caution for caution in document["cautions"])
    assert debrief_of(record, drill=permit_id[:8])["of"] == document["of"]
    with pytest.raises(ReportError, match=r"no drill 'other' is on record; the newest on record are .*TW-101"):
        debrief_of(record, drill="other")


def test_a_procedure_that_ended_behind_the_period_is_told_once_as_it_ended(record: Path) -> None:
    document = debrief_of(record, aircraft=REG, since=at(0), until=at(45))
    runs = [run["run_id"] for run in document["procedures"]]
    assert len(runs) == len(set(runs)) == document["summary"]["procedures"]
    [ended] = [run for run in document["procedures"] if run["ended_at"] is not None and run["ended_at"] > at(45)]
    assert ended["state"] == "finished"


@pytest.mark.parametrize(
    ("said", "without"),
    [
        (
            "L2: Ann's report of 10:00Z on the lock mark contradicts",
            "L2: a person's report of 10:00Z on the lock mark contradicts",
        ),
        ("L2: Ann and Bo's report of 10:00Z on closed", "L2: a person's report of 10:00Z on closed"),
        (
            "L2: the lock mark and Ann: shift 2's report of 10:00Z on the armed lamp and Bo's report of 10:01Z on closed",
            "L2: the lock mark and a person's report of 10:00Z on the armed lamp and a person's report of 10:01Z on closed",
        ),
        ("Ann's report of 10:00Z on closed", "a person's report of 10:00Z on closed"),
        ("L2: the lock mark contradicts the sensors.", "L2: the lock mark contradicts the sensors."),
    ],
)
def test_a_text_that_names_who_reported_says_a_person_instead(said: str, without: str) -> None:
    document = {"text": said, "why": [said], "spans": [{"reason": said, "stopped_by": [said]}], "by": "Ann"}
    leave_out_names(document)
    spans = [{"reason": None, "stopped_by": [without]}]
    assert document == {"text": without, "why": [without], "spans": spans, "by": None}


def test_without_names_nobody_is_named(record: Path) -> None:
    text = orjson.dumps(debrief_of(record, names=False)).decode()
    assert "Ann" not in text
    assert "Ben" not in text
    assert "alert(1)" not in text
    named = orjson.dumps(debrief_of(record)).decode()
    assert "Ann" in named
    assert "Ben" in named
    assert "alert(1)" in named


def test_what_stood_already_is_told_but_not_counted_again(record: Path) -> None:
    document = debrief_of(record, aircraft=REG, since=at(33), until=at(60))
    (alert,) = document["alerts"]
    assert (alert["raised_at"], document["summary"]["stood_before"]) == (at(32), 1)
    assert sum(document["summary"]["alerts"].values()) == 0


@pytest.mark.parametrize(
    ("asked", "kind", "said"),
    [
        ({"aircraft": "TW-10"}, "not-found", "no aircraft TW-10 is on record; did you mean TW-101?"),
        ({"aircraft": REG, "door": "L9"}, "not-found", "no door L9 of TW-101 is on record; on record are CA, CB"),
        ({"stand": "S99"}, "not-found", "tarnwick has no stand S99"),
        ({"since": "2026-02-01", "until": "2026-02-03"}, "not-found", "the record holds 2026-03-01 10:00:00 UTC to"),
        ({"since": "2026-03-02"}, "wrong", "has no length"),
        ({"since": "soon"}, "wrong", "'soon' is no moment; give a time such as"),
        ({"zone": "Tarnwick"}, "wrong", "is no IANA time zone"),
        ({"aircraft": REG, "stand": STAND}, "wrong", "give one of"),
        ({"stand": "S11"}, "not-found", "nothing of an aircraft at stand S11 is on record"),
    ],
)
def test_what_cannot_be_told_is_refused_in_a_sentence(
    record: Path, asked: dict[str, str], kind: str, said: str
) -> None:
    with pytest.raises(ReportError) as refused:
        debrief_of(record, **asked)
    assert refused.value.kind == kind
    assert said in str(refused.value)


def test_a_record_that_goes_on_has_no_gap_at_its_end_and_one_that_ended_has(record: Path) -> None:
    assert debrief_of(record)["of"]["gaps"] == []
    later = debrief_of(record, now=NOW + 10 * MINUTE)["of"]
    assert [gap["why"] for gap in later["gaps"]] == ["nothing is on record any more"]
    assert later["gaps"][0]["to"] == later["until"] == format_time(NOW + 10 * MINUTE)


def test_readiness_is_left_out_where_it_is_too_much_and_that_is_said(record: Path) -> None:
    with desk_at(record) as desk:
        document = debrief_document(desk._replace(limits=Limits(inputs=3)), Asked(aircraft=REG), names=True)
    assert document["readiness"] == []
    assert any("Readiness is left out" in caution for caution in document["cautions"])
    assert document["alerts"]


def test_two_drills_stand_side_by_side(record: Path) -> None:
    with desk_at(record) as desk:
        (drill,) = [a for a in debrief_of(record)["actions"] if a["action"] == "grant-permit"]
        name = drill["subject"].rpartition("/")[2]
        document = compare_document(desk, Asked(drill=name), Asked(drill=name), names=True)
    one, other = document["drills"]
    assert one["alerts"] == other["alerts"]
    assert [(row["one"], row["other"]) for row in document["alerts"]] == [(1, 1)]
    assert all(row["one"] == row["other"] for row in document["steps"])
    assert document["figures"][0] == {"figure": "openings", "text": "Openings", "one": 1, "other": 1}


def test_a_hand_over_tells_what_is_open_without_a_monitor(record: Path) -> None:
    with desk_at(record) as desk:
        document = handover_document(desk, record, None, names=True)
    assert [(alert["code"], alert["state"]) for alert in document["open"]] == [
        ("armed-handle-moved", "rtn_unacknowledged")
    ]
    assert document["permits"] == []
    assert document["drills"] == []
    assert [craft["aircraft"] for craft in document["aircraft"]] == [REG]
    assert document["undelivered"] is None
    assert {row["why"] for row in document["deaf_to"]} >= {"not fitted"}
    with desk_at(record, NOW + 10 * MINUTE) as desk:
        late = handover_document(desk, record, None, names=True)
    assert any("The record ends at" in caution for caution in late["cautions"])


def test_what_people_did_is_told_as_they_wrote_it(record: Path) -> None:
    actions = debrief_of(record, aircraft=REG)["actions"]
    assert [(a["person"], a["action"]) for a in actions] == [
        *(("Ann", "acknowledge"), ("Ben", "grant-permit"), ("Ben", "end-permit")),
    ]
    assert actions[0]["reason"] == SCRIPT


def test_a_day_is_a_local_day(record: Path) -> None:
    with contextlib.closing(Archive(record)) as archive:
        asked = Asked(since="2026-03-01", until="2026-03-01", zone="Etc/GMT-2")
        scope = find_scope(archive, asked, demo_config().site, NOW + 30 * 3600 * SECOND)
    assert (format_time(scope.since), format_time(scope.until)) == (
        "2026-02-28T22:00:00.000Z",
        "2026-03-01T22:00:00.000Z",
    )
