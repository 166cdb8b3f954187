"""What counts as heard: heartbeats, silence, retained leftovers, presence, blindness and deafness."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core import readout
from monitor.core.events import BrokerConnected, BrokerDisconnected, MonitorStarted
from tests.stories import (
    ARMED,
    LOCKED,
    OUT,
    UNLOCKED,
    Story,
    alder,
    demo_site,
    healthy_airframe,
    healthy_door,
    refusal,
)

PRESSURE: Final = "airframe/differential_pressure_hpa"
DOORS: Final = tuple(demo_site().types["alder"].doors)


def feed(story: Story) -> str:
    row = readout.describe_row(story.system, story.system.record.aircraft[story.reg], story.now)
    return str(row["feed"])


def deaf(story: Story, door: str) -> dict[str, str]:
    return {entry["code"]: entry["why"] for entry in story.door(door)["deaf_to"]}


def deaf_aircraft(story: Story) -> dict[str, str]:
    document = readout.describe_aircraft(story.system, story.reg, story.now)
    assert document is not None
    return {entry["code"]: entry["why"] for entry in document["deaf_to"]}


# Heartbeats


def test_a_heartbeat_vouches_for_every_reading_that_is_sent_on_change_only() -> None:
    story = alder().until(900)
    assert story.states() == dict.fromkeys(DOORS, "closed_locked") | {"OL1": "armed", "OR1": "armed"}
    assert story.events == []
    assert feed(story) == "live"


@pytest.mark.parametrize(("at", "state"), [(129.999, "closed_locked"), (130, "unknown")])
def test_without_a_new_heartbeat_for_30_s_nothing_is_known(at: float, state: str) -> None:
    story = alder().until(100)
    story.beating = False
    story.until(at)
    assert story.state("L1") == story.state("CB") == state


def test_a_heartbeat_that_stands_still_vouches_for_nothing() -> None:
    story = alder().until(100)
    story.beating = False
    beats = story.value("airframe/heartbeat")
    for second in range(101, 140):
        story.send("airframe/heartbeat", beats, at=second)
    assert story.state("L1") == "unknown"
    (raised,) = story.told("feed-lost")
    assert (raised.at, raised.door) == (130, "-")
    story.send("door/L1/closed", True, at=141)
    assert story.state("L1") == "unknown", "not even for what still arrives"


def test_a_repeated_delivery_of_a_heartbeat_vouches_for_nothing() -> None:
    story = alder().until(100)
    story.beating = False
    for second in range(101, 140):
        story.send("airframe/heartbeat", 999, at=second, time=100.5, seq=5000)
    assert [e.at for e in story.told("feed-lost")] == [131]


def test_a_heartbeat_that_starts_anew_vouches() -> None:
    story = alder().until(100)
    story.beating = False
    for second in range(105, 200, 5):
        story.send("airframe/heartbeat", second - 105, at=second)
        story.send(PRESSURE, 0.0)
    assert story.events == []


def test_when_a_feed_returns_the_readings_from_before_count_again() -> None:
    story = alder().until(100)
    story.door_bundle("L1", ARMED)
    story.beating = False
    story.until(400)
    assert story.state("L1") == "unknown"
    story.beat(at=400)
    assert story.state("L1") == "armed"
    assert story.state("CB") == "closed_locked"
    assert story.types("feed-lost") == ["raised", "cleared"]


def test_without_any_heartbeat_each_signal_must_be_refreshed_within_30_s() -> None:
    story = alder(beating=False)
    for second in range(5, 29, 5):
        story.door_bundle("L1", healthy_door(demo_site().types["alder"].doors["L1"]), at=second)
    story.until(29.999)
    assert story.events == []
    story.until(30)
    assert story.state("L1") == "closed_locked"
    assert story.state("R1") == "unknown"
    stale = {(e.door, e.at) for e in story.told("signal-stale")}
    assert stale == {(door, 30) for door in (*DOORS, "-") if door != "L1"}
    assert story.told("feed-lost") == []


def test_a_heartbeat_does_not_vouch_for_the_pressure() -> None:
    story = alder(beating=False)
    for second in range(5, 60, 5):
        story.send("airframe/heartbeat", second, at=second)
    (raised,) = story.told("signal-stale")
    assert (raised.at, raised.door) == (30, "-")
    assert "differential_pressure_hpa" in raised.data["text"]
    assert story.state("L1") == "closed_locked"
    assert deaf(story, "L1")["residual-pressure"] == "stale"


# A door's own heartbeat


def test_a_doors_heartbeat_once_seen_alone_vouches_for_that_door() -> None:
    story = alder()
    story.send("door/L1/heartbeat", 1, at=10)
    story.until(39.999)
    assert story.state("L1") == "closed_locked"
    story.until(40)
    assert story.state("L1") == "unknown"
    assert [(e.type, e.door, e.at) for e in story.told("signal-stale")] == [("raised", "L1", 40)]
    assert "heartbeat" in story.told("signal-stale")[0].data["text"]
    assert story.state("R1") == "closed_locked"


def test_a_doors_heartbeat_stands_in_where_the_aircrafts_fails() -> None:
    story = alder()
    story.beating = False
    for second in range(5, 90, 5):
        story.send("door/L1/heartbeat", second, at=second)
    assert story.state("L1") == "closed_locked"
    assert story.state("R1") == "unknown"


def test_a_doors_heartbeat_that_returns_brings_its_readings_back() -> None:
    story = alder()
    story.send("door/L1/heartbeat", 1, at=10)
    story.until(60)
    story.send("door/L1/heartbeat", 2, at=61)
    assert story.state("L1") == "closed_locked"
    assert story.types("signal-stale", "L1") == ["raised", "cleared"]


def test_a_doors_heartbeat_that_stands_still_vouches_for_nothing() -> None:
    story = alder()
    for second in range(10, 60, 2):
        story.send("door/L1/heartbeat", 7, at=second)
    assert story.state("L1") == "unknown"
    assert [e.at for e in story.told("signal-stale")] == [40]


# Deliveries with the retain flag


def retained(story: Story, *, time: float) -> Story:
    """What a broker hands out at the first connection."""
    airframe = demo_site().types[story.type]
    story.send("airframe/type", story.type, time=time, retain=True)
    for name, value in healthy_airframe(airframe).items():
        story.send(f"airframe/{name}", value, time=time, retain=True)
    for door in airframe.doors.values():
        for name, value in healthy_door(door).items():
            story.send(f"door/{door.name}/{name}", value, time=time, retain=True)
    return story


def test_a_retained_delivery_sets_values_but_proves_no_life() -> None:
    story = retained(Story(), time=-5)
    assert story.state("L1") == "closed_locked"
    for second in range(5, 40, 5):
        story.send("door/L1/pin_fitted", second % 2 == 0, at=second, retain=True)
        story.send("airframe/heartbeat", second, retain=True)
    (raised,) = story.told("feed-lost")
    assert raised.at == 30
    assert feed(story) == "lost"


def test_a_retained_heartbeat_vouches_for_nothing() -> None:
    story = alder(beating=False)
    for second in range(5, 40, 5):
        story.send("airframe/heartbeat", second, at=second, retain=True)
    assert story.state("L1") == "unknown"


def test_an_aircraft_known_from_retained_messages_over_10_min_old_is_left_on_the_broker() -> None:
    story = retained(Story(), time=-700)
    assert feed(story) == "left-on-broker"
    assert set(story.states().values()) == {"unknown"}
    story.send("door/L1/closed", False, time=-650, retain=True)
    story.until(3600)
    assert story.events == []
    assert story.standing() == set()
    assert set(deaf(story, "L1").values()) == {"left on the broker"}


def test_a_retained_picture_grows_old_on_the_broker() -> None:
    story = retained(Story(), time=-590)
    assert feed(story) != "left-on-broker"
    story.until(9.999)
    assert feed(story) != "left-on-broker"
    story.until(10)
    assert feed(story) == "left-on-broker"
    story.until(1000)
    assert story.standing() == set()


def test_one_live_message_takes_an_aircraft_off_the_broker_shelf() -> None:
    story = retained(Story(), time=-3600)
    story.send("airframe/heartbeat", 1, at=20)
    assert feed(story) == "live"
    assert story.state("L1") == "closed_locked"


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


# Presence


def test_an_aircraft_with_its_power_off_is_powered_down_unknown_and_raises_nothing() -> None:
    story = alder()
    story.door_bundle("L2", ARMED, at=4)
    story.send("airframe/power", "off", at=5)
    assert set(story.states().values()) == {"unknown"}
    assert {story.door(door)["presence"] for door in DOORS} == {"powered_down"}
    story.door_bundle("L1", OUT, {"travel": 0.7, "hold_open": True}, at=6)
    story.door_bundle("L2", UNLOCKED, {"slide_released": True}, at=7)
    story.send("door/R1/closed", True, at=8, quality="bad")
    story.bundle({"airframe/engine_1_running": True, PRESSURE: 50.0}, at=9)
    story.beating = False
    story.send("airframe/beacon", True, at=20, time=-300)
    story.until(1000)
    assert story.events == []
    assert set(deaf(story, "L1").values()) == {"powered down"}


def test_a_feed_that_was_lost_is_no_alert_of_a_parked_aircraft() -> None:
    story = alder()
    story.beating = False
    story.until(100)
    story.declare("powered_down")
    assert story.types("feed-lost") == ["raised", "cleared"]
    story.until(1000)
    assert story.types("feed-lost") == ["raised", "cleared"]


def test_a_person_parks_an_aircraft_and_takes_it_back() -> None:
    story = alder()
    story.declare("powered_down")
    assert story.state("L1") == "unknown"
    story.declare("present")
    assert story.state("L1") == "closed_locked"
    assert [(a.action, a.before, a.after, a.by, a.origin) for a in story.audits()] == [
        ("declare-presence", "present", "powered_down", "Ann", "board"),
        ("declare-presence", "powered_down", "present", "Ann", "board"),
    ]


def test_after_power_on_nothing_is_newly_stale_for_30_s() -> None:
    story = alder().until(10)
    story.send("airframe/power", "off", at=10)
    story.beating = False
    story.until(600)
    story.bundle({"airframe/power": "on", "airframe/heartbeat": 999}, at=600)
    for second in range(605, 650, 5):
        story.send("airframe/heartbeat", 1000 + second, at=second)
    assert [(e.at, e.door) for e in story.told("signal-stale")] == [(630, "-")]
    assert story.told("feed-lost") == []


def test_after_power_on_the_feed_is_not_lost_for_30_s() -> None:
    story = alder().until(10)
    story.send("airframe/power", "off", at=10)
    story.beating = False
    story.until(600)
    story.declare("present")
    story.send("airframe/power", "on", at=600)
    story.until(700)
    assert [e.at for e in story.told("feed-lost")] == [630]


def test_after_a_feed_came_back_nothing_is_newly_stale_for_30_s() -> None:
    story = alder()
    story.beating = False
    for second in range(100, 150, 5):
        story.send("airframe/heartbeat", second, at=second)
    assert [(e.at, e.door) for e in story.told("signal-stale")] == [(130, "-")]
    assert story.types("feed-lost") == ["raised", "cleared"]


@pytest.mark.parametrize(("last_beat", "raised_at"), [(40, 50), (39.9, 52)])
def test_the_pressure_is_not_newly_stale_while_the_heartbeat_is_over_10_s_old(
    last_beat: float, raised_at: float
) -> None:
    story = alder()
    story.beating = False
    story.send(PRESSURE, 0.0, at=20)
    for at in (15, 25, 35, last_beat, 52):
        story.send("airframe/heartbeat", round(at), at=at)
    assert [e.at for e in story.told("signal-stale")] == [raised_at]


def test_silence_after_a_retained_picture_came_to_life_is_noticed_in_time() -> None:
    story = retained(Story(), time=-5)
    story.until(100)
    story.send("airframe/beacon", True, at=100)
    story.until(300)
    assert [(e.type, e.at) for e in story.told("feed-lost")] == [("raised", 30), ("cleared", 100), ("raised", 130)]


def test_any_message_is_life_even_one_whose_readings_are_dropped() -> None:
    story = alder(beating=False)
    for second in range(5, 60, 5):
        story.send("airframe/beacon", True, at=second, time=-5, seq=None)
    assert set(story.dropped()) == {"older"}
    assert story.told("feed-lost") == []


def fly(story: Story, at: float) -> Story:
    story.send("airframe/weight_on_wheels", False, at=at)
    return story


def test_an_aircraft_off_the_ground_for_60_s_is_away() -> None:
    story = alder()
    story.door_bundle("L1", ARMED, UNLOCKED, at=5)
    fly(story, 10)
    story.until(69.999)
    assert story.system.record.aircraft[story.reg].presence == "present"
    story.until(70)
    assert story.system.record.aircraft[story.reg].presence == "away"
    assert story.states() == {}, "its retained documents are emptied"
    assert story.standing() == set()
    last = story.told("armed-handle-moved")[-1]
    assert (last.type, last.data["reason"], last.state) == ("cleared", "away", "normal")


def test_nothing_is_judged_of_an_aircraft_that_is_away() -> None:
    story = fly(alder(), 10).until(71)
    told = len(story.events)
    story.door_bundle("L1", OUT, {"travel": 1.0}, ARMED, at=80)
    story.bundle({PRESSURE: 600.0, "door/L2/closed": {"value": True, "quality": "bad"}}, at=81)
    story.beating = False
    story.until(5000)
    assert len(story.events) == told
    assert story.states() == {}


def test_an_aircraft_that_lands_is_present_again_and_shown() -> None:
    story = fly(alder(), 10).until(200)
    story.send("airframe/weight_on_wheels", True, at=200)
    assert story.states() == dict.fromkeys(DOORS, "closed_locked") | {"OL1": "armed", "OR1": "armed"}
    assert story.events == []


def test_silence_alone_never_makes_an_aircraft_away() -> None:
    story = alder()
    story.beating = False
    story.until(100_000)
    assert story.system.record.aircraft[story.reg].presence == "present"


def test_off_the_ground_nothing_is_lost_or_stale_nor_for_30_s_after_landing() -> None:
    story = fly(alder(), 10)
    story.beating = False
    story.until(3000)
    assert story.events == []
    story.send("airframe/weight_on_wheels", True, at=3000)
    story.until(3029.9)
    assert story.events == []
    story.until(3100)
    assert [(e.code, e.at) for e in story.events] == [("feed-lost", 3030)]


def test_a_person_says_away_and_what_is_heard_again_after_silence_is_back() -> None:
    story = alder()
    story.declare("away")
    assert story.states() == {}
    story.until(60)
    assert story.states() == {}, "it may go on sending as it leaves"
    story.beating = False
    story.until(200)
    story.beat(at=200)
    assert story.state("L1") == "closed_locked"


def test_a_word_that_is_no_presence_is_refused() -> None:
    story = alder()
    refused = refusal(story.declare("gone"))
    assert refused is not None
    assert refused.kind == "refused"
    assert story.audits() == []


def test_delays_pause_while_it_is_away() -> None:
    story = alder()
    story.door_bundle("CB", UNLOCKED, at=99)
    story.door_bundle("CB", OUT, {"travel": 0.5}, at=100)
    story.until(150)
    story.declare("away")
    story.until(1000)
    story.declare("present")
    story.until(1069.9)
    assert story.told("unguarded-drop", "CB") == []
    story.until(1070)
    assert [e.at for e in story.told("unguarded-drop", "CB")] == [1070]


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


def test_a_healthy_alder_is_deaf_to_nothing_at_its_cabin_doors() -> None:
    story = alder()
    assert [deaf(story, door) for door in ("L1", "R1", "L2", "R2")] == [{}] * 4


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


# The broker and this monitor


def test_a_lost_broker_is_told_once_for_the_site_after_2_s() -> None:
    story = alder()
    story.step(BrokerDisconnected("refused"), at=10)
    story.beating = False
    story.until(11.999)
    assert story.events == []
    story.until(300)
    assert [(e.code, e.aircraft, e.door, e.at, e.priority) for e in story.events] == [
        ("feed-lost", "-", "-", 12, "warning")
    ]
    story.step(BrokerConnected(), at=300)
    assert story.types("feed-lost") == ["raised", "cleared"]


def test_a_broker_that_is_back_within_2_s_is_not_told() -> None:
    story = alder()
    story.step(BrokerDisconnected("refused"), at=10)
    story.step(BrokerConnected(), at=11.999)
    story.until(200)
    assert story.events == []


def test_after_the_broker_is_back_nothing_is_newly_lost_or_stale_for_30_s() -> None:
    story = alder()
    story.step(BrokerDisconnected("refused"), at=10)
    story.beating = False
    story.step(BrokerConnected(), at=300)
    story.until(329.999)
    assert not {("feed-lost", "-"), ("signal-stale", "-")} & story.standing()
    story.until(400)
    assert [(e.at, e.code) for e in story.events if e.aircraft == story.reg] == [(330, "feed-lost")]


def test_a_monitor_that_was_down_blames_nobody_for_the_silence() -> None:
    story = alder().until(20)
    story.beating = False
    story.now = story.micros(4000)
    story.step(MonitorStarted())
    story.step(BrokerConnected(), at=4001)
    story.beat(at=4010)
    story.beating = True
    story.until(4100)
    assert [e for e in story.events if e.aircraft == story.reg] == []
    assert story.state("L1") == "closed_locked"
