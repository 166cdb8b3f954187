"""``sillwatch bench``: what it is given, and what it refuses before anything listens."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from simulators.workbench.cli import register


def run(*arguments: str, folder: Path | None = None) -> tuple[int, str]:
    app = typer.Typer()
    register(app)
    done = CliRunner().invoke(app, list(arguments))
    return done.exit_code, done.stderr


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "[::]", "bench.example"])
def test_it_listens_on_loopback_alone_and_says_how_to_come_from_elsewhere(host: str) -> None:
    code, said = run("--http", f"{host}:8090")
    assert code == 2
    [line] = said.strip().splitlines()
    assert f"{host}:8090" in line
    assert "ssh -L 8090:127.0.0.1:8090" in line


@pytest.mark.parametrize(
    ("arguments", "right"),
    [
        (("--http", "8090"), "127.0.0.1:8090"),
        (("--http", "127.0.0.1:99999"), "127.0.0.1:8090"),
        (("--type", "oak"), "alder, birch, cedar, hazel, larch"),
        (("--aircraft", "zz rig"), "ZZ-RIG"),
        (("--stand", "S 16"), "S16"),
        (("--broker", "http://here"), "mqtt://"),
        (("--config", "nowhere.yaml"), "nowhere.yaml"),
    ],
)
def test_wrong_use_is_one_line_that_says_what_would_be_right(arguments: tuple[str, ...], right: str) -> None:
    code, said = run(*arguments)
    assert code in (1, 2)
    assert right in said
    assert "Traceback" not in said


def test_the_help_says_that_it_is_simulated() -> None:
    app = typer.Typer()
    register(app)
    shown = CliRunner().invoke(app, ["--help"]).stdout
    assert "simulated" in re.sub(r"\s+", " ", shown)
