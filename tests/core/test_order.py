"""Which readings count: order, repeats, restarts, strange clocks, and what comes late."""

from __future__ import annotations

from typing import Final

import pytest

from monitor.core.times import SECOND, parse_time
from tests.stories import ARMED, DISARMED, LOCKED, OUT, START, UNLOCKED, Story, alder

HANDLE: Final = "door/L1/handle_lifted"
BEACON: Final = "airframe/beacon"
YEARS: Final = {"1970": "1970-01-01T00:10:00Z", "2100": "2100-01-01T00:00:00Z"}


def skew_to(year: str) -> float:
    return (parse_time(YEARS[year]) - START) / SECOND


# One topic


@pytest.mark.parametrize(
    ("first", "second", "dropped"),
    [
        # (time, seq) of two readings on one topic, in the order of their receipt
        ((10, 5), (11, 6), None),
        ((10, 5), (11, 5), "repeat"),
        ((10, 5), (10, 5), "repeat"),
        ((10, 5), (9, 4), "older"),
        ((10, 5), (10, 4), "older"),
        ((10, 5), (11, 4), None),  # a later time with a smaller seq: a sender that restarted
        ((10, 5), (9, 6), None),  # seq decides, whatever the clock says
        ((10, 5), (10, 6), None),
        ((10, None), (11, None), None),
        ((10, None), (10, None), "repeat"),
        ((10, None), (9, None), "older"),
        ((10, 5), (11, None), None),  # one of them has no seq: time decides
        ((10, 5), (10, None), "repeat"),
        ((10, None), (9, 7), "older"),
        ((10, None), (11, 0), None),
    ],
)
def test_two_readings_of_one_topic(
    first: tuple[float, int | None], second: tuple[float, int | None], dropped: str | None
) -> None:
    story = alder()
    story.send(BEACON, False, at=12, time=first[0], seq=first[1])
    story.send(BEACON, True, at=13, time=second[0], seq=second[1])
    assert story.value(BEACON) is (dropped is None)
    assert story.dropped() == ([] if dropped is None else [dropped])


def test_a_sender_that_restarted_counts_on_from_where_it_is() -> None:
    story = alder()
    story.send(BEACON, False, at=10, seq=500)
    story.send(BEACON, True, at=11, seq=0)
    story.send(BEACON, False, at=12, seq=1)
    assert story.value(BEACON) is False
    assert story.dropped() == []


def test_a_withdrawn_reading_is_unknown_and_whatever_comes_next_counts() -> None:
    story = alder()
    story.withdraw("door/L1/closed", at=5)
    assert story.state("L1") == "unknown"
    story.send("door/L1/closed", True, at=6, time=1.5, seq=0)
    assert story.state("L1") == "closed_locked"


# Across topics


@pytest.mark.parametrize(("time", "dropped"), [(9.999, "older"), (10, "repeat"), (10.001, None)])
@pytest.mark.parametrize("bundle_first", [True, False])
def test_across_topics_the_time_decides(bundle_first: bool, time: float, dropped: str | None) -> None:
    story = alder()
    if bundle_first:
        story.bundle({BEACON: False}, at=12, time=10, seq=90)
        story.send(BEACON, True, at=13, time=time, seq=1)
    else:
        story.send(BEACON, False, at=12, time=10, seq=90)
        story.bundle({BEACON: True}, at=13, time=time, seq=2)
    assert story.value(BEACON) is (dropped is None)
    assert story.dropped() == ([] if dropped is None else [dropped])


def test_each_reading_of_a_bundle_is_ordered_by_itself() -> None:
    story = alder()
    story.send(BEACON, True, at=10)
    story.bundle({BEACON: False, "airframe/chocks": False}, at=11, time=9)
    assert (story.value(BEACON), story.value("airframe/chocks")) == (True, False)
    assert story.dropped() == ["older"]


# Clocks far from ours


def test_a_stamp_more_than_60_s_ahead_is_ordered_by_receipt() -> None:
    story = alder()
    story.send(BEACON, True, at=10, time=71, seq=None)
    story.send(BEACON, False, at=11, seq=None)
    assert story.value(BEACON) is False
    assert story.dropped() == []
    assert story.types("clock-skew") == ["raised", "cleared"]


def test_a_stamp_60_s_ahead_is_ordered_by_its_time() -> None:
    story = alder()
    story.send(BEACON, True, at=10, time=70, seq=None)
    story.send(BEACON, False, at=11, seq=None)
    assert story.value(BEACON) is True
    assert story.dropped() == ["older"]


@pytest.mark.parametrize("year", YEARS)
def test_a_clock_decades_off_rejects_nothing_and_mutes_nothing(year: str) -> None:
    story = Story()
    story.skew = skew_to(year)
    story.baseline().until(40)
    story.door_bundle("L1", ARMED)
    story.send(HANDLE, True, at=41)
    assert story.rejected() == []
    assert story.dropped() == []
    (raised,) = story.told("armed-handle-moved")
    assert (raised.at, raised.type, raised.door) == (41, "raised", "L1")
    assert "late" not in raised.data
    assert story.alert("clock-skew") is not None
    assert story.standing() == {("clock-skew", "-"), ("armed-handle-moved", "L1")}


@pytest.mark.parametrize("year", YEARS)
@pytest.mark.parametrize("numbered", [True, False])
def test_a_sender_that_restarts_decades_off_is_heard_again_and_marked_late_by_nothing(
    year: str, numbered: bool
) -> None:
    story = alder()
    story.bundle({BEACON: False}, at=20, seq=900 if numbered else None)
    story.beating = False
    story.skew = skew_to(year)
    for second in range(21, 36):
        seq = second - 21 if numbered else None
        story.bundle({"airframe/heartbeat": second, "door/L1/lever_armed": True, "airframe/beacon": True}, at=second, seq=seq)  # fmt: skip
    story.bundle({HANDLE: True}, at=36, seq=16 if numbered else None)
    (raised,) = story.told("armed-handle-moved", "L1")
    assert (raised.at, raised.type) == (36, "raised")
    assert "late" not in raised.data
    assert story.rejected() == []


def test_a_clock_that_jumped_back_is_taken_as_a_restart_after_10_s_of_advancing() -> None:
    story = alder(beating=False)
    story.skew = -3600
    for tenths in range(50, 150, 10):
        story.bundle({HANDLE: True, BEACON: True}, at=tenths / 10, seq=None)
        assert story.value(HANDLE) is False
    story.send("door/L1/lever_armed", True, at=14.9, seq=None)
    assert story.value("door/L1/lever_armed") is False
    story.bundle({"airframe/chocks": False}, at=15, seq=None)
    assert story.value("airframe/chocks") is False
    assert story.value(HANDLE) is True, "the newest dropped reading of each signal counts after all"
    assert story.value("door/L1/lever_armed") is True
    assert story.state("L1") == "armed_unlocked"


def test_mere_repeats_never_make_a_restart() -> None:
    story = alder(beating=False)
    story.send(HANDLE, False, at=2, seq=7)
    for second in range(3, 60):
        story.send(HANDLE, True, at=second, time=2, seq=7)
        story.send(BEACON, True, at=second, time=-0.5, seq=None)
    assert story.value(HANDLE) is False
    assert story.value(BEACON) is False
    assert len(story.dropped()) == 2 * 57


def test_a_slow_copy_of_everything_never_makes_a_restart() -> None:
    story = alder(beating=False)
    for second in range(2, 40):
        story.bundle({HANDLE: False, BEACON: second % 2 == 0}, at=second, seq=None)
        story.bundle({HANDLE: True, BEACON: True}, at=second + 0.5, time=second - 2, seq=None)
    assert story.value(HANDLE) is False
    assert set(story.dropped()) == {"older"}


def test_two_repeats_from_a_clock_far_ahead_bring_nothing_back() -> None:
    """Each message comes twice now and then; what was said between the two repeats stands."""
    story = alder(beating=False)
    story.skew = 90
    story.bundle({HANDLE: False, BEACON: False}, at=2, seq=500)
    story.bundle({HANDLE: False, BEACON: False}, at=2, seq=500)
    story.send(HANDLE, True, at=3, seq=500)
    story.send("airframe/chocks", True, at=20, seq=500)
    story.send("airframe/chocks", True, at=20, seq=500)
    assert story.value(HANDLE) is True
    assert set(story.dropped()) == {"repeat"}


def test_two_copies_of_what_was_said_bring_no_sender_back_that_has_gone_silent() -> None:
    """They came late over the line; had they shown a restart, an old heartbeat would vouch for everything again."""
    story = alder(beating=False)
    story.send("airframe/heartbeat", 7, at=2, time=2, seq=7)
    story.send(BEACON, False, at=3, time=3, seq=3)
    story.send("airframe/heartbeat", 8, at=4, time=4, seq=8)
    story.send("airframe/heartbeat", 7, at=20, time=2, seq=7)
    story.send(BEACON, False, at=35, time=3, seq=3)
    assert story.dropped() == ["older", "repeat"]
    assert ("feed-lost", "-") in story.standing()


def test_a_stand_whose_sensor_restarted_decades_off_is_heard_again() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 12.0, at=2, seq=900)
    for second in range(3, 15):
        story.send("stand/S12/wind_kt", 30.0, at=second, time="1970-01-01T00:00:%02dZ" % second, seq=second - 3)  # noqa: UP031
    assert story.system.record.stands["S12"].readings["wind_kt"].value == 30.0


def test_a_stand_reading_is_ordered_as_any_other() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 12.0, at=2, seq=4)
    story.send("stand/S12/wind_kt", 13.0, at=3, seq=4)
    story.send("stand/S12/wind_kt", 14.0, at=4, time=1, seq=3)
    assert story.system.record.stands["S12"].readings["wind_kt"].value == 12.0
    assert story.dropped() == ["repeat", "older"]


# Late


@pytest.mark.parametrize(("behind", "late"), [(30, False), (30.001, True)])
def test_a_reading_more_than_30_s_behind_its_senders_usual_offset_is_late(behind: float, late: bool) -> None:
    story = alder().until(40)
    story.door_bundle("R1", {"girt_left": True}, at=40)
    story.send("door/R1/outside_handle_lifted", True, at=120, time=120 - behind, seq=None)
    (raised,) = story.told("outside-opening-armed", "R1")
    assert (raised.data.get("late") is True) is late


def test_the_usual_offset_is_signed_so_that_a_fast_clock_hides_no_backlog() -> None:
    story = Story()
    story.skew = 25
    story.baseline().until(40)
    story.door_bundle("R1", {"girt_left": True}, at=40)
    story.send("door/R1/outside_handle_lifted", True, at=120, time=120 + 25 - 31, seq=None)
    (raised,) = story.told("outside-opening-armed", "R1")
    assert raised.data["late"] is True


def test_a_sender_that_is_always_40_s_behind_is_not_late() -> None:
    story = Story()
    story.skew = -40
    story.baseline().until(40)
    story.door_bundle("L1", ARMED)
    story.send(HANDLE, True, at=41)
    (raised,) = story.told("armed-handle-moved")
    assert "late" not in raised.data


def backlog() -> Story:
    """An hour of quiet apart, L1's handle moves and comes home again, R1's stays: told 100 s late."""
    story = alder().until(60)
    story.beating = False
    story.skew = -100
    story.beat(at=161)
    story.door_bundle("L1", ARMED, at=161.2)
    story.door_bundle("R1", ARMED, at=161.5)
    story.door_bundle("L1", {"handle_lifted": True}, at=162)
    story.door_bundle("R1", {"handle_lifted": True}, at=162.5)
    story.door_bundle("L1", {"handle_lifted": False}, at=163)
    return story


def test_what_comes_late_is_told_and_marked() -> None:
    story = backlog()
    told = story.told("armed-handle-moved")
    assert [(e.type, e.door) for e in told] == [("raised", "L1"), ("raised", "R1"), ("cleared", "L1")]
    assert all(event.data["late"] is True for event in told)


def test_what_still_holds_after_the_catch_up_is_reraised_unmarked() -> None:
    story = backlog()
    story.skew = 0
    story.beat(at=164)
    (again,) = [e for e in story.told("armed-handle-moved") if e.type == "reraised"]
    assert (again.door, again.at) == ("R1", 164)
    assert "late" not in again.data
    assert "late" not in (story.alert("armed-handle-moved", "R1") or {})


@pytest.mark.parametrize(("behind", "caught_up"), [(5, True), (5.001, False)])
def test_caught_up_is_within_5_s_of_the_usual_offset(behind: float, caught_up: bool) -> None:
    story = backlog()
    story.skew = -behind
    story.beat(at=164)
    assert ("reraised" in story.types("armed-handle-moved", "R1")) is caught_up


def test_what_a_delay_raises_during_a_backlog_is_late_too() -> None:
    story = alder().until(60)
    story.beating = False
    story.skew = -100
    story.beat(at=161)
    story.door_bundle("L1", UNLOCKED, at=161.2)
    story.door_bundle("L1", OUT, {"travel": 0.5}, at=162)
    story.until(168)
    raised = story.told("unguarded-drop", "L1")[0]
    assert (raised.at, raised.type, raised.data.get("late")) == (167, "raised", True)


def test_what_came_late_and_comes_back_in_time_is_unmarked() -> None:
    story = backlog()
    story.skew = 0
    story.beat(at=164)
    story.send(HANDLE, True, at=165)
    last = story.told("armed-handle-moved", "L1")[-1]
    assert (last.type, last.at) == ("reraised", 165)
    assert "late" not in last.data
    assert "late" not in (story.alert("armed-handle-moved", "L1") or {"late": 1})


def test_what_was_over_and_comes_back_late_is_reraised_after_the_catch_up() -> None:
    story = alder().until(60)
    story.door_bundle("L1", ARMED, at=61)
    story.send(HANDLE, True, at=62)
    story.send(HANDLE, False, at=63)
    story.beating = False
    story.skew = -100
    story.beat(at=170)
    story.send(HANDLE, True, at=171)
    story.skew = 0
    story.beat(at=180)
    assert [(e.type, e.at, e.data.get("late", False)) for e in story.told("armed-handle-moved")] == [
        ("raised", 62, False),
        ("cleared", 63, False),
        ("reraised", 171, True),
        ("reraised", 180, False),
    ]


def test_a_retained_delivery_is_never_late() -> None:
    story = alder().until(60)
    story.send("door/R1/girt_left", True, at=61)
    story.send("door/R1/outside_handle_lifted", True, at=62, time=2, retain=True)
    (raised,) = story.told("outside-opening-armed", "R1")
    assert "late" not in raised.data


def test_order_holds_for_what_waits_for_a_type() -> None:
    story = Story()
    story.send("door/L1/closed", False, at=1, seq=2)
    story.send("door/L1/closed", True, at=2, time=0.5, seq=1)
    assert story.dropped() == ["older"]
    story.send("airframe/type", "alder", at=3)
    assert story.value("door/L1/closed") is False


# clock-skew


@pytest.mark.parametrize(("skew", "skewed"), [(0, 0), (5, 0), (-5, 0), (5.1, 1), (-5.1, 1), (29, 1), (45, 1), (61, 1), (-90, 1)])  # fmt: skip
def test_clock_skew_is_a_usual_offset_of_more_than_5_s(skew: float, skewed: bool) -> None:
    story = Story()
    story.skew = skew
    story.baseline().until(60)
    assert story.types("clock-skew") == (["raised"] if skewed else [])
    if skewed:
        (raised,) = story.told("clock-skew")
        assert (raised.door, raised.priority) == ("-", "advisory")


def test_a_restart_forgets_no_skew_between_two_messages() -> None:
    story = Story()
    story.skew = -20
    story.baseline().until(30)
    story.skew = -3600
    story.until(60)
    assert story.types("clock-skew") == ["raised"]


def test_one_slow_message_is_no_skew() -> None:
    story = alder().until(60)
    story.send(BEACON, True, at=61, time=41)
    assert story.types("clock-skew") == []


def test_a_clock_that_is_set_right_ends_the_skew() -> None:
    story = Story()
    story.skew = -20
    story.baseline().until(60)
    story.skew = 0
    story.until(66)
    assert story.types("clock-skew") == ["raised", "cleared"]


def test_a_clock_that_goes_fast_later_is_told_once_its_usual_offset_is_forgotten() -> None:
    story = alder().until(60)
    story.skew = 45
    story.until(60 + 11 * 60)
    assert story.types("clock-skew") == ["raised"]


def test_retained_deliveries_say_nothing_of_a_clock() -> None:
    story = alder()
    for second in range(2, 20):
        story.send(BEACON, second % 2 == 0, at=second, time=-100 + second, seq=None, retain=True)
    assert story.types("clock-skew") == []


def test_a_doors_own_sender_has_a_clock_of_its_own() -> None:
    story = alder()
    for second in range(2, 20, 2):
        story.send("door/L1/heartbeat", second, at=second, time=second - 8)
    assert [(e.door, e.type) for e in story.told("clock-skew")] == [("-", "raised")]
    assert not {"L1"} & {door for _, door in story.standing()}


def test_locks_and_slides_stay_right_through_it_all() -> None:
    story = backlog()
    story.skew = 0
    story.door_bundle("R1", {"handle_lifted": False}, LOCKED, DISARMED, at=170)
    assert (story.state("L1"), story.state("R1")) == ("armed", "closed_locked")


def test_a_clock_set_back_by_decades_while_the_count_goes_on_marks_nothing_late() -> None:
    """More than a day behind is no backlog: a broker keeps nothing for that long."""
    story = alder()
    story.send("door/L1/lever_armed", True, at=15)
    story.send(HANDLE, False, at=20)
    story.skew = skew_to("1970")
    story.send(HANDLE, True, at=21)
    (raised,) = story.told("armed-handle-moved", "L1")
    assert (raised.at, raised.type) == (21, "raised")
    assert "late" not in raised.data
