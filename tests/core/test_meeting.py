"""Which aircraft, doors and readings are let in, and what becomes of those that are not good."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.core import readout
from monitor.core import stands as core_stands
from monitor.core import system as core_system
from tests.core.rule_cases import at_door
from tests.stories import ARMED, OUT, UNLOCKED, Story, alder, demo_site, healthy_door


def test_a_visitor_of_a_known_type_needs_no_configuration() -> None:
    story = Story(reg="VISIT-7").baseline()
    assert story.state("L1") == "closed_locked"
    assert story.rejected() == []


def test_a_site_without_visitors_rejects_who_is_not_listed() -> None:
    site = replace(demo_site(), visiting=False, aircraft={"TW-101": None})
    assert Story(site=site, reg="TW-101").baseline().rejected() == []
    stranger = Story(site=site, reg="TW-999")
    stranger.send("airframe/type", "alder")
    assert [r.reason for r in stranger.rejected()] == ["unknown-aircraft"]
    assert stranger.system.record.aircraft == {}


def test_a_listed_aircraft_has_its_type_from_its_first_message_on() -> None:
    site = replace(demo_site(), aircraft={"TW-101": "alder"})
    story = Story(site=site)
    story.send("door/H1/closed", False, at=1)
    assert story.state("H1") == "open"
    story.send("airframe/type", "birch", at=2)
    assert [r.reason for r in story.rejected()] == ["type-conflict"]


def test_aircraft_beyond_what_is_kept_are_rejected_and_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(core_system, "AIRCRAFT_MAX", 1)
    story = alder()
    other = Story(reg="TW-202", system=story.system)
    other.now = story.now
    other.send("airframe/beacon", True)
    assert [r.reason for r in other.rejected()] == ["too-many-aircraft"]
    story.send("door/H1/closed", False, at=5)
    assert story.state("H1") == "open"


def test_stands_beyond_what_is_kept_are_rejected_and_the_sites_own_never(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(core_stands, "STANDS_MAX", 1)
    story = alder()
    for stand in ("S90", "S91", "S11"):
        story.send(f"stand/{stand}/wind_kt", 5.0, at=5)
    assert [r.reason for r in story.rejected()] == ["too-many-stands"]
    assert set(story.system.record.stands) == {"S90", "S11"}


def test_a_bad_reading_in_a_bundle_is_rejected_alone() -> None:
    story = alder()
    story.bundle(
        {"door/L9/closed": False, "door/H1/closed": False, "door/H2/closed": "yes", "airframe/nonsense": 1}, at=5
    )
    assert sorted(r.reason for r in story.rejected()) == ["unknown-door", "unknown-signal", "wrong-type"]
    assert (story.state("H1"), story.state("H2")) == ("open", "closed_locked")


@pytest.mark.parametrize("quality", ["bad", "uncertain"])
def test_a_type_that_is_not_good_is_not_taken(quality: str) -> None:
    story = Story()
    story.send("airframe/type", "alder", quality=quality)
    story.send("door/H1/closed", False, at=1)
    assert story.doors == {}
    story.send("airframe/type", "alder", at=2)
    assert story.state("H1") == "open"


@pytest.mark.parametrize("quality", ["bad", "uncertain"])
def test_a_stand_that_is_not_good_moves_nobody(quality: str) -> None:
    story = alder()
    story.send("airframe/stand", "S15", at=2, quality=quality)
    assert story.door("L1")["stand"] == "S12"
    story.send("airframe/stand", "S15", at=3)
    assert story.door("L1")["stand"] == "S15"


def test_an_alert_goes_with_its_aircraft_to_the_next_stand() -> None:
    story = alder()
    story.bundle({**at_door("H1", OUT), "airframe/engine_1_running": True}, at=5)
    story.send("airframe/stand", "S15", at=6)
    assert (story.alert("open-engine-running", "H1") or {})["stand"] == "S15"
    story.send("airframe/stand", "", at=7)
    assert (story.alert("open-engine-running", "H1") or {})["stand"] == ""


@pytest.mark.parametrize("quality", ["bad", "uncertain"])
def test_a_heartbeat_that_is_not_good_vouches_for_nothing(quality: str) -> None:
    story = alder()
    story.beating = False
    for second in range(5, 60, 5):
        story.send("airframe/heartbeat", 100 + second, at=second, quality=quality)
    assert story.state("L1") == "unknown"
    assert story.types("feed-lost") == ["raised"]


def test_a_weight_on_wheels_that_is_not_good_hides_no_lost_feed() -> None:
    story = alder()
    story.send("airframe/weight_on_wheels", False, at=2, quality="bad")
    story.beating = False
    story.until(100)
    assert story.types("feed-lost") == ["raised"]
    assert story.system.record.aircraft[story.reg].presence == "present"


def test_a_doors_heartbeat_that_waited_for_the_type_counts() -> None:
    story = Story()
    story.bundle(at_door("H1", closed=True, latched=True, locked=True, handle_lifted=False, heartbeat=1), at=1)
    story.send("airframe/type", "alder", at=2)
    story.beating = True
    story.until(100)
    assert story.state("H1") == "unknown", "it alone vouches for its door"
    assert ("signal-stale", "H1") in story.standing()


def test_a_doors_heartbeat_that_waits_for_the_type_is_not_its_aircrafts() -> None:
    story = Story()
    story.bundle({"door/H1/heartbeat": 1, "door/H1/closed": True}, at=1)
    story.send("airframe/type", "alder", at=2)
    for second in range(5, 100, 5):
        story.send("airframe/beacon", second % 2 == 0, at=second)
    assert story.told("feed-lost") == []


def test_a_retained_heartbeat_of_a_door_proves_no_life_once_the_type_is_known() -> None:
    story = Story()
    story.send("door/H1/heartbeat", 1, at=1, retain=True)
    story.bundle(at_door("H1", closed=True, latched=True, locked=True, handle_lifted=False), at=1)
    story.send("airframe/type", "alder", at=2)
    story.beating = True
    story.until(100)
    assert story.state("H1") == "closed_locked"


def test_what_is_simulated_says_so() -> None:
    story = alder()
    more: dict[str, Any] = {"simulated": True}
    story.bundle({**at_door("H1", OUT), "airframe/engine_1_running": True}, at=5, **more)
    assert story.told("open-engine-running")[0].data["simulated"] is True
    assert story.door("H1")["simulated"] is True


# Until the type is known


def test_readings_wait_for_the_type_and_are_applied_together() -> None:
    story = Story()
    for at, (signal, value) in enumerate(healthy_door(demo_site().types["alder"].doors["CB"]).items()):
        story.send(f"door/CB/{signal}", value, at=at)
    story.send("door/CB/closed", False, at=20)
    assert story.effects == []
    assert readout.describe_row(story.system, story.system.record.aircraft[story.reg], story.now)["held"] == 7
    story.send("airframe/type", "alder", at=21)
    assert story.state("CB") == "ajar"
    assert story.jumps() == [], "the last per signal, at one instant: from unknown, no jump"
    assert readout.describe_row(story.system, story.system.record.aircraft[story.reg], story.now)["held"] == 0


def test_what_waits_raises_as_if_it_came_with_the_type() -> None:
    story = Story()
    spec = demo_site().types["alder"].doors["L1"]
    story.door_bundle("L1", healthy_door(spec), ARMED, UNLOCKED, at=1)
    assert story.events == []
    story.send("airframe/type", "alder", at=5)
    assert [(e.code, e.at) for e in story.events] == [("armed-handle-moved", 5)]


def test_what_waits_is_bounded_and_counted() -> None:
    story = Story()
    for number in range(1100):
        story.send(f"door/D{number}/closed", True, at=number / 1000)
    assert story.dropped() == ["held-overflow"] * (1100 - 1024)
    document = readout.describe_aircraft(story.system, story.reg, story.now)
    assert document is not None
    assert document["held_readings"] == {"count": 1024, "dropped": 76}
    story.send("door/D0/closed", False, at=2)
    assert len(story.dropped()) == 76, "what waits already is replaced, not refused"


def test_a_door_that_the_type_does_not_have_is_rejected_once_the_type_is_known() -> None:
    story = Story()
    story.send("door/L9/closed", True, at=1)
    assert story.rejected() == []
    story.send("airframe/type", "alder", at=2)
    assert [(r.reason, r.topic) for r in story.rejected()] == [("unknown-door", story.topic("door/L9/closed"))]
    story.send("door/L9/closed", False, at=3)
    assert [r.reason for r in story.rejected()] == ["unknown-door"] * 2


def test_another_type_while_present_is_rejected() -> None:
    story = alder()
    story.send("airframe/type", "birch", at=5)
    assert [r.reason for r in story.rejected()] == ["type-conflict"]
    assert story.system.record.aircraft[story.reg].type == "alder"


def test_another_type_after_it_was_parked_leaves_nothing_of_the_first_behind() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, UNLOCKED, at=5)
    story.declare("powered_down")
    story.send("airframe/type", "hazel", at=6)
    assert story.standing() == set()
    doors = set(demo_site().types["hazel"].doors)
    story.declare("present")
    assert set(story.states()) == doors
