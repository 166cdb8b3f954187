"""Aircraft of which nothing speaks against an answer, and ways in which a reading stops being known.

Owns the kit of the readiness tests: scenes in which an answer is "nothing seen against it",
and the ways to take one signal away.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from monitor.core.airframe import DoorKind
from monitor.core.conditions import Answer, Condition
from monitor.core.readiness import Readiness, describe_readiness, judge_readiness, summarise_readiness
from monitor.core.signals import Quality
from monitor.core.state import Reading
from tests.stories import ARMED, OUT, Story, alder

TYPES: Final = ("alder", "birch", "cedar", "hazel", "larch")
EMERGENCY_EXITS: Final = (DoorKind.OVERWING, DoorKind.WINDOW)
WAYS: Final = ("bad", "uncertain", "stale", "withdrawn", "never seen")


def judge(story: Story) -> Readiness:
    return judge_readiness(story.system.view(story.reg, "-", story.now), story.system.parameters)


def opening(story: Story, door: str) -> Answer:
    return judge(story).doors[door]


def condition(answer: Answer, name: str) -> Condition:
    return next(condition for condition in answer.conditions if condition.name == name)


def names(answer: Answer, met: bool | None) -> set[str]:
    """The conditions of an answer that are met, not met or unknown."""
    return {condition.name for condition in answer.conditions if condition.met is met}


def whole(story: Story) -> dict[str, Any]:
    view = story.system.view(story.reg, "-", story.now)
    return describe_readiness(view, site=story.site, parameters=story.system.parameters)


def short(story: Story) -> dict[str, Any]:
    view = story.system.view(story.reg, "-", story.now)
    return summarise_readiness(view, site=story.site, parameters=story.system.parameters)


def blow(story: Story, wind_kt: float = 8.0, gust_kt: float = 14.0) -> Story:
    story.send(f"stand/{story.stand}/wind_kt", wind_kt)
    story.send(f"stand/{story.stand}/gust_kt", gust_kt)
    return story


def at_rest(type: str = "alder") -> Story:  # noqa: A002 the contract's own word
    """Closed, slides disengaged, little wind, access at every cabin door: nothing speaks against opening."""
    story = blow(alder(type=type, answering=True))
    docked: dict[str, Any] = {}
    for door in story.site.types[type].doors.values():
        if door.kind is DoorKind.CABIN:
            docked[f"door/{door.name}/access"] = door.access_needed[0] if door.access_needed else "bridge"
    story.bundle(docked)
    return story.advance(1)


def fully_watched(story: Story) -> dict[str, Any]:
    """What a cedar's slides report beyond what every healthy door does."""
    return {
        f"door/{door.name}/{signal}": value
        for door in story.site.types[story.type].doors.values()
        for signal, value in (
            ("ground_clear", True),
            ("slide_bottle_temp_c", 20.0),
            ("assist_bottle_temp_c", 20.0),
            ("slide_detached", False),
            ("manual_inflation", False),
        )
        if signal in door.signals
    }


def ready_to_leave(type: str = "alder", people: int = 5) -> Story:  # noqa: A002 the contract's own word
    """Closed and armed, nothing docked, people aboard."""
    story = blow(alder(type=type, answering=True))
    readings = {"airframe/passengers_aboard": people, **fully_watched(story)}
    for door in story.site.types[type].doors.values():
        if door.slide:
            readings.update({f"door/{door.name}/{s}": v for s, v in ARMED.items() if s in door.signals})
    story.bundle(readings)
    return story.advance(1)


def boarding(type: str = "alder", doors: Iterable[str] = ("L1",)) -> Story:  # noqa: A002 the contract's own word
    """Stairs docked and the doors open and held."""
    story = at_rest(type)
    specs = story.site.types[type].doors
    held: Mapping[str, Any] = {"hold_open": True, "travel": 1.0}
    for name in doors:
        fitted = {s: v for s, v in {**OUT, **held, "access": "stairs"}.items() if s in specs[name].signals}
        story.door_bundle(name, {s: v for s, v in fitted.items() if s in OUT and s != "closed"})
        story.advance(0.5)
        story.door_bundle(name, fitted)
        story.advance(0.5)
    return story


def find_reading(story: Story, path: str) -> tuple[dict[str, Reading], str]:
    """Where the core holds the reading of a path."""
    owner, _, signal = path.rpartition("/")
    aircraft = story.system.record.aircraft[story.reg]
    if owner == "airframe":
        return aircraft.readings, signal
    if owner.startswith("stand/"):
        return story.system.record.stands[owner.removeprefix("stand/")].readings, signal
    return aircraft.doors[owner.removeprefix("door/")].readings, signal


def lose(story: Story, path: str, how: str) -> Reading | None:
    """Take one reading away; returns what :func:`give_back` needs."""
    readings, signal = find_reading(story, path)
    kept = readings[signal]
    if how == "never seen":
        del readings[signal]
    else:
        readings[signal] = Reading(
            None if how == "withdrawn" else kept.value,
            {"bad": Quality.BAD, "uncertain": Quality.UNCERTAIN}.get(how, kept.quality),
            kept.time,
            kept.seq,
            kept.bundle,
            kept.ahead,
            kept.received,
            kept.epoch,
            how == "stale",
        )
    return kept


def give_back(story: Story, path: str, kept: Reading | None) -> None:
    readings, signal = find_reading(story, path)
    if kept is not None:
        readings[signal] = kept
