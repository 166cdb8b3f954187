"""Refuelling, and standing at a stop, with people aboard.

EU CAT.OP.MPA.195/200 and their AMC, from secondary pages and from memory, not read in the original: an
exit counts when stairs are docked, or when its slide is engaged and the ground below is clear.
How many are asked for is the site's policy; the AMC's own figures are not held against us.

14 CFR 121.393(b) (read): at a stop with passengers aboard and the engines off, at least one floor-level exit
is open. That is the crew's duty, which Sillwatch does not watch; here it must not be in the way
of it: an open doorway with stairs docked raises nothing and counts as an exit.
"""

from __future__ import annotations

from typing import Final

import pytest

from tests.stories import ARMED, Story, alder

CODE: Final = "refuel-exits-short"


def at_the_hose(**doors: dict[str, object]) -> Story:
    story = alder()
    readings: dict[str, object] = {"airframe/passengers_aboard": 40, "airframe/refuelling": True}
    for door, values in doors.items():
        readings.update({f"door/{door}/{signal}": value for signal, value in values.items()})
    story.bundle(readings, at=10)
    return story.until(20)


@pytest.mark.parametrize(
    "exit_",
    [{"access": "stairs"}, {"access": "bridge"}, dict(ARMED), {**ARMED, "ground_clear": True}],
    ids=["stairs", "bridge", "slide", "slide over clear ground"],
)
def test_what_counts_as_an_exit(exit_: dict[str, object]) -> None:
    """CAT.OP.MPA.195/200, AMC (secondary pages, from memory)."""
    assert at_the_hose(L1=exit_, R2=dict(ARMED)).told(CODE) == []


@pytest.mark.parametrize(
    "exit_",
    [
        {**ARMED, "ground_clear": False},
        {"lever_armed": True},
        {**ARMED, "pin_fitted": True},
        {**ARMED, "access": "loader"},
    ],
    ids=["slide over blocked ground", "slide engaged in part", "slide pinned", "slide behind a loader"],
)
def test_what_does_not_count_as_an_exit(exit_: dict[str, object]) -> None:
    """CAT.OP.MPA.195/200, AMC (secondary pages, from memory): the ground under exits and slide areas is clear."""
    (raised,) = at_the_hose(L1=exit_, R2=dict(ARMED)).told(CODE)
    assert raised.priority == "warning"
    assert "CAT.OP.MPA" in raised.data["basis"]


def test_a_floor_level_exit_held_open_at_stairs_is_in_order() -> None:
    """14 CFR 121.393(b)."""
    story = alder()
    story.bundle({"airframe/passengers_aboard": 40, "door/L1/access": "stairs", "door/L2/access": "stairs"}, at=5)
    unlocked = {"handle_lifted": True, "latched": False, "locked": False}
    story.door_bundle("L1", unlocked, at=10)
    story.door_bundle("L1", {"closed": False, "travel": 0.5}, at=11)
    story.door_bundle("L1", {"hold_open": True, "travel": 1.0}, at=13)
    story.send("airframe/refuelling", True, at=20)
    assert story.until(120).told() == []


def test_without_passengers_nothing_is_asked() -> None:
    story = alder()
    story.send("airframe/refuelling", True, at=10)
    assert story.until(120).told(CODE) == []
