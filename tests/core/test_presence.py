"""Present, powered down or away: what is shown and judged of an aircraft."""

from __future__ import annotations

from typing import Final

from tests.stories import (
    ARMED,
    OUT,
    UNLOCKED,
    Story,
    alder,
    demo_site,
    refusal,
)

PRESSURE: Final = "airframe/differential_pressure_hpa"
DOORS: Final = tuple(demo_site().types["alder"].doors)


def deaf(story: Story, door: str) -> dict[str, str]:
    return {entry["code"]: entry["why"] for entry in story.door(door)["deaf_to"]}


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
