"""The catalogue as a whole: what every entry says, and what none may say."""

from __future__ import annotations

import re
from typing import Final

import pytest

from monitor.core.airframe import DoorKind
from monitor.core.alert import Priority
from monitor.core.deaf import NAMED
from monitor.core.rules import CATALOGUE, DOOR_RULES, known_parameters
from monitor.core.rules.rule import Rule, Scope
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, STAND_SIGNALS
from tests.stories import alder, demo_site

# Code → priorities (highest first), where it is raised, its delays in seconds; as section 6 has them.
DESIGN: Final = {
    "armed-handle-moved": ("warning advisory", "door", {}),
    "armed-leaf-moving": ("warning", "door", {}),
    "slide-deployed": ("warning advisory", "door", {}),
    "outside-opening-armed": ("warning advisory", "door", {"still_engaged_s": 2}),
    "open-engine-running": ("warning caution", "door", {}),
    "residual-pressure": ("warning", "door", {"disengaged_s": 3, "limit_hpa": 2.5, "dead_band_hpa": 0.5}),
    "pressure-rising": ("caution", "aircraft", {"rise_hpa": 0.5, "above_hpa": 1, "window_s": 10}),
    "unguarded-drop": ("warning caution", "door", {"cabin_s": 5, "hold_s": 120, "sill_m": 1.2}),
    "access-withdrawn": ("warning", "door", {}),
    "girt-disagree": ("warning caution", "door", {"on_delay_s": 2}),
    "lock-disagree": ("caution", "door", {"on_delay_s": 1}),
    "signal-bad": ("caution", "door", {"on_delay_s": 1}),
    "signal-stale": ("caution", "door", {}),
    "feed-lost": ("warning caution", "aircraft", {}),
    "implausible-jump": ("advisory", "door", {"slow_feed_jumps": 3, "slow_feed_window_s": 3600}),
    "clock-skew": ("advisory", "aircraft", {}),
    "evacuation-in-progress": ("warning", "aircraft", {"together_s": 30}),
    "slide-slow": ("caution", "door", {"erect_s": 6, "type_c_s": 10}),
    "slide-not-released": ("warning", "door", {"release_s": 2}),
    "emergency-open-slow": ("warning", "door", {"open_s": 10}),
    "indicator-disagree": ("caution", "door", {"on_delay_s": 3, "limit_hpa": 2.5, "dead_band_hpa": 0.5}),
    "pin-missing": ("advisory", "door", {"on_delay_s": 15}),
    "pin-left-in": ("caution", "door", {"on_delay_s": 5}),
    "overwing-disturbed": ("warning", "door", {}),
    "bottle-low": ("caution", "door", {"on_delay_s": 60}),
    "signal-chatter": ("advisory", "door", {"least_changes": 6, "window_s": 10}),
    "identity-conflict": ("caution", "aircraft", {}),
    "transit-slow": ("advisory", "door", {"mads": 4, "off_percent": 25, "least_s": 1.5}),
    "refuel-exits-short": ("warning", "aircraft", {"on_delay_s": 5, "least_exits": 2, "least_halves": 2}),
    "unlocked-pressurised": ("warning", "door", {"limit_hpa": 10, "dead_band_hpa": 1}),
    "wind-limit": ("warning caution", "door", {"below_kt": 5, "on_delay_s": 2, "off_delay_s": 60}),
    "unsecured-leaf": ("caution", "door", {"ajar_s": 20, "still_s": 5}),
    "unlocked-lingering": ("caution", "door", {"on_delay_s": 60}),
    "not-armed-departure": ("warning caution", "door", {"standing_s": 60, "speed_kt": 2}),
    "still-armed-arrival": ("caution", "door", {"on_delay_s": 45}),
    "moving-not-secure": ("warning", "door", {"speed_kt": 2}),
    "cargo-unlatched-flags": ("caution", "door", {"on_delay_s": 5}),
    "cargo-uncommanded": ("warning", "door", {"moved_travel": 0.05}),
    "cargo-pressure-low": ("caution", "door", {"on_delay_s": 2}),
    "overload": ("caution", "site", {"quiet_s": 30}),
    "proof-missed": ("warning", "site", {"after_s": 30}),
    "exit-capacity-short": ("caution", "aircraft", {"on_delay_s": 5, "standing_s": 60}),
}
ROLES: Final = {"coordinator", "door team", "maintenance", "ops"}
VERBS: Final = {"Stop.", "Stop", "Keep", "Look", "Tell", "Go"}
WORKING_A_DOOR: Final = re.compile(
    r"\b(re-?)?(open|close|shut|arm|disarm|pull|push|lift|lower|turn|rotate|press|latch|lock|unlatch|unlock|engage|disengage"
    r"|release|deploy|inflate|fit|insert|remove|reset|operate|swing|crack|vent|depressurise|evacuate)\b",
    re.IGNORECASE,
)
COLOURS: Final = re.compile(r"\b(safe|safely|red|amber|green)\b", re.IGNORECASE)


def ids(rule: Rule) -> str:
    return f"{rule.code}-{rule.scope.value}"


@pytest.mark.parametrize("code", DESIGN)
def test_it_stands_as_the_design_has_it(code: str) -> None:
    priorities, scope, parameters = DESIGN[code]
    (rule,) = [rule for rule in CATALOGUE if rule.code == code and rule.scope.value == scope]
    assert " ".join(rule.priorities) == priorities
    assert dict(rule.parameters) | parameters == dict(rule.parameters)


def test_a_code_has_one_rule_at_each_scope() -> None:
    places = [(rule.code, rule.scope) for rule in CATALOGUE]
    assert len(set(places)) == len(places)


def test_the_defaults_that_config_may_override_are_those_of_the_rules() -> None:
    known = known_parameters()
    assert set(known) == {rule.code for rule in CATALOGUE}
    for rule in CATALOGUE:
        assert dict(known[rule.code]) | dict(rule.parameters) == dict(known[rule.code])


@pytest.mark.parametrize("rule", CATALOGUE, ids=ids)
def test_its_action_begins_with_a_verb_and_never_tells_anybody_to_work_a_door(rule: Rule) -> None:
    assert rule.action.split()[0] in VERBS, rule.action
    assert WORKING_A_DOOR.search(rule.action) is None, rule.action
    assert rule.action.endswith(".")


def test_the_check_for_working_a_door_finds_one() -> None:
    assert WORKING_A_DOOR.search("Stop. Close the door.")
    assert WORKING_A_DOOR.search("Disarm the slide first.")
    assert not WORKING_A_DOOR.search("Keep clear of the open door.".replace("open", "opened"))


@pytest.mark.parametrize("rule", CATALOGUE, ids=ids)
def test_it_says_what_follows_on_what_basis_and_for_whom(rule: Rule) -> None:
    for sentence in (rule.summary, rule.action, rule.consequence):
        assert sentence[0].isupper()
        assert sentence.endswith(".")
        assert COLOURS.search(sentence) is None
    assert re.search(r"CFR|NTSB|common practice|contract", rule.basis)
    assert rule.role in ROLES
    assert rule.respond_within_s > 0


@pytest.mark.parametrize("rule", CATALOGUE, ids=ids)
def test_what_it_reads_needs_and_shows_exists(rule: Rule) -> None:
    facts = {"state", "leaf", "jump", "feed", "presence", "clock", "broker", "proof", "overload", "life", "quality"}
    signals = set(DOOR_SIGNALS) | {f"airframe/{name}" for name in AIRFRAME_SIGNALS}
    signals |= {f"stand/{name}" for name in STAND_SIGNALS}
    doors = {f"doors/{name}" for name in DOOR_SIGNALS}
    memos = {
        "memo/departing",
        "memo/arrival",
        "memo/leaf-moves",
        "memo/leaf-strays",
        "memo/flips",
        "memo/identity",
        "memo/transit",
        "doors/state",
        "doors/leaf",
        "memo/released",
        "memo/slide",
        "memo/report",
    }
    assert rule.reads <= facts | memos | signals | doors
    assert set(rule.needs) <= signals | doors | NAMED
    assert set(rule.evidence) <= signals
    assert set(rule.suppressed_by) <= {other.code for other in CATALOGUE} - {rule.code}
    assert {level.delay for level in rule.levels} - {""} <= set(rule.parameters)
    assert (rule.off_delay or None) in {None, *rule.parameters}


@pytest.mark.parametrize("rule", CATALOGUE, ids=ids)
def test_its_parameters_end_with_their_unit(rule: Rule) -> None:
    for name in rule.parameters:
        assert name.rpartition("_")[2] in {
            "s",
            "ms",
            "hpa",
            "m",
            "kt",
            "bar",
            "jumps",
            "changes",
            "mads",
            "percent",
            "exits",
            "halves",
            "travel",
        }, name


@pytest.mark.parametrize("rule", CATALOGUE, ids=ids)
def test_what_silences_it_is_judged_before_it(rule: Rule) -> None:
    order = [other.code for other in CATALOGUE]
    for code in rule.suppressed_by:
        assert order.index(code) < CATALOGUE.index(rule)


@pytest.mark.parametrize("rule", DOOR_RULES, ids=ids)
def test_its_text_is_one_sentence_that_names_the_door(rule: Rule) -> None:
    story = alder()
    airframe = demo_site().types["alder"]
    for name, spec in airframe.doors.items():
        if rule.applies_to(spec):
            for priority in rule.priorities:
                text = rule.text(story.system.view(story.reg, name, story.now), priority)
                assert text.startswith(f"{name}: ")
                assert text.endswith(".")


@pytest.mark.parametrize("rule", [r for r in CATALOGUE if r.scope is not Scope.DOOR], ids=ids)
def test_the_text_of_the_whole_aircraft_is_a_sentence(rule: Rule) -> None:
    story = alder()
    for priority in rule.priorities:
        text = rule.text(story.system.view(story.reg, "-", story.now), priority)
        assert text[0].isupper() or text.startswith("the aircraft")
        assert text.endswith(".")


def test_urgent_is_only_what_must_be_answered_at_once() -> None:
    for rule in CATALOGUE:
        if rule.respond_within_s <= 10:
            assert Priority.WARNING in rule.priorities, rule.code


@pytest.mark.parametrize("rule", DOOR_RULES, ids=ids)
def test_only_doors_that_can_meet_it_are_judged(rule: Rule) -> None:
    assert rule.kinds <= set(DoorKind)
    for airframe in demo_site().types.values():
        for spec in airframe.doors.values():
            assert rule.applies_to(spec) == (spec.kind in rule.kinds and (spec.slide or not rule.slide_only))
