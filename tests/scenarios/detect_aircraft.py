"""Injected hazards of the aircraft as a whole, of its exits, of its senders and of the site: row by row from the design."""

from __future__ import annotations

from typing import Any, Final

from monitor.core.events import BrokerDisconnected
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, Kind
from tests.scenarios.detect_doors import every, no_window
from tests.scenarios.detect_kit import BOARDED, PARKED, READY, TYPES, Expect, Scene, injector
from tests.scenarios.quiet_day import Alarms
from tests.stories import Story

WARNING, CAUTION, ADVISORY = "warning", "caution", "advisory"

WITHOUT_TRAVEL_OR_LOCK: Final = frozenset({"hold_open", "travel"})


# Movement and exits


@injector("moving-not-secure", no_window, PARKED, READY)
def moves_with_a_door_unlocked(scene: Scene) -> Expect:
    signal, value = scene.rng.choice((("locked", False), ("closed", False)))
    if scene.rng.random() < 0.5:
        scene.say(signal, value)
        scene.wait(0.1, 4.0)
        _start_moving(scene)
    else:
        _start_moving(scene)
        scene.wait(0.1, 4.0)
        scene.say(signal, value)
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


def _start_moving(scene: Scene) -> None:
    if scene.rng.random() < 0.5:
        scene.air(ground_speed_kt=scene.number(2.0, 20.0))
    else:
        # Nothing holds it any more, and the beacon says that it is meant to go.
        scene.air(beacon=True, chocks=False)
        scene.wait(0.1, 2.0)
        scene.air(parking_brake=False)


def _block_one_half(scene: Scene) -> None:
    """Put a loader or a platform before every door of one half: even one low enough to jump from is no exit then."""
    half = scene.rng.choice(("fore", "aft"))
    for door in scene.airframe.doors.values():
        if door.half == half and "access" in door.signals:
            scene.say("access", scene.rng.choice(("loader", "platform")), door)


@injector("refuel-exits-short", every, BOARDED)
def fuel_with_people_and_no_exits(scene: Scene) -> Expect:
    _block_one_half(scene)
    scene.air(refuelling=True)
    scene.begin()
    return Expect("-", 5.0, WARNING)


@injector("refuel-exits-short", every, PARKED)
def people_come_while_fuel_flows(scene: Scene) -> Expect:
    _block_one_half(scene)
    scene.air(refuelling=True)
    scene.wait(0.1, 20.0)
    scene.air(passengers_aboard=scene.rng.randint(1, scene.airframe.seats))
    scene.begin()
    return Expect("-", 5.0, WARNING)


@injector("exit-capacity-short", every, READY)
def more_people_than_the_exits_are_for(scene: Scene) -> Expect:
    way = scene.rng.choice(("departing", "moving", "emergency"))
    if way == "emergency":
        scene.air(emergency=True)
    else:
        scene.air(beacon=True)
        scene.air(engine_1_running=True)
    if way == "moving":
        scene.air(ground_speed_kt=scene.number(3.0, 12.0))
    scene.wait(0.1, 4.0)
    scene.air(passengers_aboard=scene.rng.randint(500, 900))
    scene.begin()
    return Expect("-", 60.0 if way == "departing" else 5.0, CAUTION)


# Senders


@injector("identity-conflict", every, PARKED, BOARDED)
def two_claim_one_stand(scene: Scene) -> Expect:
    other = Story(
        site=scene.story.site,
        type=scene.rng.choice(sorted(TYPES)),
        reg="TW-202",
        stand="S14",
        system=scene.story.system,
    )
    other.now = scene.story.now
    other.baseline(beating=False)
    scene.story.advance(1.0)
    other.now = scene.story.now
    scene.story.deliver(*_raw(other, "airframe/stand", scene.story.stand))
    scene.begin()
    return Expect("-", 0.0, CAUTION, reg=scene.rng.choice((scene.story.reg, other.reg)))


def _raw(story: Story, path: str, value: str) -> tuple[str, bytes]:
    return story.topic(path), b'{"time": %f, "value": "%b"}' % (story.now / 1e6, value.encode())


@injector("identity-conflict", every, PARKED, BOARDED)
def type_changes(scene: Scene) -> Expect:
    scene.air(type=scene.rng.choice(sorted(set(TYPES) - {scene.airframe.name})))
    scene.begin()
    return Expect("-", 0.0, CAUTION)


@injector("identity-conflict", every, PARKED, BOARDED)
def two_series_of_heartbeats(scene: Scene) -> Expect:
    scene.story.beating = False
    mine, theirs = 1000, scene.rng.randint(50_000, 90_000)
    scene.begin()
    for _ in range(4):
        for count in (mine, theirs):
            scene.air(heartbeat=count)
            scene.wait(1.0, 2.4)
        mine, theirs = mine + 1, theirs + 1
    # When two interleaved series can be told from a restart is not in the table.
    return Expect("-", scene.story.clock - scene.began, CAUTION, soonest_s=0.0)


@injector("signal-stale", every, PARKED, BOARDED)
def pressure_is_not_refreshed(scene: Scene) -> Expect:
    scene.air(differential_pressure_hpa=0.1)
    scene.story._pressure = None
    scene.begin()
    return Expect("-", 30.0, CAUTION)


@injector("signal-stale", every, PARKED, BOARDED)
def unit_of_a_door_falls_silent(scene: Scene) -> Expect:
    scene.say("heartbeat", scene.rng.randint(0, 900))
    scene.begin()
    return Expect(scene.door.name, 30.0, CAUTION)


@injector("signal-bad", every, PARKED, BOARDED, READY)
def sensor_calls_itself_bad(scene: Scene) -> Expect:
    if scene.rng.random() < 0.3:
        signal = scene.rng.choice(
            ("beacon", "chocks", "refuelling", "ground_speed_kt", "weight_on_wheels", "emergency")
        )
        scene.story.send(f"airframe/{signal}", _any_value(AIRFRAME_SIGNALS[signal].kind), quality="bad")
        scene.begin()
        return Expect("-", 1.0, CAUTION)
    signal = scene.rng.choice(sorted(s for s in scene.door.signals if DOOR_SIGNALS[s].kind is not Kind.TEXT))
    scene.say(signal, _any_value(DOOR_SIGNALS[signal].kind), quality="bad")
    scene.begin()
    return Expect(scene.door.name, 1.0, CAUTION)


def _any_value(kind: Kind) -> Any:
    return True if kind is Kind.BOOL else 0.5


@injector("signal-bad", lambda a, d: bool(WITHOUT_TRAVEL_OR_LOCK & d.signals), PARKED, BOARDED)
def readings_that_cannot_be(scene: Scene) -> Expect:
    choices = (("hold_open", True), ("travel", scene.number(0.52, 1.0)))
    scene.say(*scene.rng.choice([c for c in choices if c[0] in scene.door.signals]))
    scene.begin()
    return Expect(scene.door.name, 1.0, CAUTION)


@injector("signal-chatter", every, PARKED, BOARDED)
def contact_chatters(scene: Scene) -> Expect:
    signals = sorted(s for s in scene.door.signals if DOOR_SIGNALS[s].kind is Kind.BOOL)
    signal = scene.rng.choice([s for s in signals if s != "slide_released"])
    value = bool(scene.story.value(f"door/{scene.door.name}/{signal}"))
    if scene.story.value(f"door/{scene.door.name}/{signal}") is None:
        scene.say(signal, value)
    for _ in range(6):
        scene.wait(0.05, 1.4)
        value = not value
        scene.say(signal, value)
    scene.begin()
    return Expect(scene.door.name, 0.0, ADVISORY)


@injector("clock-skew", every, PARKED, BOARDED)
def clock_runs_ahead(scene: Scene) -> Expect:
    scene.wait(0.01, 0.5)
    scene.story.skew = scene.number(5.5, 25.0)
    scene.story.beat()
    scene.begin()
    return Expect("-", 0.0, ADVISORY)


@injector("clock-skew", every, PARKED)
def newcomer_is_behind(scene: Scene) -> Expect:
    other = Story(site=scene.story.site, type=scene.airframe.name, stand="S14", system=Alarms(scene.story.site))
    other.skew = -scene.number(5.5, 25.0)
    scene.story = other.baseline()
    scene.begin()
    return Expect("-", 0.0, ADVISORY)


@injector("feed-lost", every, PARKED, BOARDED, READY)
def aircraft_falls_silent(scene: Scene) -> Expect:
    at_risk = scene.story.value("airframe/passengers_aboard") > 0
    if not at_risk and scene.rng.random() < 0.5:
        at_risk = True
        scene.air(**scene.rng.choice(({"refuelling": True}, {"engine_1_running": True})))
    scene.story.beat()
    scene.story.beating = scene.own_noise = False
    scene.begin()
    return Expect("-", 30.0, WARNING if at_risk else CAUTION)


@injector("feed-lost", every, PARKED, BOARDED, READY)
def heartbeat_stands_still(scene: Scene) -> Expect:
    at_risk = scene.story.value("airframe/passengers_aboard") > 0
    scene.air(heartbeat=7000)
    scene.story.beating = False
    scene.begin()
    for _ in range(scene.rng.randint(1, 3)):
        scene.wait(2.0, 9.0)
        scene.air(heartbeat=7000, differential_pressure_hpa=0.1)
    return Expect("-", 30.0, WARNING if at_risk else CAUTION)


@injector("feed-lost", every, PARKED, READY)
def broker_is_lost(scene: Scene) -> Expect:
    scene.story.step(BrokerDisconnected("broken pipe"))
    scene.story.beating = scene.own_noise = False
    scene.begin()
    return Expect("-", 2.0, WARNING, reg="-")
