"""Scenario files: those that are shipped, and what is said about a bad one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import orjson
import pytest

from monitor.config import ConfigError
from monitor.core.airframe import Site
from simulators.apron import DEMO_CAST, DEMO_PROGRAMME
from simulators.durations import parse_duration, parse_moment
from simulators.orders import ARGUMENTS, PHRASES, Argument, OrderError, Verb, parse_phrase
from simulators.scenario import find_scenario, load_scenario, shipped_scenarios

GOOD = """\
about: a test
aircraft:
  - {reg: ZZ-KAT, type: alder, stand: S11, start: armed}
steps:
  - {at: 2s, door: L1, do: lift handle}
"""


def problems(text: str, tmp_path: Path, site: Site) -> list[str]:
    path = tmp_path / "bad.yaml"
    path.write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_scenario(path, site)
    return [str(problem).removeprefix(f"{tmp_path}/") for problem in caught.value.problems]


def test_at_least_five_scenarios_come_with_the_apron() -> None:
    names = {path.stem for path in shipped_scenarios()}
    assert {
        "apron",
        "armed-handle",
        "access-withdrawn",
        "engine-running",
        "pressure",
        "feed-loss",
        "slide-deployed",
    } <= names


def test_the_apron_scenario_is_the_demos_apron(site: Site) -> None:
    scenario = load_scenario(find_scenario("apron"), site)
    assert scenario.cast == DEMO_CAST
    assert scenario.programme == DEMO_PROGRAMME
    assert scenario.end_s is None


def test_a_step_is_done_at_its_time(tmp_path: Path, site: Site, start_us: int, after: Callable[[float], int]) -> None:
    path = tmp_path / "good.yaml"
    path.write_text(GOOD)
    sent = load_scenario(path, site).apron(site, start_us).advance(after(5))
    lifted = [p.at_us for p in sent if p.topic.endswith("L1/handle_lifted") and orjson.loads(p.payload)["value"]]
    assert lifted == [after(2.0)]


def test_readings_are_set_marked_and_released(
    tmp_path: Path, site: Site, start_us: int, after: Callable[[float], int]
) -> None:
    path = tmp_path / "good.yaml"
    path.write_text(
        GOOD
        + "  - {at: 4s, set: {door/R1/closed: false, airframe/passengers_aboard: 7}}\n"
        + "  - {at: 4s, quality: {door/R1/locked: uncertain}}\n"
        + "  - {at: 6s, release: [door/R1/closed, door/R1/locked]}\n"
    )
    sent = load_scenario(path, site).apron(site, start_us).advance(after(8))

    def told(ending: str, field: str) -> list[object]:
        return [orjson.loads(p.payload)[field] for p in sent if p.topic.endswith(ending)]

    assert told("/R1/closed", "value") == [True, False, True]
    assert told("/R1/locked", "quality") == ["good", "uncertain", "good"]
    assert told("passengers_aboard", "value")[-1] == 7


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("type: alder", "type: aldr"), "bad.yaml:3: aircraft[0].type: 'aldr' is not a known type; did you mean 'alder'?"),
        (("stand: S11", "stand: S99"), "bad.yaml:3: aircraft[0].stand: 'S99' is not a stand of tarnwick; give one of S11, S12"),
        (("door: L1", "door: L9"), "bad.yaml:5: steps[0].door: ZZ-KAT has no door 'L9'; give one of WL, WR, L1"),
        (("lift handle", "lift hadle"), "bad.yaml:5: steps[0].do: 'lift hadle' is not something that can be done; did you mean 'lift handle'?"),
        (("do: lift handle", "do: sing"), "bad.yaml:5: steps[0].do: 'sing' is not something that can be done; one of: open, open from outside,"),
        (("do: lift handle", "do: board 145"), "bad.yaml:5: steps[0].do: 145 is more than 144 seats; give fewer"),
        (("do: lift handle", "do: remove cover"), "bad.yaml:5: steps[0].door: door L1 has no cover; give one of OL1, OR1"),
        (("door: L1, do: lift handle", "door: WL, do: open from outside"), "bad.yaml:5: steps[0].door: door WL has no second handle outside; give one of L1, R1"),
        (("door: L1, do: lift handle", "door: CF, do: lift outside handle"), "bad.yaml:5: steps[0].door: door CF has no second handle outside; give one of L1, R1"),
        (("do: lift handle", "do: stick airframe/heartbeat"), "bad.yaml:5: steps[0].do: the sender counts its heartbeat itself; write do: fall silent to stop it"),
        (("door: L1, ", ""), "bad.yaml:5: steps[0].do: 'lift handle' is done to a door; add door: and its name"),
        (("at: 2s", "at: soon"), "bad.yaml:5: steps[0].at: 'soon' is not a length of time; write a length of time such as 12s"),
        (("do: lift handle", "do: start engine 3"), "bad.yaml:5: steps[0].do: there is no engine 3; give one of 1, 2"),
        (("do: lift handle", "do: dock ladder"), "bad.yaml:5: steps[0].do: 'dock' is followed by one of bridge, stairs"),
        (("do: lift handle", "set: {door/L1/closed: maybe}"), "bad.yaml:5: steps[0].set.door/L1/closed: 'maybe' does not fit"),
        (("do: lift handle", "set: {door/CF/pin_fitted: true}"), "bad.yaml:5: steps[0].set.door/CF/pin_fitted: door CF sends no"),
        (("do: lift handle", "release: beacon"), "bad.yaml:5: steps[0].release: 'beacon' names no reading; write door/L1/closed"),
        ((", do: lift handle", ""), "bad.yaml:5: steps[0]: does nothing; add do:, set:, quality:, withhold: or release:"),
        (("start: armed", "start: asleep"), "bad.yaml:3: aircraft[0].start: 'asleep' is not one of the known words"),
        (("about: a test\n", ""), "bad.yaml:1: about: is missing; give one line that says what happens"),
        (("steps:", "stepps:"), "bad.yaml:4: stepps: is not a known key; did you mean 'steps'?"),
        (("do: lift handle", "do: stick door/L1/closd"), "bad.yaml:5: steps[0].do: door L1 sends no 'closd'; did you mean 'closed'?"),
        (("do: lift handle", "do: stick"), "bad.yaml:5: steps[0].do: 'stick' is done to a reading; name it, as in stick door/L1/closed"),
        (("do: lift handle", "do: drift door/L1/closed 5"), "bad.yaml:5: steps[0].do: 'drift' is for a reading that is a number; closed is true or false"),
        (("do: lift handle", "do: fail electric pump"), "bad.yaml:5: steps[0].door: door L1 has no hydraulic drive; give one of CF, CA"),
        (("about: a test", "about: a test\nend: 1s"), "bad.yaml:6: steps[0].at: 2s is after the end at 1s; give an earlier time, or a later end:"),
        (("start: armed", "start: turnaround, turnaround_at: lunch"), "bad.yaml:3: aircraft[0].turnaround_at: 'lunch' is no moment"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_one_line_with_its_place(
    change: tuple[str, str], expected: str, tmp_path: Path, site: Site
) -> None:
    text = GOOD.replace(*change)
    assert text != GOOD
    found = problems(text, tmp_path, site)
    assert found[0].startswith(expected), found
    assert all("\n" not in line for line in found)


def test_a_slide_order_needs_a_slide(tmp_path: Path, site: Site) -> None:
    text = GOOD.replace("door: L1, do: lift handle", "door: CF, do: arm slide")
    assert problems(text, tmp_path, site) == [
        "bad.yaml:5: steps[0].door: door CF has no slide; give one of L1, R1, OL1, OR1, L2, R2"
    ]


def test_with_two_aircraft_a_step_says_which(tmp_path: Path, site: Site) -> None:
    text = GOOD.replace("steps:", "  - {reg: ZZ-OLM, type: birch, stand: S11}\nsteps:")
    assert problems(text, tmp_path, site) == [
        "bad.yaml:4: aircraft[1].stand: S11 is taken twice; give each aircraft its own stand",
        "bad.yaml:6: steps[0]: says no aircraft; add aircraft: and one of ZZ-KAT, ZZ-OLM",
    ]


def test_a_name_that_is_no_scenario_is_answered_with_the_nearest() -> None:
    with pytest.raises(ConfigError, match="did you mean 'armed-handle'"):
        find_scenario("armed-handel")


@pytest.mark.parametrize(
    ("text", "seconds"), [("12s", 12), ("1m30s", 90), ("2min", 120), ("1h", 3600), (5, 5), ("0.5s", 0.5)]
)
def test_lengths_of_time(text: object, seconds: float) -> None:
    assert parse_duration(text) == seconds


@pytest.mark.parametrize("text", ["", "soon", "-3s", "12s later", None, True, "3 days"])
def test_what_is_no_length_of_time(text: object) -> None:
    with pytest.raises(ValueError, match="not a length of time"):
        parse_duration(text)


def test_moments() -> None:
    assert parse_moment("armed") == ("armed", 0.0)
    assert parse_moment("holds-open + 1m") == ("holds-open", 60.0)
    assert parse_moment("boarding - 45s") == ("boarding", -45.0)


@pytest.mark.parametrize("verb", PHRASES)
def test_every_phrase_reads_back_as_its_verb(verb: Verb) -> None:
    rest = {Verb.DOCK: " stairs", Verb.SET_SELECTOR: " open"}.get(verb, "")
    if ARGUMENTS[verb] in (Argument.NUMBER, Argument.SIGNED_NUMBER):
        rest = " 1"
    assert parse_phrase(f"{verb}{rest}", "L1").verb is verb


@pytest.mark.parametrize("text", ["open wide", "dock", "start engine", "start engine one", "board -3", "opens", ""])
def test_what_is_no_phrase(text: str) -> None:
    with pytest.raises(OrderError):
        parse_phrase(text, "L1")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lift handle 20", "'lift handle' is from 0 to 1, not 20"),
        ("wear damper 101", "'wear damper' is from 0 to 100, not 101"),
        ("drop out door/L1/locked 200", "'drop out' is from 0 to 100, not 200"),
        ("charge slide bottle 150", "'charge slide bottle' is from 0 to 100, not 150"),
        ("stroke hand pump 2.5", "'stroke hand pump' is followed by a whole number, not 2.5"),
        ("board 10.7", "'board' is followed by a whole number, not 10.7"),
        ("shift clock -2001", "'shift clock' is from -2000 to 2000, not -2001"),
    ],
)
def test_a_number_that_would_be_cut_off_is_refused(text: str, said: str) -> None:
    with pytest.raises(OrderError, match=said):
        parse_phrase(text, "L1")


def test_a_senders_clock_may_be_behind_too() -> None:
    assert parse_phrase("shift clock -8").value == -8.0
