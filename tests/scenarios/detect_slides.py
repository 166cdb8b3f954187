"""Injected hazards of slides and of what keeps them: from the table in the design, row by row."""

from __future__ import annotations

from monitor.core.airframe import AirframeType, DoorKind, DoorType
from tests.scenarios.detect_kit import BOARDED, PARKED, READY, Expect, Scene, injector
from tests.stories import ARMED, DISARMED

WARNING, CAUTION, ADVISORY = "warning", "caution", "advisory"


def cabin_slide(airframe: AirframeType, door: DoorType) -> bool:
    return door.slide and door.kind is DoorKind.CABIN


def any_slide(airframe: AirframeType, door: DoorType) -> bool:
    return door.slide and door.kind in (DoorKind.CABIN, DoorKind.OVERWING)


def cabin_with_girts(airframe: AirframeType, door: DoorType) -> bool:
    return cabin_slide(airframe, door) and {"girt_left", "girt_right"} <= door.signals


def overwing(airframe: AirframeType, door: DoorType) -> bool:
    return door.kind is DoorKind.OVERWING


@injector("armed-handle-moved", cabin_slide, READY)
def armed_handle_moved(scene: Scene) -> Expect:
    signal, value = scene.rng.choice((("handle_lifted", True), ("latched", False), ("locked", False)))
    scene.say(signal, value)
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("armed-leaf-moving", cabin_slide, READY)
def leaf_leaves_with_the_slide(scene: Scene) -> Expect:
    if scene.rng.random() < 0.7:
        scene.unlatch()
        scene.wait(0.2, 2.0)
    scene.say("closed", False)
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("armed-leaf-moving", cabin_slide, PARKED, BOARDED)
def slide_engaged_at_an_open_door(scene: Scene) -> Expect:
    scene.swing_out()
    scene.wait(0.2, 2.0)
    scene.say("lever_armed", True)
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("slide-deployed", any_slide, PARKED, READY)
def slide_comes_out(scene: Scene) -> Expect:
    scene.say("slide_released", True)
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("slide-deployed", any_slide, READY)
def slide_comes_out_in_an_emergency(scene: Scene) -> Expect:
    scene.air(emergency=True)
    scene.wait(0.5, 5.0)
    scene.say("slide_released", True)
    scene.begin()
    return Expect(scene.door.name, 0.0, ADVISORY)


@injector("slide-slow", lambda a, d: any_slide(a, d) and "slide_erect" in d.signals, READY)
def slide_does_not_stand(scene: Scene) -> Expect:
    scene.unlatch()
    moved = scene.story.clock
    scene.wait(0.1, 5.5)
    scene.together(closed=False, travel=0.1)
    scene.say("slide_released", True)
    scene.begin()
    by_handle = moved + 10.0 - scene.began if scene.door.exit_type == "C" else 0.0
    return Expect(scene.door.name, max(6.0, by_handle), CAUTION)


@injector("slide-not-released", any_slide, READY)
def slide_stays_in_its_pack(scene: Scene) -> Expect:
    if scene.rng.random() < 0.8:
        scene.unlatch()
        scene.wait(0.1, 1.0)
    scene.say("closed", False)
    scene.begin()
    return Expect(scene.door.name, 2.0, WARNING)


@injector("emergency-open-slow", lambda a, d: cabin_slide(a, d) and "hold_open" in d.signals, READY)
def armed_door_opens_too_slowly(scene: Scene) -> Expect:
    scene.say("handle_lifted", True)
    scene.begin()
    scene.wait(0.2, 8.0)
    scene.together(latched=False, locked=False)
    scene.together(closed=False, travel=0.2)
    return Expect(scene.door.name, 10.0, WARNING)


@injector("emergency-open-slow", lambda a, d: cabin_slide(a, d) and "hold_open" in d.signals, READY)
def exit_does_not_open_in_an_emergency(scene: Scene) -> Expect:
    scene.air(emergency=True)
    scene.wait(0.2, 8.0)
    scene.say("handle_lifted", True)
    scene.begin()
    return Expect(scene.door.name, 10.0, WARNING)


@injector(
    "evacuation-in-progress", lambda a, d: cabin_slide(a, d) and sum(x.slide for x in a.doors.values()) > 1, READY
)
def two_slides_come_out(scene: Scene) -> Expect:
    other = scene.rng.choice([d for d in scene.others(DoorKind.CABIN, DoorKind.OVERWING) if d.slide])
    scene.say("slide_released", True, other)
    scene.wait(0.1, 29.5)
    scene.say("slide_released", True)
    scene.begin()
    return Expect("-", 0.0, WARNING)


@injector("evacuation-in-progress", any_slide, READY)
def slide_comes_out_and_an_emergency_is_declared(scene: Scene) -> Expect:
    if scene.rng.random() < 0.5:
        scene.air(emergency=True)
        scene.wait(0.1, 40.0)
        scene.say("slide_released", True)
    else:
        scene.say("slide_released", True)
        scene.wait(0.1, 20.0)
        scene.air(emergency=True)
    scene.begin()
    return Expect("-", 0.0, WARNING)


@injector("outside-opening-armed", lambda a, d: cabin_slide(a, d) and "outside_handle_lifted" in d.signals, READY)
def opened_from_outside_with_the_slide(scene: Scene) -> Expect:
    scene.say("outside_handle_lifted", True)
    scene.begin()
    return Expect(scene.door.name, *scene.rng.choice(((0.0, ADVISORY), (2.0, WARNING))))


@injector("girt-disagree", cabin_with_girts, READY)
def girt_end_lets_go(scene: Scene) -> Expect:
    moved = scene.rng.random() < 0.4
    if moved:
        scene.say("handle_lifted", True)
        scene.wait(0.1, 3.0)
    scene.say(scene.rng.choice(("girt_left", "girt_right", "lever_armed")), False)
    scene.begin()
    return Expect(scene.door.name, 2.0, WARNING if moved else CAUTION)


@injector("girt-disagree", cabin_with_girts, PARKED, BOARDED)
def girt_end_stays_in(scene: Scene) -> Expect:
    scene.say(scene.rng.choice(("girt_left", "girt_right")), True)
    scene.begin()
    return Expect(scene.door.name, 2.0, CAUTION)


@injector("pin-missing", lambda a, d: cabin_slide(a, d) and "pin_fitted" in d.signals, PARKED, BOARDED)
def open_without_its_pin(scene: Scene) -> Expect:
    if scene.rng.random() < 0.5:
        scene.hold_open()
        scene.wait(0.1, 5.0)
        scene.say("pin_fitted", False)
    else:
        scene.say("pin_fitted", False)
        scene.unlatch()
        scene.say("closed", False)
    scene.begin()
    return Expect(scene.door.name, 15.0, ADVISORY)


@injector("pin-left-in", lambda a, d: cabin_slide(a, d) and "pin_fitted" in d.signals, PARKED, BOARDED)
def armed_with_the_pin_in(scene: Scene) -> Expect:
    scene.together(**{**ARMED, "pin_fitted": True})
    scene.begin()
    return Expect(scene.door.name, 5.0, CAUTION)


@injector("pin-left-in", lambda a, d: cabin_slide(a, d) and "pin_fitted" in d.signals, READY)
def pin_put_into_an_armed_slide(scene: Scene) -> Expect:
    scene.say("pin_fitted", True)
    scene.begin()
    return Expect(scene.door.name, 5.0, CAUTION)


@injector("overwing-disturbed", overwing, PARKED, BOARDED, READY)
def hatch_disturbed(scene: Scene) -> Expect:
    choices = (("cover_fitted", False), ("handle_lifted", True), ("closed", False))
    scene.say(*scene.rng.choice([c for c in choices if c[0] in scene.door.signals]))
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("bottle-low", any_slide, PARKED, READY)
def bottle_leaks(scene: Scene) -> Expect:
    limits = {"slide": scene.door.slide_bottle_bar_min, "assist": scene.door.assist_bottle_bar_min}
    bottles = [name for name, limit in limits.items() if limit and f"{name}_bottle_bar" in scene.door.signals]
    bottle = scene.rng.choice(bottles)
    limit = limits[bottle] or 0.0
    share = scene.number(0.3, 0.97)
    if f"{bottle}_bottle_temp_c" in scene.door.signals:
        # A warm bottle shows more than it would at 20 °C: in proportion to kelvin.
        warm_c = scene.number(25.0, 45.0)
        scene.say(f"{bottle}_bottle_temp_c", warm_c)
        scene.wait(0.1, 1.0)
        share *= (warm_c + 273.15) / 293.15
    scene.say(f"{bottle}_bottle_bar", round(limit * share, 1))
    scene.begin()
    return Expect(scene.door.name, 60.0, CAUTION)


@injector("not-armed-departure", cabin_slide, READY)
def leaving_with_a_slide_disengaged(scene: Scene) -> Expect:
    scene.together(**DISARMED)
    scene.wait(0.1, 5.0)
    if scene.rng.random() < 0.5:
        scene.air(beacon=True)
        scene.begin()
        return Expect(scene.door.name, 60.0, CAUTION)
    scene.air(beacon=True)
    scene.wait(1.0, 20.0)
    scene.air(engine_1_running=True)
    scene.air(chocks=False)
    scene.wait(0.5, 10.0)
    scene.air(ground_speed_kt=scene.number(2.0, 15.0))
    scene.begin()
    return Expect(scene.door.name, 0.0, WARNING)


@injector("still-armed-arrival", lambda a, d: cabin_slide(a, d) and "access" in d.signals, READY)
def one_slide_forgotten_on_arrival(scene: Scene) -> Expect:
    engines = [f"engine_{n}_running" for n in scene.airframe.engines]
    scene.air(beacon=True, **dict.fromkeys(engines, True))
    scene.wait(1.0, 20.0)
    for engine in engines:
        scene.air(**{engine: False})
    scene.wait(0.5, 3.0)
    scene.air(beacon=False)
    scene.wait(0.5, 3.0)
    others = [door for door in scene.others(DoorKind.CABIN) if door.slide]
    if others and scene.rng.random() < 0.6:
        scene.together(scene.rng.choice(others), **DISARMED)
    else:
        scene.say("access", scene.rng.choice(("stairs", "bridge", "platform")))
    scene.begin()
    return Expect(scene.door.name, 45.0, CAUTION)
