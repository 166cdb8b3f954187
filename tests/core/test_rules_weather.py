"""Wind at a leaf, leaves left unsecured, doors left unlocked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import pytest

from monitor.core.airframe import DoorKind
from tests.core.rule_cases import (
    AT,
    JUST,
    Case,
    at_door,
    check_cleared_by_its_end,
    check_never_raised_on_what_is_not_known,
    check_not_raised_where_it_ends_before_its_delay,
    check_raised_exactly_at_its_delay,
    each_unknown_input,
    one_of_each_kind,
)
from tests.stories import ARMED, LOCKED, OUT, UNLOCKED, Story, alder

SHUT: Final[dict[str, Any]] = {"closed": True, "travel": 0.0, "hold_open": False, **LOCKED}


def ajar(door: str = "L1", *, travel: float = 0.5, **options: Any) -> Story:
    story = alder(**options)
    story.door_bundle(door, UNLOCKED, at=5)
    story.door_bundle(door, {"closed": False, "travel": travel}, at=AT)
    return story


def held_open(door: str = "L1") -> Story:
    story = ajar(door)
    story.door_bundle(door, {"hold_open": True, "travel": 1.0, "access": "bridge"})
    return story


def unlocked(door: str, **readings: Any) -> Story:
    story = alder()
    story.door_bundle(door, readings, at=AT)
    return story


def blow(story: Story, wind_kt: float, *, gust_kt: float | None = None, seconds: float = 0.0) -> Story:
    """Let it blow that hard, refreshed as the contract asks."""
    end = story.clock + seconds
    while True:
        story.send(f"stand/{story.stand}/wind_kt", wind_kt)
        if gust_kt is not None:
            story.send(f"stand/{story.stand}/gust_kt", gust_kt)
        if story.clock >= end:
            return story
        story.until(min(story.clock + 20, end))


def priority(story: Story, door: str = "L1") -> str | None:
    alert = story.alert("wind-limit", door)
    return None if alert is None else str(alert["priority"])


# Wind


@pytest.mark.parametrize(
    ("where", "door", "wind_kt", "expected"),
    [
        ("ajar", "L1", 35.0, None), ("ajar", "L1", 35.1, "caution"), ("ajar", "L1", 40.0, "caution"),
        ("ajar", "L1", 40.1, "warning"), ("open", "L1", 45.0, None), ("open", "L1", 45.1, "caution"),
        ("open", "L1", 50.0, "caution"), ("open", "L1", 50.1, "warning"), ("ajar", "CF", 35.1, "warning"),
        ("inside handle", "L1", 40.1, "warning"), ("outside handle", "L1", 35.1, "caution"),
        ("selector", "CF", 35.1, "warning"), ("selector", "CF", 30.0, None), ("selector, still locked", "CF", 60.0, None),
        ("lock alone", "L1", 100.0, None), ("closed", "L1", 100.0, None),
    ],
)  # fmt: skip
def test_wind_is_held_against_the_limit_of_how_the_leaf_stands(
    where: str, door: str, wind_kt: float, expected: str | None
) -> None:
    stories: dict[str, Callable[[], Story]] = {
        "ajar": lambda: ajar(door), "open": lambda: held_open(door), "closed": alder,
        "inside handle": lambda: unlocked(door, handle_lifted=True),
        "outside handle": lambda: unlocked(door, outside_handle_lifted=True),
        "selector": lambda: unlocked(door, selector="open", locked=False),
        "selector, still locked": lambda: unlocked(door, selector="open"), "lock alone": lambda: unlocked(door, locked=False),
    }  # fmt: skip
    story = stories[where]()
    blow(story.until(15), wind_kt)
    story.until(17 - JUST)
    assert priority(story, door) is None
    story.until(17)
    assert priority(story, door) == expected


def test_the_larger_of_wind_and_gust_counts() -> None:
    story = blow(ajar(), 10.0, gust_kt=41.0, seconds=3)
    alert = story.alert("wind-limit", "L1")
    assert alert is not None
    assert alert["priority"] == "warning"
    # ½ · 1.225 kg/m³ · (41 kt)² · 1.9 m² = 517.7 N
    assert alert["text"] == "L1: wind 41 kt at a limit of 40 kt, up to 518 N on the leaf."
    evidence = {item["signal"]: item["value"] for item in alert["evidence"]}
    assert (evidence["stand/S12/wind_kt"], evidence["stand/S12/gust_kt"]) == (10.0, 41.0)
    calm = blow(ajar(), 41.0, gust_kt=10.0, seconds=3)
    assert priority(calm) == "warning"


def test_it_rises_after_its_delay_and_falls_at_once() -> None:
    story = blow(ajar(), 38.0, seconds=5)
    assert priority(story) == "caution"
    blow(story, 42.0)
    story.advance(2 - JUST)
    assert priority(story) == "caution"
    story.advance(JUST)
    assert priority(story) == "warning"
    blow(story, 39.0)
    assert priority(story) == "caution"
    assert story.types("wind-limit") == ["raised", "reprioritised", "reprioritised"]


def test_the_limit_is_the_lower_one_again_once_the_leaf_is_let_go() -> None:
    story = blow(held_open(), 44.0, seconds=10)
    assert priority(story) is None
    story.door_bundle("L1", {"hold_open": False, "travel": 0.9})
    story.advance(2)
    assert priority(story) == "warning"


def test_it_clears_at_once_when_the_door_is_closed() -> None:
    story = blow(ajar(), 60.0, seconds=5)
    story.door_bundle("L1", {"closed": True, "travel": 0.0})
    assert story.types("wind-limit") == ["raised"]  # unlocked by its handle still
    story.door_bundle("L1", SHUT)
    (_, cleared) = story.told("wind-limit")
    assert (cleared.type, cleared.at) == ("cleared", story.clock)


def test_below_the_margin_it_keeps_its_priority_for_a_minute_and_then_clears() -> None:
    story = blow(ajar(), 60.0, seconds=5)
    blow(story, 35.0, seconds=60 - JUST)
    assert (priority(story), story.types("wind-limit")) == ("warning", ["raised"])
    blow(story, 35.0, seconds=JUST)
    (_, cleared) = story.told("wind-limit")
    assert (cleared.type, cleared.priority, cleared.at) == ("cleared", "warning", AT + 65)


def test_a_gust_within_the_minute_starts_it_anew() -> None:
    story = blow(ajar(), 60.0, seconds=5)
    blow(story, 20.0, seconds=40)
    blow(story, 36.0)
    assert priority(story) == "caution"
    blow(story, 20.0, seconds=60 - JUST)
    assert priority(story) == "caution"
    blow(story, 20.0, seconds=JUST)
    assert story.types("wind-limit")[-1] == "cleared"


def test_closed_within_the_minute_it_waits_no_longer() -> None:
    story = blow(ajar(), 60.0, seconds=5)
    blow(story, 20.0, seconds=10)
    story.door_bundle("L1", SHUT)
    assert story.types("wind-limit")[-1] == "cleared"


def test_wind_that_is_no_longer_known_clears_nothing() -> None:
    story = blow(ajar(), 60.0, seconds=5)
    blow(story, 20.0)
    story.advance(200)
    alert = story.alert("wind-limit", "L1")
    assert alert is not None
    assert (alert["priority"], alert["blind"]) == ("warning", True)
    blow(story, 20.0, seconds=60 - JUST)
    assert story.types("wind-limit") == ["raised"]
    blow(story, 20.0, seconds=JUST)
    assert story.types("wind-limit") == ["raised", "cleared"]


def test_closing_it_clears_whatever_the_wind() -> None:
    story = blow(ajar(), 60.0, seconds=5)
    story.advance(100)
    story.door_bundle("L1", SHUT)
    assert story.types("wind-limit") == ["raised", "cleared"]


@pytest.mark.parametrize("quality", ["bad", "uncertain"])
def test_wind_that_is_not_known_raises_nothing(quality: str) -> None:
    story = ajar()
    for _ in range(20):
        story.send("stand/S12/wind_kt", 90.0, quality=quality)
        story.advance(10)
    assert story.told("wind-limit") == []


def test_one_of_the_two_over_the_limit_settles_it_whatever_the_other() -> None:
    story = ajar()
    story.send("stand/S12/gust_kt", 0.0, quality="bad")
    blow(story, 41.0, seconds=5)
    assert priority(story) == "warning"
    for _ in range(10):
        story.send("stand/S12/gust_kt", 0.0, quality="bad")
        blow(story, 10.0, seconds=10)
    assert (priority(story), story.types("wind-limit")) == ("warning", ["raised"])


def test_a_delay_pauses_while_the_wind_is_not_known() -> None:
    story = ajar()
    blow(story, 41.0)
    story.advance(1.5)
    story.send("stand/S12/wind_kt", 41.0, quality="bad")
    story.advance(30)
    blow(story, 41.0)
    story.advance(0.5 - JUST)
    assert priority(story) is None
    story.advance(JUST)
    assert priority(story) == "warning"


@pytest.mark.parametrize(("wind_kt", "expected"), [(44.9, None), (45.1, "caution"), (50.1, "warning")])
def test_while_nobody_knows_whether_it_is_held_open_only_the_higher_limit_raises(
    wind_kt: float, expected: str | None
) -> None:
    story = held_open()
    story.send("door/L1/hold_open", True, quality="bad")
    blow(story, wind_kt, seconds=5)
    assert priority(story) == expected


def test_another_stands_wind_is_another_stands() -> None:
    story = ajar()
    story.send("stand/S13/wind_kt", 90.0)
    story.advance(10)
    assert story.told("wind-limit") == []
    story.send("airframe/stand", "S13")
    story.advance(2)
    assert priority(story) == "warning"


@pytest.mark.parametrize("door", ["CB", "H1", "WL", "OL1"])
def test_a_door_without_a_limit_never_meets_it(door: str) -> None:
    story = alder()
    story.door_bundle(door, OUT, at=AT)
    blow(story, 200.0, seconds=30)
    assert story.told("wind-limit") == []
    assert "wind-limit" not in {row["code"] for row in story.door(door)["deaf_to"]}


def deaf_to_wind(story: Story, door: str) -> list[tuple[str, list[str]]]:
    return [(r["why"], list(r["signals"])) for r in story.door(door)["deaf_to"] if r["code"] == "wind-limit"]


def test_a_door_says_that_it_cannot_see_the_wind() -> None:
    story = alder()
    assert deaf_to_wind(story, "L1") == [("never seen", ["stand/wind_kt"])]
    story.send("stand/S12/gust_kt", 10.0)
    assert deaf_to_wind(story, "L1") == []
    story.advance(30)
    assert deaf_to_wind(story, "L1") == [("stale", ["stand/gust_kt"])]
    story.send("airframe/stand", "")
    assert deaf_to_wind(story, "L1") == [("never seen", ["stand/wind_kt"])]


# A leaf left ajar


def left(story: Story, door: str = "L1") -> list[tuple[str, float]]:
    return [(event.type, event.at) for event in story.told("unsecured-leaf", door)]


def test_a_leaf_left_ajar_is_told_after_20_s() -> None:
    story = ajar().until(AT + 20 - JUST)
    assert left(story) == []
    story.until(AT + 20)
    assert left(story) == [("raised", AT + 20)]
    alert = story.alert("unsecured-leaf", "L1")
    assert alert is not None
    assert alert["priority"] == "caution"


def test_a_leaf_that_moves_is_told_once_it_has_been_still_for_5_s() -> None:
    story = ajar()
    for n in range(300):
        story.send("door/L1/travel", 0.1 + 0.02 * (n % 40), at=AT + n / 10)
    story.until(AT + 29.9 + 5 - JUST)
    assert left(story) == []
    story.until(AT + 29.9 + 5)
    assert left(story) == [("raised", AT + 34.9)]


@pytest.mark.parametrize(("by", "counts"), [(0.009, False), (0.01, True)])
def test_the_noise_of_a_sensor_is_no_movement(by: float, counts: bool) -> None:
    story = ajar()
    story.send("door/L1/travel", 0.5 + by, at=AT + 19)
    story.until(AT + 20)
    assert bool(left(story)) is not counts


def test_a_slow_drift_is_movement() -> None:
    story = ajar()
    for n in range(400):
        story.send("door/L1/travel", 0.5 + n * 0.001, at=AT + n / 10)
    assert left(story) == []


def test_moving_ends_it_and_left_still_it_comes_back() -> None:
    story = ajar().until(60)
    story.send("door/L1/travel", 0.6, at=60)
    assert left(story)[-1] == ("cleared", 60)
    story.send("door/L1/travel", 0.7, at=63)
    story.until(100)
    assert left(story) == [("raised", AT + 20), ("cleared", 60), ("raised", 68)]


def test_holding_it_open_and_closing_it_end_it() -> None:
    for end in ({"hold_open": True}, {"closed": True}):
        story = ajar().until(60)
        story.door_bundle("L1", end)
        assert left(story)[-1] == ("cleared", 60)


def test_a_leaf_let_go_from_its_hold_open_lock_counts_from_then() -> None:
    story = held_open().until(100)
    assert left(story) == []
    story.door_bundle("L1", {"hold_open": False}, at=100)
    story.until(130)
    assert left(story) == [("raised", 120)]


@pytest.mark.parametrize("selector", ["open", "close"])
def test_a_powered_leaf_under_way_by_its_selector_is_not_left(selector: str) -> None:
    story = alder()
    story.door_bundle("CF", UNLOCKED, {"selector": selector}, at=5)
    story.door_bundle("CF", {"closed": False, "travel": 0.5}, at=AT)
    story.until(100)
    assert left(story, "CF") == []
    story.send("door/CF/selector", "neutral", at=100)
    assert left(story, "CF") == [("raised", 100)]
    story.send("door/CF/selector", selector, at=110)
    assert left(story, "CF")[-1] == ("cleared", 110)


@pytest.mark.parametrize("how", ["bad", "uncertain"])
def test_what_is_not_known_pauses_it_and_clears_nothing(how: str) -> None:
    story = ajar()
    story.send("door/L1/closed", False, at=AT + 15, quality=how)
    story.until(AT + 100)
    assert left(story) == []
    story.send("door/L1/closed", False)
    story.until(AT + 105 - JUST)
    assert left(story) == []
    story.until(AT + 105)
    assert left(story) == [("raised", AT + 105)]
    story.send("door/L1/closed", False, quality=how)
    story.advance(100)
    alert = story.alert("unsecured-leaf", "L1")
    assert alert is not None
    assert alert["blind"]


def test_a_selector_that_is_not_known_raises_nothing() -> None:
    story = alder()
    story.send("door/CF/selector", "neutral", at=5, quality="bad")
    story.door_bundle("CF", OUT, {"travel": 0.5}, at=AT)
    story.until(200)
    assert left(story, "CF") == []


def test_a_door_that_reports_no_travel_is_not_seen_moving() -> None:
    story = alder(type="birch")
    story.door_bundle("R1", UNLOCKED, at=5)
    story.send("door/R1/closed", False, at=AT)
    story.until(AT + 30)
    assert left(story, "R1") == [("raised", AT + 20)]


def test_only_doors_that_can_be_ajar_and_no_windows_meet_it() -> None:
    met = set()
    for kind, airframe, door in one_of_each_kind():
        story = alder(type=airframe)
        story.door_bundle(door, OUT, {"travel": 0.5}, at=AT)
        story.until(100)
        if left(story, door):
            met.add(kind)
    # `travel` is used where it is sent, fitted or not, so any of them can be seen half way.
    assert met == set(DoorKind) - {DoorKind.WINDOW}


def test_it_forgets_what_it_need_not_remember() -> None:
    story = ajar().until(60)
    door = story.system.record.aircraft[story.reg].doors["L1"]
    assert door.leaf_memo is not None
    story.door_bundle("L1", SHUT)
    assert door.leaf_memo is None


# A door left unlocked

LINGERING: Final = (
    Case(
        "handle left off its stop", "unlocked-lingering", "L1", "caution", met=at_door("L1", handle_lifted=True), delay=60,
        end=at_door("L1", handle_lifted=False), essential=("door/L1/closed", "door/L1/handle_lifted"),
    ),
    Case(
        "hatch shut but not latched", "unlocked-lingering", "H1", "caution", met=at_door("H1", latched=False, locked=False),
        delay=60, end=at_door("H1", LOCKED), essential=("door/H1/closed",),
    ),
    Case(
        "hold door shut but not locked", "unlocked-lingering", "CF", "caution", met=at_door("CF", locked=False), delay=60,
        end=at_door("CF", locked=True), essential=("door/CF/closed", "door/CF/locked"),
    ),
    Case(
        "window left on the latch", "unlocked-lingering", "WL", "caution", met=at_door("WL", locked=False), delay=60,
        end=at_door("WL", locked=True), essential=("door/WL/closed", "door/WL/locked"),
    ),
)  # fmt: skip


@pytest.mark.parametrize("case", LINGERING, ids=str)
def test_lingering_is_raised_exactly_at_its_delay(case: Case) -> None:
    check_raised_exactly_at_its_delay(case)


@pytest.mark.parametrize("case", LINGERING, ids=str)
def test_lingering_is_not_raised_where_it_ends_before(case: Case) -> None:
    check_not_raised_where_it_ends_before_its_delay(case)


@pytest.mark.parametrize("case", LINGERING, ids=str)
def test_lingering_is_cleared_by_its_end(case: Case) -> None:
    check_cleared_by_its_end(case)


@each_unknown_input(LINGERING)
def test_lingering_is_never_raised_on_what_is_not_known(case: Case, signal: str, how: str) -> None:
    check_never_raised_on_what_is_not_known(case, signal, how)


@pytest.mark.parametrize("readings", [{**ARMED, "handle_lifted": True}, OUT])
def test_other_states_are_other_rules(readings: dict[str, Any]) -> None:
    story = alder()
    story.door_bundle("L1", readings, at=AT)
    story.until(200)
    assert story.told("unlocked-lingering") == []
