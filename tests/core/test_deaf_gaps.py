"""No gap without a word: a hazard whose one reading is not known is raised all the same, or its place says deaf.

Owns the check over every way in which a hazard can come about, with each reading in turn that its
rule rests on given as uncertain. Where a hazard comes about is drawn from a fixed chance.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from typing import Any, Final

import pytest

from monitor.core import snapshot
from monitor.core.alert import RANK, Priority
from monitor.core.deaf import NAMED
from monitor.core.effects import Effect
from monitor.core.rules import CATALOGUE
from monitor.core.rules.rule import GROUND, HANDLES, LEAF, LOCKS, SLIDE, Scope
from monitor.core.state import AircraftRecord
from tests.scenarios import detect_aircraft, detect_doors, detect_slides
from tests.scenarios.detect_kit import TABLE, Expect, Scene, places, prepared
from tests.scenarios.quiet_day import Alarms
from tests.stories import Story, alder

PARTS: Final = (detect_slides, detect_doors, detect_aircraft)
SEED: Final = 20260301
TYPE: Final = "alder"
OF_THE_FEED: Final = frozenset(
    {"signal-stale", "signal-bad", "signal-chatter", "feed-lost", "clock-skew", "identity-conflict", "implausible-jump"}
)
"""They tell of poor readings, and rest on none."""
HAZARDS: Final = frozenset(rule.code for rule in CATALOGUE if rule.scope is not Scope.SITE)
OF_ITS_OWN_WITNESS: Final = frozenset({"indicator-disagree"})
"""Of several marks, lamps and reports it needs one: its own tests hold it to that."""
CODES: Final = sorted(set(TABLE) - OF_THE_FEED - OF_ITS_OWN_WITNESS)

AT_EXITS: Final = ("doors/closed", "doors/access", *(f"doors/{signal}" for signal in SLIDE))
BEHIND: Final = {
    "state": (*LEAF, *LOCKS, *SLIDE, "slide_released"),
    "leaf": LEAF,
    "memo/leaf-moves": ("travel",),
    "memo/leaf-strays": ("travel", "selector", "hand_pump"),
    "memo/slide": (*LEAF, *HANDLES, *SLIDE, "slide_released"),
    "memo/transit": (*LEAF, *LOCKS, *SLIDE),
    "memo/departing": (*AT_EXITS[:2], "airframe/beacon"),
    "memo/arrival": (*AT_EXITS, GROUND),
    "memo/released": ("doors/slide_released",),
    "doors/state": AT_EXITS,
    "doors/leaf": AT_EXITS[:1],
}
"""A fact that a rule reads → what it is read from."""


class Doubting(Story):
    """A story in which one reading is never better than uncertain."""

    doubted = ""

    def deliver(self, topic: str, payload: bytes, *, at: float | None = None, retain: bool = False) -> list[Effect]:
        body = _parse(payload)
        if body is not None and topic.endswith(f"/{self.doubted}"):
            body["quality"] = "uncertain"
        for path, given in (body or {}).get("readings", {}).items():
            if body is not None and path == self.doubted:
                value = given["value"] if isinstance(given, dict) else given
                body["readings"][path] = {"value": value, "quality": "uncertain"}
        return super().deliver(topic, payload if body is None else json.dumps(body).encode(), at=at, retain=retain)


def _parse(payload: bytes) -> dict[str, Any] | None:
    try:
        body = json.loads(payload)
    except ValueError:
        return None
    return body if isinstance(body, dict) else None


def start(context: str, doubted: str) -> Doubting:
    """A healthy aircraft as the injections start from, its last reading of ``doubted`` uncertain too."""
    told, state = prepared(TYPE, context)
    story = Doubting(site=told.site, type=TYPE, reg=told.reg, system=Alarms(told.site, snapshot.restore(state)))
    story.now, story.beating, story.doubted = told.now, True, doubted
    story._seqs, story._beats, story._pressure = dict(told._seqs), told._beats, told._pressure
    if doubted and not doubted.startswith("stand/"):
        story.send(doubted, told.value(doubted))
    return story


def play(code: str, number: int, doubted: str) -> tuple[bool, bool, str]:
    """Bring a hazard about: whether it was raised, whether its place was deaf to it, and which place that was."""
    rng = random.Random(f"{SEED}:{code}:{number}")
    way = TABLE[code][number]
    airframe, door = rng.choice([place for place in places(code, number) if place[0].name == TYPE])
    context = rng.choice(way.contexts)
    story = start(context, doubted)
    scene = Scene(story, airframe, door, rng)
    scene.wait(0.05, 3.0)
    expect = way.act(scene)
    scene.until(scene.began + expect.after_s + 0.2)
    place = f"{way.act.__name__} at {door.name} {context}"
    return is_raised(story, code, expect), code in deaf_codes(story, expect.door), place


def is_raised(story: Story, code: str, expect: Expect) -> bool:
    """Raised with its priority or, the more dangerous side of what is not known, a higher one."""
    least = RANK[Priority(expect.priority)]
    return any(
        event.type in ("raised", "reprioritised") and RANK[Priority(event.priority)] >= least
        for event in story.told(code, expect.door)
    )


def record(story: Story) -> AircraftRecord:
    return story.system.record.aircraft[story.reg]


def deaf_codes(story: Story, door: str) -> set[str]:
    aircraft = record(story)
    return {code for code, *_ in (aircraft.deaf_to if door == "-" else aircraft.doors[door].deaf_to)}


def rests_on(code: str, door: str) -> Iterator[str]:
    """Each reading of a healthy aircraft that the rule reads, as a path; of other doors one cabin door's."""
    reads: set[str] = set()
    for rule in CATALOGUE:
        if rule.code == code:
            for name in rule.reads:
                reads.update(BEHIND.get(name, (name,)))
    story = prepared(TYPE, "parked").story
    aircraft = record(story)
    for name in sorted(reads):
        if name.startswith("airframe/"):
            if name.removeprefix("airframe/") in aircraft.readings:
                yield name
        elif name.startswith("stand/"):
            yield f"stand/{story.stand}/{name.removeprefix('stand/')}"
        else:
            at = "L2" if name.startswith("doors/") else door
            signal = name.removeprefix("doors/")
            if at != "-" and signal in aircraft.doors[at].readings:
                yield f"door/{at}/{signal}"


def ways() -> list[tuple[str, int]]:
    return [
        (code, number)
        for code in CODES
        for number in range(len(TABLE[code]))
        if any(airframe.name == TYPE for airframe, _ in places(code, number))
    ]


@pytest.mark.parametrize(("code", "number"), ways())
def test_with_one_reading_not_known_a_hazard_is_raised_or_its_place_says_deaf(code: str, number: int) -> None:
    raised, deaf, place = play(code, number, "")
    assert (raised, deaf) == (True, False), place
    door = place.split()[-2]
    gaps = [path for path in rests_on(code, door) if not any(play(code, number, path)[:2])]
    assert gaps == [], place


def test_every_hazard_that_rests_on_readings_is_tried() -> None:
    assert {code for code, _ in ways()} == HAZARDS - OF_THE_FEED - OF_ITS_OWN_WITNESS


def test_a_healthy_aircraft_is_deaf_only_to_a_mark_that_it_lacks_and_the_wind() -> None:
    """What is optional, not fitted and never sent leaves no door deaf."""
    story = alder()
    assert record(story).deaf_to == ()
    for name, door in record(story).doors.items():
        spec = story.site.types[TYPE].doors[name]
        limited = spec.wind_moved_kt is not None or spec.wind_held_kt is not None
        wind = (("wind-limit", "never seen", "stand/wind_kt"),) if limited else ()
        assert door.deaf_to == (*wind, ("indicator-disagree", "not fitted", "lock_indicator")), name


@pytest.mark.parametrize(
    ("code", "door", "signal"),
    [
        ("unsecured-leaf", "L1", "selector"),
        ("lock-disagree", "L1", "lock_flags"),
        ("unguarded-drop", "L1", "slide_detached"),
    ],
)
def test_an_optional_signal_counts_from_when_it_was_ever_reported(code: str, door: str, signal: str) -> None:
    story = alder()
    story.send(f"door/{door}/{signal}", "neutral" if signal == "selector" else False, quality="bad")
    assert (code, "bad", signal) in record(story).doors[door].deaf_to


def test_every_named_need_is_a_rules() -> None:
    asked = {need for rule in CATALOGUE for need in rule.needs}
    assert asked >= NAMED


def test_an_overwing_slide_that_cannot_be_told_leaves_the_aircraft_deaf_until_it_can() -> None:
    """At once, though nothing else of the aircraft changes."""
    story = alder()
    story.send("door/OL1/slide_released", False, quality="bad")
    assert "evacuation-in-progress" in deaf_codes(story, "-")
    story.send("door/OL1/slide_released", False)
    assert "evacuation-in-progress" not in deaf_codes(story, "-")
