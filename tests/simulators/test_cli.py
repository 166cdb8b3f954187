"""The simulate command: what it writes, says and returns."""

from __future__ import annotations

import json
import re
import signal
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from click.testing import Result
from typer.testing import CliRunner

from monitor.adapters.capture import read_capture
from monitor.core.times import SECOND
from simulators.apron import Apron
from simulators.cli import register
from simulators.expectation_play import START
from simulators.publication import Publication
from simulators.scenario import shipped_scenarios

Command = Callable[..., Result]


@pytest.fixture
def simulate() -> Command:
    app = typer.Typer()
    app.callback()(lambda: None)
    register(app)

    def run(*arguments: object) -> Result:
        return CliRunner().invoke(app, ["simulate", *map(str, arguments)])

    return run


def test_the_list_names_every_shipped_scenario_with_its_length_and_its_alerts(simulate: Command) -> None:
    result = simulate("--list")
    assert result.exit_code == 0
    entries = re.split(r"\n(?=\S)", result.stdout.rstrip())
    assert [entry.split()[0] for entry in entries] == [path.stem for path in shipped_scenarios()]
    lifted = next(entry.split("\n") for entry in entries if entry.startswith("armed-handle "))
    assert " ".join(lifted[0].split()).startswith("armed-handle 40s the handle of an armed door is lifted off its stop")
    assert lifted[-1].strip() == "alerts: armed-handle-moved"
    assert any(entry.split()[:2] == ["apron", "endless"] for entry in entries)
    assert all(line == line.rstrip() and len(line) <= 110 for line in result.stdout.splitlines())


def test_the_list_as_json(simulate: Command) -> None:
    result = simulate("--list", "--json")
    listed = {entry["name"]: entry for entry in json.loads(result.stdout)}
    assert list(listed) == [path.stem for path in shipped_scenarios()]
    assert all(entry["simulated"] is True for entry in listed.values())
    assert listed["armed-handle"]["alerts"] == ["armed-handle-moved"]
    assert listed["armed-handle"]["length_s"] == 40.0
    assert listed["armed-handle"]["aircraft"] == [{"aircraft": "ZZ-KAT", "type": "alder", "stand": "S11"}]
    assert listed["apron"]["length_s"] is None


LIFTED = """\
about: a handle is lifted
end: 10s
aircraft: [{reg: ZZ-KAT, type: alder, stand: S11, start: armed}]
steps: [{at: 5s, door: L1, do: lift handle}]
expect: [{alert: armed-handle-moved, door: L1, by: WHEN}]
"""


@pytest.mark.parametrize(("by", "code", "sum_"), [("6s", 0, "passed: 1 of 1"), ("4.5s", 1, "FAILED: 0 of 1")])
def test_a_scenario_is_held_to_what_it_expects(
    simulate: Command, tmp_path: Path, by: str, code: int, sum_: str
) -> None:
    path = tmp_path / "lifted.yaml"
    path.write_text(LIFTED.replace("WHEN", by))
    result = simulate(path, "--expect", "--seed", 9)
    assert result.exit_code == code
    assert result.stderr == ""
    lines = result.stdout.splitlines()
    assert lines[0] == "lifted (simulated, seed 9, 10s): a handle is lifted"
    assert lines[2].split("  ")[1:] != []
    assert lines[-1].startswith(sum_)
    document = json.loads(simulate(path, "--expect", "--seed", 9, "--json").stdout)
    assert (document["passed"], document["seed"], document["simulated"]) == (code == 0, 9, True)


def test_a_capture_is_the_same_every_time_and_reads_back(simulate: Command, tmp_path: Path) -> None:
    one, two, other = (tmp_path / name for name in ("one.jsonl", "two.jsonl", "other.jsonl"))
    assert simulate("armed-handle", "--capture", one, "--seed", 7).exit_code == 0
    assert simulate("armed-handle", "--capture", two, "--seed", 7).exit_code == 0
    assert simulate("armed-handle", "--capture", other, "--seed", 8).exit_code == 0
    assert one.read_bytes() == two.read_bytes()
    assert one.read_bytes() != other.read_bytes()
    lines = list(read_capture(one))
    assert lines[-1].message is None
    assert lines[-1].at - lines[0].at == 40_000_000
    assert all(line.message is not None for line in lines[:-1])
    assert any(line.message is not None and line.message.topic.endswith("L1/handle_lifted") for line in lines)


def test_the_duration_ends_a_capture(simulate: Command, tmp_path: Path) -> None:
    path = tmp_path / "short.jsonl"
    assert simulate("apron", "--capture", path, "--duration", "5s").exit_code == 0
    lines = list(read_capture(path))
    assert lines[-1].at - lines[0].at == 5_000_000


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "says no scenario"),
        (("nonsense",), "there is no such scenario"),
        (("missing.yaml",), "missing.yaml: there is no such file"),
        (("armed-handle", "--speed", "900"), "--speed 900 is out of range; give a number from 0.5 to 60"),
        (("armed-handle", "--speed", "nan"), "out of range"),
        (("armed-handle", "--duration", "soon"), "not a length of time"),
        (("armed-handle", "--broker", "http://x"), "mqtt://"),
        (("armed-handle", "--config", "missing.yaml"), "there is no such file"),
        (("armed-handle", "--json"), "--json goes with --list, --expect or load"),
        (("armed-handle", "--rate", "5"), "--rate goes with load; write simulate load --rate 5"),
        (("armed-handle", "--expect", "--broker", "mqtt://127.0.0.1"), "offline, at no pace; leave out --broker"),
        (("armed-handle", "--expect", "--speed", "2"), "offline, at no pace; leave out --speed"),
        (("load", "--expect"), "a load expects nothing; leave out --expect"),
        (("load", "--speed", "2"), "leave out --speed and give --rate"),
        (("load", "--aircraft", "500", "--rate", "10"), "give a number from 250 to"),
        (("load", "--duration", "soon"), "not a length of time"),
    ],
)
def test_wrong_use_is_one_line_and_exit_code_two(simulate: Command, arguments: tuple[str, ...], said: str) -> None:
    result = simulate(*arguments)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert result.stdout == ""


def test_what_expects_nothing_cannot_be_held_to_it(simulate: Command, tmp_path: Path) -> None:
    path = tmp_path / "vague.yaml"
    path.write_text("about: nothing is expected\nend: 5s\naircraft: [{reg: ZZ-KAT, type: alder, stand: S11}]\n")
    result = simulate(path, "--expect")
    assert result.exit_code == 2
    assert result.stderr == "simulate: vague expects nothing; add expect: with an alert, or only_expected: true\n"


def test_a_capture_holds_what_a_subscriber_receives_who_was_there_all_along(simulate: Command, tmp_path: Path) -> None:
    """With the retain flag a reading would be one left on the broker, and prove no life."""
    path = tmp_path / "made.jsonl"
    assert simulate("armed-handle", "--capture", path, "--duration", "5s").exit_code == 0
    assert b'"retain"' not in path.read_bytes()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_capture_says_that_it_is_not_whole(
    number: int, simulate: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, whole = tmp_path / "cut.jsonl", Apron.advance

    def interrupted(apron: Apron, until_us: int) -> list[Publication]:
        if until_us > START + 3 * SECOND:
            signal.raise_signal(number)
        return whole(apron, until_us)

    monkeypatch.setattr(Apron, "advance", interrupted)
    before = signal.getsignal(signal.SIGTERM)
    # A shell that starts the tests in the background has Ctrl-C ignored.
    usual = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        result = simulate("armed-handle", "--capture", path)
    finally:
        signal.signal(signal.SIGINT, usual)
    assert signal.getsignal(signal.SIGTERM) is before
    assert result.exit_code == 130
    assert f"{path}: stopped before its end; what it holds can be replayed" in result.stderr
    assert len(list(read_capture(path))) > 50


def test_a_load_that_nobody_listens_to_is_said_in_one_line(simulate: Command) -> None:
    result = simulate("load", "--broker", "mqtt://127.0.0.1:1", "--aircraft", 2, "--rate", 10)
    assert result.exit_code == 1
    assert result.stderr.startswith("simulate load: no broker answers at 127.0.0.1:1 (")
    assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize("what", [("armed-handle",), ("load", "--aircraft", "2", "--rate", "10")])
def test_a_capture_that_cannot_be_written_fails(simulate: Command, tmp_path: Path, what: tuple[str, ...]) -> None:
    result = simulate(*what, "--capture", tmp_path / "no" / "where.jsonl")
    assert result.exit_code == 1
    assert "cannot be written" in result.stderr
