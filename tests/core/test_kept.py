"""What is kept spares work and changes nothing: judged is only what reads the change, worked out what it concerns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any, Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.core import readiness, settling
from monitor.core.airframe import DoorKind
from monitor.core.effects import PublishReadiness
from monitor.core.judge import judge
from monitor.core.kept import Kept
from monitor.core.readiness import summarise_readiness
from monitor.core.readiness_door import judge_opening
from monitor.core.state import Presence
from tests.core.test_properties import OPS, SLOW, Op, play
from tests.stories import ARMED, Story, alder

Judged = Counter[tuple[str, str]]


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> Judged:
    """Count each judgement of a rule by (door, code)."""
    counted: Judged = Counter()

    def counting(rule: Any, view: Any, *args: Any, **more: Any) -> Any:
        counted[view.door.name if view.door is not None else "-", rule.code] += 1
        return judge(rule, view, *args, **more)

    monkeypatch.setattr(settling, "judge", counting)
    return counted


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """Count each working out of a door's answer."""
    counted: Counter[str] = Counter()

    def counting(scene: Any, view: Any) -> Any:
        counted[view.door.name] += 1
        return judge_opening(scene, view)

    monkeypatch.setattr(readiness, "judge_opening", counting)
    return counted


def answers(story: Story) -> list[PublishReadiness]:
    return [effect for effect in story.effects if isinstance(effect, PublishReadiness)]


@pytest.mark.parametrize(("path", "value"), [("door/CF/latched", False), ("door/L1/closed", False)])
def test_a_change_at_one_door_judges_no_rule_of_another(judged: Judged, path: str, value: bool) -> None:
    story = alder(answering=True).until(5.0)
    judged.clear()
    story.send(path, value, at=6.0)
    assert {door for door, _ in judged} == {path.split("/")[1], "-"}


def test_a_change_of_the_aircraft_judges_only_doors_with_a_rule_that_reads_it(judged: Judged) -> None:
    story = alder(answering=True).until(5.0)
    judged.clear()
    story.send("airframe/passengers_aboard", 3, at=6.0)
    airframe = story.site.types[story.type]
    cabin = {name for name, spec in airframe.doors.items() if spec.kind is DoorKind.CABIN}
    assert {door for door, _ in judged} == cabin | {"-"}


def test_a_leaf_on_its_way_judges_nothing_but_what_reads_its_travel(judged: Judged) -> None:
    story = alder(answering=True).until(5.0)
    story.door_bundle("CF", {"selector": "open", "closed": False, "latched": False, "locked": False}, at=6.0)
    story.send("door/CF/travel", 0.1, at=6.1)
    judged.clear()
    for tenth in range(2, 9):
        story.send("door/CF/travel", tenth / 10, at=6.0 + tenth / 10)
    assert judged == {}


def test_the_answer_of_an_unchanged_door_is_not_worked_out_again(opened: Counter[str]) -> None:
    story = alder(answering=True).until(5.0)
    told = len(answers(story))
    opened.clear()
    story.door_bundle("H1", {"latched": False, "locked": False}, at=6.0)
    story.until(8.0)
    assert len(answers(story)) == told + 1
    assert set(opened) == {"H1"}


def test_pressure_below_its_limit_works_no_answer_out_again(opened: Counter[str]) -> None:
    story = alder(answering=True).until(5.0)
    opened.clear()
    for second in range(6, 20):
        story.send("airframe/differential_pressure_hpa", 0.1 * (second % 3), at=second)
    assert opened == {}
    story.send("airframe/differential_pressure_hpa", 8.0, at=21.0)
    story.until(28.0)
    assert set(opened) == set(story.site.types[story.type].doors)


def test_what_is_kept_is_forgotten_with_the_aircraft() -> None:
    story = alder(answering=True)
    story.door_bundle("L2", ARMED, at=3.0)
    story.until(5.0)
    assert story.reg in story.system._kept
    story.declare("away")
    assert story.reg not in story.system._kept


def test_after_a_restore_the_answers_are_the_same() -> None:
    story = alder(answering=True)
    story.door_bundle("L2", ARMED, at=3.0)
    story.until(5.0)
    again = story.copy()
    assert again.system._kept == {}
    again.until(7.0)
    assert answers(again)[-1] == answers(story)[-1]


def contradict(story: Story) -> None:
    """A lamp that stops nothing by itself contradicts the sensors, which is an alert."""
    story.send("door/L1/armed_light", True)
    story.advance(60)


def lag(story: Story) -> None:
    """Its own unit delivers the past: the value is the same, and so is everything else."""
    story.send("door/L1/closed", True, time=story.clock - 40)


@pytest.mark.parametrize("change", [contradict, lag])
def test_a_doors_alerts_and_lateness_are_asked_each_time(change: Callable[[Story], None]) -> None:
    """What is kept here is never told to forget anything: the door's own key alone tells the two apart."""
    story = alder(answering=True)
    story.send("door/L1/access", "bridge", at=4)
    story.send("door/L1/heartbeat", 1, at=5)
    story.send("door/L1/closed", True, at=6)
    story.until(50)
    story.send("door/L1/heartbeat", 2)
    system, kept = story.system, Kept()

    def ask(*known: Kept) -> Any:
        view = system.view(story.reg, "-", story.now)
        more = {"kept": known[0]} if known else {}
        return summarise_readiness(view, site=system.site, parameters=system.parameters, **more)["doors"]

    before = ask(kept)
    change(story)
    story.send("door/L1/heartbeat", 3, time=story.clock - 40 if change is lag else None)
    assert ask() != before
    assert ask(kept) == ask()


# The same value again changes nothing that is forgotten by: what it says of lateness is in the key alone.
LATE_AT_L1: Final[list[Op]] = [
    ("wait", 1.0),
    ("send", {"door/L1/access": "bridge"}, 0.0, False, None),
    ("send", {"door/L1/heartbeat": 1}, 0.0, False, None),
    ("send", {"door/L1/closed": True}, 0.0, False, None),
    ("wait", 25.0),
    ("send", {"door/L1/heartbeat": 2}, 0.0, False, None),
    ("wait", 25.0),
    ("send", {"door/L1/heartbeat": 3}, 0.0, False, None),
    ("send", {"door/L1/closed": True}, -40.0, False, None),
]


def test_what_is_kept_names_no_evidence() -> None:
    """Thousands of doors would each hold the same lists of signals, and the short answer says none of them."""
    story = alder(answering=True).until(5.0)
    facts = story.system._kept[story.reg].facts
    assert all(facts.values())
    assert "door/" not in repr(facts)


@SLOW
@given(ops=st.lists(OPS, max_size=30))
@example(ops=LATE_AT_L1)
def test_what_is_kept_says_what_would_be_worked_out_anew(ops: list[Op]) -> None:
    story = Story(answering=True).baseline()
    for op in ops:
        play(story, op)
        system = story.system
        for reg, aircraft in system.record.aircraft.items():
            if aircraft.presence is Presence.AWAY or system.airframe(aircraft) is None:
                continue
            view, kept = system.view(reg, "-", story.now), system._kept.setdefault(reg, Kept())
            told = summarise_readiness(view, site=system.site, parameters=system.parameters, kept=kept)
            assert told == summarise_readiness(view, site=system.site, parameters=system.parameters), op
