"""``sillwatch demo``: everything at once from one command, and nothing left of it afterwards."""

from __future__ import annotations

import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import httpx
import pytest

from tests.acceptance.programs import START_S, Program, children_of, is_alive, plain_environment, sillwatch, until

pytestmark = pytest.mark.broker

ALERT = re.compile(r"^\d\d:\d\d:\d\d  (warning|caution|advisory) +\w+ +[A-Z0-9-]+  \S.*$", re.MULTILINE)
FIRST_ALERT_S = 40.0


class Demo(NamedTuple):
    """A running demo; ``scratch`` is where its temporary files go."""

    program: Program
    page: str
    scratch: Path


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Demo]:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    program = sillwatch(
        tmp_path, "demo", "--speed", "4", "--seed", "1", environment=plain_environment(TMPDIR=str(scratch))
    )
    try:
        found = until(
            lambda: re.search(r"^page: +(http://127\.0\.0\.1:\d+/)$", program.out, re.MULTILINE) or not program.running,
            lambda: f"the page's address; {program.out} {program.err}",
            deadline_s=START_S,
        )
        assert isinstance(found, re.Match), program.err
        yield Demo(program, found[1], scratch)
    finally:
        left = children_of(program.pid)
        program.close()
        until(lambda: not any(map(is_alive, left)), "its children end with it")


def test_it_shows_an_alert_within_a_minute_and_leaves_nothing(demo: Demo) -> None:
    began = time.monotonic()
    assert "Ctrl-C" in demo.program.out
    by_hand = re.search(r"^work a door by hand: (http://127\.0\.0\.1:\d+/)$", demo.program.out, re.MULTILINE)
    assert by_hand is not None
    assert not httpx.get(by_hand[1] + "api/state").json()["bench"]["begun"], "it waits until somebody begins"
    page = httpx.get(demo.page)
    assert page.status_code == 200
    assert page.headers["content-type"].startswith("text/html")
    until(lambda: ALERT.search(demo.program.out), lambda: f"an alert; {demo.program.out}", deadline_s=FIRST_ALERT_S)
    assert time.monotonic() - began < FIRST_ALERT_S
    aircraft = httpx.get(demo.page + "api/v1/aircraft").json()["items"]
    assert len(aircraft) == 6, "the bench's own is not among them"
    assert all(row["simulated"] for row in aircraft), "marked as simulated"
    assert httpx.get(demo.page + "readyz").status_code == 200
    children = children_of(demo.program.pid)
    assert len(children) == 1, "the broker"
    assert any(demo.scratch.iterdir())

    code, took_s = demo.program.end(signal.SIGINT)
    assert code == 0
    assert took_s < 5.0
    assert not any(map(is_alive, children))
    assert list(demo.scratch.iterdir()) == []
    assert demo.program.err == ""


def test_kill_takes_the_broker_along(demo: Demo) -> None:
    """A demo that is killed outright leaves no broker that would hold its port."""
    [broker] = until(lambda: children_of(demo.program.pid), "the broker")
    demo.program.end(signal.SIGKILL)
    until(lambda: not is_alive(broker), "the broker ends")


def test_a_taken_port_is_one_clear_line(demo: Demo, tmp_path: Path) -> None:
    port = demo.page.removesuffix("/").rpartition(":")[2]
    other = sillwatch(tmp_path, "demo", "--http", f"127.0.0.1:{port}")
    try:
        assert other.wait() == 1
        [line] = other.err.strip().splitlines()
        assert f"127.0.0.1:{port}" in line
        assert other.out == ""
    finally:
        other.close()
    assert demo.program.running


def test_a_folder_that_was_given_is_kept(tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    program = sillwatch(tmp_path, "demo", "--speed", "4", "--data", str(kept))
    try:
        until(lambda: "page:" in program.out, lambda: f"started; {program.err}", deadline_s=START_S)
        assert program.end(signal.SIGTERM)[0] == 0
        assert [path.name for path in kept.iterdir() if path.suffix == ".sqlite3"]
    finally:
        program.close()
