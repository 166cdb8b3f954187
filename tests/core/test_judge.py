"""How any rule is judged: delays that pause, off-delays, dead bands, priorities, thresholds by place.

Told with rules made up for the purpose, so that each mechanism stands alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.effects import PublishEvent
from monitor.core.judge import Judgement, judge, settle_priority
from monitor.core.kleene import Truth, all3, any3, not3
from monitor.core.ledger import Ledger, Place
from monitor.core.rules.rule import Level, Parameters, Rule, Scope
from monitor.core.state import SiteRecord, Tracker
from monitor.core.times import SECOND
from monitor.core.view import View
from tests.core.rule_cases import AT, at_door
from tests.stories import ARMED, DISARMED, OUT, PRESSURE, Story, alder, demo_site

W, C, A = Priority.WARNING, Priority.CAUTION, Priority.ADVISORY


class Bench:
    """One made-up rule with one number for its input, judged second by second."""

    def __init__(self, *levels: Level, off_delay_s: float = 0.0, **parameters: float) -> None:
        self.value: float | None = 0.0
        self.tracker: Tracker | None = None
        self.ledger = Ledger("tarnwick")
        self.parameters: Parameters = {"off_s": off_delay_s, **parameters}
        self.rule = Rule(
            code="made-up", scope=Scope.SITE, levels=levels, reads=frozenset({"broker"}),
            text=lambda view, priority: "Made up.", action="Look.", consequence="None.", respond_within_s=60,
            role="ops", basis="common practice", summary="Made up.", off_delay="off_s" if off_delay_s else "",
        )  # fmt: skip
        self.told: list[tuple[float, str, str]] = []

    def at(self, second: float, value: float | str | None = "same") -> Bench:
        if value != "same":
            self.value = value  # type: ignore[assignment]
        view = View(SiteRecord(), round(second * SECOND))
        judgement, tracker = judge(self.rule, view, self.parameters, self.tracker, f"cause at {second}")
        if tracker is not None:
            self.tracker = tracker
            self.ledger.settle(Place(self.rule, view, "-"), tracker, judgement, self.parameters, silent=False)
        for effect in self.ledger.effects:
            if isinstance(effect, PublishEvent):
                self.told.append((effect.time / SECOND, effect.type, effect.data["priority"]))
        self.ledger.effects.clear()
        return self

    @property
    def due(self) -> float | None:
        deadline = self.tracker.deadline if self.tracker is not None else None
        return None if deadline is None else deadline / SECOND


def above(bench: list[Bench], limit: float, band: float = 0.0) -> Any:
    def when(view: View, p: Parameters, held: bool) -> Truth:
        value = bench[0].value
        return None if value is None else value > limit - (band if held else 0.0)

    return when


def bench(*levels: tuple[Priority, float, float, float], off_delay_s: float = 0.0) -> Bench:
    """Levels as (priority, limit, on-delay in seconds, dead band)."""
    box: list[Bench] = []
    made = Bench(
        *(Level(p, above(box, limit, band), f"on_{n}" if delay else "") for n, (p, limit, delay, band) in enumerate(levels)),
        off_delay_s=off_delay_s,
        **{f"on_{n}": delay for n, (_, _, delay, _) in enumerate(levels)},
    )  # fmt: skip
    box.append(made)
    return made


# Three-valued truth


@pytest.mark.parametrize(
    "values", [[a, b, c] for a in (True, False, None) for b in (True, False, None) for c in (True, False, None)]
)
def test_unknown_matters_only_where_the_known_do_not_settle_it(values: list[Truth]) -> None:
    def settled(fold: Any) -> Truth:
        answers = {
            fold(v if v is not None else guess for v, guess in zip(values, guesses, strict=True))
            for guesses in [(x, y, z) for x in (True, False) for y in (True, False) for z in (True, False)]
        }
        return answers.pop() if len(answers) == 1 else None

    assert any3(values) is settled(any)
    assert all3(values) is settled(all)
    assert [not3(v) for v in values] == [{True: False, False: True, None: None}[v] for v in values]


# On-delays


def test_a_delay_runs_from_the_start_of_the_condition() -> None:
    b = bench((C, 1.0, 5.0, 0.0))
    b.at(10, 2.0)
    assert b.due == 15
    assert b.at(14.999).told == []
    assert b.at(15).told == [(15, "raised", "caution")]


def test_a_delay_starts_anew_after_a_known_end() -> None:
    b = bench((C, 1.0, 5.0, 0.0))
    b.at(10, 2.0).at(14, 0.0).at(15, 2.0).at(19.999)
    assert b.told == []
    assert b.at(20).told == [(20, "raised", "caution")]


def test_a_delay_pauses_while_the_condition_is_unknown() -> None:
    b = bench((C, 1.0, 5.0, 0.0))
    b.at(10, 2.0).at(13, None)
    assert b.due is None
    b.at(100).at(200, 2.0)
    assert b.due == 202
    b.at(201, None).at(300, 2.0)
    assert b.due == 301
    assert b.at(301).told == [(301, "raised", "caution")]


def test_an_unknown_condition_neither_raises_nor_clears() -> None:
    b = bench((C, 1.0, 0.0, 0.0))
    assert b.at(1, None).told == []
    b.at(2, 2.0).at(3, None)
    assert b.told == [(2, "raised", "caution")]
    assert b.tracker is not None
    assert b.tracker.alert is not None
    assert b.tracker.alert.blind
    b.at(4, 2.0)
    assert not b.tracker.alert.blind
    assert b.at(5, 0.0).told[-1] == (5, "cleared", "caution")


# Off-delays and dead bands


def test_an_off_delay_holds_an_alert_that_ends_and_comes_back() -> None:
    b = bench((C, 1.0, 0.0, 0.0), off_delay_s=60)
    b.at(10, 2.0).at(20, 0.0)
    assert b.due == 80
    b.at(70, 2.0).at(75, 0.0)
    assert b.due == 135
    b.at(134.999)
    assert b.told == [(10, "raised", "caution")]
    assert b.at(135).told[-1] == (135, "cleared", "caution")


def test_an_unknown_condition_stops_an_off_delay() -> None:
    b = bench((C, 1.0, 0.0, 0.0), off_delay_s=60)
    b.at(10, 2.0).at(20, 0.0).at(30, None).at(500)
    assert b.told == [(10, "raised", "caution")]
    b.at(510, 0.0).at(569.9)
    assert b.told == [(10, "raised", "caution")]
    assert b.at(570).told[-1] == (570, "cleared", "caution")


def test_a_dead_band_lets_go_lower_than_it_takes_hold() -> None:
    b = bench((C, 1.0, 0.0, 0.4))
    assert b.at(1, 0.9).told == []
    b.at(2, 1.1).at(3, 0.7)
    assert b.told == [(2, "raised", "caution")]
    assert b.at(4, 0.6).told[-1] == (4, "cleared", "caution")
    assert b.at(5, 0.9).told[-1] == (4, "cleared", "caution")


# Priorities


def test_each_priority_counts_its_own_delay() -> None:
    b = bench((W, 2.0, 10.0, 0.0), (C, 1.0, 5.0, 0.0))
    b.at(0, 1.5).at(5).at(7, 3.0)
    assert b.due == 17
    b.at(17)
    assert b.told == [(5, "raised", "caution"), (17, "reprioritised", "warning")]


def test_a_priority_falls_at_once() -> None:
    b = bench((W, 2.0, 10.0, 0.0), (C, 1.0, 5.0, 0.0))
    b.at(0, 3.0).at(5).at(10).at(12, 1.5)
    assert b.told == [
        (5, "raised", "caution"),
        (10, "reprioritised", "warning"),
        (12, "reprioritised", "caution"),
    ]


def test_a_warning_that_falls_to_a_priority_whose_delay_still_runs_keeps_standing() -> None:
    b = bench((W, 2.0, 0.0, 0.0), (C, 1.0, 50.0, 0.0))
    b.at(0, 3.0).at(1, 1.5)
    assert b.told == [(0, "raised", "warning"), (1, "reprioritised", "caution")]


def test_a_higher_priority_that_cannot_be_told_keeps_what_it_holds() -> None:
    judgement = Judgement(None, "", frozenset({C}), frozenset({W}))
    assert settle_priority(W, judgement) == (W, True)
    assert settle_priority(C, judgement) == (C, False)


def test_over_is_known_not_to_hold_at_any_priority() -> None:
    assert Judgement(None, "", frozenset(), frozenset()).over
    assert not Judgement(None, "", frozenset({A}), frozenset()).over
    assert not Judgement(None, "", frozenset(), frozenset({A})).over


# Thresholds, by site, type and door


def story_with(level: str, code: str, **thresholds: float) -> Story:
    site = demo_site()
    airframe = site.types["alder"]
    given: dict[str, dict[str, float]] = {code: thresholds}
    if level == "door":
        airframe = replace(airframe, doors={**airframe.doors, "CB": replace(airframe.doors["CB"], thresholds=given)})
    elif level == "type":
        airframe = replace(airframe, thresholds=given)
    else:
        site = replace(site, thresholds=given)
    return Story(site=replace(site, types={**site.types, "alder": airframe})).baseline()


@pytest.mark.parametrize(("level", "doors"), [("door", {"CB"}), ("type", {"CB", "CF"}), ("site", {"CB", "CF"})])
def test_a_threshold_holds_where_it_is_set(level: str, doors: set[str]) -> None:
    story = story_with(level, "unguarded-drop", hold_s=30.0)
    story.bundle({**at_door("CB", OUT, travel=0.5), **at_door("CF", OUT, travel=0.5)}, at=AT)
    story.until(AT + 30)
    assert {e.door for e in story.told("unguarded-drop")} == doors


ALL_THREE: Final = {"site": 10.0, "type": 20.0, "door": 30.0}


@pytest.mark.parametrize(
    ("set_at", "expected"), [(("site", "type", "door"), 30), (("site", "type"), 20), (("site",), 10), ((), 120)]
)
def test_a_door_outranks_its_type_its_type_the_site_and_the_site_the_default(
    set_at: tuple[str, ...], expected: float
) -> None:
    site = demo_site()
    airframe = site.types["alder"]
    given = {level: {"unguarded-drop": {"hold_s": ALL_THREE[level]}} for level in set_at}
    door = replace(airframe.doors["CB"], thresholds=given.get("door", {}))
    airframe = replace(airframe, doors={**airframe.doors, "CB": door}, thresholds=given.get("type", {}))
    site = replace(site, types={**site.types, "alder": airframe}, thresholds=given.get("site", {}))
    assert door.kind is DoorKind.BULK
    story = Story(site=site).baseline()
    story.bundle(at_door("CB", OUT, travel=0.5), at=AT)
    story.until(AT + 200)
    assert [e.at for e in story.told("unguarded-drop")] == [AT + expected]


def test_no_dead_band_keeps_what_has_not_yet_held_for_its_delay() -> None:
    """4.0 hPa with a slide disengaged, vented to 2.3 within the 3 s: over the limit for 1 s only."""
    story = alder()
    for door in ("L1", "R1", "L2", "R2"):
        story.door_bundle(door, ARMED)
    story.send(PRESSURE, 4.0, at=4)
    story.door_bundle("L1", DISARMED, at=5)
    story.send(PRESSURE, 2.3, at=6)
    assert story.until(30).told("residual-pressure") == []
