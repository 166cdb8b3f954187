"""Who speaks as an aircraft: two senders, a type that changes, one stand that two claim."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pytest

from monitor.core.notes.identity import settle_identity
from monitor.core.state import AircraftRecord
from tests.core.rule_cases import at_door
from tests.stories import ARMED, Story, alder

CODE: Final = "identity-conflict"
BEAT: Final = "airframe/heartbeat"


def quiet() -> Story:
    """An alder whose beats a test sends itself; the last was 1, at 0 s."""
    story = alder()
    story.beating = False
    return story


def record(story: Story) -> AircraftRecord:
    return story.system.record.aircraft[story.reg]


def decide(story: Story) -> None:
    """What a person's decision does: the signs so far are forgotten, and everything is looked at again."""
    settle_identity(record(story), story.now)
    story.system.settle(record(story), {None: {"*"}}, story.now)
    story.advance(0)


def beats(story: Story, *counts: int, at: float = 5, every: float = 2.5, **more: object) -> Story:
    for number, count in enumerate(counts):
        story.send(BEAT, count, at=at + number * every, **more)  # type: ignore[arg-type]
    return story


# Two series of beats


def test_a_count_that_falls_and_then_goes_on_from_before_is_two_senders() -> None:
    story = beats(quiet(), 500, 501, 502, 3)
    assert story.told(CODE) == []
    story.send(BEAT, 503, at=15)
    (raised,) = story.told(CODE)
    assert (raised.at, *raised.brief) == (15.0, "raised", CODE, "-", "caution")
    assert raised.data["text"] == "Two senders count as this aircraft."


def test_two_series_that_lie_close_are_told_by_their_turns() -> None:
    story = beats(quiet(), 100, 101, 98, 102, 99)
    assert [e.at for e in story.told(CODE)] == [15.0]


def test_the_second_sender_may_be_the_one_that_counts_higher() -> None:
    story = beats(quiet(), 7, 9000, 8, 9001)
    assert len(story.told(CODE)) == 1


@pytest.mark.parametrize(
    "counts",
    [
        (500, 501, 0, 1, 2, 3, 4, 5),
        (500, 0, 1, 0, 1, 2, 3),
        (3, 4, 0, 1, 2, 3, 4, 5, 6, 7),
        (500, 501, 499, 500, 501, 502, 503),
        (500, 501, 501, 501, 502),
        (1, 2, 50, 51, 52),
    ],
    ids=["restart", "two restarts", "soon past where it was", "count kept on disk", "stands still", "leap"],
)
@pytest.mark.parametrize("every", [0.1, 2.5, 9.0])
def test_one_sender_that_restarts_is_no_conflict(counts: tuple[int, ...], every: float) -> None:
    assert beats(quiet(), *counts, every=every).told(CODE) == []


def test_a_restart_and_then_an_outage_as_long_as_it_had_counted_is_no_conflict() -> None:
    story = beats(quiet(), 20, 21, 0, 1)
    beats(story, 22, 23, 24, at=12.5 + 105, every=5)
    assert story.told(CODE) == []


@pytest.mark.parametrize("seqs", [True, False])
def test_what_is_delivered_again_is_no_conflict(seqs: bool) -> None:
    story = quiet()
    sent: list[tuple[float, int, int]] = []
    for number in range(40):
        at = 5 + 2.5 * number
        sent.append((at, 100 + number, number + 2))
        story.send(BEAT, 100 + number, at=at, seq=number + 2 if seqs else None)
        for time, count, seq in sent[-6:-1] if number % 4 == 3 else ():
            story.send(BEAT, count, time=time, seq=seq if seqs else None)
    assert "older" in story.dropped()
    assert story.told(CODE) == []


def test_a_slow_second_way_of_the_same_messages_is_no_conflict() -> None:
    story = quiet()
    for number in range(40):
        at = 5 + 2.5 * number
        story.send(BEAT, 100 + number, at=at, seq=None)
        if number >= 10:
            story.send(BEAT, 90 + number, time=at - 25, seq=None)
    assert story.told(CODE) == []


def test_a_clock_far_ahead_whose_messages_come_again_is_no_conflict() -> None:
    """Its stamps order nothing, so that what comes again is taken."""
    story = quiet()
    for number in range(30):
        at = 5 + 2.5 * number
        story.send(BEAT, 100 + number, at=at, time=at + 120, seq=None)
        if number in (9, 10):
            for back in (3, 2):
                story.send(BEAT, 100 + number - back, time=at + 120 - 2.5 * back, seq=None)
    assert story.told(CODE) == []


def test_a_restart_inside_a_backlog_of_which_some_was_lost_is_no_conflict() -> None:
    story = beats(quiet(), 500, 501)
    for number, (count, time) in enumerate([(502, 10), (0, 15), (1, 20), (2, 25), (503, 2540), (504, 2545)]):
        story.send(BEAT, count, at=2600 + number / 100, time=time, seq=None)
    assert story.told(CODE) == []


def test_retained_beats_say_nothing() -> None:
    story = quiet()
    for number in range(6):
        story.send(BEAT, (900, 3)[number % 2] + number, at=5 + number, retain=True)
    assert story.told(CODE) == []


def test_beats_on_their_topic_and_in_bundles_are_one_series() -> None:
    story = quiet()
    for number in range(20):
        story.send(BEAT, 100 + number, at=5 + 5 * number)
        story.bundle({BEAT: 100 + number, "airframe/beacon": False}, at=7 + 5 * number)
    assert story.told(CODE) == []


def test_two_senders_in_bundles_are_told() -> None:
    story = quiet()
    for number in range(4):
        story.bundle({BEAT: (700, 20)[number % 2] + number}, at=5 + number)
    assert len(story.told(CODE)) == 1


@pytest.mark.parametrize("seqs", [True, False])
def test_a_second_sender_whose_clock_is_behind_is_told_though_its_beats_are_dropped(seqs: bool) -> None:
    story = quiet()
    for number in range(12):
        at = 5 + 5 * number
        story.send(BEAT, 500 + number, at=at, seq=10 + number if seqs else None)
        story.send(BEAT, 20 + number, at=at + 2.5, time=at + 2.5 - 3600, seq=2 + number if seqs else None)
    assert "older" in story.dropped()
    (raised,) = story.told(CODE)
    assert 15 < raised.at < 35


def test_a_sender_restarted_with_its_clock_set_back_is_no_conflict() -> None:
    story = beats(quiet(), 500, 501, 502)
    for number in range(10):
        story.send(BEAT, number, at=15 + 2.5 * number, time=2.5 * number - 3600, seq=None)
    assert story.told(CODE) == []


# A type


def test_another_type_while_present_is_rejected_and_told() -> None:
    story = alder()
    story.send("airframe/type", "birch", at=5)
    assert [effect.reason for effect in story.rejected()] == ["type-conflict"]
    (raised,) = story.told(CODE)
    assert (raised.at, raised.priority) == (5.0, "caution")
    assert raised.data["text"] == "It is here as alder and is called birch."


def test_an_older_word_of_another_type_is_no_conflict() -> None:
    story = alder()
    story.send("airframe/type", "alder", at=5)
    story.send("airframe/type", "birch", at=6, time=0.5, seq=1)
    story.send("airframe/type", "birch", at=7, quality="uncertain")
    assert story.told(CODE) == []


def test_a_type_may_change_while_it_is_away() -> None:
    story = alder()
    story.declare("away")
    story.send("airframe/type", "birch", at=10)
    story.declare("present")
    story.until(60)
    assert story.told(CODE) == []


def test_going_away_ends_it() -> None:
    story = alder()
    story.send("airframe/type", "birch", at=5)
    story.declare("away")
    assert story.alert(CODE) is None
    story.declare("present")
    story.until(20)
    assert story.types(CODE) == ["raised", "cleared"]
    assert story.state("L1") == "closed_locked"


# A stand


def two(stand: str = "S12", *, reg: str = "TW-202") -> tuple[Story, Story]:
    """Two alders, the second on ``stand``, one clock."""
    first = alder()
    second = Story(system=first.system, reg=reg, stand=stand)
    second.now = first.now
    second.baseline()
    return first, second


def go_on(first: Story, second: Story, until: float) -> None:
    """Let both senders beat up to ``until``."""
    while first.clock < until:
        step = min(first.clock + 2.5, until)
        first.until(step)
        second.until(step)


def conflicts(*stories: Story) -> set[str]:
    """Who stands in conflict, as the record has it."""
    return {
        reg
        for reg, aircraft in stories[0].system.record.aircraft.items()
        if (tracker := aircraft.trackers.get(CODE)) is not None and tracker.alert is not None
    }


def test_both_that_claim_one_stand_get_it_the_newcomer_first() -> None:
    first, second = two()
    raised = [event for event in second.events if event.code == CODE]
    assert [(e.type, e.aircraft, e.at) for e in raised] == [("raised", "TW-202", 1.0), ("raised", "TW-101", 1.0)]
    assert conflicts(first) == {"TW-101", "TW-202"}
    assert second.alert(CODE, reg="TW-101") is not None
    texts = {event.aircraft: event.data["text"] for event in raised}
    assert texts["TW-101"] == "Stand S12 is claimed by TW-202 too."


def test_stands_next_to_each_other_and_no_stand_at_all_are_no_conflict() -> None:
    for stand in ("S13", ""):
        first, _ = two(stand)
        first.send("airframe/stand", stand if not stand else "S12", at=5)
        assert conflicts(first) == set()


def test_a_stand_handed_over_is_no_conflict() -> None:
    first, second = two("S13")
    first.send("airframe/stand", "", at=5)
    second.send("airframe/stand", "S12", at=5)
    assert conflicts(first) == set()


def test_it_ends_when_one_leaves_the_stand() -> None:
    first, second = two()
    second.send("airframe/stand", "S13", at=5)
    assert conflicts(first) == set()
    assert first.system.record.aircraft["TW-101"].identity is None
    assert second.state("L1") == "closed_locked"


@pytest.mark.parametrize("how", ["away", "powered_down", "power off"])
def test_it_ends_when_one_is_away_or_powered_down_and_comes_back_with_it(how: str) -> None:
    first, second = two()
    if how == "power off":
        second.send("airframe/power", "off", at=5)
    else:
        second.declare(how)
    assert conflicts(first) == set()
    if how == "power off":
        second.send("airframe/power", "on", at=8)
    else:
        second.declare("present")
    assert conflicts(first) == {"TW-101", "TW-202"}


def test_it_ends_when_one_loses_its_feed_and_comes_back_with_it() -> None:
    first, second = two()
    second.beating = False
    go_on(first, second, 30)
    assert conflicts(first) == {"TW-101", "TW-202"}
    go_on(first, second, 40)
    assert conflicts(first) == set()
    assert first.state("L1") == "closed_locked"
    second.send(BEAT, 77)
    go_on(first, second, 45)
    assert conflicts(first) == {"TW-101", "TW-202"}


def test_an_aircraft_only_left_on_the_broker_claims_nothing() -> None:
    story = alder()
    other = Story(system=story.system, reg="TW-202")
    other.now = story.now
    other.send("airframe/type", "alder", time=-3600, retain=True)
    other.send("airframe/stand", "S12", time=-3600, retain=True)
    other.send("airframe/chocks", True, time=-30, retain=True)
    assert conflicts(story) == set()


def test_three_on_one_stand_and_one_leaves() -> None:
    first, second = two()
    third = Story(system=first.system, reg="TW-303")
    third.now = first.now
    third.baseline()
    assert conflicts(first) == {"TW-101", "TW-202", "TW-303"}
    second.send("airframe/stand", "S15", at=3)
    assert conflicts(first) == {"TW-101", "TW-303"}


# Until a person decides


def test_while_it_stands_every_state_is_unknown_and_alerts_stay_as_they_are() -> None:
    story = alder()
    story.bundle(at_door("L1", ARMED), at=5)
    story.send("door/L1/handle_lifted", True, at=6)
    assert story.alert("armed-handle-moved", "L1") is not None
    story.send("airframe/type", "birch", at=7)
    assert set(story.states().values()) == {"unknown"}
    document = story.alert("armed-handle-moved", "L1")
    assert document is not None
    assert document["blind"] is True
    story.send("door/L1/handle_lifted", False, at=10)
    story.bundle({**at_door("L2", ARMED), "door/L2/handle_lifted": True}, at=11)
    story.until(120)
    assert story.types("armed-handle-moved") == ["raised"]
    assert story.told("signal-stale") == []


def test_of_what_no_signal_of_its_own_is_needed_the_rest_is_still_judged() -> None:
    story = alder()
    story.send("airframe/type", "birch", at=5)
    story.skew = 20
    story.until(30)
    assert story.alert("clock-skew") is not None
    story.beating = False
    story.until(90)
    assert story.alert("feed-lost") is not None
    assert story.alert(CODE) is not None


def test_every_hazard_is_told_as_one_that_cannot_be_seen() -> None:
    story = alder()
    story.send("airframe/type", "birch", at=5)
    told = {
        (entry["code"], entry["why"]) if isinstance(entry, dict) else tuple(entry[:2])
        for entry in story.door("L1")["deaf_to"]
    }
    assert ("armed-handle-moved", "identity conflict") in told
    assert {why for _, why in told} == {"identity conflict"}


def test_a_decision_ends_it_and_a_second_sender_that_goes_on_brings_it_back() -> None:
    story = beats(quiet(), 500, 3, 501)
    decide(story)
    assert record(story).identity is None
    assert story.system.record.aircraft[story.reg].trackers.get(CODE) is None
    assert story.state("L1") == "closed_locked"
    beats(story, 502, 503, 504, at=12)
    assert story.types(CODE) == ["raised", "cleared"]
    beats(story, 4, 505, at=22)
    assert [(e.type, e.at) for e in story.told(CODE)][2:] == [("raised", 24.5)]


def test_a_decision_on_a_shared_stand_holds_till_either_moves() -> None:
    first, second = two()
    decide(first)
    assert conflicts(first) == set()
    go_on(first, second, 20)
    assert conflicts(first) == set()
    second.declare("powered_down")
    second.declare("present")
    assert conflicts(first) == set()
    second.send("airframe/stand", "S13", at=21)
    second.send("airframe/stand", "S12", at=22)
    assert conflicts(first) == {"TW-101", "TW-202"}


def test_a_third_that_comes_is_not_accepted_with_the_second() -> None:
    first, second = two()
    decide(second)
    third = Story(system=first.system, reg="TW-303")
    third.now = first.now
    third.baseline()
    assert conflicts(first) == {"TW-101", "TW-202", "TW-303"}


def test_saying_that_it_is_here_decides_nothing() -> None:
    story = alder()
    story.send("airframe/type", "birch", at=5)
    story.declare("present")
    assert story.alert(CODE) is not None


def test_powered_down_it_stays_undecided_and_nothing_is_raised() -> None:
    story = alder()
    story.send("airframe/type", "birch", at=5)
    story.send("airframe/power", "off", at=6)
    document = story.alert(CODE)
    assert document is not None
    assert document["blind"] is True
    story.send("airframe/power", "on", at=10)
    document = story.alert(CODE)
    assert document is not None
    assert "blind" not in document or document["blind"] is False


def test_a_restart_of_ours_keeps_it() -> None:
    story = beats(quiet(), 500, 3)
    other = story.copy()
    other.send(BEAT, 501, at=10)
    assert other.types(CODE) == ["raised"]
    again = other.copy()
    assert set(again.states().values()) == {"unknown"}
    again.until(20)
    assert again.told(CODE) == []
    assert again.alert(CODE) is not None


def test_a_decision_where_nothing_is_open_changes_nothing() -> None:
    story = alder()
    before = replace(record(story))
    decide(story)
    assert record(story).identity is before.identity
    assert story.told() == []
