"""Procedures' files: what they may say, and the one line for each mistake."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest
import yaml

from monitor.config import ConfigError, builtin_procedures_folder, default_config_path, flatten, json_schemas, load
from monitor.config.procedures import read_procedure
from monitor.config.procedures_file import read_duration
from monitor.core.procedures.definition import BEGINNING, Test
from monitor.core.times import MINUTE, SECOND
from tests.json_schema import validator_for

GOOD: Final = """\
name: probe
title: Probe
kinds: [cabin]
begins:
  from: {state: [closed_locked, armed]}
  when: {handle_lifted: true}
finished: {travel: ">= 0.98"}
abandoned:
  after: 3min
steps:
  - name: pin
    text: Pin fitted
    holds: {pin_fitted: true}
  - name: lift
    text: Lift
    comes:
      - {handle_lifted: true}
      - {"airframe/passengers_aboard": "< 1"}
    after: [pin]
  - name: unlock
    text: Unlock
    comes: {locked: false}
    after: [lift]
    within: 5s
    of: lift
  - name: line
    text: Cut the line
    reported: true
    optional: true
    points: 4
must_not:
  - {name: lever, text: Lever moved, when: {slide: [engaged, disagree]}, after: lift, until: unlock}
scoring: {skipped: 1}
"""

MISTAKES: Final[dict[str, tuple[str, str, str]]] = {
    "unknown signal": ("comes: {locked: false}", "comes: {lockd: false}", "22: steps.unlock.comes.lockd: is no signal; did you mean 'locked'?"),
    "word for a truth": ("{pin_fitted: true}", "{pin_fitted: fitted}", "13: steps.pin.holds.pin_fitted: 'fitted' is not what pin_fitted can show; give true or false"),
    "no such state": ("[closed_locked, armed]", "[closed, armed]", "5: begins.from.state: 'closed' is not one of the known words; did you mean 'closed_locked'?"),
    "no comparison": ('">= 0.98"', "0.98", "7: finished.travel: 0.98 is no comparison; give one in quotes such as '>= 0.98'"),
    "out of range": ('">= 0.98"', '">= 98"', "7: finished.travel: travel is from 0 to 1; give a number in between"),
    "a signal of another part": ("airframe/passengers_aboard", "airframe/closed", "18: steps.lift.comes[1].airframe/closed: is no signal; did you mean 'airframe/chocks'?"),
    "no duration": ("within: 5s", "within: soon", "24: steps.unlock.within: 'soon' is not a length of time; give one such as 5s, 90s, 2min or 1h"),
    "too long": ("after: 3min", "after: 13h", "9: abandoned.after: '13h' is not above 0 and up to 12 h; give a length of time such as 5s or 2min"),
    "no such step": ("after: [lift]", "after: [lft]", "23: steps.unlock.after[0]: there is no other step 'lft'; did you mean 'lift'?"),
    "no such moment": ("of: lift", "of: pin", "25: steps.unlock.of: 'pin' is a check and has no moment of its own; name a step that is done"),
    "a limit without a length": ("    within: 5s\n", "", "24: steps.unlock.of: 'of' says what 'within' is measured from; give 'within' too, or leave it out"),
    "a step that nothing shows": ("    holds: {pin_fitted: true}\n", "", "11: steps.pin: the step pin says nothing of how it is shown; give one of comes, holds and 'reported: true'"),
    "a step that two things show": ("reported: true", "reported: true\n    comes: {locked: false}", "26: steps.line: the step line has comes and reported; give one of comes, holds and 'reported: true'"),
    "a check with a limit": ("{pin_fitted: true}", "{pin_fitted: true}\n    within: 5s", "14: steps.pin.within: a step with 'holds' is looked at in one moment and has no limit; leave 'within' out"),
    "a moment for no check": ("after: [lift]", "after: [lift]\n    at: lift", "24: steps.unlock.at: 'at' is for steps with 'holds'; leave it out, or give 'holds' instead of 'comes'"),
    "a step twice": ("name: unlock", "name: lift", "20: steps.lift.name: 'lift' is a step already; give each step its own name"),
    "a circle": ("    after: [pin]", "    after: [unlock]", "lift, unlock wait for each other; leave one of their 'after' out"),
    "a rule that ends with no step": ("until: unlock", "until: unlok", "32: must_not.lever.until: there is no step 'unlok'; did you mean 'unlock'?"),
    "no kind": ("[cabin]", "[cabn]", "3: kinds[0]: 'cabn' is not one of the known words; did you mean 'cabin'?"),
    "an unknown key": ("title: Probe", "title: Probe\ncolour: red", "3: colour: is not a known key; give one of name, title, text, kinds, begins, finished, abandoned, steps, must_not, scoring"),
    "nothing that begins it": ("  when: {handle_lifted: true}\n", "", "4: begins.when: is missing; give the signals with what they come to show as it begins, such as {handle_lifted: true}"),
    "no group": ("holds: {pin_fitted: true}", "holds: pin_fitted", "13: steps.pin.holds: 'pin_fitted' is not a group of signals; give one such as {handle_lifted: true}"),
    "points below nothing": ("points: 4", "points: -4", "30: steps.line.points: -4 is below 0; give the points that it brings in a drill, from 0 to 1000, such as 10"),
}  # fmt: skip


def write(folder: Path, text: str, name: str = "probe.yaml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_says_what_the_core_is_told(tmp_path: Path) -> None:
    procedure = read_procedure(write(tmp_path, GOOD))
    pin, lift, unlock, line = procedure.steps
    assert procedure.begins_from == ((Test("state", ("closed_locked", "armed")),),)
    assert procedure.finished == ((Test("travel", (), ">=", 0.98),),)
    assert (pin.holds, pin.at) == (((Test("pin_fitted", (True,)),),), BEGINNING)
    assert len(lift.comes) == 2
    assert lift.after == ("pin",)
    assert (unlock.within, unlock.since) == (5 * SECOND, "lift")
    assert (line.reported, line.optional, line.points) == (True, True, 4.0)
    [rule] = procedure.must_not
    assert (rule.when, rule.after, rule.until) == (((Test("slide", ("engaged", "disagree")),),), "lift", "unlock")
    assert (procedure.abandoned_after, procedure.scoring.skipped) == (3 * MINUTE, 1.0)


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_gives_its_one_line(mistake: str, tmp_path: Path) -> None:
    old, new, expected = MISTAKES[mistake]
    assert GOOD.count(old) == 1
    path = write(tmp_path, GOOD.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        read_procedure(path)
    lines = [str(problem).removeprefix(f"{path}:") for problem in caught.value.problems]
    assert any(expected in line for line in lines), lines


@pytest.mark.parametrize(
    ("text", "micros"), [("5s", 5 * SECOND), ("1min 30s", 90 * SECOND), (2, 2 * SECOND), ("0.5s", SECOND // 2)]
)
def test_a_length_of_time_is_read_as_people_write_it(text: object, micros: int) -> None:
    assert read_duration(text) == micros


def site(folder: Path, procedures: str) -> Path:
    data = yaml.safe_load(default_config_path().read_text())
    return write(folder, yaml.safe_dump({**data, "procedures": procedures}), "site.yaml")


def test_a_site_has_its_own_procedures_or_the_shipped_ones(tmp_path: Path) -> None:
    shipped = load(default_config_path()).site.procedures
    assert list(shipped) == sorted(path.stem for path in builtin_procedures_folder().glob("*.yaml"))
    (tmp_path / "own").mkdir()
    write(tmp_path / "own", GOOD)
    config = load(site(tmp_path, "own"))
    assert list(config.site.procedures) == ["probe"]
    assert flatten(config)["procedures.probe"]
    assert flatten(config)["drills.keep_labels_days"] in ("0", "0.0")


def test_what_is_wrong_in_a_folder_is_told_with_its_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"site.yaml:\d+: procedures: there is no folder .*/none; give the path"):
        load(site(tmp_path, "none"))
    (tmp_path / "own").mkdir()
    write(tmp_path / "own", GOOD, "a.yaml")
    write(tmp_path / "own", GOOD, "b.yaml")
    write(tmp_path / "own", GOOD.replace("title: Probe\n", ""), "c.yaml")
    with pytest.raises(ConfigError) as caught:
        load(site(tmp_path, "own"))
    told = str(caught.value)
    assert "b.yaml:1: name: 'probe' is defined in a.yaml too; give each procedure its own name" in told
    assert "c.yaml:1: title: is missing" in told


def test_the_schema_refuses_what_the_loader_refuses() -> None:
    validator = validator_for(json_schemas()["procedure"])
    good = yaml.safe_load(GOOD)
    validator.validate(good)
    for change in ({"kinds": ["door"]}, {"finished": {}}, {"steps": []}, {"colour": 1}, {"begins": {"when": {}}}):
        assert not validator.is_valid({**good, **change}), change
