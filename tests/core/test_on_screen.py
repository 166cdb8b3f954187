"""A warning that no board in sight has drawn: the next role is asked at once, and the alert says so."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.core.effects import PublishActive, PublishEvent, RecordAudit, RefuseCommand
from monitor.core.events import AlertDrawn, AlertLeftUndrawn, PermitGranted
from monitor.core.times import MINUTE, format_time
from tests.core.rule_cases import at_door
from tests.core.test_escalation import HANDLE, alert, asked, warned
from tests.stories import ARMED, Story, alder

GIRT = ("girt-disagree", "L1")


def leave_undrawn(story: Story, at: float, place: tuple[str, str] = HANDLE) -> list[object]:
    story.until(at)
    return list(story.step(AlertLeftUndrawn(story.alert_id(*place))))


def draw(story: Story, at: float) -> list[object]:
    story.until(at)
    return list(story.step(AlertDrawn(story.alert_id(*HANDLE))))


def refusal(effects: list[object]) -> RefuseCommand:
    (refused,) = effects
    assert isinstance(refused, RefuseCommand)
    return refused


def test_it_goes_to_the_next_role_at_once_and_says_why() -> None:
    story = warned()
    before = alert(story)
    (shown,) = leave_undrawn(story, 13)
    assert isinstance(shown, PublishActive)
    assert asked(story) == ("ops", True)
    assert alert(story)["on_no_screen"] is True
    assert alert(story)["escalated_at"] == format_time(story.micros(13))
    changed = {key for key, value in alert(story).items() if before.get(key) != value}
    assert changed == {"role", "escalated", "escalated_at", "on_no_screen"}


def test_neither_an_event_nor_the_audit_tells_of_it() -> None:
    story = warned()
    effects = [*leave_undrawn(story, 13), *draw(story, 14)]
    assert [type(effect) for effect in effects] == [PublishActive, PublishActive]
    assert not any(isinstance(effect, (PublishEvent, RecordAudit)) for effect in effects)


def test_the_roles_after_it_are_asked_when_they_would_have_been_anyway() -> None:
    """Boards are no input of the wire: what time leads to is the same with and without them, and in a replay."""
    story, other = (warned("coordinator", "door team", "ops") for _ in range(2))
    leave_undrawn(story, 13)
    assert (asked(story), asked(other)) == (("door team", True), ("coordinator", False))
    for at, role in ((15, "door team"), (19.999, "door team"), (20, "ops")):
        assert asked(story.until(at)) == asked(other.until(at)) == (role, True)
    for each in (story, other):
        each.acknowledge(*HANDLE)
    assert [event.data for event in story.events] == [event.data for event in other.events]


def test_once_drawn_the_mark_goes_and_the_role_stays() -> None:
    story = warned()
    leave_undrawn(story, 13)
    draw(story, 14)
    assert "on_no_screen" not in alert(story)
    assert asked(story) == ("ops", True)


def test_a_screen_that_comes_and_goes_asks_the_next_role_once() -> None:
    story = warned("coordinator", "door team", "maintenance", "ops")
    for at in (12, 13, 14):
        leave_undrawn(story, at)
        assert (alert(story)["role"], alert(story)["on_no_screen"]) == ("door team", True)
        assert alert(story)["escalated_at"] == format_time(story.micros(12))
        draw(story, at + 0.5)
        assert "on_no_screen" not in alert(story)
    story.until(19.999)
    assert asked(story) == ("door team", True)
    story.until(20)
    assert asked(story) == ("maintenance", True)


def test_raised_again_it_may_be_handed_on_for_the_same_reason_again() -> None:
    story = warned()
    leave_undrawn(story, 12)
    story.acknowledge(*HANDLE)
    story.unacknowledge(*HANDLE)
    assert asked(story) == ("coordinator", False)
    leave_undrawn(story, 13)
    assert asked(story) == ("ops", True)


def test_the_last_role_keeps_what_is_on_no_screen() -> None:
    story = warned("coordinator")
    leave_undrawn(story, 13)
    assert alert(story)["on_no_screen"] is True
    assert asked(story) == ("coordinator", False)


def acknowledge(story: Story) -> None:
    story.acknowledge(*HANDLE)


def put_home(story: Story) -> None:
    story.send("door/L1/handle_lifted", False)


@pytest.mark.parametrize("end", [acknowledge, put_home])
def test_it_ends_with_what_asked_for_it_and_does_not_come_back(end: Callable[[Story], None]) -> None:
    story = warned()
    leave_undrawn(story, 13)
    end(story)
    assert "on_no_screen" not in alert(story)
    if end is acknowledge:
        story.unacknowledge(*HANDLE)
    else:
        story.send("door/L1/handle_lifted", True)
    assert alert(story)["state"] == "unacknowledged"
    assert "on_no_screen" not in alert(story)


def test_a_caution_that_fell_from_a_warning_has_no_mark_left() -> None:
    story = alder()
    story.send("door/L1/lever_armed", True, at=10)
    story.send("door/L1/handle_lifted", True, at=20)
    story.until(30)
    leave_undrawn(story, 31, GIRT)
    assert alert(story, GIRT)["on_no_screen"] is True
    story.send("door/L1/handle_lifted", False, at=32)
    assert alert(story, GIRT)["priority"] == "caution"
    assert "on_no_screen" not in alert(story, GIRT)


def test_only_a_warning_that_asks_to_be_acknowledged_has_to_be_seen() -> None:
    story = warned()
    story.acknowledge(*HANDLE)
    assert refusal(leave_undrawn(story, 13)).kind == "conflict"
    assert "on_no_screen" not in alert(story)
    story.send("door/L2/lever_armed", True, at=20)
    story.until(30)
    assert refusal(leave_undrawn(story, 31, ("girt-disagree", "L2"))).kind == "conflict"


def test_a_drill_needs_no_screen_and_ends_the_mark() -> None:
    story = warned()
    leave_undrawn(story, 13)
    story.step(PermitGranted("drill", story.reg, ("L1",), (), story.now + MINUTE, "Ann", "training"))
    assert alert(story)["drill"] is True
    assert "on_no_screen" not in alert(story)
    assert refusal(leave_undrawn(story, 14)).kind == "conflict"


def test_saying_it_twice_changes_nothing() -> None:
    story = warned("coordinator", "door team", "ops")
    leave_undrawn(story, 13)
    assert "already" in refusal(leave_undrawn(story, 14)).detail
    assert asked(story) == ("door team", True)
    draw(story, 15)
    assert "not marked" in refusal(draw(story, 16)).detail


@pytest.mark.parametrize("word", [AlertLeftUndrawn, AlertDrawn])
def test_an_alert_that_is_over_cannot_be_found(word: type[AlertLeftUndrawn] | type[AlertDrawn]) -> None:
    story = warned()
    gone = story.alert_id(*HANDLE)
    story.acknowledge(*HANDLE)
    story.send("door/L1/handle_lifted", False, at=12)
    assert refusal(list(story.step(word(gone)))).kind == "not-found"


def test_a_restart_keeps_the_mark() -> None:
    story = warned()
    leave_undrawn(story, 13)
    again = story.copy()
    assert again.system.record == story.system.record
    (shown,) = draw(again, 14)
    assert isinstance(shown, PublishActive)


def test_armed_again_at_another_door_is_its_own_matter() -> None:
    story = warned()
    leave_undrawn(story, 13)
    story.bundle(at_door("L2", ARMED), at=14)
    story.send("door/L2/handle_lifted", True, at=15)
    assert "on_no_screen" not in alert(story, ("armed-handle-moved", "L2"))
    assert alert(story)["on_no_screen"] is True
