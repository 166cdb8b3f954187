"""A line of time is written from what is on record, and nothing is filled in."""

from __future__ import annotations

from typing import Any

from monitor.core.effects import NoteState, PublishEvent
from monitor.core.timeline import Change, Recorded, Stood, assemble_timeline
from monitor.core.times import SECOND, format_time
from tests.core.rule_cases import at_door
from tests.stories import ARMED, START, Story, alder


def moment(at: float) -> str:
    return format_time(START + round(at * SECOND))


def record(story: Story, **more: Any) -> Recorded:
    """Everything that a story led to, as a journal would have it."""
    stood = [Stood(e.time, e.door, e.state, e.slide) for e in story.effects if isinstance(e, NoteState)]
    changes = [Change(e.time, e.door, e.code, e.type, e.data) for e in story.effects if isinstance(e, PublishEvent)]
    recorded = Recorded(START, START, stood, changes, [])
    return recorded._replace(**more)


def line(recorded: Recorded, since: float = 0, until: float = 600) -> dict[str, Any]:
    ends = {"since": START + round(since * SECOND), "until": START + round(until * SECOND)}
    return assemble_timeline("TW-101", recorded, **ends)


def handled() -> Story:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=3)
    story.send("door/L1/handle_lifted", True, at=10)
    story.until(12)
    story.acknowledge("armed-handle-moved", "L1", by="Ben")
    story.send("door/L1/handle_lifted", False, at=20)
    story.until(60)
    return story


def test_each_door_is_told_change_by_change() -> None:
    document = line(record(handled()))
    assert document["doors"]["L1"] == [
        {"at": moment(0), "state": "closed_locked", "slide": "disengaged"},
        {"at": moment(3), "state": "armed", "slide": "engaged"},
        {"at": moment(10), "state": "armed_unlocked", "slide": "engaged"},
        {"at": moment(20), "state": "armed", "slide": "engaged"},
    ]
    assert document["doors"]["R1"] == [{"at": moment(0), "state": "closed_locked", "slide": "disengaged"}]


def test_an_alert_is_told_with_its_changes_and_who_made_them() -> None:
    (alert,) = line(record(handled()))["alerts"]
    changes = alert.pop("changes")
    assert {key: alert[key] for key in alert if key not in ("alert_id", "text")} == {
        "code": "armed-handle-moved", "door": "L1", "priority": "warning",
        "raised_at": moment(10), "ended_at": moment(20),
    }  # fmt: skip
    assert changes == [
        {"at": moment(10), "type": "raised", "priority": "warning", "state": "unacknowledged"},
        {"at": moment(12), "type": "acknowledged", "priority": "warning", "state": "acknowledged", "by": "Ben"},
        {"at": moment(20), "type": "cleared", "priority": "warning", "state": "normal"},
    ]


def test_a_warning_that_is_over_and_not_acknowledged_has_not_ended() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=3)
    story.send("door/L1/handle_lifted", True, at=10)
    story.send("door/L1/handle_lifted", False, at=20)
    (alert,) = line(record(story))["alerts"]
    assert (alert["ended_at"], alert["changes"][-1]["state"]) == (None, "rtn_unacknowledged")


def test_the_worst_priority_of_an_alert_is_kept() -> None:
    story = alder()
    story.send("door/L1/lever_armed", True, at=10)
    story.send("door/L1/handle_lifted", True, at=20)
    story.send("door/L1/handle_lifted", False, at=30)
    story.until(40)
    found = {alert["code"]: alert for alert in line(record(story))["alerts"]}
    girt = found["girt-disagree"]
    assert girt["priority"] == "warning"
    assert [change["priority"] for change in girt["changes"]] == ["caution", "warning", "caution"]


def test_two_alerts_of_one_place_are_two() -> None:
    story = handled()
    story.send("door/L1/handle_lifted", True, at=70)
    alerts = line(record(story))["alerts"]
    assert [(alert["raised_at"], alert["ended_at"]) for alert in alerts] == [
        (moment(10), moment(20)),
        (moment(70), None),
    ]


def test_nothing_on_record_is_nothing_told() -> None:
    document = line(Recorded(None, START, [], [], []))
    assert document == {
        "aircraft": "TW-101", "since": moment(0), "until": moment(600), "recorded_from": None, "cut": None,
        "doors": {}, "alerts": [], "monitor_not_running": [],
    }  # fmt: skip


def test_what_was_too_much_says_where_it_begins() -> None:
    document = line(record(handled(), begin=START + 15 * SECOND, first=START - SECOND))
    assert (document["since"], document["cut"], document["recorded_from"]) == (moment(0), moment(15), moment(-1))
    assert line(record(handled()))["cut"] is None


def test_a_stop_of_the_monitor_is_told_within_the_while() -> None:
    off = [(START - SECOND, START + 5 * SECOND), (START + 500 * SECOND, START + 700 * SECOND)]
    assert line(record(handled(), off=off))["monitor_not_running"] == [
        {"since": moment(0), "until": moment(5)},
        {"since": moment(500), "until": moment(600)},
    ]
