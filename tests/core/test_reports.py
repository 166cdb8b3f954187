"""What people say they saw: a witness with a name and an age, never believed over a sensor."""

from __future__ import annotations

from typing import Any, Final

import pytest

from monitor.core import readout
from monitor.core.effects import Effect, PublishDoor, RecordAudit
from monitor.core.events import DoorReported
from monitor.core.reports import MARKS, REPORTABLE, list_disagreements
from monitor.core.times import SECOND, format_time
from tests.stories import Story, alder, refusal

SEEN: Final = {"lock_indicator": "unlocked"}


def report(
    story: Story, sees: dict[str, Any], *, by: str = "Ann", door: str = "L1", reg: str = "TW-101"
) -> list[Effect]:
    return story.step(DoorReported(reg, door, tuple(sees.items()), by, "walked by", "board"))


def shown(story: Story, door: str = "L1") -> dict[str, Any]:
    """The reports in the door's retained document."""
    found = story.door(door).get("reports", {})
    assert isinstance(found, dict)
    return found


def disagreements(story: Story) -> list[tuple[str, Any, str, int]]:
    return list_disagreements(story.system.view("TW-101", "L1", story.now))


def test_a_word_is_shown_with_who_when_and_whether_the_sensors_say_the_same() -> None:
    story = alder().until(10)
    report(story, {"lock_indicator": "unlocked", "closed": True, "flap_pressed": True, "armed_light": True})
    at = format_time(story.now)
    assert shown(story) == {
        "armed_light": {"value": True, "by": "Ann", "at": at, "agrees": None},
        "closed": {"value": True, "by": "Ann", "at": at, "agrees": True},
        "flap_pressed": {"value": True, "by": "Ann", "at": at, "agrees": False},
        "lock_indicator": {"value": "unlocked", "by": "Ann", "at": at, "agrees": False},
    }
    story.until(70)
    whole = readout.describe_aircraft(story.system, "TW-101", story.now)
    assert whole is not None
    assert whole["doors"]["L1"]["reports"]["closed"]["age_s"] == 60.0
    assert whole["doors"]["R1"]["reports"] == {}


def test_it_changes_neither_a_reading_nor_a_state() -> None:
    story = alder().until(10)
    before = story.value("door/L1/closed"), story.state("L1")
    report(story, {"closed": False, "lever_armed": True, "slide_released": True})
    story.until(12)
    assert (story.value("door/L1/closed"), story.state("L1")) == before
    assert "lock_indicator" not in story.system.record.aircraft["TW-101"].doors["L1"].readings


def test_a_word_is_outdated_once_what_it_speaks_of_has_moved() -> None:
    story = alder().until(10)
    report(story, {"pin_fitted": False})
    assert shown(story)["pin_fitted"]["agrees"] is False
    story.send("door/L1/lever_armed", True, at=19)
    assert "pin_fitted" in shown(story)
    story.send("door/L1/pin_fitted", False, at=20)
    assert shown(story) == {}


def test_a_sensor_that_only_went_bad_leaves_the_word_alone() -> None:
    story = alder().until(10)
    report(story, {"pin_fitted": False})
    story.send("door/L1/pin_fitted", True, at=20, quality="bad")
    assert shown(story)["pin_fitted"]["agrees"] is None, "what is not known agrees with nobody"


def test_a_mark_s_own_sensor_is_asked_before_the_lock_s() -> None:
    story = alder().until(10)
    report(story, SEEN)
    assert shown(story)["lock_indicator"]["agrees"] is False
    story.send("door/L1/lock_indicator", "unlocked", at=20)
    assert shown(story)["lock_indicator"]["agrees"] is True


def test_what_contradicts_a_known_reading_is_listed_but_for_the_marks() -> None:
    story = alder().until(10)
    report(story, {"closed": False, "locked": True, "lock_indicator": "unlocked", "access": "bridge"})
    assert disagreements(story) == [("access", "bridge", "Ann", story.now), ("closed", False, "Ann", story.now)]
    story.send("door/L1/closed", True, at=11, quality="uncertain")
    assert [signal for signal, *_ in disagreements(story)] == ["access"]


def test_it_counts_for_ten_minutes_to_the_microsecond() -> None:
    story = alder().until(10)
    report(story, SEEN)
    story.until(609.999)
    assert shown(story)
    story.until(610)
    assert "reports" not in story.door("L1")
    assert story.system.record.aircraft["TW-101"].doors["L1"].reports is None


def test_a_newer_word_counts_from_its_own_moment() -> None:
    story = alder().until(10)
    report(story, SEEN)
    story.until(300)
    report(story, SEEN, by="Bea")
    story.until(650)
    assert shown(story)["lock_indicator"]["by"] == "Bea"
    story.until(900)
    assert "reports" not in story.door("L1")


def test_it_is_taken_back_with_null() -> None:
    story = alder().until(10)
    report(story, {"lock_indicator": "unlocked", "closed": False})
    report(story, {"closed": None}, by="Bea")
    assert set(shown(story)) == {"lock_indicator"}
    report(story, {"lock_indicator": None})
    assert "reports" not in story.door("L1")


def test_each_word_is_audited() -> None:
    story = alder().until(10)
    report(story, SEEN)
    effects = report(story, {"lock_indicator": None, "closed": True}, by="Bea")
    [row] = [effect for effect in effects if isinstance(effect, RecordAudit)]
    assert row == RecordAudit(
        story.now, "Bea", "report", "TW-101/L1", "walked by", "lock_indicator=unlocked",
        "closed=true, lock_indicator=withdrawn", "board",
    )  # fmt: skip


def test_an_aircraft_that_leaves_takes_them_along() -> None:
    story = alder().until(10)
    report(story, SEEN)
    story.declare("away")
    story.until(20)
    story.declare("present")
    story.until(60)
    assert "reports" not in story.door("L1")
    story.declare("away")
    refused = refusal(report(story, SEEN))
    assert refused is not None
    assert (refused.kind, "away" in refused.detail) == ("conflict", True)


def test_a_restart_keeps_them_and_when_they_end() -> None:
    story = alder().until(10)
    report(story, SEEN)
    again = story.copy()
    assert again.system.record == story.system.record
    again.until(611)
    assert "reports" not in again.door("L1")


@pytest.mark.parametrize(
    ("sees", "words", "kind", "says"),
    [
        (SEEN, {"door": "L9"}, "not-found", "no door L9"),
        (SEEN, {"reg": "TW-999"}, "not-found", "TW-999"),
        (SEEN, {"by": " "}, "refused", "name"),
        ({}, {}, "refused", "at least one"),
        ({"heartbeat": True}, {}, "refused", "give one of"),
        ({"travel": True}, {}, "refused", "give one of"),
        ({"nonsense": True}, {}, "refused", "give one of"),
        ({"lock_indicator": "ajar"}, {}, "refused", "locked, unlocked"),
        ({"lock_indicator": True}, {}, "refused", "a string"),
        ({"closed": "yes"}, {}, "refused", "true or false"),
    ],
)
def test_what_no_eye_can_answer_is_refused_with_what_would_be_right(
    sees: dict[str, Any], words: dict[str, str], kind: str, says: str
) -> None:
    story = alder().until(10)
    effects = report(story, sees, **words)
    refused = refusal(effects)
    assert refused is not None
    assert (len(effects), refused.kind, says in refused.detail) == (1, kind, True), refused.detail
    assert all(door.reports is None for door in story.system.record.aircraft["TW-101"].doors.values())


def test_one_bad_word_takes_none_down() -> None:
    story = alder().until(10)
    assert refusal(report(story, {"closed": False, "travel": True})) is not None
    assert story.system.record.aircraft["TW-101"].doors["L1"].reports is None


def test_yes_or_no_and_named_words_can_be_reported_and_nothing_else() -> None:
    assert {"closed", "latched", "locked", "lever_armed", "slide_released", "access", "selector", *MARKS} <= set(
        REPORTABLE
    )
    assert set(REPORTABLE).isdisjoint({"heartbeat", "travel", "slide_bottle_bar"})


def test_only_the_door_it_is_about_is_published() -> None:
    story = alder().until(10)
    effects = report(story, SEEN)
    assert [e.door for e in effects if isinstance(e, PublishDoor)] == ["L1"]
    assert story.now == 10 * SECOND + story.start


def test_a_word_lapses_whatever_else_was_heard_for_the_first_time() -> None:
    story = alder().until(10)
    report(story, {"locked": True})
    story.door_bundle("L1", {"locked": False, "latched": False, "handle_lifted": True, "ground_clear": True}, at=20)
    assert shown(story) == {}
