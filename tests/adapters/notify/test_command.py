"""``sillwatch deliveries``: beside a running monitor, and with none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from monitor.adapters.notify.command import app
from monitor.adapters.notify.outbox import Outbox
from monitor.adapters.notify.outbox_file import OUTBOX_FILE
from monitor.adapters.notify.outbox_rows import Draft, Entered, Settled
from tests.adapters.notify.bench import T0


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with a destination, one letter that waits and one that is dead."""
    outbox = Outbox(tmp_path / OUTBOX_FILE)
    outbox.configure({"pager": "webhook"}, 0)
    drafts = [Draft(f"a{n}-1", f"a{n}", "sillwatch.alert.raised", "XA-ABC/L1", b"{}") for n in (1, 2)]
    outbox.enter("pager", [Entered(draft, letter=True) for draft in drafts], 2, T0)
    outbox.settle("pager", [Settled(1, "answered 500", dead=True)], None, T0)
    outbox.close()
    return tmp_path


def test_it_lists_destinations_and_dead_letters(data: Path) -> None:
    listed = run("list", "--data", data)
    assert listed.exit_code == 0
    [destination] = map(json.loads, listed.stdout.splitlines())
    assert (destination["name"], destination["state"]) == ("pager", "working")
    assert (destination["waiting"], destination["dead"]) == (1, 1)
    [dead] = map(json.loads, run("dead", "--data", data).stdout.splitlines())
    assert (dead["id"], dead["event_id"], dead["last_error"]) == ("1", "a1-1", "answered 500")


def test_a_replay_and_a_resumption_are_left_for_the_monitor(data: Path) -> None:
    assert run("replay", "--data", data, "--reason", "mended", "1").exit_code == 0
    assert run("resume", "--data", data, "pager").exit_code == 0
    outbox = Outbox(data / OUTBOX_FILE)
    asked = [(each.asked, each.subject, each.reason) for each in outbox.requests()]
    outbox.close()
    assert asked == [("replay", "1", "mended"), ("resume", "pager", "")]


@pytest.mark.parametrize("arguments", [("replay", "2"), ("replay", "1", "77"), ("resume", "nobody")])
def test_what_is_not_there_is_refused_whole(data: Path, arguments: tuple[str, ...]) -> None:
    result = run(arguments[0], "--data", data, *arguments[1:])
    assert result.exit_code == 1
    assert "nothing was asked for" in result.stderr
    outbox = Outbox(data / OUTBOX_FILE)
    assert outbox.requests() == []
    outbox.close()


def test_a_folder_without_an_outbox_is_wrong_use(tmp_path: Path) -> None:
    result = run("list", "--data", tmp_path)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "there is no outbox" in result.stderr
    (tmp_path / OUTBOX_FILE).write_bytes(
        b"no database at all, but long enough to be read as one, so that it is refused"
    )
    assert run("list", "--data", tmp_path).exit_code == 2
