"""Stories in which a door could look calm, or an alert be muted, by a detail of how readings arrive."""

from __future__ import annotations

from monitor.core.effects import RefuseCommand
from monitor.core.state import AircraftRecord
from monitor.core.system import AIRCRAFT_MAX
from tests.stories import ARMED, OUT, alder, refusal

HANDLE = "door/L1/handle_lifted"
HOUR_S = 3600


def test_a_door_unit_whose_clock_goes_back_is_heard_while_its_aircraft_goes_on() -> None:
    """Contract, Order: dropped readings that themselves advance for 10 s are a sender that restarted."""
    story = alder()
    story.door_bundle("L1", ARMED, at=2)
    story.send(HANDLE, False, at=3, seq=None)
    for second in range(5, 25):
        story.send(HANDLE, second >= 8, at=second, time=second - HOUR_S, seq=None)
    (raised,) = story.told("armed-handle-moved", "L1")
    assert raised.type == "raised"
    assert 15 <= raised.at <= 16
    assert "late" not in raised.data
    assert story.types("clock-skew") == ["raised"]


def test_old_repeats_beside_a_live_feed_are_no_restart() -> None:
    story = alder()
    story.send(HANDLE, False, at=3, seq=None)
    for second in range(5, 40):
        story.send(HANDLE, True, at=second, time=1.0, seq=None)
    assert story.value(HANDLE) is False


def test_a_newer_reading_on_its_own_topic_ends_a_run_of_dropped_ones() -> None:
    story = alder()
    story.send(HANDLE, False, at=3, seq=None)
    for second in range(5, 40):
        story.send(HANDLE, True, at=second, time=second - HOUR_S, seq=None)
        if second % 5 == 0:
            story.send(HANDLE, False, at=second + 0.5, seq=None)
    assert story.value(HANDLE) is False
    assert story.told("armed-handle-moved") == []


def test_what_falls_due_is_late_only_if_what_started_it_was() -> None:
    """One late reading must not mute what readings in time lead to afterwards."""
    story = alder()
    story.send("airframe/beacon", False, at=40, time=9.0)
    story.door_bundle("L1", OUT, at=50)
    (raised,) = [told for told in story.until(60).told("unguarded-drop", "L1") if told.type == "raised"]
    assert raised.at == 55
    assert "late" not in raised.data


def test_travel_counts_though_another_signal_comes_with_it() -> None:
    """Without a hold-open lock the door is open from 0.98 of its travel."""
    story = alder()
    story.send("door/WL/rope_stowed", True, at=2)
    story.bundle(
        {"door/WL/closed": False, "door/WL/latched": False, "door/WL/locked": False, "door/WL/travel": 0.1}, at=3
    )
    assert story.state("WL") == "ajar"
    story.bundle({"door/WL/travel": 1.0, "door/WL/rope_stowed": False}, at=4)
    assert story.state("WL") == "open"


def test_a_released_slide_is_closed_by_its_doors_reset_alone() -> None:
    story = alder()
    story.door_bundle("L1", OUT, ARMED, {"slide_released": True}, at=2)
    story.withdraw("door/L1/slide_released", at=3)
    answer = story.close("slide-deployed", "L1")
    assert isinstance(refusal(answer), RefuseCommand)
    assert story.alert("slide-deployed", "L1") is not None
    assert story.state("L1") == "slide_deployed"


def test_an_outside_handle_that_cannot_be_told_raises_no_priority() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, at=2)
    story.send(HANDLE, True, at=3)
    story.send("door/L1/outside_handle_lifted", True, at=3.1)
    story.send("door/L1/outside_handle_lifted", True, at=4, quality="uncertain")
    assert [told.priority for told in story.told("armed-handle-moved", "L1")] == ["warning", "advisory"]


def test_a_reading_that_is_good_again_ends_signal_bad_though_another_is_unknown() -> None:
    story = alder()
    story.send("door/L1/pin_fitted", True, at=2, quality="bad")
    story.send("door/L1/travel", 0.0, at=4, quality="uncertain")
    story.send("door/L1/pin_fitted", True, at=6)
    assert story.types("signal-bad", "L1") == ["raised", "cleared"]


def test_access_that_leaves_while_the_leaf_cannot_be_told_is_remembered() -> None:
    story = alder()
    story.send("door/L1/access", "bridge", at=1)
    story.door_bundle("L1", OUT, at=2)
    story.send("door/L1/closed", False, at=3, quality="uncertain")
    story.send("door/L1/access", "none", at=4)
    story.send("door/L1/closed", False, at=5)
    (raised,) = story.told("access-withdrawn", "L1")
    assert (raised.at, raised.type) == (5, "raised")


def test_signal_bad_names_what_is_bad_now() -> None:
    story = alder()
    story.send("door/L1/latched", True, at=2, quality="bad")
    story.until(4)
    story.send("door/L1/locked", True, at=5, quality="bad")
    story.send("door/L1/latched", True, at=6)
    alert = story.alert("signal-bad", "L1")
    assert alert is not None
    assert "locked" in alert["text"]
    assert "latched" not in alert["text"]


def test_a_newcomer_takes_the_place_of_one_that_never_said_what_it_is() -> None:
    story = alder()
    known = story.system.record.aircraft
    for number in range(AIRCRAFT_MAX - len(known)):
        known[f"Z{number:05d}"] = AircraftRecord(f"Z{number:05d}", first_seen=number)
    story.deliver(
        story.topic("airframe/beacon").replace(story.reg, "NEW-1"), b'{"time": 1772359200, "value": true}', at=2
    )
    assert "NEW-1" in known
    assert "Z00000" not in known
    assert story.reg in known
    assert story.rejected() == []


def test_what_starts_late_and_falls_due_after_the_catch_up_is_not_late() -> None:
    story = alder(beating=False)
    story.until(160)
    story.skew = -100
    story.beat(161)
    story.door_bundle("L1", OUT, at=162)
    story.skew = 0
    story.beat(164)
    (raised,) = story.until(170).told("unguarded-drop", "L1")
    assert raised.at == 167
    assert "late" not in raised.data


def test_what_a_restarted_unit_said_once_on_its_other_topics_counts_too() -> None:
    """A leaf that is out must not read locked because its switches spoke once, stamped with the old hour."""
    story = alder()
    for signal, value in (
        ("handle_lifted", False),
        ("latched", True),
        ("locked", True),
        ("closed", True),
        ("travel", 0.0),
    ):
        story.send(f"door/L1/{signal}", value, at=5, seq=None)
    for signal, value in (("handle_lifted", True), ("locked", False), ("latched", False), ("closed", False)):
        story.send(f"door/L1/{signal}", value, at=10, time=10 - HOUR_S, seq=None)
    for second in range(11, 30):
        story.send("door/L1/travel", 0.4 + second / 1000, at=second, time=second - HOUR_S, seq=None)
    assert story.state("L1") == "ajar"
    story.send("door/L1/hold_open", True, at=31, time=31 - HOUR_S, seq=None)
    assert story.state("L1") == "open"


def test_an_old_bundle_changes_nothing_at_a_door_whose_unit_restarted() -> None:
    story = alder()
    story.send("door/L1/latched", True, at=5, seq=None)
    for second in range(6, 26):
        story.send("door/L1/latched", False, at=second, time=second - HOUR_S, seq=None)
    assert story.value("door/L1/latched") is False
    story.bundle({"door/L1/latched": True}, at=27, time=-2.0 * HOUR_S, seq=1)
    assert story.value("door/L1/latched") is False
