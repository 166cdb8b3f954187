"""Which exits can be used: by access, by slide, by their own stairs, over the wing, by a step; and how many seats."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from monitor.core.exits import ExitAnswer, Exits, RefuelPolicy, assess_exit, assess_exits, assess_hatch, assess_slide
from monitor.core.view import View
from tests.stories import ARMED, DISARMED, LOCKED, OUT, Story, alder

CABIN_DOORS = ("L1", "R1", "L2", "R2")


def exits(story: Story) -> Exits:
    return assess_exits(story.system.view(story.reg, "-", story.now))


def at(story: Story, door: str) -> ExitAnswer:
    return next(answer for answer in exits(story).answers if answer.door == door)


def ready(type: str = "alder") -> Story:  # noqa: A002 the contract's own word
    """Every slide engaged and ready, nothing docked."""
    story = alder(type=type)
    for door in story.site.types[type].doors.values():
        if door.slide and "lever_armed" in door.signals:
            story.door_bundle(door.name, {k: v for k, v in ARMED.items() if k in door.signals})
    return story.advance(1)


def told(answer: ExitAnswer) -> tuple[bool | None, str, tuple[str, ...]]:
    return answer.usable, answer.by, answer.reasons


def test_all_slides_ready_serve_all_seats() -> None:
    found = exits(ready())
    assert found.usable == ("L1", "R1", "OL1", "OR1", "L2", "R2")
    assert (found.seats_usable, found.seats_possible) == (145, 145)
    assert (found.unknown, found.unusable) == ((), ())


@pytest.mark.parametrize("access", ["bridge", "stairs"])
def test_a_way_down_makes_an_exit_whatever_its_slide(access: str) -> None:
    story = alder()
    story.door_bundle("L1", {"access": access, "slide_bottle_bar": 0.0})
    assert told(at(story, "L1")) == (True, access, ())
    assert at(story, "L1").evidence == ("door/L1/access",)


@pytest.mark.parametrize("access", ["loader", "platform"])
def test_a_loader_or_platform_blocks_a_ready_slide(access: str) -> None:
    story = ready()
    story.send("door/R2/access", access)
    assert told(at(story, "R2")) == (False, "", (f"{access} blocks it",))


def test_a_ready_slide_without_a_watch_on_its_ground_says_so() -> None:
    answer = at(ready(), "R1")
    assert told(answer) == (True, "slide", ())
    assert answer.notes == ("ground not watched",)
    assert set(answer.evidence) == {
        f"door/R1/{signal}"
        for signal in (
            "access",
            "lever_armed",
            "girt_left",
            "girt_right",
            "closed",
            "slide_bottle_bar",
            "slide_released",
            "pin_fitted",
        )
    }


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        (DISARMED, "slide is not fully engaged"),
        ({"girt_left": False}, "slide is not fully engaged"),
        ({"lever_armed": False}, "slide is not fully engaged"),
        ({"pin_fitted": True}, "pin is fitted"),
        ({"slide_bottle_bar": 169.9}, "slide bottle is below 170 bar"),
        ({"slide_bottle_bar": 180.0, "slide_bottle_temp_c": 40.0}, "slide bottle is below 170 bar"),
        ({"ground_clear": False}, "ground below is blocked"),
        ({"slide_detached": True}, "slide is detached"),
        ({"slide_released": True}, "slide is released"),
        (OUT, "leaf is out of its frame"),
    ],
    ids=lambda value: value if isinstance(value, str) else "-".join(value),
)
def test_what_takes_a_slide_out_of_the_count(readings: dict[str, Any], reason: str) -> None:
    story = ready()
    story.door_bundle("L2", readings)
    usable, by, reasons = told(at(story, "L2"))
    assert (usable, by) == (False, "")
    assert reason in reasons
    assert exits(story).seats_possible == 145 - 28


@pytest.mark.parametrize(
    "readings",
    [
        {"slide_bottle_bar": 170.0},
        {"slide_bottle_bar": 150.0, "slide_bottle_temp_c": -20.0},
        {"ground_clear": True},
        {"slide_detached": False},
    ],
    ids="-".join,
)
def test_what_leaves_a_slide_in_the_count(readings: dict[str, Any]) -> None:
    story = ready()
    story.door_bundle("L2", readings)
    assert at(story, "L2").usable is True
    assert at(story, "L2").notes == (() if "ground_clear" in readings else ("ground not watched",))


def test_a_slide_that_a_permit_declares_removed_is_none() -> None:
    story = ready()
    story.system.record.aircraft[story.reg].doors["R1"].slide_removed = True
    assert told(at(story, "R1")) == (False, "", ("its slide is removed and nothing is docked",))
    story.system.record.aircraft[story.reg].doors["OL1"].slide_removed = True
    assert told(at(story, "OL1")) == (False, "", ("its slide is removed",))
    story.send("door/R1/access", "stairs")
    assert told(at(story, "R1")) == (True, "stairs", ())


@pytest.mark.parametrize(
    "signal",
    ["access", "lever_armed", "girt_left", "girt_right", "closed", "slide_bottle_bar", "slide_released", "pin_fitted"],
)
@pytest.mark.parametrize("how", ["bad", "uncertain", "withdrawn", "stale"])
def test_what_is_not_known_leaves_an_exit_unknown_not_unusable(signal: str, how: str) -> None:
    story = ready()
    path = f"door/R2/{signal}"
    if how == "withdrawn":
        story.withdraw(path)
    elif how == "stale":
        story.system.record.aircraft[story.reg].doors["R2"].readings[signal].stale = True
    else:
        story.send(path, story.value(path), quality=how)
    answer = at(story, "R2")
    assert answer.usable is None
    assert answer.reasons
    assert all("not known" in reason for reason in answer.reasons)
    found = exits(story)
    assert found.unknown == ("R2",)
    assert (found.seats_usable, found.seats_possible) == (145 - 28, 145)


@pytest.mark.parametrize("signal", ["slide_bottle_temp_c", "ground_clear", "slide_detached"])
def test_an_optional_signal_that_went_bad_is_unknown_and_withdrawn_is_as_if_never_sent(signal: str) -> None:
    story = ready()
    value = 20.0 if signal.endswith("_c") else signal == "ground_clear"
    story.send(f"door/R2/{signal}", value, quality="bad")
    assert at(story, "R2").usable is None
    story.withdraw(f"door/R2/{signal}")
    assert at(story, "R2").usable is True


def test_a_known_fault_settles_it_whatever_else_is_unknown() -> None:
    story = ready()
    story.send("door/R2/slide_bottle_bar", 200.0, quality="bad")
    story.send("door/R2/pin_fitted", True)
    assert told(at(story, "R2")) == (False, "", ("pin is fitted",))
    story.send("door/R2/access", "none", quality="bad")
    assert at(story, "R2").usable is None, "stairs may stand there"


def test_a_bottle_without_a_limit_cannot_be_judged() -> None:
    """Contract: bottle known and at its limit."""
    story = ready()
    airframe = story.site.types["alder"]
    doors = {**airframe.doors, "R1": replace(airframe.doors["R1"], slide_bottle_bar_min=None)}
    view = View(story.system.record, story.now, story.system.record.aircraft[story.reg], replace(airframe, doors=doors))
    assert assess_exits(view).unknown == ("R1",)


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        ({"cover_fitted": False}, "cover is off"),
        ({"handle_lifted": True}, "handle is moved"),
        ({"latched": False}, "it is not latched"),
        ({"locked": False}, "it is not locked"),
        ({"closed": False}, "hatch is out of its frame"),
        ({"slide_bottle_bar": 100.0}, "slide bottle is below 170 bar"),
        ({"slide_released": True}, "slide is released"),
    ],
    ids=lambda value: value if isinstance(value, str) else "-".join(value),
)
def test_an_overwing_hatch_counts_while_it_is_undisturbed(readings: dict[str, Any], reason: str) -> None:
    story = ready()
    assert told(at(story, "OL1")) == (True, "hatch", ())
    story.door_bundle("OL1", readings)
    usable, _, reasons = told(at(story, "OL1"))
    assert usable is False
    assert reason in reasons
    assert exits(story).seats_usable == 145 - 18, "one of a pair counts half of 35, rounded down"


@pytest.mark.parametrize("signal", ["cover_fitted", "handle_lifted", "latched", "locked", "closed", "slide_bottle_bar"])
def test_an_overwing_hatch_that_cannot_be_told_is_unknown(signal: str) -> None:
    story = ready()
    story.withdraw(f"door/OR1/{signal}")
    assert at(story, "OR1").usable is None


def test_an_airstair_counts_unless_it_is_being_worked() -> None:
    story = alder(type="birch")
    worked = (False, "", ("it is being worked: neither closed and locked nor held open",))
    assert told(at(story, "L1")) == (True, "own stairs", ())
    story.door_bundle("L1", OUT, {"travel": 0.6})
    assert told(at(story, "L1")) == worked
    story.door_bundle("L1", {"travel": 1.0})
    assert told(at(story, "L1")) == (True, "own stairs", ())
    story.send("door/L1/access", "loader")
    assert told(at(story, "L1")) == (False, "", ("loader blocks it",))
    story.advance(1)
    story.door_bundle("L1", LOCKED, {"closed": True, "travel": 0.0, "access": "stairs"})
    assert told(at(story, "L1")) == (True, "stairs", ())


def test_a_low_door_without_a_slide_counts_by_a_step() -> None:
    """Hazel's sills are 1.15 m; 14 CFR 25.810(a) asks for a means of assist above 1.83 m."""
    story = alder(type="hazel")
    assert told(at(story, "L1")) == (True, "step", ())
    assert exits(story).seats_usable == 45 + 40
    story.door_bundle("L1", {"handle_lifted": True, "locked": False})
    assert told(at(story, "L1")) == (False, "", ("it is being worked: neither closed and locked nor held open",))
    story.door_bundle("L1", OUT, {"hold_open": True})
    assert at(story, "L1").usable is True
    story.withdraw("door/L1/hold_open")
    assert at(story, "L1").usable is None


def test_a_high_door_without_a_slide_counts_by_access_alone() -> None:
    story = ready("birch")
    story.system.record.aircraft[story.reg].doors["R1"].slide_removed = True
    assert at(story, "R1").usable is False


@pytest.mark.parametrize("door", ["WL", "CF", "CB", "H1"])
def test_other_doors_are_never_counted(door: str) -> None:
    story = ready()
    assert door not in {answer.door for answer in exits(story).answers}
    assert assess_exit(story.system.view(story.reg, door, story.now)).usable is False


def test_a_freighters_main_deck_door_is_no_exit() -> None:
    assert {answer.door for answer in exits(ready("larch")).answers} == {"L1", "R1"}


def test_an_aircraft_that_is_not_judged_has_no_usable_exit() -> None:
    story = ready()
    story.send("airframe/power", "off")
    found = exits(story)
    assert found.usable == ()
    assert set(found.unknown) == {"L1", "R1", "OL1", "OR1", "L2", "R2"}
    assert (found.seats_usable, found.seats_possible) == (0, 145)


def test_an_aircraft_of_unknown_type_has_none() -> None:
    story = Story()
    story.send("airframe/beacon", False)
    assert exits(story).answers == ()


def test_people_against_seats_is_three_valued() -> None:
    story = ready()
    story.withdraw("door/R2/pin_fitted")
    found = exits(story)
    answers = [found.seats_short_of(people) for people in (0, 117, 118, 145, 146, None)]
    assert answers == [False, False, None, None, True, None]


@pytest.mark.parametrize(
    ("usable", "met"),
    [
        ("", False),
        ("L1", False),
        ("L1 R1", False),
        ("L2 R2", False),
        ("L1 R2", True),
        ("R1 L2", True),
        ("L1 R1 L2 R2", True),
    ],
)
def test_the_refuelling_policy_wants_one_in_each_half(usable: str, met: bool) -> None:
    story = alder()
    for door in usable.split():
        story.send(f"door/{door}/access", "stairs")
    assert exits(story).meet(RefuelPolicy()) is met
    assert exits(story).meet(RefuelPolicy(both_halves=False)) is (len(usable.split()) >= 2)
    assert exits(story).meet(RefuelPolicy(exits_min=3)) is (len(usable.split()) >= 3 and met)


def test_the_refuelling_policy_is_open_while_the_second_exit_is() -> None:
    story = alder()
    story.send("door/L1/access", "stairs")
    story.send("door/R2/access", "stairs", quality="uncertain")
    assert exits(story).meet(RefuelPolicy()) is None


def test_overwing_hatches_are_no_floor_level_exits() -> None:
    assert dict(exits(ready()).floor_level) == {"L1": "fore", "R1": "fore", "L2": "aft", "R2": "aft"}


def test_a_slide_and_a_hatch_are_judged_by_themselves_too() -> None:
    story = ready()
    story.send("door/L1/access", "loader")
    story.send("door/OL1/slide_bottle_bar", 10.0)
    view = story.system.view
    assert assess_slide(view(story.reg, "L1", story.now)).usable is True
    assert assess_slide(view(story.reg, "OL1", story.now)).usable is False
    assert assess_hatch(view(story.reg, "OL1", story.now)).usable is True
