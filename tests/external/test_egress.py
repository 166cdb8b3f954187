"""14 CFR 121.570(b) (read): with passengers aboard before movement, at least one floor-level exit gives a way out.

Asked of the answers, as a reader of the API gets them.
"""

from __future__ import annotations

from typing import Any

from monitor.core import readout
from tests.stories import ARMED, OUT, UNLOCKED, Story, alder


def boarding() -> Story:
    """People come aboard through L1 by stairs; every other slide is disengaged."""
    story = alder()
    story.door_bundle("L1", {"access": "stairs"}, at=2)
    story.door_bundle("L1", UNLOCKED, at=3)
    story.door_bundle("L1", OUT, {"travel": 0.5}, at=4)
    story.door_bundle("L1", {"travel": 1.0, "hold_open": True}, at=6)
    story.send("airframe/passengers_aboard", 40, at=7)
    return story.until(8)


def answer(story: Story) -> dict[str, Any]:
    document = readout.describe_aircraft(story.system, story.reg, story.now)
    assert document is not None
    return dict(document["readiness"]["board"])


def a_way_out(story: Story) -> bool | None:
    (met,) = [condition["met"] for condition in answer(story)["conditions"] if condition["name"] == "a way out"]
    return bool(met) if met is not None else None


def test_the_way_in_is_a_way_out() -> None:
    assert answer(boarding())["verdict"] == "nothing seen against it"


def test_without_any_boarding_is_stopped() -> None:
    story = boarding()
    story.send("door/L1/access", "none")
    assert answer(story)["verdict"] == "stopped by"
    assert a_way_out(story) is False


def test_an_engaged_slide_is_one_too() -> None:
    story = boarding()
    story.door_bundle("R2", ARMED)
    story.send("door/L1/access", "none")
    assert a_way_out(story) is True


def test_one_that_cannot_be_told_is_none() -> None:
    story = boarding()
    story.send("door/L1/access", "stairs", quality="bad")
    assert answer(story)["verdict"] == "cannot tell"
    assert a_way_out(story) is None
