"""A warning that nobody acknowledges in time goes to the next role."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core.airframe import Site
from monitor.core.effects import PublishActive, PublishEvent
from monitor.core.times import format_time
from tests.core.rule_cases import at_door
from tests.stories import ARMED, Story, alder, demo_site

HANDLE: Final = ("armed-handle-moved", "L1")
"""A coordinator's warning, to be answered within 5 s."""


def site(*chain: str) -> Site:
    return replace(demo_site(), escalation=chain)


def warned(*chain: str) -> Story:
    """A warning that stands from 10 s on."""
    story = alder(site=site(*(chain or ("door team", "coordinator", "ops"))))
    story.bundle(at_door("L1", ARMED), at=3)
    story.send("door/L1/handle_lifted", True, at=10)
    return story


def alert(story: Story, place: tuple[str, str] = HANDLE) -> dict[str, Any]:
    found = story.alert(*place)
    assert found is not None
    return found


def asked(story: Story) -> tuple[str, bool]:
    """Who is asked now, and whether somebody else was before."""
    return str(alert(story)["role"]), "escalated" in alert(story)


def test_it_goes_to_the_next_role_exactly_when_its_time_is_up() -> None:
    story = warned()
    assert asked(story) == ("coordinator", False)
    story.until(14.999)
    assert asked(story) == ("coordinator", False)
    before = alert(story)
    story.until(15)
    assert asked(story) == ("ops", True)
    changed = {key for key, value in alert(story).items() if before.get(key) != value}
    assert changed == {"role", "escalated", "escalated_at"}, "what a person saw of it is still the newest"
    assert alert(story)["escalated_at"] == format_time(story.micros(15))


def test_no_event_is_told_of_it() -> None:
    story = warned()
    story.until(14)
    effects = story.system.advance(story.micros(16))
    assert [e.document["role"] for e in effects if isinstance(e, PublishActive) and e.document] == ["ops"]
    assert [e for e in effects if isinstance(e, PublishEvent)] == []


def test_it_climbs_role_by_role_and_stays_with_the_last() -> None:
    story = warned("coordinator", "door team", "maintenance", "ops")
    seen = []
    for second in (14, 15, 20, 25, 30, 60):
        story.until(second)
        seen.append(alert(story)["role"])
    assert seen == ["coordinator", "door team", "maintenance", "ops", "ops", "ops"]
    assert alert(story)["escalated_at"] == format_time(story.micros(25))


def test_a_role_that_is_not_in_the_chain_comes_before_it() -> None:
    story = warned("door team", "ops")
    story.until(15)
    assert asked(story) == ("door team", True)
    story.until(20)
    assert asked(story) == ("ops", True)


@pytest.mark.parametrize("chain", [("door team", "coordinator"), ("coordinator",)])
def test_the_last_role_keeps_it(chain: tuple[str, ...]) -> None:
    story = warned(*chain)
    story.until(100)
    assert asked(story) == ("coordinator", False)


def test_an_empty_chain_escalates_nothing() -> None:
    story = alder(site=site())
    story.bundle(at_door("L1", ARMED), at=3)
    story.send("door/L1/handle_lifted", True, at=10)
    story.until(100)
    assert asked(story) == ("coordinator", False)


def test_an_acknowledgement_stops_it_and_its_withdrawal_starts_it_anew() -> None:
    story = warned()
    story.until(12)
    story.acknowledge(*HANDLE)
    story.until(30)
    assert asked(story) == ("coordinator", False)
    story.unacknowledge(*HANDLE)
    story.until(34.999)
    assert asked(story) == ("coordinator", False)
    story.until(35)
    assert asked(story) == ("ops", True)


def test_who_was_asked_last_stays_on_what_they_acknowledge() -> None:
    story = warned()
    story.until(16)
    effects = story.acknowledge(*HANDLE)
    assert asked(story) == ("ops", True)
    assert [e.data["role"] for e in effects if isinstance(e, PublishEvent)] == ["ops"]
    story.unacknowledge(*HANDLE)
    assert asked(story) == ("coordinator", False), "it begins with the first again"


def test_what_is_over_is_not_handed_on_and_begins_anew_when_it_returns() -> None:
    story = warned()
    story.until(16)
    story.send("door/L1/handle_lifted", False, at=17)
    story.until(100)
    assert (alert(story)["state"], alert(story)["role"]) == ("rtn_unacknowledged", "ops")
    story.send("door/L1/handle_lifted", True, at=110)
    assert asked(story) == ("coordinator", False)
    story.until(115)
    assert asked(story) == ("ops", True)


def test_what_clears_in_time_is_not_handed_on() -> None:
    story = warned()
    story.send("door/L1/handle_lifted", False, at=14)
    story.until(100)
    assert asked(story) == ("coordinator", False)


def test_cautions_are_not_handed_on() -> None:
    story = alder()
    story.send("door/L1/lever_armed", True, at=10)
    story.until(600)
    assert (alert(story, ("girt-disagree", "L1"))["priority"], "escalated" in alert(story, ("girt-disagree", "L1"))) == (
        "caution", False,
    )  # fmt: skip


def test_a_caution_that_rises_is_and_one_that_falls_is_no_more() -> None:
    story = alder()
    story.send("door/L1/lever_armed", True, at=10)
    story.send("door/L1/handle_lifted", True, at=20)
    story.until(30)
    place = ("girt-disagree", "L1")
    rose = next(e.at for e in story.told(*place) if e.priority == "warning")
    story.until(rose + 29.999)
    assert "escalated" not in alert(story, place)
    story.until(rose + 30)
    assert (alert(story, place)["role"], alert(story, place)["escalated"]) == ("coordinator", True)
    story.send("door/L1/handle_lifted", False, at=rose + 40)
    story.until(rose + 300)
    assert (alert(story, place)["priority"], alert(story, place)["role"]) == ("caution", "coordinator")


def test_a_restart_keeps_who_is_asked_and_when_the_next_one_is() -> None:
    story = warned("coordinator", "door team", "ops")
    story.until(16)
    again = story.copy()
    assert again.system.record == story.system.record
    again.until(20)
    assert asked(again) == ("ops", True)


def test_an_aircraft_that_leaves_takes_it_along() -> None:
    story = warned()
    story.declare("away")
    story.until(60)
    assert story.alert(*HANDLE) is None
