"""What was left out under overload: told, counted, proof of life, and never vouched for."""

from __future__ import annotations

import pytest

from monitor.adapters.wire import EVENT_KINDS
from monitor.core import snapshot
from monitor.core.events import ReadingsShed
from tests.stories import OUT, PRESSURE, REG, STAND, Story, alder, codec

SHED = ReadingsShed((("analogue", 2), ("superseded", 40)), (), (), (), 7)


def at_door(door: str, **signals: object) -> dict[str, object]:
    return {f"door/{door}/{signal}": value for signal, value in signals.items()}


def test_what_is_left_out_is_told_with_its_numbers_until_nothing_was_for_30_s() -> None:
    story = alder()
    story.step(SHED, at=10)
    (raised,) = story.told("overload")
    assert (raised.aircraft, raised.door, raised.priority, raised.at) == ("-", "-", "caution", 10)
    text = raised.data["text"]
    assert text.startswith("Overloaded: 42 messages left out (40 overtaken by a newer one, 2 of a quantity")
    story.step(SHED._replace(waiting=0), at=30)
    shown = story.active["-", "-", "overload"]
    assert shown is not None
    assert "84 messages" in shown["text"]
    story.until(59.9)
    assert story.types("overload") == ["raised"]
    story.until(60)
    assert story.types("overload") == ["raised", "cleared"]
    story.step(SHED, at=100)
    assert "42 messages" in story.told("overload")[-1].data["text"], "counted anew"


def test_a_reading_that_did_not_arrive_makes_the_one_before_it_unknown_till_the_next() -> None:
    story = alder()
    story.bundle(at_door("L1", **OUT, travel=0.4), at=5)
    assert story.state("L1") == "ajar"
    story.step(SHED._replace(readings=((REG, "L1", "closed"), (REG, "L1", "travel"), (REG, "L1", "hold_open"))), at=6)
    assert story.state("L1") == "unknown"
    assert ("signal-bad", "L1") not in story.standing()
    story.until(40)
    assert ("signal-stale", "L1") not in story.standing(), "its sender is heard"
    assert story.state("L1") == "unknown", "no heartbeat vouches for what was not delivered"
    story.bundle({"door/L1/closed": False, "door/L1/travel": 0.4, "door/L1/hold_open": False}, at=41)
    assert story.state("L1") == "ajar"


def test_a_pressure_that_did_not_arrive_is_not_taken_for_none() -> None:
    story = alder()
    story.send(PRESSURE, 0.0, at=5)
    record = story.system.record.aircraft[REG]
    story.step(SHED._replace(readings=((REG, None, "differential_pressure_hpa"),)), at=6)
    assert record.readings["differential_pressure_hpa"].quality == "uncertain"
    assert any(entry[0] == "residual-pressure" for entry in record.doors["L1"].deaf_to)


def test_the_weather_of_a_stand_is_doubted_for_those_who_stand_there() -> None:
    story = alder()
    story.send(f"stand/{STAND}/wind_kt", 10.0, at=5)
    door = story.system.record.aircraft[REG].doors["L1"]
    assert not any(entry[0] == "wind-limit" for entry in door.deaf_to)
    story.step(SHED._replace(weather=((STAND, "wind_kt"), ("S99", "wind_kt"))), at=6)
    assert any(entry[0] == "wind-limit" for entry in door.deaf_to)


def test_what_was_left_out_proves_life() -> None:
    story = alder()
    story.beating = False
    story.withdraw("airframe/heartbeat", at=1)
    for second in range(2, 90, 4):
        story.step(SHED._replace(heard=(REG, "ZZ-GONE")), at=second)
    assert story.told("feed-lost") == []
    story.until(130)
    assert story.types("feed-lost") == ["raised"]


def test_a_refused_heartbeat_counts_for_nothing() -> None:
    story = alder()
    story.beating = False
    for second in range(2, 60, 4):
        story.step(SHED._replace(heard=(REG,), readings=((REG, None, "heartbeat"),)), at=second)
    assert story.types("feed-lost") == ["raised"]


def test_it_is_journalled_and_read_back_as_it_was() -> None:
    event = SHED._replace(
        readings=((REG, "L1", "travel"), (REG, None, "beacon")), weather=((STAND, "wind_kt"),), heard=(REG,)
    )
    kind, body = codec().encode_event(event)
    assert kind == "readings-shed" in EVENT_KINDS
    assert codec().decode_event(kind, body) == event


def test_a_restart_goes_on_counting() -> None:
    story = alder()
    story.step(SHED, at=10)
    record = snapshot.restore(snapshot.dump(story.system.record))
    assert record == story.system.record
    assert record.overload.counts == {"analogue": 2, "superseded": 40}


# Who is forgotten for a newcomer


ROOM = 40


@pytest.fixture(autouse=True)
def little_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """As many aircraft as a test can invent in no time."""
    monkeypatch.setattr("monitor.core.system.AIRCRAFT_MAX", ROOM)


def crowd(story: Story, number: int, at: float, *, says: str = "airframe/beacon", value: object = True) -> None:
    """So many invented aircraft say one thing each."""
    for name in range(number):
        topic = f"apron/v1/{story.site.name}/aircraft/X-{name:05d}/{says}"
        payload = f'{{"time": {story.start / 1_000_000 + at}, "value": {str(value).lower()}}}'.encode()
        story.deliver(topic, payload, at=at)


@pytest.mark.parametrize("typed", [True, False])
def test_a_storm_of_invented_registrations_forgets_no_aircraft_with_an_open_door(typed: bool) -> None:
    story = alder() if typed else Story()
    if not typed:
        story.bundle({"door/L1/closed": False, "airframe/heartbeat": 1}, at=1)
    else:
        story.bundle(at_door("L1", **OUT), at=1)
    for at in (2.0, 100.0):
        crowd(story, ROOM + 5, at)
        assert REG in story.system.record.aircraft
    assert len(story.system.record.aircraft) == ROOM


def test_invented_aircraft_that_name_a_type_give_their_place_to_a_real_one_once_they_are_silent() -> None:
    story = Story()
    crowd(story, ROOM, 1.0, says="airframe/type", value='"alder"')
    assert len(story.system.record.aircraft) == ROOM
    story.until(40)
    story.bundle({"airframe/type": "alder", "airframe/heartbeat": 1, **at_door("L1", **OUT)}, at=40)
    assert REG in story.system.record.aircraft
