"""What is not known: alerts that stay blind, delays that pause, and what each door is deaf to."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.core import readout
from tests.stories import (
    ARMED,
    LOCKED,
    OUT,
    UNLOCKED,
    Story,
    alder,
    demo_site,
)


def deaf(story: Story, door: str) -> dict[str, str]:
    return {entry["code"]: entry["why"] for entry in story.door(door)["deaf_to"]}


def deaf_aircraft(story: Story) -> dict[str, str]:
    document = readout.describe_aircraft(story.system, story.reg, story.now)
    assert document is not None
    return {entry["code"]: entry["why"] for entry in document["deaf_to"]}


# Blind


def test_an_alert_whose_inputs_went_unknown_stays_and_is_marked_blind() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, UNLOCKED, at=5)
    story.send("door/L1/closed", True, at=10, quality="bad")
    alert = story.alert("armed-handle-moved", "L1")
    assert alert is not None
    assert (alert["blind"], alert["state"]) == (True, "unacknowledged")
    assert story.door("L1")["blind"] is True
    story.until(3000)
    assert story.types("armed-handle-moved") == ["raised"]
    story.bundle({"door/L1/closed": True}, at=3001)
    assert "blind" not in (story.alert("armed-handle-moved", "L1") or {"blind": 1})
    story.door_bundle("L1", LOCKED, at=3002)
    assert story.types("armed-handle-moved") == ["raised", "cleared"]


@pytest.mark.parametrize("how", ["bad", "uncertain", "withdrawn", "silent"])
def test_blind_comes_of_any_way_of_not_knowing(how: str) -> None:
    story = alder()
    story.bundle({"door/L2/closed": False, "airframe/engine_1_running": True}, at=5)
    assert ("open-engine-running", "L2") in story.standing()
    if how == "withdrawn":
        story.withdraw("door/L2/closed", at=6)
    elif how == "silent":
        story.beating = False
        story.until(60)
    else:
        story.send("door/L2/closed", True, at=6, quality=how)
    alert = story.alert("open-engine-running", "L2")
    assert alert is not None
    assert alert["blind"] is True
    assert story.types("open-engine-running", "L2") == ["raised"]


def test_an_unknown_condition_pauses_a_running_delay() -> None:
    story = alder()
    story.door_bundle("L1", UNLOCKED, at=9)
    story.door_bundle("L1", OUT, {"travel": 0.5}, at=10)
    story.withdraw("door/L1/access", at=13)
    story.until(100)
    assert story.told("unguarded-drop") == []
    story.send("door/L1/access", "none", at=100)
    story.until(101.999)
    assert story.told("unguarded-drop") == []
    story.until(102)
    assert [e.at for e in story.told("unguarded-drop")] == [102]


def test_a_known_end_winds_a_paused_delay_back() -> None:
    story = alder()
    story.door_bundle("L1", UNLOCKED, at=9)
    story.door_bundle("L1", OUT, {"travel": 0.5}, at=10)
    story.withdraw("door/L1/access", at=13)
    story.send("door/L1/barrier", True, at=20)
    story.send("door/L1/access", "none", at=25)
    story.send("door/L1/barrier", False, at=30)
    story.until(60)
    assert [e.at for e in story.told("unguarded-drop")] == [35]


# Deaf to


def test_a_healthy_alder_is_deaf_only_to_what_nothing_fitted_could_tell() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 5.0, at=2)
    for door in ("L1", "R1", "L2", "R2"):
        assert deaf(story, door) == {"indicator-disagree": "not fitted"}
        story.send(f"door/{door}/lock_indicator", "locked", at=3)
        assert deaf(story, door) == {}


def test_each_door_says_what_it_cannot_see_and_why() -> None:
    story = alder()
    assert "unguarded-drop" not in deaf(story, "L1")
    story.withdraw("door/L1/access", at=5)
    assert deaf(story, "L1")["unguarded-drop"] == deaf(story, "L1")["access-withdrawn"] == "withdrawn"
    story.send("door/L1/access", "none", at=6, quality="bad")
    assert deaf(story, "L1")["unguarded-drop"] == "bad"
    story.send("door/L1/access", "none", at=7, quality="uncertain")
    assert deaf(story, "L1")["unguarded-drop"] == "uncertain"
    story.send("door/L1/access", "none", at=8)
    assert "unguarded-drop" not in deaf(story, "L1")
    entry: dict[str, Any]
    story.withdraw("airframe/engine_2_running", at=9)
    (entry,) = (e for e in story.door("L1")["deaf_to"] if e["code"] == "open-engine-running")
    assert entry == {"code": "open-engine-running", "why": "withdrawn", "signals": ["airframe/engine_2_running"]}


def test_a_signal_that_is_not_fitted_makes_deaf_and_never_stale() -> None:
    site = demo_site()
    airframe = site.types["alder"]
    bare = replace(airframe.doors["CB"], signals=airframe.doors["CB"].signals - {"access", "barrier"})
    site = replace(site, types={**site.types, "alder": replace(airframe, doors={**airframe.doors, "CB": bare})})
    story = Story(site=site).baseline().until(100)
    assert deaf(story, "CB")["unguarded-drop"] == "not fitted"
    assert story.events == []
    story.send("door/CB/access", "none", at=101)
    assert "unguarded-drop" not in deaf(story, "CB"), "an optional signal is used when it is sent"


def test_what_a_visitor_never_sent_is_deafness_and_never_stale() -> None:
    story = Story()
    story.bundle({"airframe/type": "alder", "airframe/heartbeat": 1, "door/L1/closed": True, "door/L1/latched": True})
    story.beating = True
    story._beats = 1
    story.until(600)
    assert story.told("signal-stale") == []
    assert deaf(story, "L1")["armed-handle-moved"] == "never seen"
    assert deaf(story, "L1")["residual-pressure"] == "never seen"
    assert deaf_aircraft(story)["pressure-rising"] == "never seen"
    assert story.state("L1") == "unknown"
