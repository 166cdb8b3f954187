"""The simulate command: what it writes, says and returns."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from click.testing import Result
from typer.testing import CliRunner

from monitor.adapters.capture import read_capture
from simulators.cli import register

Command = Callable[..., Result]


@pytest.fixture
def simulate() -> Command:
    app = typer.Typer()
    app.callback()(lambda: None)
    register(app)

    def run(*arguments: object) -> Result:
        return CliRunner().invoke(app, ["simulate", *map(str, arguments)])

    return run


def test_the_list_names_every_shipped_scenario_with_one_line(simulate: Command) -> None:
    result = simulate("--list")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert len(lines) >= 7
    assert any(line.startswith("apron ") for line in lines)
    assert all(len(line.split(maxsplit=1)) == 2 for line in lines)


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
    ],
)
def test_wrong_use_is_one_line_and_exit_code_two(simulate: Command, arguments: tuple[str, ...], said: str) -> None:
    result = simulate(*arguments)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert result.stdout == ""


def test_a_capture_that_cannot_be_written_fails(simulate: Command, tmp_path: Path) -> None:
    result = simulate("armed-handle", "--capture", tmp_path / "no" / "where.jsonl")
    assert result.exit_code == 1
    assert "cannot be written" in result.stderr
