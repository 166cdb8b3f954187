"""What counts as heard: heartbeats, silence, retained leftovers, the broker and this monitor."""

from __future__ import annotations

from typing import Final

import pytest

from monitor.core import readout
from monitor.core.events import BrokerConnected, BrokerDisconnected, MonitorStarted
from tests.stories import (
    ARMED,
    Story,
    alder,
    demo_site,
    healthy_airframe,
    healthy_door,
)

PRESSURE: Final = "airframe/differential_pressure_hpa"
DOORS: Final = tuple(demo_site().types["alder"].doors)


def feed(story: Story) -> str:
    row = readout.describe_row(story.system, story.system.record.aircraft[story.reg], story.now)
    return str(row["feed"])


def deaf(story: Story, door: str) -> dict[str, str]:
    return {entry["code"]: entry["why"] for entry in story.door(door)["deaf_to"]}


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


# Silence


def test_after_a_feed_came_back_nothing_is_newly_stale_for_30_s() -> None:
    story = alder()
    story.beating = False
    for second in range(100, 150, 5):
        story.send("airframe/heartbeat", second, at=second)
    assert [(e.at, e.door) for e in story.told("signal-stale")] == [(130, "-")]
    assert story.types("feed-lost") == ["raised", "cleared"]


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
