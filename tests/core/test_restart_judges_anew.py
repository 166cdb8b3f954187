"""A start judges everything anew: the configuration may have changed, or this version may know more."""

from __future__ import annotations

from dataclasses import replace

from monitor.core import snapshot
from monitor.core.airframe import Site
from monitor.core.events import MonitorStarted
from monitor.core.system import System
from tests.stories import OUT, Story, demo_site


def open_over_a_drop(site: Site) -> Story:
    story = Story(site=site).baseline().until(1.0)
    story.door_bundle("L1", {"handle_lifted": True, "latched": False, "locked": False}, at=2.0)
    story.door_bundle("L1", OUT, {"travel": 1.0, "hold_open": True}, at=3.0)
    return story.until(20.0)


def restarted(story: Story, site: Site) -> Story:
    other = Story(
        site=site, start=story.start, system=System(site, snapshot.restore(snapshot.dump(story.system.record)))
    )
    other.now, other.beating = story.now, True
    other.active = dict(story.active)
    other._beats, other._seqs, other._pressure = story._beats, story._seqs, story._pressure
    other.step(MonitorStarted())
    return other


def test_a_limit_that_was_tightened_is_held_from_the_start_on() -> None:
    loose = replace(demo_site(), thresholds={"unguarded-drop": {"sill_m": 9.0}})
    story = open_over_a_drop(loose)
    assert story.alert("unguarded-drop", "L1") is None
    other = restarted(story, demo_site()).until(26.0)
    assert [e.brief for e in other.told("unguarded-drop")] == [("raised", "unguarded-drop", "L1", "warning")]


def test_a_limit_that_was_loosened_ends_its_alert() -> None:
    loose = replace(demo_site(), thresholds={"unguarded-drop": {"sill_m": 9.0}})
    story = open_over_a_drop(demo_site())
    assert story.alert("unguarded-drop", "L1") is not None
    assert restarted(story, loose).types("unguarded-drop") == ["cleared"]


def test_an_unchanged_configuration_tells_nothing() -> None:
    story = open_over_a_drop(demo_site())
    assert restarted(story, demo_site()).events == []
