"""The shipped procedures, worked by hands at the simulators' doors: done right, and wrong in each way there is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import pytest

from monitor.core.effects import Document, RefuseCommand
from simulators.orders import Verb
from tests.core.procedures.hands import Hands, faults, states

V = Verb
WAIT_MAX_S: Final = 120


def finish(hands: Hands, runs: int = 1) -> Document:
    """Let time pass until so many runs have ended; return the last."""
    for _ in range(WAIT_MAX_S):
        if len(hands.ended()) >= runs:
            break
        hands.wait(1.0)
    return hands.ended()[runs - 1]


def opened(hands: Hands) -> Document:
    hands.drill("open-inside", "L1")
    return finish(hands.do(V.OPEN, "L1"))


def opened_from_outside(hands: Hands) -> Document:
    hands.do(V.DOCK, "L1", "bridge").wait(1).drill("open-outside", "L1")
    return finish(hands.do(V.OPEN_OUTSIDE, "L1"))


def closed(hands: Hands) -> Document:
    finish(hands.do(V.OPEN, "L1"))
    hands.drill("close", "L1")
    return finish(hands.wait(1).do(V.CLOSE, "L1"), 2)


def armed(hands: Hands) -> Document:
    hands.drill("arm", "L1")
    return finish(hands.do(V.ARM_SLIDE, "L1"))


def disarmed(hands: Hands) -> Document:
    hands.plane.arm_all(armed=True)
    hands.wait(1).drill("disarm", "L1")
    runs = len(hands.ended())
    return finish(hands.do(V.DISARM_SLIDE, "L1"), runs + 1)


def opened_in_an_emergency(hands: Hands) -> Document:
    hands.plane.arm_all(armed=True)
    hands.wait(1).drill("emergency-open", "L1")
    runs = len(hands.ended())
    return finish(hands.do(V.OPEN, "L1"), runs + 1)


def evacuated_onto_water(hands: Hands) -> Document:
    hands.do(V.DECLARE_EMERGENCY)
    opened_in_an_emergency(hands)
    hands.drill("water-evacuation", "L1", name="raft")
    runs = len(hands.ended())
    hands.do(V.DETACH_SLIDE, "L1").wait(2).report("L1", "everybody-aboard")
    hands.wait(2).report("L1", "cut-lanyard")
    return finish(hands, runs + 1)


def opened_over_the_wing(hands: Hands) -> Document:
    hands.drill("overwing", "OL1")
    return finish(hands.do(V.OPEN, "OL1"))


def held_by_the_electric_pump(hands: Hands) -> Document:
    hands.drill("hold-electric", "CF")
    return finish(hands.do(V.OPEN, "CF"))


def held_by_the_hand_pump(hands: Hands) -> Document:
    hands.drill("hold-hand-pump", "CF")
    hands.do(V.LIFT_HANDLE, "CF").wait(4).do(V.WORK_HAND_PUMP, "CF")
    for _ in range(WAIT_MAX_S * 4):
        if hands.plane.doors["CF"].door.hold_open:
            break
        hands.wait(1.0)
    return finish(hands.wait(1).do(V.REST_HAND_PUMP, "CF"))


DONE: Final[dict[str, tuple[str, Callable[[Hands], Document]]]] = {
    "open-inside": ("cedar", opened),
    "open-outside": ("cedar", opened_from_outside),
    "close": ("cedar", closed),
    "arm": ("cedar", armed),
    "disarm": ("cedar", disarmed),
    "emergency-open": ("cedar", opened_in_an_emergency),
    "water-evacuation": ("cedar", evacuated_onto_water),
    "overwing": ("alder", opened_over_the_wing),
    "hold-electric": ("cedar", held_by_the_electric_pump),
    "hold-hand-pump": ("cedar", held_by_the_hand_pump),
}


def test_every_shipped_procedure_is_worked_here() -> None:
    assert set(DONE) == set(Hands().story.site.procedures)


@pytest.mark.parametrize("name", DONE)
def test_done_right_it_scores_all_there_is(name: str) -> None:
    kind, work = DONE[name]
    document = work(Hands(kind))
    assert (document["procedure"], document["state"], faults(document), document["forbidden"]) == (
        name,
        "finished",
        {},
        [],
    )
    score = document["drill"]["score"]
    assert score["percent"] == 100.0
    assert score["points"] == score["of"] > 0
    required = [step for step in document["steps"] if not step.get("optional")]
    assert document["counts"] == {
        "taken": sum(step["state"] == "taken" for step in document["steps"]),
        "skipped": 0,
        "out_of_order": 0,
        "too_slow": 0,
        "forbidden": 0,
        "cannot_tell": 0,
    }
    assert document["counts"]["taken"] >= len(required)


def test_a_door_that_was_opened_from_outside_is_closed_without_a_fault() -> None:
    hands = Hands()
    hands.do(V.DOCK, "L1", "bridge").wait(1).do(V.OPEN_OUTSIDE, "L1")
    finish(hands)
    document = finish(hands.wait(1).do(V.CLOSE, "L1"), 2)
    assert (document["procedure"], document["state"], faults(document)) == ("close", "finished", {})


def test_everybody_aboard_may_be_said_before_the_raft_is_let_go() -> None:
    hands = Hands(armed=True)
    hands.do(V.DECLARE_EMERGENCY)
    opened_in_an_emergency(hands)
    assert isinstance(hands.report("L1", "everybody-aboard")[0], RefuseCommand), "no drill names it yet"
    hands.drill("water-evacuation", "L1", name="raft")
    assert isinstance(hands.report("L1", "release-girt")[0], RefuseCommand), "its sensor tells that"
    hands.wait(1).report("L1", "everybody-aboard")
    assert states(hands.told())["everybody-aboard"] == "taken"
    first = hands.told()["run_id"]
    hands.wait(5).do(V.DETACH_SLIDE, "L1").wait(1).report("L1", "cut-lanyard")
    document = hands.ended()[-1]
    assert (document["run_id"], document["state"], faults(document)) == (first, "finished", {})
    assert document["drill"]["score"]["percent"] == 100.0


def test_an_armed_door_that_is_opened_is_told_step_by_step() -> None:
    hands = Hands(armed=True)
    hands.drill("open-inside", "L1")
    document = finish(hands.do(V.OPEN, "L1"))
    assert faults(document) == {"slide-disarmed": "skipped", "pin-fitted": "skipped"}
    assert [broken["rule"] for broken in document["forbidden"]] == ["armed-door-moved", "slide-released"]
    assert document["drill"]["score"] == {"points": 10.0, "of": 60.0, "percent": 16.7}


def test_a_handle_that_is_not_lifted_all_the_way_is_too_slow() -> None:
    hands = Hands()
    hands.drill("open-inside", "L1")
    hands.do(V.LIFT_HANDLE, "L1", 0.1).wait(7)
    assert states(hands.told())["unlock"] == "too-slow"
    document = finish(hands.do(V.OPEN, "L1"))
    assert faults(document) == {"unlock": "too-slow"}
    [unlock] = [step for step in document["steps"] if step["step"] == "unlock"]
    assert unlock["took_s"] > unlock["limit_s"] == 5.0
    assert document["drill"]["score"] == {"points": 57.0, "of": 60.0, "percent": 95.0}


def test_a_jammed_girt_end_is_a_step_that_was_not_taken() -> None:
    hands = Hands()
    hands.drill("arm", "L1")
    hands.do(V.JAM_LEFT_GIRT, "L1").do(V.ARM_SLIDE, "L1").wait(8)
    assert states(hands.told()) == {
        "take-pin-out": "taken",
        "move-lever": "taken",
        "girt-left": "too-slow",
        "girt-right": "taken",
    }
    hands.wait(130)
    [document] = hands.ended()
    assert (document["state"], document["drill"]["score"]) == ("abandoned", None)


def test_a_pin_that_is_forgotten_is_waited_for_and_then_too_slow() -> None:
    hands = Hands(armed=True)
    hands.drill("disarm", "L1")
    hands.force("door/L1/pin_fitted", False).do(V.DISARM_SLIDE, "L1").wait(25)
    assert states(hands.told())["fit-pin"] == "too-slow"


def test_a_barrier_that_is_left_in_the_doorway_is_a_check_that_failed() -> None:
    hands = Hands()
    finish(hands.do(V.OPEN, "L1"))
    hands.do(V.FIT_BARRIER, "L1").wait(1)
    document = finish(hands.do(V.CLOSE, "L1"), 2)
    assert faults(document) == {"barrier-away": "skipped"}
    assert "drill" not in document


def test_a_slide_that_does_not_stand_is_too_slow() -> None:
    hands = Hands(armed=True)
    hands.drill("emergency-open", "L1")
    hands.force("door/L1/slide_erect", False).do(V.OPEN, "L1").wait(30)
    assert faults(hands.told()) == {"slide-stands": "too-slow"}


def test_a_lever_that_is_moved_as_the_door_goes_is_forbidden() -> None:
    hands = Hands(armed=True)
    hands.drill("emergency-open", "L1")
    hands.do(V.LIFT_HANDLE, "L1").wait(0.6).force("door/L1/lever_armed", False).wait(0.2)
    hands.forced.clear()
    document = finish(hands.do(V.OPEN, "L1"))
    assert [broken["rule"] for broken in document["forbidden"]] == ["lever-moved"]
    assert document["drill"]["score"]["percent"] == pytest.approx(100 * 60 / 70, abs=0.05)


def test_a_cover_that_stays_on_is_left_out_and_taken_off_later_is_out_of_order() -> None:
    hands = Hands("alder")
    hands.force("door/OL1/cover_fitted", True)
    hands.do(V.REMOVE_COVER, "OL1").do(V.LIFT_HANDLE, "OL1").wait(1)
    assert states(hands.told("OL1"))["cover-off"] == "skipped"
    hands.forced.clear()
    hands.wait(0.2)
    assert states(hands.told("OL1"))["cover-off"] == "out-of-order"


def test_both_ways_to_open_a_hold_door_are_followed_until_one_is_taken() -> None:
    hands = Hands()
    hands.do(V.LIFT_HANDLE, "CF").wait(4)
    assert hands.told("CF")["may_be"] == ["hold-electric", "hold-hand-pump"]
    hands.do(V.WORK_HAND_PUMP, "CF").wait(1)
    assert (hands.told("CF")["procedure"], "may_be" in hands.told("CF")) == ("hold-hand-pump", False)
    hands.do(V.SET_SELECTOR, "CF", "open").wait(1)
    assert [broken["rule"] for broken in hands.told("CF")["forbidden"]] == ["selector-moved"]


def test_an_emergency_that_is_declared_tells_an_emergency_opening_from_a_mistake() -> None:
    mistaken, meant = Hands(armed=True), Hands(armed=True)
    meant.do(V.DECLARE_EMERGENCY)
    for hands in (mistaken, meant):
        hands.wait(1).do(V.OPEN, "L1")
    assert finish(mistaken)["procedure"] == "open-inside"
    assert finish(meant)["procedure"] == "emergency-open"


def test_a_line_that_nobody_reports_as_cut_was_left_out_once_its_time_is_over() -> None:
    hands = Hands(armed=True)
    hands.do(V.DECLARE_EMERGENCY).wait(1).do(V.OPEN, "L1").wait(20).do(V.DETACH_SLIDE, "L1").wait(1)
    assert hands.told()["state"] == "running"
    hands.story.advance(601)
    document = hands.told()
    assert (document["procedure"], document["state"]) == ("water-evacuation", "finished")
    assert faults(document) == {"cut-lanyard": "skipped"}


def test_a_step_that_a_door_has_no_sensor_for_is_left_out_and_said_so() -> None:
    hands = Hands("larch")
    finish(hands.do(V.OPEN, "L1"))
    hands.do(V.CLOSE, "L1")
    document = finish(hands, 2)
    assert (document["procedure"], document["left_out"]) == ("close", [])
    hands = Hands("hazel")
    document = finish(hands.do(V.OPEN, "L2"))
    assert {each["step"] for each in document["left_out"]} >= {"slide-disarmed", "pin-fitted"}
    assert all(each["why"].startswith("not fitted: ") for each in document["left_out"])
