"""How long a leaf takes to open and to close, against what the same door usually takes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core.baseline import band_ms, describe_spread
from monitor.core.memos import TransitMemo
from tests.core.leaf_moves import close_up, cycle, hold_open, open_up
from tests.core.rule_cases import at_door
from tests.stories import LOCKED, UNLOCKED, Story, alder, demo_site

CODE: Final = "transit-slow"


def used(times: int = 8, *, door: str = "L1", **options: Any) -> Story:
    """A door that was opened and closed ``times`` times, 4 s each way."""
    story = alder(**options)
    for _ in range(times):
        cycle(story, door=door)
    assert story.told(CODE) == []
    return story


def memo(story: Story, door: str = "L1") -> TransitMemo:
    found = story.system.record.aircraft[story.reg].doors[door].transit_memo
    assert found is not None
    return found


@pytest.mark.parametrize(("door", "part"), [("L1", "damper"), ("R2", "damper"), ("CF", "actuator")])
def test_a_slow_opening_is_told_as_it_ends_and_names_the_part(door: str, part: str) -> None:
    story = used(door=door)
    open_up(story, 6.0, door=door)
    (raised,) = story.told(CODE)
    assert raised.brief == ("raised", CODE, door, "advisory")
    assert raised.at == story.clock
    assert raised.data["text"] == f"{door}: opening took 6.0 s, usually 4.0 s; look at its {part}."


def test_a_slow_closing_is_told_and_an_opening_as_usual_does_not_end_it() -> None:
    story = used()
    cycle(story, closing=7.0)
    (raised,) = story.told(CODE)
    assert "closing took 7.0 s" in raised.data["text"]
    open_up(story, 4.0)
    assert story.types(CODE) == ["raised"]
    close_up(story, 4.0)
    assert story.types(CODE) == ["raised", "cleared"]


def test_one_that_falls_open_too_fast_is_told_as_well() -> None:
    story = used()
    open_up(story, 2.0)
    assert story.types(CODE) == ["raised"]


@pytest.mark.parametrize(("took", "told"), [(5.5, False), (5.501, True), (2.5, False), (2.499, True)])
def test_the_edge_of_the_band(took: float, told: bool) -> None:
    """All took 4 s: neither their spread nor 25 % of them is as much as 1.5 s."""
    story = used()
    open_up(story, took)
    assert (story.types(CODE) == ["raised"]) is told


def test_an_erratic_door_is_given_more_room() -> None:
    steady, erratic = used(), alder()
    for number in range(10):
        cycle(erratic, opening=(4.0, 5.0, 3.0, 4.5, 3.5)[number % 5])
    for story in (steady, erratic):
        open_up(story, 6.0)
    assert steady.types(CODE) == ["raised"]
    assert erratic.told(CODE) == []


def test_none_is_compared_with_fewer_than_eight_before_it() -> None:
    story = alder()
    for _ in range(7):
        cycle(story)
    open_up(story, 12.0)
    assert story.told(CODE) == []
    close_up(story, 4.0)
    open_up(story, 12.0)
    assert story.types(CODE) == ["raised"]


def test_odd_ones_do_not_move_what_is_usual_and_a_drift_is_followed() -> None:
    story = used(10)
    for _ in range(3):
        cycle(story, opening=9.0)
    assert memo(story).opening.median_ms == 4000
    drifting = used(10)
    took = 4.0
    for _ in range(40):
        took += 0.1
        cycle(drifting, opening=took)
    assert drifting.told(CODE) == []
    assert len(memo(drifting).opening.usual) == 20


def test_a_door_that_changed_for_good_has_a_new_usual_after_twenty() -> None:
    story = used(8)
    for _ in range(20):
        cycle(story, opening=8.0)
    assert story.types(CODE) == ["raised"]
    cycle(story, opening=8.0)
    assert story.types(CODE) == ["raised", "cleared"]


def test_one_that_turns_back_is_not_counted() -> None:
    story = used()
    at = story.clock + 5
    story.bundle(at_door("L1", UNLOCKED), at=at)
    story.bundle(at_door("L1", closed=False, travel=0.1), at=at + 1)
    story.bundle(at_door("L1", travel=0.3), at=at + 4)
    story.bundle(at_door("L1", closed=True, travel=0.0), at=at + 8)
    story.bundle(at_door("L1", LOCKED), at=at + 9)
    assert len(memo(story).opening.usual) == 8
    assert len(memo(story).closing.usual) == 8
    open_up(story, 4.0)
    assert len(memo(story).opening.usual) == 9
    assert story.told(CODE) == []


def test_one_on_which_the_leaf_rests_is_not_counted() -> None:
    story = used()
    at = story.clock + 5
    story.bundle(at_door("L1", UNLOCKED), at=at)
    story.bundle(at_door("L1", closed=False, travel=0.1), at=at + 1)
    story.bundle(at_door("L1", travel=0.5), at=at + 3)
    story.bundle(at_door("L1", travel=0.9), at=at + 8.001)
    story.bundle(hold_open("L1"), at=at + 9)
    assert story.told(CODE) == []
    assert len(memo(story).opening.usual) == 8
    assert memo(story).out


@pytest.mark.parametrize("how", ["bad", "withdrawn"])
def test_one_through_what_is_not_known_is_not_counted(how: str) -> None:
    story = used()
    at = story.clock + 5
    story.bundle(at_door("L1", UNLOCKED), at=at)
    story.bundle(at_door("L1", closed=False, travel=0.1), at=at + 1)
    if how == "bad":
        story.send("door/L1/closed", False, at=at + 2, quality="bad")
    else:
        story.withdraw("door/L1/closed", at=at + 2)
    story.send("door/L1/travel", 0.4, at=at + 3, quality="uncertain")
    story.send("door/L1/closed", False, at=at + 4)
    story.bundle(hold_open("L1"), at=at + 12)
    assert story.told(CODE) == []
    assert len(memo(story).opening.usual) == 8


def test_one_out_of_a_backlog_is_not_counted() -> None:
    story = used()
    at = story.clock + 100
    story.until(at)
    readings = (at_door("L1", UNLOCKED), at_door("L1", closed=False, travel=0.1), hold_open("L1"))
    for number, together in enumerate(readings):
        story.bundle(together, at=at + number * 9, time=at - 80 + number)
    assert story.told(CODE) == []
    assert len(memo(story).opening.usual) == 8


def test_one_whose_readings_came_delayed_is_not_counted() -> None:
    """By its sender's stamps it took 4 s; the last reading was 3 s on its way."""
    story = used()
    at = story.clock + 5
    story.bundle(at_door("L1", UNLOCKED), at=at)
    story.bundle(at_door("L1", closed=False, travel=0.1), at=at + 1)
    story.bundle(hold_open("L1"), at=at + 8, time=at + 5)
    assert story.told(CODE) == []
    assert len(memo(story).opening.usual) == 8


def test_while_the_aircraft_is_powered_down_it_stays() -> None:
    story = used()
    open_up(story, 9.0)
    story.send("airframe/power", "off")
    story.advance(10)
    document = story.alert(CODE, "L1")
    assert document is not None
    assert document["blind"] is True


def test_doors_without_a_damper_or_an_actuator_remember_nothing() -> None:
    story = alder()
    for door in ("OL1", "WL", "CB", "H1"):
        story.bundle(at_door(door, UNLOCKED), at=story.clock + 1)
        story.bundle(at_door(door, closed=False), at=story.clock + 1)
        story.bundle(at_door(door, closed=True), at=story.clock + 1)
    doors = story.system.record.aircraft[story.reg].doors
    assert all(door.transit_memo is None for door in doors.values())


def test_an_airstair_is_timed_to_its_full_travel() -> None:
    story = alder(type="birch")
    for took in (*[6.0] * 8, 10.0):
        at = story.clock + 5
        story.bundle(at_door("L1", UNLOCKED), at=at)
        story.bundle(at_door("L1", closed=False, travel=0.1), at=at + 1)
        for step in range(1, int(took)):
            story.bundle(at_door("L1", travel=0.1 + 0.8 * step / took), at=at + 1 + step)
        story.bundle(at_door("L1", travel=0.98), at=at + 1 + took)
        story.bundle(at_door("L1", travel=0.5), at=at + 60)
        story.bundle(at_door("L1", closed=True, travel=0.0), at=at + 64)
        story.bundle(at_door("L1", LOCKED), at=at + 65)
    (raised,) = story.told(CODE)
    assert "opening took 10.0 s, usually 6.0 s; look at its damper" in raised.data["text"]


def test_config_may_set_another_band() -> None:
    site = replace(demo_site(), thresholds={CODE: {"least_s": 0.5, "off_percent": 10.0}})
    story = used(site=site)
    open_up(story, 4.6)
    assert story.types(CODE) == ["raised"]


def test_it_goes_on_over_a_restart() -> None:
    story = used()
    at = story.clock + 5
    story.bundle(at_door("L1", UNLOCKED), at=at)
    story.bundle(at_door("L1", closed=False, travel=0.1), at=at + 1)
    story.bundle(at_door("L1", travel=0.5), at=at + 4)
    other = story.copy()
    other.bundle(hold_open("L1"), at=at + 8)
    assert other.types(CODE) == ["raised"]


def test_the_arithmetic_of_what_is_usual() -> None:
    assert describe_spread([4000, 4100, 3900, 9000]) == (4050, 100)
    assert band_ms(4000, 100) == 1500
    assert band_ms(10_000, 100) == 2500
    assert band_ms(4000, 500) == pytest.approx(4 * 1.4826 * 500)
