"""The retained answers of an aircraft: published when one changes, at most once a second, and emptied when it leaves."""

from __future__ import annotations

from typing import Any

from monitor.core import readout
from monitor.core.effects import PublishReadiness
from monitor.core.lineup import ANSWERS_APART, ANSWERS_EVERY
from monitor.core.times import SECOND
from tests.stories import Story, alder


def published(story: Story) -> list[PublishReadiness]:
    return [effect for effect in story.effects if isinstance(effect, PublishReadiness)]


def latest(story: Story) -> dict[str, Any]:
    document = published(story)[-1].document
    assert document is not None
    return document


def opening(story: Story, door: str) -> tuple[str, list[str]]:
    answer = latest(story)["doors"][door]
    return answer["verdict"], answer["reasons"]


def test_they_are_published_once_the_aircraft_is_known() -> None:
    story = alder(answering=True)
    assert latest(story)["aircraft"] == story.reg
    assert opening(story, "H1") == ("nothing seen against it", [])


def test_the_instant_s_alerts_go_first_and_the_answer_follows_at_the_same_moment() -> None:
    story = alder(answering=True).until(5.0)
    before = len(published(story))
    story.send("door/H1/latched", False, at=10.0)
    assert len(published(story)) == before
    story.until(10.0)  # what is due now is judged when next asked
    assert len(published(story)) == before + 1


def test_nothing_is_published_while_no_answer_changes() -> None:
    story = alder(answering=True).until(5.0)
    before = len(published(story))
    for second in range(6, 60):
        story.send("door/L1/slide_bottle_bar", 200.0 + second % 3, at=second)
        story.send("airframe/differential_pressure_hpa", 0.1 * (second % 2), at=second + 0.5)
    assert len(published(story)) == before


def test_a_flapping_answer_is_published_at_most_once_a_second() -> None:
    story = alder(answering=True).until(5.0)
    before = len(published(story))
    for tick in range(100):
        story.send("door/H1/closed", bool(tick % 2), at=10.0 + tick / 10)
    story.until(25.0)
    assert 2 <= len(published(story)) - before <= 11
    assert ANSWERS_EVERY == SECOND


def test_pressure_stops_every_opening() -> None:
    story = alder(answering=True).until(5.0)
    story.send("airframe/differential_pressure_hpa", 8.0, at=10.0)
    story.until(11.5)
    verdict, reasons = opening(story, "H1")
    assert verdict == "stopped by"
    assert any("pressure" in reason for reason in reasons)


def test_they_are_emptied_when_the_aircraft_leaves_and_come_back_with_it() -> None:
    story = alder(answering=True).until(5.0)
    story.declare("away")
    assert published(story)[-1] == PublishReadiness(story.reg, None)
    story.until(20.0)
    assert published(story)[-1] == PublishReadiness(story.reg, None)
    story.declare("present")
    story.until(22.0)
    assert latest(story)["aircraft"] == story.reg


def test_what_is_held_is_what_was_published() -> None:
    story = alder(answering=True).until(5.0)
    places = [place for place in readout.held_places(story.system) if place[1] == ""]
    assert places == [(story.reg, "", "")]
    assert readout.describe_held(story.system, story.reg, "", "", story.now) == published(story)[-1]


def test_a_lost_feed_leaves_nothing_to_rely_on() -> None:
    story = alder(answering=True).until(5.0)
    story.beating = False
    story.until(60.0)
    document = latest(story)
    assert {answer["verdict"] for answer in document["doors"].values()} <= {"cannot tell", "stopped by"}
    assert document["leave"]["verdict"] != "nothing seen against it"


def test_many_aircraft_at_once_take_turns() -> None:
    story = alder(answering=True)
    others = [
        Story(system=story.system, reg=f"TW-2{n:02}", start=story.start, stand=f"S{n}").until(1.0) for n in range(20)
    ]
    for other in others:
        other.baseline()
    last = others[-1]
    last.until(1.0 + 20 * ANSWERS_APART / SECOND)
    told = {effect.aircraft for other in others for effect in published(other)}
    assert told >= {other.reg for other in others}


def test_what_rarely_changes_an_answer_is_looked_at_in_a_while() -> None:
    story = alder(answering=True)
    story.door_bundle("L2", {"lever_armed": True, "girt_left": True, "girt_right": True, "pin_fitted": False})
    story.until(10.0)
    assert "L2" in latest(story)["exits"]["usable"]
    story.send("door/L2/slide_bottle_bar", 120.0, at=11.0)
    story.until(15.9)
    assert "L2" in latest(story)["exits"]["usable"]
    story.until(16.0)
    assert "L2" not in latest(story)["exits"]["usable"]


def test_what_it_sets_off_is_looked_at_at_once() -> None:
    story = alder(answering=True).until(5.0)
    story.door_bundle("CF", {"selector": "open"}, at=10.0)
    story.door_bundle("CF", {"latched": False, "locked": False, "lock_flags": False, "handle_lifted": True}, at=11.0)
    story.door_bundle("CF", {"closed": False, "travel": 0.3}, at=12.0)
    story.send("stand/S12/wind_kt", 20.0, at=13.0)
    story.until(20.0)
    story.send("stand/S12/wind_kt", 45.0, at=21.0)
    before = len(published(story))
    story.until(23.0)  # the alert comes after 2 s, and with it the answer
    assert story.alert("wind-limit", "CF") is not None
    assert len(published(story)) > before


def test_nobody_waits_for_a_neighbour_that_changes_all_the_time() -> None:
    busy = alder(answering=True)
    calm = Story(system=busy.system, reg="TW-300", start=busy.start, stand="S14").until(1.0)
    calm.baseline().until(5.0)
    for tick in range(30):
        busy.send("door/H1/closed", bool(tick % 2), at=6.0 + tick / 10)
    calm.send("door/H2/latched", False, at=9.05)
    calm.until(9.05 + 3 * ANSWERS_APART / SECOND)
    told = [effect for effect in published(calm) if effect.aircraft == "TW-300"][-1]
    assert told.document is not None
    assert any("H2" in reason for reason in told.document["leave"]["reasons"])
