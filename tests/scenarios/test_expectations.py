"""Every shipped scenario is a test: what it expects of the monitor is told in time, and nothing else.

Together they bring about every hazard that an aircraft can bring about, at every kind of door,
in normal use and in an emergency.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from monitor.config import config_folder, default_config_path, load
from monitor.config.schemas import encode_schema
from monitor.core.airframe import DoorKind, Site
from monitor.core.rules import CATALOGUE
from simulators.expectation_play import play_expected
from simulators.expectation_table import tell_played
from simulators.orders import Verb
from simulators.scenario import Scenario, load_scenario, shipped_scenarios
from simulators.scenario_file import CODES, SCHEMA_FILE, scenario_schema
from tests.json_schema import validator_for

NOT_AN_AIRCRAFTS = {
    "overload": "more messages than the monitor takes in: it counts what its own intake leaves out",
    "proof-missed": "the monitor's own proof, which no aircraft takes part in",
}
"""Hazards of the catalogue that no simulated aircraft can bring about. A broker that is lost is `feed-lost` too."""

NOTHING_ELSE_IS_NOT_ASKED: dict[str, str] = {
    "apron": "its incidents are drawn by lot: where the seed is another one, so are they",
}
"""Scenarios that do not say ``only_expected``, and why."""

EXITS = frozenset({DoorKind.CABIN, DoorKind.AIRSTAIR, DoorKind.OVERWING, DoorKind.WINDOW})
"""Kinds of door that people leave by in an emergency."""


@pytest.fixture(scope="module")
def site() -> Site:
    return load(default_config_path(), environment={}).site


@pytest.fixture(scope="module")
def shipped(site: Site) -> dict[str, Scenario]:
    return {path.stem: load_scenario(path, site) for path in shipped_scenarios()}


@pytest.mark.parametrize("name", [path.stem for path in shipped_scenarios()])
def test_a_shipped_scenario_is_told_as_it_expects(name: str, site: Site) -> None:
    scenario = load_scenario(next(path for path in shipped_scenarios() if path.stem == name), site)
    assert scenario.expectations.some
    assert scenario.expectations.only is (name not in NOTHING_ELSE_IS_NOT_ASKED)
    played = play_expected(scenario, site)
    assert played.judgement.passed, "\n" + tell_played(played)


def test_together_they_bring_about_every_hazard_that_an_aircraft_can(shipped: dict[str, Scenario]) -> None:
    expected = {entry.alert for scenario in shipped.values() for entry in scenario.expectations.alerts}
    catalogue = {rule.code for rule in CATALOGUE}
    assert expected == catalogue - NOT_AN_AIRCRAFTS.keys()
    assert set(CODES) == expected


def test_an_expected_moment_is_no_wide_one(shipped: dict[str, Scenario]) -> None:
    """What is expected within half a minute is hardly expected at all."""
    wide = [
        (name, entry.alert)
        for name, scenario in shipped.items()
        for entry in scenario.expectations.alerts
        if entry.by_s - entry.after_s > 6.0
    ]
    assert wide == []


def test_what_is_expected_to_be_over_is_expected_to_last_until_then(shipped: dict[str, Scenario]) -> None:
    """An alert that falls silent while its cause goes on is the worse of the two."""
    loose = [
        (name, entry.alert)
        for name, scenario in shipped.items()
        for entry in scenario.expectations.alerts
        if entry.cleared_by_s is not None and entry.cleared_by_s - entry.cleared_after_s > 10.0
    ]
    assert loose == []


@pytest.mark.parametrize(
    ("name", "thresholds"),
    [
        ("doorway", {"pin-missing": {"on_delay_s": 20.0}}),
        ("doorway", {"pin-missing": {"on_delay_s": 10.0}}),
        ("drifting-gauge", {"residual-pressure": {"limit_hpa": 3.5}}),
        ("hold-doors", {"unguarded-drop": {"hold_s": 60.0}}),
        ("refuelling", {"refuel-exits-short": {"least_exits": 1.0, "least_halves": 1.0}}),
        ("refuelling", {"refuel-exits-short": {"least_halves": 1.0}}),
        ("squall", {"wind-limit": {"off_delay_s": 30.0}}),
    ],
)
def test_a_monitor_with_another_threshold_is_found_out(
    name: str, thresholds: dict[str, dict[str, float]], site: Site, shipped: dict[str, Scenario]
) -> None:
    assert play_expected(shipped[name], site).judgement.passed
    assert not play_expected(shipped[name], replace(site, thresholds=thresholds)).judgement.passed


def test_every_kind_of_door_is_worked_and_every_kind_of_exit_in_an_emergency(
    shipped: dict[str, Scenario], site: Site
) -> None:
    normal: set[DoorKind] = set()
    emergency: set[DoorKind] = set()
    for scenario in shipped.values():
        types = {part.reg: site.types[part.type] for part in scenario.cast}
        declared: dict[str, bool] = {}
        for cue in sorted(scenario.cues, key=lambda cue: cue.at_s):
            order = cue.order
            if order.verb in (Verb.DECLARE_EMERGENCY, Verb.END_EMERGENCY):
                declared[cue.reg] = order.verb is Verb.DECLARE_EMERGENCY
            elif order.verb in (Verb.OPEN, Verb.OPEN_OUTSIDE) and order.door is not None:
                used = emergency if declared.get(cue.reg) else normal
                used.add(types[cue.reg].doors[order.door].kind)
    assert normal >= set(DoorKind) - {DoorKind.OVERWING}, "an overwing hatch has no use but in an emergency"
    assert emergency >= EXITS


def test_what_happens_is_written_in_the_order_in_which_it_happens(shipped: dict[str, Scenario]) -> None:
    for name, scenario in shipped.items():
        times = [cue.at_s for cue in scenario.cues]
        assert times == sorted(times), name


def test_shipped_scenarios_are_in_our_own_setting(shipped: dict[str, Scenario]) -> None:
    assert len(shipped) >= 20
    assert all(part.reg.startswith("ZZ-") for scenario in shipped.values() for part in scenario.cast)


@pytest.mark.parametrize("path", shipped_scenarios(), ids=lambda path: path.stem)
def test_a_shipped_scenario_validates_against_the_schema_that_its_first_line_names(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    named = path.parent / text.splitlines()[0].removeprefix("# yaml-language-server: $schema=")
    assert named.resolve() == (config_folder() / "schema" / SCHEMA_FILE).resolve()
    validator_for(scenario_schema()).validate(yaml.safe_load(text))


def test_the_schema_in_the_tree_is_current() -> None:
    schema = scenario_schema()
    validator_for(schema)
    assert (config_folder() / "schema" / SCHEMA_FILE).read_text(encoding="utf-8") == encode_schema(schema), (
        "run: python -m simulators.scenario_file --write-schema"
    )


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("at: 5s", "at: soon"),
        ("do: lift handle", "do: lift hadle"),
        ("alert: armed-handle-moved", "alert: armed-handle-lifted"),
        ("priority: warning", "priority: alarm"),
        ("by: 6s", "by: never"),
        ("only_expected: true", "only_expectd: true"),
        ("never: [slide-deployed]", "never: [slides]"),
    ],
)
def test_the_schema_refuses_what_the_loader_refuses(right: str, wrong: str) -> None:
    good = (
        "about: a test\nend: 20s\naircraft: [{reg: ZZ-KAT, type: alder, stand: S11, start: armed}]\n"
        "steps: [{at: 5s, door: L1, do: lift handle}]\n"
        "expect: [{alert: armed-handle-moved, priority: warning, by: 6s}]\n"
        "never: [slide-deployed]\nonly_expected: true\n"
    )
    validator = validator_for(scenario_schema())
    assert validator.is_valid(yaml.safe_load(good))
    assert right in good
    assert not validator.is_valid(yaml.safe_load(good.replace(right, wrong)))


def test_every_key_of_the_schema_has_a_description() -> None:
    schema = scenario_schema()
    models = {"": schema, **schema["$defs"]}
    bare = [
        (model, key)
        for model, of in models.items()
        for key, value in of.get("properties", {}).items()
        if "description" not in value
    ]
    assert bare == []
