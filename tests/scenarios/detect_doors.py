"""Injected hazards of leaves, locks, powered doors, drops, wind, engines and pressure: row by row from the design."""

from __future__ import annotations

import random
from functools import cache
from typing import Any, Final

from monitor.core import snapshot
from monitor.core.airframe import AirframeType, DoorKind, DoorType
from tests.scenarios.detect_kit import BOARDED, PARKED, READY, TYPES, Expect, Scene, injector, prepared
from tests.scenarios.quiet_day import Alarms

WARNING, CAUTION, ADVISORY = "warning", "caution", "advisory"
USUAL_S: Final = 7.5
OFTEN: Final = 12
POWERED: Final = (DoorKind.CARGO, DoorKind.MAIN_DECK)
HOLD_DOORS: Final = (*POWERED, DoorKind.BULK)
DOCKED: Final = ("bridge", "stairs", "platform", "loader")


def every(airframe: AirframeType, door: DoorType) -> bool:
    return True


def no_window(airframe: AirframeType, door: DoorType) -> bool:
    return door.kind is not DoorKind.WINDOW


def unlockable(airframe: AirframeType, door: DoorType) -> bool:
    """Closed, it sits in ``closed_locked``, and leaves it for ``unlocked``: a hatch with a slide is armed instead."""
    return not (door.slide and door.kind is DoorKind.OVERWING)


def cabin(airframe: AirframeType, door: DoorType) -> bool:
    return door.kind is DoorKind.CABIN


def powered(airframe: AirframeType, door: DoorType) -> bool:
    return door.kind in POWERED


def can_be_ajar(airframe: AirframeType, door: DoorType) -> bool:
    return no_window(airframe, door) and bool({"hold_open", "travel"} & door.signals)


def windy(airframe: AirframeType, door: DoorType) -> bool:
    return door.wind_held_kt is not None and door.wind_moved_kt is not None


def _off_its_stop(scene: Scene) -> tuple[str, Any]:
    choices = (("handle_lifted", True), ("latched", False), ("locked", False))
    return scene.rng.choice([c for c in choices if c[0] in scene.door.signals])


# Engines and pressure


@injector("open-engine-running", no_window, PARKED, BOARDED)
def engine_beside_an_open_door(scene: Scene) -> Expect:
    number = scene.rng.choice(sorted(scene.airframe.engines))
    near = scene.door.side is None or scene.airframe.engines[number] is scene.door.side
    if scene.rng.random() < 0.5:
        scene.swing_out()
        scene.wait(0.1, 5.0)
        scene.air(**{f"engine_{number}_running": True})
    else:
        scene.air(**{f"engine_{number}_running": True})
        scene.wait(0.1, 5.0)
        scene.unlatch()
        scene.say("closed", False)
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING if near else CAUTION)


@injector("residual-pressure", every, PARKED, BOARDED)
def moved_under_pressure(scene: Scene) -> Expect:
    scene.air(differential_pressure_hpa=scene.rng.choice((-1, 1, 1)) * scene.number(2.6, 9.5))
    if scene.door.kind is DoorKind.CABIN and scene.door.slide:
        # Disengaged under pressure it would be raised after 3 s anyway.
        scene.wait(0.05, 2.5)
    else:
        scene.wait(0.05, 8.0)
    scene.say(*_off_its_stop(scene))
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("residual-pressure", lambda a, d: cabin(a, d) and d.slide, READY)
def slide_disengaged_under_pressure(scene: Scene) -> Expect:
    scene.air(differential_pressure_hpa=scene.number(2.6, 9.5))
    scene.wait(0.1, 8.0)
    scene.together(lever_armed=False, girt_left=False, girt_right=False)
    scene.begin()
    return Expect(scene.door.name, 3.0, WARNING)


@injector("pressure-rising", every, PARKED, READY)
def supply_raises_the_pressure(scene: Scene) -> Expect:
    low = scene.number(0.0, 0.95)
    scene.air(differential_pressure_hpa=low)
    scene.wait(0.5, 9.0)
    # Above 1 hPa, and half a hectopascal above where it was.
    scene.air(differential_pressure_hpa=max(low + scene.number(0.55, 2.0), 1.05))
    scene.begin()
    return Expect("-", 0.0, CAUTION)


@injector("unlocked-pressurised", unlockable, BOARDED, READY)
def unlocked_as_the_cabin_is_pressurised(scene: Scene) -> Expect:
    if scene.rng.random() < 0.6:
        scene.air(engine_1_running=True)
    else:
        scene.air(weight_on_wheels=False)
    if scene.rng.random() < 0.5:
        scene.say(*_off_its_stop(scene))
        scene.wait(0.1, 4.0)
        scene.air(differential_pressure_hpa=scene.number(10.2, 40.0))
    else:
        scene.air(differential_pressure_hpa=scene.number(10.2, 40.0))
        scene.wait(0.1, 4.0)
        scene.say(*_off_its_stop(scene))
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


# Drops


@injector("unguarded-drop", lambda a, d: cabin(a, d) and d.sill_m >= 1.2, PARKED, BOARDED)
def open_over_a_drop(scene: Scene) -> Expect:
    scene.unlatch()
    scene.say("closed", False)
    scene.begin()
    return Expect(scene.door.name, 5.0, WARNING)


@injector("unguarded-drop", lambda a, d: d.kind in HOLD_DOORS and "access" in d.signals, PARKED, BOARDED)
def hold_open_with_no_loader(scene: Scene) -> Expect:
    scene.unlatch()
    scene.say("closed", False)
    scene.begin()
    return Expect(scene.door.name, 120.0, CAUTION)


@injector("access-withdrawn", cabin, PARKED, BOARDED)
def access_leaves_an_open_door(scene: Scene) -> Expect:
    scene.say("access", scene.rng.choice(DOCKED))
    scene.wait(0.1, 3.0)
    scene.hold_open()
    scene.wait(0.1, 8.0)
    scene.say("access", "none")
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


# Wind


def _gale(scene: Scene, limit: float) -> tuple[float, str]:
    """A wind over the limit, or one in the five knots below it."""
    if scene.rng.random() < 0.6:
        return limit + scene.number(0.5, 30.0), WARNING
    return limit - scene.number(0.2, 4.5), CAUTION


def _blow(scene: Scene, kt: float) -> None:
    """The larger of gust and wind counts."""
    if scene.rng.random() < 0.5:
        scene.wind(gust_kt=kt)
    else:
        scene.wind(wind_kt=kt)


@injector("wind-limit", windy, PARKED, BOARDED)
def gale_at_a_door_held_open(scene: Scene) -> Expect:
    scene.wind(wind_kt=8.0, gust_kt=12.0)
    scene.hold_open()
    scene.wait(0.1, 8.0)
    kt, priority = _gale(scene, scene.door.wind_held_kt or 0.0)
    _blow(scene, kt)
    scene.begin()
    return Expect(scene.door.name, 2.0, priority)


@injector("wind-limit", lambda a, d: windy(a, d) and {"handle_lifted", "latched"} <= d.signals, PARKED, BOARDED)
def unlocked_in_a_gale(scene: Scene) -> Expect:
    kt, priority = _gale(scene, scene.door.wind_moved_kt or 0.0)
    _blow(scene, kt)
    scene.wait(0.1, 8.0)
    scene.say("handle_lifted", True)
    scene.begin()
    return Expect(scene.door.name, 2.0, priority)


# Leaf and locks


@injector("unsecured-leaf", can_be_ajar, PARKED, BOARDED)
def leaf_left_ajar(scene: Scene) -> Expect:
    scene.unlatch()
    scene.together(closed=False, travel=scene.number(0.1, 0.9))
    scene.begin()
    return Expect(scene.door.name, 20.0, CAUTION)


@injector("unlocked-lingering", unlockable, PARKED, BOARDED)
def left_unlocked(scene: Scene) -> Expect:
    signal, value = _off_its_stop(scene)
    scene.say(signal, value)
    scene.begin()
    return Expect(scene.door.name, 60.0, CAUTION)


@injector("lock-disagree", lambda a, d: {"latched", "locked"} <= d.signals, PARKED, READY)
def locked_without_latched(scene: Scene) -> Expect:
    scene.say("latched", False)
    scene.begin()
    return Expect(scene.door.name, 1.0, CAUTION)


@injector("lock-disagree", every, PARKED, BOARDED)
def locked_without_closed(scene: Scene) -> Expect:
    if "latched" in scene.door.signals and scene.rng.random() < 0.5:
        scene.say("locked", False)
    scene.say("closed", False)
    scene.begin()
    return Expect(scene.door.name, 1.0, CAUTION)


@injector("lock-disagree", lambda a, d: {"lock_flags", "latched"} <= d.signals, PARKED, READY)
def flags_without_latched(scene: Scene) -> Expect:
    scene.say("locked", False)
    scene.wait(0.1, 2.0)
    scene.say("latched", False)
    scene.begin()
    return Expect(scene.door.name, 1.0, CAUTION)


@injector("implausible-jump", every, PARKED, BOARDED)
def steps_not_seen(scene: Scene) -> Expect:
    scene.say("closed", False)
    scene.begin()
    return Expect(scene.door.name, 0.0, ADVISORY)


# Powered doors


@injector("cargo-unlatched-flags", lambda a, d: powered(a, d) and "lock_flags" in d.signals, PARKED, READY)
def flags_do_not_show(scene: Scene) -> Expect:
    scene.say("lock_flags", False)
    scene.begin()
    return Expect(scene.door.name, 5.0, CAUTION)


def _raised_half(scene: Scene) -> float:
    travel = scene.number(0.4, 0.7)
    scene.say("selector", "open")
    scene.unlatch()
    scene.together(closed=False, travel=0.1, actuator_bar=250.0)
    scene.wait(0.5, 3.0)
    scene.say("travel", travel)
    return travel


@injector("cargo-uncommanded", lambda a, d: powered(a, d) and "travel" in d.signals, PARKED, BOARDED)
def leaf_moves_by_itself(scene: Scene) -> Expect:
    travel = _raised_half(scene)
    scene.wait(0.1, 1.0)
    scene.say("selector", "neutral")
    scene.wait(2.1, 10.0)
    scene.say("travel", round(travel + scene.rng.choice((-1, 1)) * scene.number(0.06, 0.25), 3))
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("cargo-uncommanded", lambda a, d: powered(a, d) and {"travel", "hand_pump"} <= d.signals, PARKED)
def leaf_moves_after_the_hand_pump_rests(scene: Scene) -> Expect:
    scene.unlatch()
    scene.say("hand_pump", True)
    scene.together(closed=False, travel=0.1, actuator_bar=250.0)
    scene.wait(0.5, 5.0)
    travel = scene.number(0.4, 0.7)
    scene.say("travel", travel)
    scene.wait(0.1, 1.0)
    scene.say("hand_pump", False)
    scene.wait(0.1, 5.0)
    scene.say("travel", round(travel - scene.number(0.06, 0.25), 3))
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("cargo-pressure-low", lambda a, d: powered(a, d) and d.actuator_bar_min is not None, PARKED, BOARDED)
def actuator_loses_its_pressure(scene: Scene) -> Expect:
    _raised_half(scene)
    if scene.rng.random() < 0.6:
        scene.say("selector", "neutral")
    scene.wait(0.1, 4.0)
    scene.say("actuator_bar", round((scene.door.actuator_bar_min or 0.0) * scene.number(0.2, 0.98), 1))
    scene.begin()
    return Expect(scene.door.name, 2.0, CAUTION)


# What the door itself shows


@injector("indicator-disagree", lambda a, d: "locked" in d.signals, PARKED, BOARDED, READY)
def mark_contradicts_the_lock(scene: Scene) -> Expect:
    scene.say("lock_indicator", "unlocked")
    scene.begin()
    return Expect(scene.door.name, 3.0, CAUTION)


@injector("indicator-disagree", lambda a, d: cabin(a, d) and d.slide, PARKED, BOARDED, READY)
def lamp_lit_without_cause(scene: Scene) -> Expect:
    scene.say(scene.rng.choice(("armed_light", "pressure_light")), True)
    scene.begin()
    return Expect(scene.door.name, 3.0, CAUTION)


@injector("indicator-disagree", lambda a, d: cabin(a, d) and d.slide, READY)
def armed_lamp_stays_dark(scene: Scene) -> Expect:
    scene.say("armed_light", False)
    scene.wait(0.1, 3.0)
    scene.say("handle_lifted", True)
    scene.begin()
    return Expect(scene.door.name, 3.0, CAUTION)


@injector("indicator-disagree", lambda a, d: cabin(a, d), PARKED, BOARDED)
def pressure_lamp_stays_dark(scene: Scene) -> Expect:
    scene.say("pressure_light", False)
    scene.say("handle_lifted", True)
    scene.wait(0.1, 3.0)
    scene.air(differential_pressure_hpa=scene.number(2.6, 9.5))
    scene.begin()
    return Expect(scene.door.name, 3.0, CAUTION)


@injector("transit-slow", lambda a, d: cabin(a, d) and {"hold_open", "travel"} <= d.signals, PARKED)
def opening_takes_far_longer(scene: Scene) -> Expect:
    state, now = _worked_often(scene.airframe.name, scene.door.name)
    scene.story.system = Alarms(scene.story.site, snapshot.restore(state))
    scene.story.now = now
    # The door's messages so far are the other story's: this one only goes on counting them.
    scene.story._seqs = {topic: seq + 1000 for topic, seq in scene.story._seqs.items()}
    scene.story._beats += 10_000
    slow = _open_in(scene, USUAL_S * scene.number(3.0, 5.0))
    return Expect(scene.door.name, 0.0, ADVISORY, soonest_s=-slow)


@cache
def _worked_often(type_name: str, door: str) -> tuple[bytes, int]:
    """A door that was opened and closed often enough to be known, always in about the same time."""
    airframe = TYPES[type_name]
    story = prepared(type_name, PARKED).copy()
    scene = Scene(story, airframe, airframe.doors[door], random.Random(f"{type_name} {door}"))
    for _ in range(OFTEN):
        _open_in(scene, USUAL_S * scene.number(0.97, 1.03))
        scene.together(hold_open=False, travel=0.96)
        _move(scene, 0.96, 0.04, USUAL_S)
        scene.together(closed=True, travel=0.0)
        scene.together(latched=True, locked=True, handle_lifted=False, lock_flags=True)
        scene.wait(1.0)
    return snapshot.dump(story.system.record), story.now


def _move(scene: Scene, first: float, last: float, seconds: float) -> None:
    """Have the leaf on its way for so long, seen as it goes."""
    steps = max(2, round(seconds / 1.5))
    for step in range(1, steps + 1):
        scene.wait(seconds / steps)
        scene.together(travel=round(first + (last - first) * step / steps, 3))


def _open_in(scene: Scene, seconds: float) -> float:
    """Open the door in ``seconds``, from its handle to being held; return how long ago that began."""
    begun = scene.story.clock
    scene.unlatch()
    scene.together(closed=False, travel=0.02)
    _move(scene, 0.02, 0.96, seconds)
    scene.together(travel=1.0, hold_open=True)
    scene.begin()
    return scene.began - begun
