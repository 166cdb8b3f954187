"""What an injected hazard is made with: a healthy aircraft, a door, and readings with noise around them.

Owns the prepared aircraft that every injection starts from, the ways to say something of one
door or of the airframe, the noise that means nothing, and the table of injectors. It knows
the hazards from the table in the design alone, and looks at no rule.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import cache
from typing import Any, Final, NamedTuple

from monitor.core import snapshot
from monitor.core.airframe import AirframeType, DoorKind, DoorType
from tests.scenarios.quiet_day import Alarms
from tests.stories import ARMED, Story, demo_site

TYPES: Final = demo_site().types
SETTLED_S: Final = 40.0
"""Later than any grace that a newly heard aircraft is given."""

PARKED, BOARDED, READY = "parked", "boarded", "ready"
"""All shut with slides disengaged and nobody aboard; the same with people aboard; slides engaged, people aboard."""


class Expect(NamedTuple):
    """What must be told: where, how long after the condition began (s), and with which priority.

    ``soonest_s`` is given where the table leaves the moment open between two.
    """

    door: str
    after_s: float
    priority: str
    reg: str | None = None
    soonest_s: float | None = None


class Injector(NamedTuple):
    """One way to bring a hazard about: the doors it fits, what the aircraft is doing, and what is then done."""

    fits: Callable[[AirframeType, DoorType], bool]
    contexts: tuple[str, ...]
    act: Callable[[Scene], Expect]


TABLE: Final[dict[str, list[Injector]]] = {}
"""Every code of the catalogue with the ways in which it is brought about."""


def injector(
    code: str, fits: Callable[[AirframeType, DoorType], bool], *contexts: str
) -> Callable[[Callable[[Scene], Expect]], Callable[[Scene], Expect]]:
    """Enter a way to bring about ``code``."""

    def enter(act: Callable[[Scene], Expect]) -> Callable[[Scene], Expect]:
        TABLE.setdefault(code, []).append(Injector(fits, contexts or (PARKED,), act))
        return act

    return enter


class Scene:
    """One injection: the story, the type and the door it happens at, and its own chance."""

    def __init__(self, story: Story, airframe: AirframeType, door: DoorType, rng: random.Random) -> None:
        self.story = story
        self.airframe = airframe
        self.door = door
        self.rng = rng
        self.began = 0.0
        self.own_noise = True

    # Saying things

    def say(self, signal: str, value: Any, door: DoorType | None = None, **more: Any) -> None:
        """Send one reading of the door, a little later than the last message."""
        self._tick()
        self.story.send(f"door/{(door or self.door).name}/{signal}", value, **more)

    def together(self, door: DoorType | None = None, /, **signals: Any) -> None:
        """Send readings of the door in a bundle: those of them that its type fits."""
        self._tick()
        spec = door or self.door
        fitted = {signal: value for signal, value in signals.items() if signal in spec.signals}
        if fitted:
            self.story.door_bundle(spec.name, fitted)

    def air(self, **signals: Any) -> None:
        """Send airframe readings in a bundle."""
        self._tick()
        self.story.bundle({f"airframe/{signal}": value for signal, value in signals.items()})

    def wind(self, **signals: float) -> None:
        """Send weather of the aircraft's stand."""
        for signal, value in signals.items():
            self._tick()
            self.story.send(f"stand/{self.story.stand}/{signal}", value)

    def begin(self) -> None:
        """Note that the last message made the hazard complete."""
        self.began = self.story.clock

    def wait(self, low_s: float, high_s: float | None = None) -> None:
        """Let some time pass."""
        self.until(self.story.clock + (low_s if high_s is None else self.rng.uniform(low_s, high_s)))

    def until(self, at: float) -> None:
        """Let time pass up to ``at``, with noise on the way."""
        for _ in range(self.rng.choice((0, 1, 1, 2))):
            moment = round(self.rng.uniform(self.story.clock, at), 3)
            if self.story.clock < moment < at:
                self.story.until(moment)
                self.rng.choice(_NOISE)(self)
        self.story.until(at)

    def _tick(self) -> None:
        self.story.advance(self.rng.choice((0.001, 0.004, 0.02, 0.06)))

    # Moving the door

    def unlatch(self, door: DoorType | None = None) -> None:
        """Lift the handle: what it holds lets go."""
        self.together(door, lock_flags=False, handle_lifted=True, latched=False, locked=False)

    def swing_out(self, travel: float = 0.3, door: DoorType | None = None) -> None:
        """Take the leaf out of its frame by legal steps, its slide as it is."""
        self.unlatch(door)
        self.together(door, closed=False, travel=travel)

    def hold_open(self, door: DoorType | None = None) -> None:
        """Open the door wholly."""
        self.swing_out(0.4, door)
        self.together(door, travel=1.0, hold_open=True, actuator_bar=500.0)

    def number(self, low: float, high: float) -> float:
        """Draw a value that a sensor might show."""
        return round(self.rng.uniform(low, high), 2)

    def others(self, *kinds: DoorKind) -> list[DoorType]:
        """The aircraft's other doors of these kinds."""
        return [d for d in self.airframe.doors.values() if d.kind in kinds and d.name != self.door.name]


# Noise: true, and of no meaning


def _someone_else(scene: Scene) -> None:
    scene.story.deliver(
        f"apron/v1/{scene.story.site.name}/aircraft/TW-900/airframe/beacon", b'{"time": 1, "value": true}'
    )


def _elsewhere(scene: Scene) -> None:
    scene.story.send("stand/S16/wind_kt", scene.number(2, 90))


def _rubbish(scene: Scene) -> None:
    if scene.own_noise:
        scene.story.deliver(scene.story.topic("airframe/beacon"), b'{"value": maybe}')


def _flow(scene: Scene) -> None:
    """Nothing that any hazard is read from, of a door that is not the one."""
    scene.story.advance(0.001)
    others = [d for d in scene.airframe.doors.values() if d.name != scene.door.name and "travel" in d.signals]
    if others and scene.own_noise:
        scene.say("travel", scene.number(0.0, 0.01), scene.rng.choice(others))


_NOISE: Final = (_someone_else, _elsewhere, _rubbish, _flow)


# Where it starts


class Prepared(NamedTuple):
    """A healthy aircraft, and its state as a snapshot to start from."""

    story: Story
    state: bytes

    def copy(self) -> Story:
        """Go on from here elsewhere, with nothing said so far."""
        told = self.story
        story = Story(
            site=told.site, type=told.type, reg=told.reg, system=Alarms(told.site, snapshot.restore(self.state))
        )
        story.now, story.beating = told.now, True
        story._seqs, story._beats, story._pressure = dict(told._seqs), told._beats, told._pressure
        return story


@cache
def prepared(type_name: str, context: str) -> Prepared:
    airframe = TYPES[type_name]
    story = Story(type=type_name, system=Alarms(demo_site())).baseline().until(0.5)
    if context != PARKED:
        story.bundle({"airframe/passengers_aboard": max(1, airframe.seats * 2 // 3)})
    if context == READY:
        for door in airframe.doors.values():
            if door.slide and door.kind is DoorKind.CABIN:
                story.door_bundle(door.name, {s: v for s, v in ARMED.items() if s in door.signals})
    story.until(SETTLED_S)
    if story.standing():
        raise AssertionError(f"{type_name} {context} is not healthy: {story.standing()}")
    story.effects.clear()
    return Prepared(story, snapshot.dump(story.system.record))


@cache
def places(code: str, number: int) -> tuple[tuple[AirframeType, DoorType], ...]:
    """Every type and door that an injector of ``code`` fits."""
    fits = TABLE[code][number].fits
    return tuple((kind, door) for kind in TYPES.values() for door in kind.doors.values() if fits(kind, door))


class Outcome(NamedTuple):
    """One injection played: where, what was to be told, and what is wrong with what was (``""`` if nothing)."""

    place: str
    wrong: str


def play(code: str, rng: random.Random) -> Outcome:
    """Bring ``code`` about once and hold what was told against what the table asks."""
    number = rng.randrange(len(TABLE[code]))
    way = TABLE[code][number]
    airframe, door = rng.choice(places(code, number))
    context = rng.choice(way.contexts)
    scene = Scene(prepared(airframe.name, context).copy(), airframe, door, rng)
    scene.wait(0.05, 3.0)
    expect = way.act(scene)
    scene.until(scene.began + expect.after_s + 0.2)
    place = f"{airframe.name} {door.name} {context} by {way.act.__name__}"
    return Outcome(place, _judge(scene, code, expect))


def _judge(scene: Scene, code: str, expect: Expect) -> str:
    reg = expect.reg or scene.story.reg
    told = [e for e in scene.story.told(code, expect.door) if e.aircraft == reg]
    up = [e for e in told if e.type in ("raised", "reprioritised") and e.priority == expect.priority]
    if not up:
        seen = [(round(e.at - scene.began, 3), e.type, e.priority) for e in told]
        return (
            f"not told as {expect.priority} at {expect.door}; of it: {seen}; others: {sorted(scene.story.standing())}"
        )
    after = up[0].at - scene.began
    soonest = expect.after_s if expect.soonest_s is None else expect.soonest_s
    if after < soonest - 0.001:
        return f"told {after:.3f} s after it began, before {soonest:g} s were over"
    if after > expect.after_s + 0.1:
        return f"told {after:.3f} s after it began, not within {expect.after_s + 0.1:g} s"
    return ""
