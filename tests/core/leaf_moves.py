"""A leaf on its way: opening and closing a door that has a hold-open lock, second by second.

Owns the readings of both ways alone; what is said of them is the tests' business.
"""

from __future__ import annotations

from typing import Any, Final

from tests.core.rule_cases import at_door
from tests.stories import LOCKED, UNLOCKED, Story

DWELL: Final = 30.0


def hold_open(door: str) -> dict[str, Any]:
    return at_door(door, hold_open=True, travel=1.0)


def release(door: str) -> dict[str, Any]:
    return at_door(door, hold_open=False, travel=0.9)


def open_up(story: Story, took: float, *, door: str = "L1") -> Story:
    """Open a door from closed: the leaf takes ``took`` seconds from its frame to being held."""
    at = story.clock + 5
    story.bundle(at_door(door, UNLOCKED), at=at)
    story.bundle(at_door(door, closed=False, travel=0.1), at=at + 1)
    for step in range(1, int(took)):
        story.bundle(at_door(door, travel=0.1 + 0.8 * step / took), at=at + 1 + step)
    story.bundle(hold_open(door), at=at + 1 + took)
    return story


def close_up(story: Story, took: float, *, door: str = "L1") -> Story:
    """Close a door from held open: ``took`` seconds from the hold-open lock's release to the frame."""
    at = story.clock + DWELL
    story.bundle(release(door), at=at)
    for step in range(1, int(took)):
        story.bundle(at_door(door, travel=0.9 - 0.8 * step / took), at=at + step)
    story.bundle(at_door(door, closed=True, travel=0.0), at=at + took)
    story.bundle(at_door(door, LOCKED), at=at + took + 2)
    return story


def cycle(story: Story, opening: float = 4.0, closing: float = 4.0, *, door: str = "L1") -> Story:
    return close_up(open_up(story, opening, door=door), closing, door=door)
