"""How a run takes its readings: every way in which a step can go, with procedures made up for it."""

from __future__ import annotations

from itertools import product
from pathlib import Path
from typing import Any, Final

import pytest

from monitor.core.procedures.matching import DONE, OPEN, STEPS, Sign, StepState
from tests.core.procedures.kit import ended, l1, make, states, story_with, told

LIFT: Final[dict[str, Any]] = {"name": "lift", "comes": {"handle_lifted": True}}
UNLOCK: Final[dict[str, Any]] = {"name": "unlock", "comes": {"locked": False}, "after": ["lift"]}
LEAVE: Final[dict[str, Any]] = {"name": "leave", "comes": {"closed": False}, "after": ["unlock"]}


def test_the_table_is_total_and_what_was_told_stays_told() -> None:
    assert set(STEPS) == set(product(StepState, Sign))
    for (state, sign), after in STEPS.items():
        if state not in OPEN and (state, sign) != (StepState.SKIPPED, Sign.COMES):
            assert after is state
    assert {after for (_, sign), after in STEPS.items() if sign is Sign.COMES} >= DONE
    assert all(after is not StepState.WAITING for (state, _), after in STEPS.items() if state is not StepState.WAITING)


def test_nothing_in_doubt_is_ever_taken_or_left_out() -> None:
    doubtful = [sign for sign in Sign if sign.name.endswith("_IN_DOUBT") or sign is Sign.CANNOT]
    assert len(doubtful) == 4
    for sign in doubtful:
        assert STEPS[StepState.WAITING, sign] is StepState.CANNOT_TELL


def test_steps_are_taken_in_their_order(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE]))
    l1(story, 5, handle_lifted=True)
    assert states(story) == {"lift": "taken", "unlock": "due", "leave": "waiting"}
    l1(story, 6, locked=False)
    l1(story, 7, closed=False, hold_open=True)
    assert (told(story)["state"], states(story)) == ("finished", dict.fromkeys(("lift", "unlock", "leave"), "taken"))
    [run] = ended(story)
    assert (run["began_at"], run["ended_at"], run["elapsed_s"]) == (
        "2026-03-01T10:00:05.000Z",
        "2026-03-01T10:00:07.000Z",
        2.0,
    )


def test_a_step_that_is_passed_over_is_skipped_at_once_and_later_out_of_order(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE]))
    l1(story, 5, handle_lifted=True)
    l1(story, 6, closed=False)
    assert states(story) == {"lift": "taken", "unlock": "skipped", "leave": "taken"}
    l1(story, 7, locked=False)
    assert states(story)["unlock"] == "out-of-order"
    assert told(story)["counts"] == {
        "taken": 2,
        "skipped": 0,
        "out_of_order": 1,
        "too_slow": 0,
        "forbidden": 0,
        "cannot_tell": 0,
    }


def test_what_comes_before_at_any_remove_is_passed_over(tmp_path: Path) -> None:
    last = {"name": "hold", "comes": {"hold_open": True}, "after": ["leave"]}
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE, last]))
    l1(story, 5, handle_lifted=True, hold_open=True)
    assert states(story) == {"lift": "taken", "unlock": "skipped", "leave": "skipped", "hold": "taken"}


def test_one_instant_has_no_order(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE]))
    story.door_bundle("L1", {"closed": False, "locked": False, "handle_lifted": True}, at=5)
    assert set(states(story).values()) == {"taken"}


@pytest.mark.parametrize(("after_s", "state"), [(4.999, "taken"), (5.0, "taken"), (5.001, "too-slow")])
def test_a_limit_is_met_up_to_its_last_moment(tmp_path: Path, after_s: float, state: str) -> None:
    story = story_with(make(tmp_path, [LIFT, {**UNLOCK, "within": "5s", "of": "lift"}]))
    l1(story, 5, handle_lifted=True)
    l1(story, 5 + after_s, locked=False)
    assert states(story)["unlock"] == state
    [step] = [each for each in told(story)["steps"] if each["step"] == "unlock"]
    assert (step["took_s"], step["limit_s"]) == (after_s, 5.0)


def test_a_limit_that_runs_out_is_told_when_it_does(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, {**UNLOCK, "within": "5s"}]))
    l1(story, 5, handle_lifted=True)
    story.until(9.9)
    assert states(story)["unlock"] == "due"
    story.until(10.1)
    assert states(story)["unlock"] == "too-slow"
    l1(story, 12, hold_open=True)
    assert (states(story)["unlock"], told(story)["counts"]["skipped"]) == ("skipped", 1)


def test_a_limit_runs_from_the_step_that_it_names(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK, {**LEAVE, "within": "5s", "of": "unlock"}]))
    l1(story, 5, handle_lifted=True)
    l1(story, 25, locked=False)
    l1(story, 29, closed=False)
    assert states(story)["leave"] == "taken"


def test_a_condition_that_held_before_has_not_come_true(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, {"name": "pin", "comes": {"pin_fitted": True}}]))
    l1(story, 5, handle_lifted=True)
    assert states(story)["pin"] == "due"
    l1(story, 6, pin_fitted=False)
    l1(story, 7, pin_fitted=True)
    assert states(story)["pin"] == "taken"


@pytest.mark.parametrize(("value", "state"), [(True, "taken"), (False, "skipped"), (None, "cannot-tell")])
def test_a_check_is_made_at_the_beginning(tmp_path: Path, value: bool | None, state: str) -> None:
    story = story_with(make(tmp_path, [LIFT, {"name": "pin", "holds": {"pin_fitted": True}}]))
    if value is None:
        story.withdraw("door/L1/pin_fitted", 2)
    else:
        l1(story, 2, pin_fitted=value)
    l1(story, 5, handle_lifted=True)
    assert states(story)["pin"] == state
    l1(story, 6, pin_fitted=True)
    assert states(story)["pin"] == state


def test_a_check_is_made_as_the_step_is_taken_that_it_names(tmp_path: Path) -> None:
    check = {"name": "pin", "holds": {"pin_fitted": True}, "at": "leave"}
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE, check]))
    l1(story, 5, handle_lifted=True, pin_fitted=False)
    assert states(story)["pin"] == "waiting"
    l1(story, 6, pin_fitted=True, locked=False, closed=False)
    assert states(story)["pin"] == "taken"


def test_a_check_whose_moment_cannot_be_told_cannot_be_told(tmp_path: Path) -> None:
    check = {"name": "pin", "holds": {"pin_fitted": True}, "at": "unlock"}
    story = story_with(make(tmp_path, [LIFT, UNLOCK, check]))
    l1(story, 5, handle_lifted=True)
    story.withdraw("door/L1/locked", 6)
    l1(story, 7, hold_open=True)
    assert states(story) == {"lift": "taken", "unlock": "cannot-tell", "pin": "cannot-tell"}


def test_a_fitted_sensor_that_is_silent_leaves_its_step_open_and_then_untold(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, {**UNLOCK, "within": "5s"}, LEAVE]))
    l1(story, 5, handle_lifted=True)
    story.withdraw("door/L1/locked", 6)
    story.until(20)
    assert states(story)["unlock"] == "cannot-tell"
    l1(story, 21, locked=False)
    assert states(story)["unlock"] == "cannot-tell"


def test_a_moment_of_silence_is_a_doubt_that_stays(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE]))
    l1(story, 5, handle_lifted=True)
    story.send("door/L1/locked", True, 6, quality="bad")
    l1(story, 7, locked=True)
    l1(story, 8, closed=False)
    assert states(story)["unlock"] == "cannot-tell"


def test_a_step_that_is_seen_to_come_true_after_a_silence_is_taken(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK]))
    l1(story, 5, handle_lifted=True)
    story.send("door/L1/locked", True, 6, quality="bad")
    l1(story, 8, locked=False)
    assert states(story)["unlock"] == "taken"


def test_an_optional_step_costs_nothing_unless_it_is_out_of_order(tmp_path: Path) -> None:
    optional = {"name": "pin", "comes": {"pin_fitted": False}, "after": ["lift"], "optional": True}
    after = {**UNLOCK, "after": ["lift", "pin"]}
    story = story_with(make(tmp_path, [LIFT, optional, after]))
    l1(story, 5, handle_lifted=True, locked=False)
    assert states(story) == {"lift": "taken", "pin": "due", "unlock": "taken"}
    other = story.copy()
    l1(other, 6, hold_open=True)
    assert (states(other)["pin"], told(other)["counts"]["skipped"]) == ("waiting", 0)
    l1(story, 6, pin_fitted=False)
    assert states(story)["pin"] == "out-of-order"


def test_what_must_not_be_is_told_once_and_only_while_it_counts(tmp_path: Path) -> None:
    rule = {"name": "pin-out", "text": "out", "when": {"pin_fitted": False}, "after": "unlock", "until": "leave"}
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE], must_not=[rule]))
    l1(story, 5, handle_lifted=True, pin_fitted=False)
    assert told(story)["forbidden"] == []
    l1(story, 6, locked=False)
    assert [(each["rule"], each["at"]) for each in told(story)["forbidden"]] == [
        ("pin-out", "2026-03-01T10:00:06.000Z")
    ]
    l1(story, 7, pin_fitted=True)
    l1(story, 8, pin_fitted=False)
    assert told(story)["counts"]["forbidden"] == 1
    late = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE], must_not=[rule]))
    l1(late, 5, handle_lifted=True, locked=False)
    l1(late, 6, closed=False, pin_fitted=False)
    assert told(late)["forbidden"] == []


def test_what_is_not_known_is_never_forbidden_and_said_to_be_unseen(tmp_path: Path) -> None:
    rule = {"name": "pin-out", "text": "out", "when": {"pin_fitted": False}}
    story = story_with(make(tmp_path, [LIFT], must_not=[rule]))
    story.withdraw("door/L1/pin_fitted", 2)
    l1(story, 5, handle_lifted=True, hold_open=True)
    assert (told(story)["state"], told(story)["forbidden"]) == ("finished", [])
    assert told(story)["unseen"] == [{"rule": "pin-out", "text": "out"}]


def test_a_rule_that_is_seen_broken_after_all_is_no_longer_unseen(tmp_path: Path) -> None:
    rule = {"name": "pin-out", "text": "out", "when": {"pin_fitted": False}}
    story = story_with(make(tmp_path, [LIFT, UNLOCK], must_not=[rule]))
    l1(story, 5, handle_lifted=True)
    assert "unseen" not in told(story)
    story.withdraw("door/L1/pin_fitted", 6)
    assert [each["rule"] for each in told(story)["unseen"]] == ["pin-out"]
    l1(story, 7, pin_fitted=False)
    assert ([each["rule"] for each in told(story)["forbidden"]], "unseen" in told(story)) == (["pin-out"], False)


def test_one_of_several_conditions_is_enough_and_all_of_one_are_needed(tmp_path: Path) -> None:
    step = {"name": "go", "comes": [{"locked": False, "latched": False}, {"travel": ">= 0.5"}]}
    story = story_with(make(tmp_path, [LIFT, step]))
    l1(story, 5, handle_lifted=True, locked=False)
    assert states(story)["go"] == "due"
    by_lock, by_travel = story.copy(), story.copy()
    l1(by_lock, 6, latched=False)
    l1(by_travel, 6, travel=0.5)
    assert states(by_lock)["go"] == states(by_travel)["go"] == "taken"


def test_a_run_that_is_given_up_leaves_what_was_not_reached_open(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE], abandoned={"when": {"handle_lifted": False}}))
    l1(story, 5, handle_lifted=True)
    l1(story, 6, handle_lifted=False)
    story.until(7.9)
    assert told(story)["state"] == "running"
    story.until(8.1)
    assert (told(story)["state"], states(story)) == (
        "abandoned",
        {"lift": "taken", "unlock": "waiting", "leave": "waiting"},
    )
    assert told(story)["counts"]["skipped"] == 0


def test_a_switch_that_flaps_goes_on_with_one_run(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE], abandoned={"when": {"handle_lifted": False}}))
    for beat in range(20):
        l1(story, 5 + 0.3 * beat, handle_lifted=beat % 2 == 0)
    assert told(story)["began_at"] == "2026-03-01T10:00:05.000Z"
    l1(story, 11, handle_lifted=True)
    l1(story, 12, handle_lifted=False)
    story.until(13.9)
    assert ended(story) == []
    story.until(14.1)
    l1(story, 15, handle_lifted=True)
    assert ([run["state"] for run in ended(story)], told(story)["state"]) == (["abandoned"], "running")


def test_a_run_that_is_given_up_and_begun_again_at_once_survives_a_restart(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT, UNLOCK, LEAVE], abandoned={"when": {"handle_lifted": False}}))
    l1(story, 5, handle_lifted=True)
    l1(story, 6, handle_lifted=False)
    resumed, left = story.copy(), story.copy()
    l1(resumed, 7, handle_lifted=True)
    resumed.until(9)
    left.until(9)
    assert ended(resumed) == []
    assert [run["state"] for run in ended(left)] == ["abandoned"]


def test_a_run_ends_by_its_time_and_cannot_be_told_where_its_end_is_not_known(tmp_path: Path) -> None:
    procedure = make(tmp_path, [LIFT, UNLOCK], abandoned={"after": "1min"})
    story, blind = story_with(procedure), story_with(procedure)
    l1(story, 5, handle_lifted=True)
    l1(blind, 5, handle_lifted=True)
    blind.withdraw("door/L1/hold_open", 6)
    for each in (story, blind):
        each.until(64.9)
        assert told(each)["state"] == "running"
        each.until(65.1)
    assert (told(story)["state"], told(blind)["state"]) == ("abandoned", "cannot-tell")
    assert story.system.record.aircraft[story.reg].doors["L1"].run is None


@pytest.mark.parametrize(("signal", "value"), [("pin_fitted", False), ("locked", False)])
def test_the_first_edge_that_tells_two_apart_decides(tmp_path: Path, signal: str, value: bool) -> None:
    by_pin = make(tmp_path, [LIFT, {"name": "pin", "comes": {"pin_fitted": False}, "after": ["lift"]}], name="by-pin")
    by_lock = make(tmp_path, [LIFT, UNLOCK], name="by-lock")
    story = story_with(by_pin, by_lock)
    l1(story, 5, handle_lifted=True)
    assert told(story)["may_be"] == ["by-pin", "by-lock"]
    l1(story, 6, barrier=True)
    assert "may_be" in told(story)
    l1(story, 7, **{signal: value})
    assert told(story)["procedure"] == ("by-pin" if signal == "pin_fitted" else "by-lock")
    assert "may_be" not in told(story)


def test_a_fault_of_one_tells_it_apart_from_one_that_has_none(tmp_path: Path) -> None:
    strict = make(tmp_path, [LIFT, {**UNLOCK, "within": "3s"}], name="a-strict")
    patient = make(tmp_path, [LIFT, UNLOCK], name="patient")
    story = story_with(strict, patient)
    l1(story, 5, handle_lifted=True)
    assert told(story)["procedure"] == "a-strict"
    story.until(9)
    assert (told(story)["procedure"], "may_be" in told(story)) == ("patient", False)


def test_of_two_that_are_finished_at_once_the_first_is_meant(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT], name="a-one"), make(tmp_path, [LIFT], name="b-other"))
    l1(story, 5, handle_lifted=True, hold_open=True)
    [run] = ended(story)
    assert (run["procedure"], "may_be" in run) == ("a-one", False)
