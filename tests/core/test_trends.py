"""A door's trends as readers are told them."""

from __future__ import annotations

import json
from typing import Any

from monitor.core.trends import describe_trends
from tests.core.leaf_moves import cycle, open_up
from tests.stories import Story, alder, demo_site


def trends(story: Story, door: str = "L1", *, type: str = "alder") -> dict[str, Any]:  # noqa: A002 the contract's word
    record = story.system.record.aircraft[story.reg].doors[door]
    described = describe_trends(record, demo_site().types[type].doors[door])
    assert json.loads(json.dumps(described)) == described
    return described


NOTHING = {"n": 0, "median_s": None, "mad_s": None, "last_s": None}
WELL = {"implausible_jumps": 0, "chatters": 0, "bad": 0, "stale": 0}


def test_a_door_that_was_never_moved_has_nothing_to_tell() -> None:
    assert trends(alder()) == {
        "cycles": 0,
        "opening": {**NOTHING, "outside": 0},
        "closing": {**NOTHING, "outside": 0},
        "dwell_s": NOTHING,
        "sensor_health": WELL,
    }


def test_cycles_times_and_dwell_of_a_used_door() -> None:
    story = alder()
    for opening, closing in ((4.0, 5.0), (4.2, 5.5), (4.4, 6.0)):
        cycle(story, opening, closing)
    told = trends(story)
    assert told["cycles"] == 3
    assert told["opening"] == {"n": 3, "median_s": 4.2, "mad_s": 0.2, "last_s": 4.4, "outside": 0}
    assert told["closing"] == {"n": 3, "median_s": 5.5, "mad_s": 0.5, "last_s": 6.0, "outside": 0}
    assert told["dwell_s"] == {"n": 3, "median_s": 30.0, "mad_s": 0.0, "last_s": 30.0}


def test_a_door_that_stands_open_has_not_ended_its_cycle() -> None:
    story = open_up(alder(), 4.0)
    told = trends(story)
    assert told["cycles"] == 0
    assert told["opening"]["n"] == 1
    assert told["dwell_s"]["n"] == 0


def test_one_outside_is_counted_apart_until_the_next_inside() -> None:
    story = alder()
    for _ in range(8):
        cycle(story)
    cycle(story, opening=9.0)
    assert trends(story)["opening"] == {"n": 8, "median_s": 4.0, "mad_s": 0.0, "last_s": 9.0, "outside": 1}
    cycle(story)
    assert trends(story)["opening"] == {"n": 9, "median_s": 4.0, "mad_s": 0.0, "last_s": 4.0, "outside": 0}


def test_only_the_last_twenty_are_kept() -> None:
    story = alder()
    for number in range(25):
        cycle(story, opening=4.0 + number / 1000)
    told = trends(story)
    assert told["cycles"] == 25
    assert told["opening"]["n"] == told["closing"]["n"] == told["dwell_s"]["n"] == 20
    assert told["opening"]["median_s"] == 4.014


def test_other_kinds_tell_their_sensors_health_alone() -> None:
    assert trends(alder(), "H1") == {"sensor_health": WELL}


def test_a_sensors_health_counts_what_was_told_of_it() -> None:
    story = alder()
    for number in range(6):
        story.send("door/H1/closed", number % 2 == 1, at=10 + number)
    story.send("door/H1/closed", True, at=30, quality="bad")
    story.until(40)
    health = trends(story, "H1")["sensor_health"]
    assert health["chatters"] == 1
    assert health["bad"] == 1
    assert health["implausible_jumps"] > 0
