"""Unknown is never a yes: no single reading that an answer rests on may go and leave "nothing seen against it".

14 CFR 25.783(e)(3) by analogy: a false "secure" must be improbable. The signals are those that
each answer names as its evidence, and what the types fit is asked for independently of that.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest

from monitor.core.airframe import DoorKind
from monitor.core.conditions import CANNOT_TELL, NOTHING_SEEN, Answer
from monitor.core.exits import RefuelPolicy, assess_exits
from monitor.core.readiness_aircraft import judge_boarding, judge_leaving, judge_refuelling
from monitor.core.readiness_door import judge_opening, set_scene
from tests.core.readiness_cases import (
    EMERGENCY_EXITS,
    TYPES,
    WAYS,
    at_rest,
    boarding,
    give_back,
    judge,
    lose,
    ready_to_leave,
)
from tests.stories import Story

NEVER_REPORTED_HOLDS = {"airframe/emergency", "stand/S12/wind_kt", "stand/S12/gust_kt"}
"""The contract: "not declared" also holds where nothing was ever reported; of wind and gust one will do."""


def evidence(answer: Answer) -> list[str]:
    return list(dict.fromkeys(path for condition in answer.conditions for path in condition.evidence))


def is_named(path: str, why: str) -> bool:
    """A reason names the signal by its path, or the exit whose signal it is."""
    return path in why or (path.startswith("door/") and f"{path.split('/')[1]}: " in why)


def ask_opening(name: str) -> Callable[[Story], Answer]:
    def ask(story: Story) -> Answer:
        scene = set_scene(story.system.view(story.reg, "-", story.now), story.system.parameters)
        return judge_opening(scene, story.system.view(story.reg, name, story.now))

    return ask


def ask_leaving(story: Story) -> Answer:
    view = story.system.view(story.reg, "-", story.now)
    return judge_leaving(set_scene(view, story.system.parameters), list(view.doors()), assess_exits(view))


def ask_boarding(story: Story) -> Answer:
    view = story.system.view(story.reg, "-", story.now)
    scene = set_scene(view, story.system.parameters)
    return judge_boarding(scene, list(view.doors()), assess_exits(view), RefuelPolicy())


def ask_refuelling(story: Story) -> Answer:
    view = story.system.view(story.reg, "-", story.now)
    scene = set_scene(view, story.system.parameters)
    return judge_refuelling(scene, list(view.doors()), assess_exits(view), RefuelPolicy())


def check_each_signal(story: Story, ask: Callable[[Story], Answer]) -> None:
    answer = ask(story)
    assert answer.verdict == NOTHING_SEEN, answer.sentence
    paths = evidence(answer)
    assert len(paths) >= 8
    for path in paths:
        for how in WAYS:
            kept = lose(story, path, how)
            found = ask(story)
            give_back(story, path, kept)
            if how == "never seen" and path in NEVER_REPORTED_HOLDS:
                continue
            assert found.verdict != NOTHING_SEEN, (path, how)
            unknown = [condition for condition in found.conditions if condition.met is None]
            assert unknown, (path, how)
            assert any(is_named(path, condition.why) for condition in unknown), (path, how)
    assert ask(story).verdict == NOTHING_SEEN, "everything was given back"


@pytest.mark.parametrize("airframe", TYPES)
def test_opening_rests_on_each_of_its_signals(airframe: str) -> None:
    story = at_rest(airframe)
    for name, spec in story.site.types[airframe].doors.items():
        if spec.kind not in EMERGENCY_EXITS:
            check_each_signal(story, ask_opening(name))


def test_opening_an_emergency_exit_rests_on_each_of_its_signals() -> None:
    story = at_rest()
    story.send("airframe/emergency", True)
    for name in ("WL", "OR1"):
        check_each_signal(story, ask_opening(name))


@pytest.mark.parametrize("airframe", TYPES)
@pytest.mark.parametrize("people", [0, 5])
def test_leaving_rests_on_each_of_its_signals(airframe: str, people: int) -> None:
    check_each_signal(ready_to_leave(airframe, people), ask_leaving)


@pytest.mark.parametrize("airframe", TYPES)
def test_boarding_by_one_door_rests_on_each_of_its_signals(airframe: str) -> None:
    story = boarding(airframe)
    for name, spec in story.site.types[airframe].doors.items():
        # One way in and out alone, so that no other stands in for it.
        if name != "L1" and spec.kind is DoorKind.CABIN:
            story.door_bundle(name, {"access": "loader"})
    check_each_signal(story.advance(1), ask_boarding)


@pytest.mark.parametrize("airframe", ["alder", "cedar", "hazel"])
def test_refuelling_by_two_exits_rests_on_each_of_its_signals(airframe: str) -> None:
    story = at_rest(airframe)
    aft = max(name for name in story.site.types[airframe].doors if name.startswith("L"))
    readings = {"airframe/passengers_aboard": 20}
    for name, spec in story.site.types[airframe].doors.items():
        if spec.kind is DoorKind.CABIN:
            readings[f"door/{name}/access"] = "stairs" if name in ("L1", aft) else "platform"  # type: ignore[assignment]
        if "ground_clear" in spec.signals:
            readings[f"door/{name}/ground_clear"] = True
    story.bundle(readings)
    check_each_signal(story.advance(1), ask_refuelling)


SCENES = {
    "at rest": at_rest,
    "ready to leave": ready_to_leave,
    "boarding": boarding,
    "being worked": lambda airframe: boarding(airframe).advance(40),
}


@pytest.mark.parametrize("airframe", ["alder", "birch", "hazel"])
@pytest.mark.parametrize("scene", SCENES)
def test_losing_readings_changes_no_condition_but_into_unknown(scene: str, airframe: str) -> None:
    """Kleene's order: less knowledge never turns a yes into a no, nor a no into a yes."""
    story = SCENES[scene](airframe)
    record = story.system.record.aircraft[story.reg]
    paths = [f"airframe/{name}" for name in record.readings]
    paths += [f"door/{name}/{signal}" for name, door in record.doors.items() for signal in door.readings]
    chance, before = Random(f"{scene} {airframe}"), known_conditions(story)
    for turn in range(40):
        lost = chance.sample(paths, chance.randint(1, 6))
        kept = [lose(story, path, "bad") for path in lost]
        for key, met in known_conditions(story).items():
            if key == ("Leave", "slides") and "airframe/passengers_aboard" in lost:
                continue  # a count that is not known means aboard
            assert met is None or met is before.get(key, met), (turn, key, lost)
        for path, reading in zip(lost, kept, strict=True):
            give_back(story, path, reading)


def known_conditions(story: Story) -> dict[tuple[str, str], bool | None]:
    readiness = judge(story)
    answers = (*readiness.doors.values(), readiness.leave, readiness.board, readiness.refuel)
    found = {(answer.question, c.name): c.met for answer in answers for c in answer.conditions}
    return found | {("exit", answer.door): answer.usable for answer in readiness.exits.answers}


REQUIRED_TO_OPEN = (
    "airframe/differential_pressure_hpa",
    "airframe/weight_on_wheels",
    "airframe/ground_speed_kt",
    "airframe/engine_1_running",
    "airframe/engine_2_running",
    "door/L1/closed",
    "door/L1/latched",
    "door/L1/locked",
    "door/L1/handle_lifted",
    "door/L1/outside_handle_lifted",
    "door/L1/lever_armed",
    "door/L1/girt_left",
    "door/L1/girt_right",
    "door/L1/slide_released",
    "door/L1/access",
    "stand/S12/wind_kt",
)
REQUIRED_TO_LEAVE = (
    "airframe/passengers_aboard",
    "airframe/refuelling",
    *(
        f"door/{door}/{signal}"
        for door in ("L1", "R1", "L2", "R2")
        for signal in (
            "closed",
            "latched",
            "locked",
            "handle_lifted",
            "lever_armed",
            "girt_left",
            "girt_right",
            "pin_fitted",
            "slide_released",
            "slide_bottle_bar",
            "access",
        )
    ),
    *(f"door/{door}/{signal}" for door in ("OL1", "OR1") for signal in ("closed", "locked", "cover_fitted")),
    *(f"door/{door}/{signal}" for door in ("CF", "CA") for signal in ("closed", "locked", "lock_flags", "access")),
    *(f"door/{door}/{signal}" for door in ("WL", "WR", "CB", "H1", "H4") for signal in ("closed", "latched", "locked")),
)


@pytest.mark.parametrize("path", REQUIRED_TO_OPEN)
def test_opening_looks_at_what_it_must(path: str) -> None:
    """Listed here by hand, so that evidence cannot shrink unseen; and through the wire."""
    story = at_rest()
    answer = judge(story).doors["L1"]
    assert path in evidence(answer)
    value = (
        story.value(path)
        if not path.startswith("stand/")
        else story.system.record.stands["S12"].readings["wind_kt"].value
    )
    story.send(path, value, quality="bad")
    assert judge(story).doors["L1"].verdict == CANNOT_TELL


@pytest.mark.parametrize("path", REQUIRED_TO_LEAVE)
def test_leaving_looks_at_what_it_must(path: str) -> None:
    story = ready_to_leave()
    assert path in evidence(judge(story).leave)
    lose(story, path, "bad")
    assert judge(story).leave.verdict == CANNOT_TELL


@pytest.mark.parametrize("how", ["silence", "power off", "parked", "away", "no broker", "left on the broker"])
def test_a_feed_that_tells_nothing_now_gives_no_yes(how: str) -> None:
    story = at_rest()
    if how == "silence":
        story.beating = False
        story.advance(31)
    elif how == "power off":
        story.send("airframe/power", "off")
    elif how == "parked":
        story.declare("powered_down")
    elif how == "away":
        story.declare("away")
    elif how == "no broker":
        story.system.record.broker_connected = False
    else:
        story.system.record.aircraft[story.reg].left_on_broker = True
    answers = judge(story)
    for answer in (*answers.doors.values(), answers.leave, answers.board, answers.refuel):
        assert answer.verdict != NOTHING_SEEN
    assert answers.doors["H1"].verdict == CANNOT_TELL


def test_without_wind_or_gust_the_answer_says_that_nobody_watches_it() -> None:
    story = at_rest()
    for path in ("stand/S12/wind_kt", "stand/S12/gust_kt"):
        lose(story, path, "never seen")
    assert ask_opening("L1")(story).notes == ("wind not watched",)
    assert ask_opening("H1")(story).verdict == NOTHING_SEEN, "a hatch has no limit"


def test_an_aircraft_of_unknown_type_gives_no_yes() -> None:
    story = Story()
    story.send("airframe/beacon", False)
    answers = judge(story)
    assert answers.doors == {}
    assert {answers.leave.verdict, answers.refuel.verdict, answers.board.verdict} <= {CANNOT_TELL, "stopped by"}
    assert answers.leave.verdict == CANNOT_TELL


def test_an_answer_without_conditions_is_no_yes() -> None:
    assert Answer("Open X", ()).verdict == CANNOT_TELL
