"""How a door stands is kept whenever it becomes another, and only then."""

from __future__ import annotations

from monitor.core import snapshot
from monitor.core.effects import NoteState, PublishDoor
from monitor.core.events import MonitorStarted
from monitor.core.system import System
from monitor.core.times import SECOND
from tests.core.rule_cases import at_door
from tests.stories import ARMED, DISARMED, LOCKED, OUT, Story, alder


def notes(story: Story, door: str = "L1") -> list[tuple[float, str, str]]:
    return [
        ((effect.time - story.start) / SECOND, effect.state, effect.slide)
        for effect in story.effects
        if isinstance(effect, NoteState) and effect.door == door and effect.aircraft == story.reg
    ]


def test_every_door_is_noted_once_as_it_is_met() -> None:
    story = alder()
    story.until(60)
    assert notes(story) == [(0, "closed_locked", "disengaged")]
    assert notes(story, "CF") == [(0, "closed_locked", "none")]
    assert {effect.door for effect in story.effects if isinstance(effect, NoteState)} == set(story.states())


def test_a_change_of_state_or_slide_is_noted_when_it_is() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=3)
    story.send("door/L1/handle_lifted", True, at=10)
    story.send("door/L1/girt_left", False, at=12)
    story.send("door/L1/girt_left", True, at=13)
    story.send("door/L1/handle_lifted", False, at=15)
    story.bundle(at_door("L1", DISARMED), at=20)
    assert notes(story)[1:] == [
        (3, "armed", "engaged"),
        (10, "armed_unlocked", "engaged"),
        (12, "armed_unlocked", "disagree"),
        (13, "armed_unlocked", "engaged"),
        (15, "armed", "engaged"),
        (20, "closed_locked", "disengaged"),
    ]


def test_what_changes_neither_is_not_noted() -> None:
    story = alder()
    story.bundle(at_door("L1", OUT, {"travel": 0.3}), at=3)
    for step in range(10):
        story.send("door/L1/travel", 0.3 + step / 20, at=4 + step)
    story.send("door/L1/access", "bridge", at=20)
    story.send("door/L1/slide_bottle_bar", 150.0, at=21)
    assert notes(story)[1:] == [(3, "ajar", "disengaged")]


def test_a_lost_feed_is_noted_as_not_known_and_its_return_anew() -> None:
    story = alder()
    story.beating = False
    story.until(100)
    story.beat(at=120)
    story.beating = True
    story.until(140)
    assert [state for _, state, _ in notes(story)] == ["closed_locked", "unknown", "closed_locked"]


def test_an_aircraft_that_left_stands_in_no_known_way_until_it_is_back() -> None:
    story = alder()
    story.until(10)
    story.declare("away")
    assert notes(story)[-1] == (10, "unknown", "unknown")
    story.until(50)
    story.bundle(at_door("L1", ARMED))
    story.until(60)
    assert len(notes(story)) == 2, "nothing is looked at meanwhile"
    story.declare("present")
    story.until(61)
    assert notes(story)[-1] == (60, "armed", "engaged")


def test_a_start_notes_nothing_that_was_noted_before() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=3)
    system = System(story.site, snapshot.restore(snapshot.dump(story.system.record)), answering=False)
    assert system.record == story.system.record
    effects = system.step(MonitorStarted(), story.micros(4))
    assert any(isinstance(effect, PublishDoor) for effect in effects)
    assert not any(isinstance(effect, NoteState) for effect in effects)


def test_one_note_stands_for_a_bundle() -> None:
    story = alder()
    story.bundle(at_door("L1", OUT, {"travel": 0.3}), at=3)
    story.bundle(at_door("L1", LOCKED, {"closed": True, "travel": 0.0}, ARMED), at=9)
    assert [note[1:] for note in notes(story)[1:]] == [("ajar", "disengaged"), ("armed", "engaged")]
