"""Asking what would follow: each action's states and alerts, and that asking changes nothing."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core import snapshot
from monitor.core.lookahead import Branch, look_ahead
from tests.stories import ARMED, Story, alder, demo_site


def ask(story: Story, door: str) -> dict[str, Any]:
    return look_ahead(Branch(story.system, story.reg, door, story.now))


def action(document: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = [a for a in document["actions"] if a["action"] == name]
    return dict(found)


def codes(found: dict[str, Any]) -> set[tuple[str, str, str]]:
    return {(a["code"], a["door"], a["priority"]) for a in found["alerts"]}


def test_lifting_the_handle_of_an_armed_door() -> None:
    story = alder()
    story.door_bundle("L1", ARMED)
    lifted = action(ask(story, "L1"), "lift-handle")
    assert lifted["state"] == "armed_unlocked"
    assert ("armed-handle-moved", "L1", "warning") in codes(lifted)
    (alert,) = [a for a in lifted["alerts"] if a["code"] == "armed-handle-moved"]
    assert alert["after_s"] == 0
    assert alert["action"].startswith("Stop.")


def test_the_same_from_outside_disengages_the_slide_first() -> None:
    story = alder()
    story.door_bundle("L1", ARMED)
    document = ask(story, "L1")
    assert action(document, "lift-outside-handle")["state"] == "unlocked"
    stays = action(document, "lift-outside-handle-slide-stays")
    assert stays["state"] == "armed_unlocked"
    assert ("outside-opening-armed", "L1", "warning") in codes(stays)


def test_opening_over_a_drop_and_with_stairs_docked() -> None:
    story = alder()
    opened = action(ask(story, "L1"), "open")
    assert opened["states"] == ["unlocked", "ajar", "open"]
    assert ("unguarded-drop", "L1", "warning") in codes(opened)
    story.send("door/L1/access", "stairs")
    assert "unguarded-drop" not in {a["code"] for a in action(ask(story, "L1"), "open")["alerts"]}


def test_withdrawing_what_stands_at_an_open_doorway() -> None:
    story = alder()
    story.door_bundle("L1", {"access": "stairs"})
    story.door_bundle("L1", {"handle_lifted": True, "latched": False, "locked": False})
    story.door_bundle("L1", {"closed": False, "travel": 0.4})
    story.door_bundle("L1", {"travel": 1.0, "hold_open": True})
    withdrawn = action(ask(story, "L1"), "withdraw-access")
    assert ("access-withdrawn", "L1", "warning") in codes(withdrawn)
    assert {name["action"] for name in ask(story, "L1")["actions"]} >= {"close", "withdraw-access", "set-barrier"}


def test_starting_an_engine_beside_an_open_door() -> None:
    story = alder()
    story.door_bundle("L1", {"access": "stairs"})
    story.door_bundle("L1", {"handle_lifted": True, "latched": False, "locked": False})
    story.door_bundle("L1", {"closed": False, "travel": 1.0, "hold_open": True})
    document = ask(story, "L1")
    assert ("open-engine-running", "L1", "warning") in codes(action(document, "start-engine-1"))
    assert ("open-engine-running", "L1", "caution") in codes(action(document, "start-engine-2"))


def test_what_would_come_anyway_is_told_apart() -> None:
    story = alder()
    story.door_bundle("L1", {"lever_armed": True})  # lever and girt ends disagree from now on
    document = ask(story, "L1")
    assert "girt-disagree" in {a["code"] for a in document["if_nothing_is_done"]}
    assert "girt-disagree" not in {a["code"] for a in action(document, "start-engine-1")["alerts"]}


def test_what_it_would_end_is_told_too() -> None:
    story = alder()
    story.door_bundle("L1", {"lever_armed": True})
    story.advance(3)
    assert "girt-disagree" in {e["code"] for e in action(ask(story, "L1"), "disarm")["ends"]}


@pytest.mark.parametrize("type_", ["alder", "birch", "hazel", "cedar", "larch"])
def test_every_door_of_every_type_is_asked_and_asking_changes_nothing(type_: str) -> None:
    story = alder(type=type_)
    before = snapshot.dump(story.system.record)
    for name, spec in demo_site().types[type_].doors.items():
        document = ask(story, name)
        names = [a["action"] for a in document["actions"]]
        assert len(set(names)) == len(names)
        assert names, name
        if "handle_lifted" in spec.signals:
            assert action(document, "lift-handle")["state"] in {"unlocked", "armed_unlocked"}
        assert action(document, "open")["state"] == "open"
    assert snapshot.dump(story.system.record) == before
    assert story.system.advance(story.now) == []


def test_an_aircraft_that_is_not_judged_cannot_be_told_of() -> None:
    story = alder()
    story.declare("powered_down")
    document = ask(story, "L1")
    assert document["actions"] == []
    assert document["cannot_tell"].startswith("Cannot tell:")


def test_what_is_silent_stays_silent_in_the_future_too() -> None:
    story = alder().until(3.0)
    story.beating = False
    story.until(60.0)
    assert story.state("L1") == "unknown"
    # A reading at one signal does not make the others known.
    assert action(ask(story, "L1"), "start-engine-1")["state"] == "unknown"


def test_a_door_that_is_not_known() -> None:
    story = alder()
    with pytest.raises(KeyError):
        Branch(story.system, story.reg, "L9", story.now)
    with pytest.raises(KeyError):
        Branch(story.system, "TW-999", "L1", story.now)
