"""Stories in which an answer could look calm although something that was told speaks against it.

Each begins with "nothing seen against it" and tells what happens next. A reading that is late,
contradicted, in doubt or overruled by a person's word is never a yes.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from monitor.core import readout
from monitor.core.conditions import CANNOT_TELL, NOTHING_SEEN, STOPPED, Answer
from monitor.core.effects import PublishReadiness
from monitor.core.events import BrokerConnected, BrokerDisconnected, DoorReported, PermitGranted
from monitor.core.lookahead_actions import list_actions
from monitor.core.signals import Value
from monitor.core.times import SECOND
from tests.core.readiness_cases import (
    at_rest,
    blow,
    boarding,
    condition,
    judge,
    opening,
    ready_to_leave,
    short,
    whole,
)
from tests.stories import ARMED, DISARMED, Story, alder, healthy_airframe, healthy_door


def told(answer: Answer) -> tuple[str, str]:
    return answer.verdict, "; ".join(answer.reasons)


def report(story: Story, door: str, **sees: bool | str) -> None:
    """A person looks at a door and says what they see."""
    story.step(DoorReported(story.reg, door, tuple(sees.items()), "Bo", "walked round", "board"))
    story.advance(5)


def declare_slide_removed(story: Story, door: str) -> None:
    story.step(PermitGranted("slide-removed", story.reg, (door,), (), story.now + 3600 * SECOND, "An", "overhaul"))
    story.advance(1)


def shown(story: Story) -> dict[str, Any]:
    """The answers as the broker holds them."""
    document = [effect for effect in story.effects if isinstance(effect, PublishReadiness)][-1].document
    assert document is not None
    return document


def give_own_sender(story: Story, door: str) -> int:
    """A door whose own unit beats, in time; returns its count."""
    for count in range(1, 31):
        story.send(f"door/{door}/heartbeat", count)
        story.advance(4)
    return 30


def fall_behind(story: Story, door: str, count: int) -> None:
    """The door's unit goes on, but its messages are a minute and a half old when they come."""
    for more in range(1, 9):
        story.send(f"door/{door}/heartbeat", count + more, time=story.clock - 90)
        blow(story).advance(4)


# A door whose readings contradict one another


@pytest.mark.parametrize(
    ("door", "signal", "value"), [("L1", "travel", 0.7), ("L1", "hold_open", True), ("CF", "hold_open", True)]
)
def test_a_leaf_that_reads_closed_and_out_at_once_cannot_be_told(door: str, signal: str, value: Value) -> None:
    story = at_rest()
    assert opening(story, door).verdict == NOTHING_SEEN
    story.send(f"door/{door}/{signal}", value)
    story.advance(3)
    assert told(opening(story, door)) == (CANNOT_TELL, "its readings contradict one another")


def test_a_way_in_that_reads_closed_as_well_cannot_be_told() -> None:
    story = boarding()
    story.send("door/L1/closed", True)
    story.advance(3)
    assert told(judge(story).board) == (CANNOT_TELL, "whether a way in stands open is not known")


# Doubts below a warning


def test_a_person_who_sees_a_door_unlocked_is_believed_before_it_leaves() -> None:
    story = ready_to_leave()
    assert judge(story).leave.verdict == NOTHING_SEEN
    report(story, "L1", lock_indicator="unlocked")
    assert told(judge(story).leave) == (CANNOT_TELL, "in doubt: indicator-disagree at L1")


def test_a_lock_mark_that_shows_unlocked_leaves_a_doubt() -> None:
    story = ready_to_leave()
    story.send("door/CF/lock_indicator", "unlocked")
    story.advance(5)
    assert told(judge(story).leave) == (CANNOT_TELL, "in doubt: indicator-disagree at CF")


def test_a_latch_that_chatters_leaves_a_doubt_though_it_just_reads_latched() -> None:
    story = ready_to_leave()
    for number in range(24):
        story.send("door/CF/latched", bool(number % 2))
        story.advance(0.3)
    story.advance(6)
    assert story.standing() == {("signal-chatter", "CF")}
    assert told(judge(story).leave) == (CANNOT_TELL, "in doubt: signal-chatter at CF")


def test_the_condition_is_named_for_what_it_asks() -> None:
    found = condition(judge(ready_to_leave()).leave, "no warning or doubt")
    assert (found.met, found.text) == (True, "no warning or doubt stands")


def test_stairs_that_a_person_sees_gone_are_no_way_in() -> None:
    story = boarding()
    assert judge(story).board.verdict == NOTHING_SEEN
    report(story, "L1", access="none")
    assert told(judge(story).board) == (CANNOT_TELL, "in doubt: indicator-disagree at L1")


def test_a_way_in_whose_hold_open_lock_chatters_cannot_be_told() -> None:
    story = boarding()
    for number in range(13):
        story.send("door/L1/hold_open", number % 2 == 0)
        story.advance(0.3)
    assert told(judge(story).board) == (CANNOT_TELL, "in doubt: signal-chatter at L1")


def test_a_doubt_elsewhere_says_nothing_about_boarding() -> None:
    story = boarding()
    report(story, "CF", lock_indicator="unlocked")
    assert ("indicator-disagree", "CF") in story.standing()
    assert judge(story).board.verdict == NOTHING_SEEN


def test_refuelling_rests_on_exits_without_a_doubt_while_they_are_enough() -> None:
    story = ready_to_leave(people=100)
    assert judge(story).refuel.verdict == NOTHING_SEEN
    report(story, "L1", girt_left=False)
    assert ("indicator-disagree", "L1") in story.standing()
    assert judge(story).refuel.verdict == NOTHING_SEEN, "R1 does for the fore half"
    report(story, "R1", girt_left=False)
    verdict, why = told(judge(story).refuel)
    assert verdict == CANNOT_TELL
    assert "indicator-disagree at L1" in why
    assert "indicator-disagree at R1" in why


# A slide that came out, and one that a permit says is gone


@pytest.mark.parametrize("reads", [True, False])
def test_a_door_whose_slide_came_out_is_no_way_in_until_it_is_reset(reads: bool) -> None:
    story = boarding()
    story.send("door/L1/slide_released", True)
    story.advance(3)
    story.send("door/L1/slide_released", reads)
    story.advance(3)
    assert story.state("L1") == "slide_deployed"
    assert told(judge(story).board) == (
        STOPPED,
        "no door stands open and held with a bridge or stairs at it; warning: slide-deployed at L1",
    )


def test_nobody_refuels_beside_a_slide_that_came_out() -> None:
    story = ready_to_leave(people=100)
    story.send("door/L1/slide_released", True)
    story.advance(3)
    story.send("door/L1/slide_released", False)
    story.acknowledge("slide-deployed", "L1")
    story.advance(3)
    assert told(judge(story).refuel) == (STOPPED, "warning: slide-deployed at L1")


def test_a_permit_does_not_silence_a_slide_that_reads_engaged() -> None:
    story = at_rest()
    story.door_bundle("L1", ARMED)
    story.advance(3)
    assert told(opening(story, "L1")) == (STOPPED, "its slide is engaged")
    declare_slide_removed(story, "L1")
    doubt = condition(opening(story, "L1"), "slide")
    assert (doubt.met, doubt.text) == (None, "its slide is declared removed, but it reads engaged")
    assert doubt.evidence == ("door/L1/lever_armed", "door/L1/girt_left", "door/L1/girt_right")
    story.door_bundle("L1", DISARMED)
    assert condition(opening(story, "L1"), "slide").met is True
    story.send("door/L1/slide_released", True)
    doubt = condition(opening(story, "L1"), "slide")
    assert (doubt.met, doubt.text) == (None, "its slide is declared removed, but it reads released")


# Readings that arrive late


def test_a_backlog_gives_no_forecast_of_the_pressure() -> None:
    """Twenty seconds delivered in two would fall ten times as fast as they did."""

    def root(at: float) -> float:
        return math.sqrt(30.0) - 0.02 * at

    story = alder(answering=True)
    story.beating = False
    beats = 1000
    for stamp in range(2, 30):
        beats += 1
        story.send("airframe/heartbeat", beats, stamp)
        story.send("airframe/differential_pressure_hpa", root(stamp) ** 2, stamp)
    assert "will be below" in whole(story)["pressure"]["sentence"]
    at = 80.0
    for stamp in range(30, 81):
        beats += 1
        story.send("airframe/heartbeat", beats, at, time=stamp)
        story.send("airframe/differential_pressure_hpa", root(stamp) ** 2, at, time=stamp)
        at += 0.1
        if story.system.record.aircraft[story.reg].sender.backlog:
            pressure = whole(story)["pressure"]
            assert pressure["sentence"] == "Cabin pressure: cannot tell: its readings arrive late."
            assert (pressure["below_limit"], pressure["below_limit_in_s"], pressure["now_hpa"]) == (None, None, None)
            assert short(story)["pressure"] == {"below_limit": None, "trend": "cannot tell"}
    kept = [moment for moment, _ in story.system.record.aircraft[story.reg].pressures]
    late = [moment for moment in kept if moment > story.micros(30)]
    assert len(late) <= 1, "only what came once the backlog had ended"


def test_a_door_whose_own_unit_is_late_shows_the_past() -> None:
    story = at_rest()
    count = give_own_sender(story, "L1")
    blow(story)
    assert opening(story, "L1").verdict == NOTHING_SEEN
    fall_behind(story, "L1", count)
    assert not story.system.record.aircraft[story.reg].sender.backlog
    assert told(opening(story, "L1")) == (CANNOT_TELL, "its readings arrive late")
    assert opening(story, "CF").verdict == NOTHING_SEEN
    assert short(story)["exits"]["unknown"] == ["L1"]
    assert shown(story)["doors"]["L1"]["reasons"] == ["its readings arrive late"]


@pytest.mark.parametrize("question", ["leave", "board", "refuel"])
def test_one_door_s_late_unit_leaves_each_answer_about_the_aircraft_open(question: str) -> None:
    story = boarding() if question == "board" else ready_to_leave(people=100)
    count = give_own_sender(story, "R2")
    blow(story)
    assert getattr(judge(story), question).verdict == NOTHING_SEEN
    fall_behind(story, "R2", count)
    verdict, why = told(getattr(judge(story), question))
    assert verdict == CANNOT_TELL
    assert "readings arrive late: R2" in why


def test_wind_that_arrives_late_is_the_wind_of_before() -> None:
    story = at_rest()
    for _ in range(12):
        blow(story).advance(10)
    assert opening(story, "L1").verdict == NOTHING_SEEN
    for _ in range(6):
        for signal in ("wind_kt", "gust_kt"):
            story.send(f"stand/S12/{signal}", 8.0, time=story.clock - 60)
        story.advance(5)
    why = "wind at the stand is not known: the stand's readings arrive late"
    assert told(opening(story, "L1")) == (CANNOT_TELL, why)
    assert whole(story)["wind"]["wind_kt"] is None
    assert shown(story)["doors"]["L1"]["reasons"] == [why]
    blow(story).advance(2)
    assert opening(story, "L1").verdict == NOTHING_SEEN, "it has caught up"
    assert shown(story)["doors"]["L1"]["verdict"] == NOTHING_SEEN


# Nothing is heard


def is_left_open(story: Story) -> bool:
    """Nothing is said of exits, pressure and wind."""
    document = whole(story)
    exits = document["exits"]
    return (
        (exits["usable"], exits["unusable"], exits["seats_usable"]) == ([], [], 0)
        and exits["unknown"] == ["L1", "R1", "OL1", "OR1", "L2", "R2"]
        and document["pressure"]["below_limit"] is None
        and document["wind"]["wind_kt"] is None
    )


def test_exits_pressure_and_wind_are_not_known_while_the_broker_is_lost() -> None:
    story = ready_to_leave(people=100)
    assert whole(story)["exits"]["seats_usable"] == 145
    story.step(BrokerDisconnected("the network is down"))
    assert is_left_open(story)
    assert whole(story)["exits"]["doors"]["L1"]["reasons"] == ["the broker connection is lost"]


def test_exits_pressure_and_wind_are_not_known_during_a_backlog() -> None:
    story = ready_to_leave(people=100)
    for _ in range(12):
        blow(story).advance(10)
    assert not is_left_open(story)
    story.skew = -300
    story.advance(12)
    assert is_left_open(story)


def test_exits_pressure_and_wind_are_not_known_from_what_lay_on_the_broker() -> None:
    story = Story(answering=True)
    airframe = story.site.types["alder"]
    for signal, value in {"type": "alder", "stand": "S12", **healthy_airframe(airframe)}.items():
        story.send(f"airframe/{signal}", value, retain=True)
    for door in airframe.doors.values():
        for signal, value in healthy_door(door).items():
            story.send(f"door/{door.name}/{signal}", value, retain=True)
    story.advance(2)
    assert is_left_open(story)


# Where it stands


def test_a_stand_that_is_withdrawn_takes_the_wind_with_it() -> None:
    story = at_rest()
    story.withdraw("airframe/stand")
    story.advance(2)
    answer = opening(story, "L1")
    assert told(answer) == (CANNOT_TELL, "wind at the stand is not known: where the aircraft stands is not known")
    assert answer.notes == ()
    assert "airframe/stand (withdrawn)" in condition(answer, "wind").why


def test_a_stand_that_is_uncertain_is_not_the_last_one() -> None:
    story = at_rest()
    story.send("stand/S13/wind_kt", 60.0)
    story.send("airframe/stand", "S13", quality="uncertain")
    story.advance(2)
    assert opening(story, "L1").verdict == CANNOT_TELL
    assert whole(story)["wind"]["wind_kt"] is None
    story.send("airframe/stand", "S12")
    assert opening(story, "L1").verdict == NOTHING_SEEN


def test_an_aircraft_that_never_said_where_it_stands_does_without_wind() -> None:
    story = Story(type="alder", answering=True)
    airframe = story.site.types["alder"]
    readings = {f"airframe/{signal}": value for signal, value in healthy_airframe(airframe).items()}
    for door in airframe.doors.values():
        readings |= {f"door/{door.name}/{signal}": value for signal, value in healthy_door(door).items()}
    story.bundle({"airframe/type": "alder", **readings, "door/L1/access": "bridge"})
    story.beating = True
    story.advance(6)
    assert opening(story, "L1").notes == ("wind not watched",)


# What the broker holds


def test_a_backlog_that_changes_no_value_is_told_and_its_end_too() -> None:
    story = alder(answering=True)
    story.advance(120)
    assert shown(story)["doors"]["H1"]["verdict"] == NOTHING_SEEN
    story.skew = -60.0
    story.advance(7)
    assert shown(story)["doors"]["H1"]["reasons"] == ["its readings arrive late"]
    story.skew = 0.0
    story.advance(7)
    assert shown(story)["doors"]["H1"]["verdict"] == NOTHING_SEEN


def test_what_a_reconnect_leaves_on_the_broker_is_what_stands_soon_after() -> None:
    """A change and back within the second in which everything is published again must not leave the middle behind."""
    story = at_rest()
    story.advance(20)
    story.send("airframe/engine_1_running", True)
    story.advance(0.3)
    assert shown(story)["doors"]["H1"]["verdict"] == STOPPED
    story.send("airframe/engine_1_running", False)
    story.advance(0.1)
    published = len(story.effects)
    held = readout.describe_held(story.system, story.reg, "", "", story.now)
    assert isinstance(held, PublishReadiness)
    assert held.document is not None
    story.send("airframe/engine_1_running", True)
    story.advance(5)
    later = [effect.document for effect in story.effects[published:] if isinstance(effect, PublishReadiness)]
    on_broker = [held.document, *later][-1]
    assert on_broker == short(story)


def test_a_new_connection_has_the_answers_published_again() -> None:
    story = at_rest()
    story.advance(20)
    story.step(BrokerDisconnected("the network is down"))
    story.advance(2)
    before = len(story.effects)
    story.step(BrokerConnected())
    story.advance(2)
    again = [effect for effect in story.effects[before:] if isinstance(effect, PublishReadiness)]
    assert [effect.document for effect in again] == [short(story)]


# What would follow


def test_a_look_ahead_says_that_it_plays_no_release() -> None:
    story = at_rest()

    def text() -> str:
        actions = list_actions(story.system.view(story.reg, "L1", story.now))
        return next(action.text for action in actions if action.name == "open")

    assert text() == "Open the door fully"
    story.door_bundle("L1", ARMED)
    assert text() == "Open the door fully; that its slide is released is not played"
