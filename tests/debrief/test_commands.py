"""``sillwatch report`` from the command line: what it says, what it refuses, and the file it leaves."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import orjson
import pytest
from typer.testing import CliRunner, Result

from monitor.core.events import AlertShelved, DoorReported, PermitGranted
from monitor.core.times import HOUR
from monitor.debrief.commands import app
from tests.debrief.records import Story
from tests.engine_bench import HANDLE, alert_of, arrival, reading
from tests.stories import REG, START

DAY = ("--since", "2026-03-01", "--until", "2026-03-01")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def test_a_report_is_written_whole_in_the_form_that_the_files_ending_says(record: Path, tmp_path: Path) -> None:
    file = tmp_path / "report.json"
    file.write_text("an older one")
    done = run("--data", record, "--aircraft", REG, *DAY, "--out", file)
    assert (done.exit_code, done.stdout) == (0, "")
    document = orjson.loads(file.read_bytes())
    assert document["of"]["title"] == REG
    assert document["alerts"]
    assert os.listdir(tmp_path) == ["report.json"], "nothing is left beside it"
    assert oct(file.stat().st_mode & 0o777) == oct(0o666 & ~_mask())


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def test_a_report_that_fails_leaves_the_older_one(record: Path, tmp_path: Path) -> None:
    file = tmp_path / "report.md"
    file.write_text("an older one")
    refused = run("--data", record, "--aircraft", "TW-111", *DAY, "--out", file)
    assert refused.exit_code == 2
    assert "no aircraft TW-111 is on record; did you mean TW-101?" in refused.stderr
    assert file.read_text() == "an older one"
    assert os.listdir(tmp_path) == ["report.md"]


def test_on_stdout_it_is_markdown(record: Path) -> None:
    done = run("--data", record, "--aircraft", REG, *DAY)
    assert done.stdout.startswith(f"# Debrief of an aircraft: {REG}\n")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--out", "report.doc"), 2, "the ending says no form; give --format html, md, pdf, csv, parquet, json"),
        (
            ("--since", "2026-02-01", "--until", "2026-02-02"),
            2,
            "the record holds 2026-03-01 10:00:00 UTC to 2026-03-01",
        ),
        (("--compare", "a"), 2, "--compare needs --drill"),
        (("--drill", "a", *DAY), 2, "no drill 'a' is on record; the newest on record are"),
        (("--data", "/nowhere/at/all"), 1, "there is no journal in /nowhere/at/all"),
        (("handover", "--format", "csv"), 2, "a hand-over has no form csv"),
        (("--aircraft", REG, *DAY, "--out", "/nowhere/at/all.md"), 1, "cannot be written (no such file or directory)"),
    ],
)
def test_wrong_use_is_one_line(record: Path, words: tuple[str, ...], code: int, said: str) -> None:
    given = words if "--data" in words or words[0] == "handover" else ("--data", str(record), *words)
    refused = run(*given)
    assert refused.exit_code == code
    assert said in refused.stderr
    assert refused.stderr.count("\n") == 1
    assert refused.stdout == ""


def test_a_device_is_written_to_and_stays_one(record: Path, tmp_path: Path) -> None:
    link = tmp_path / "report.md"
    link.symlink_to("/dev/full")
    full = run("--data", record, "--aircraft", REG, *DAY, "--out", link)
    assert full.exit_code == 1
    assert full.stderr.endswith("cannot be written (no space left on device)\n")
    assert link.is_char_device()


def test_a_stdout_that_takes_no_more_is_one_line(record: Path) -> None:
    words = (Path(sys.executable).parent / "sillwatch", "report", "--data", record, "--aircraft", REG, *DAY)
    with open("/dev/full", "wb") as full:
        done = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == "stdout: cannot be written (no space left on device)\n"


def test_the_drills_are_listed(record: Path) -> None:
    listed = run("drills", "--data", record)
    assert listed.exit_code == 0
    (line,) = listed.stdout.splitlines()
    assert "2026-03-01 10:00:30 UTC to 2026-03-01 10:01:21 UTC" in line
    assert f"{REG} L1" in line


NAMES = ("Annabel", "Bertram", "Cordula", "Dietlind", "Edeltraud", "Friedrun")
"""None is a part of a word of a report."""


async def test_a_hand_over_without_names_names_nobody_in_any_form(tmp_path: Path) -> None:
    """Of whom it tells, and in whose own words: who acknowledged, set aside, took out of service and reported."""
    story = Story().deliver(0, arrival()).deliver(1, HANDLE)
    story.acknowledge(3, "armed-handle-moved", by=NAMES[0])
    story.act(4, PermitGranted("tow", REG, ("R1",), ("girt-disagree",), START + HOUR, NAMES[1], NAMES[5]))
    story.act(5, PermitGranted("drill", REG, ("L2",), (), START + HOUR, NAMES[2], NAMES[5]))
    story.act(6, DoorReported(REG, "L2", (("lock_indicator", "unlocked"),), NAMES[3], NAMES[5]))
    story.deliver(7, reading("door/CA/latched", False, 7.0), reading("door/R1/girt_left", True, 7.0)).at(20)
    shelved = alert_of(story.bench, "lock-disagree")["alert_id"]
    story.act(21, AlertShelved(shelved, NAMES[4], NAMES[5], START + HOUR, None)).at(22)
    folder = story.write(tmp_path)

    def tell(form: str, *more: str) -> str:
        done = run("handover", "--data", folder, "--format", form, *more)
        assert done.exit_code == 0, done.output
        return done.stdout

    for form in ("md", "html", "json"):
        named = [name for name in NAMES if name in tell(form)]
        assert set(named) >= {*NAMES[:2], NAMES[4], NAMES[5]}, f"{form} names {named} where names are wanted"
        without = tell(form, "--without-names")
        assert [name for name in NAMES if name in without] == [], form


def test_a_hand_over_needs_no_monitor(record: Path) -> None:
    told = run("handover", "--data", record, "--without-names")
    assert told.exit_code == 0
    assert "warning: armed-handle-moved" in told.stdout
    assert "Ann" not in told.stdout
