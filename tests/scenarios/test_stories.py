"""Golden transcripts: each story's capture, replayed, tells exactly what its transcript says.

Why it must, stands in words at the top of each transcript. To change one on purpose:
``python -m tests.scenarios.refresh STORY``, and read what it shows.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.scenarios.lifecycle import LifecycleJudge
from tests.scenarios.replaying import FOLDER, captures, digest, replay_file
from tests.scenarios.transcript import STORIES, capture_path, header, tell, transcript_path, write_transcript

ROOT = FOLDER.parent.parent


@pytest.mark.parametrize("story", STORIES)
def test_a_story_tells_what_it_must(story: str) -> None:
    assert write_transcript(story, replay_file(capture_path(story))) == transcript_path(story).read_text("utf-8")


@pytest.mark.parametrize("story", STORIES)
def test_a_story_s_events_are_legal(story: str) -> None:
    judge = LifecycleJudge()
    for payload in replay_file(capture_path(story)):
        judge.take(json.loads(payload))
    assert judge.faults + judge.twins == []


@pytest.mark.parametrize("story", STORIES)
def test_a_capture_is_the_one_that_is_told(story: str) -> None:
    assert capture_path(story).read_text("utf-8") == tell(story)


@pytest.mark.parametrize("story", STORIES)
def test_a_story_says_why(story: str) -> None:
    words = header(story)
    assert len(words.split()) > 40
    assert all(line.startswith("#") for line in words.splitlines())
    times = re.findall(r"10:\d\d:\d\d", words)
    told = transcript_path(story).read_text("utf-8").split("\n\n", 1)[1]
    assert times or told == "(nothing)\n"


def test_no_file_is_without_its_story() -> None:
    assert captures() == sorted(capture_path(story) for story in STORIES)
    assert sorted(FOLDER.glob("*.events.txt")) == sorted(transcript_path(story) for story in STORIES)


def test_every_code_of_these_stories_is_met_and_every_change() -> None:
    told = {
        tuple(line.split()[3:5])
        for story in STORIES
        for line in transcript_path(story).read_text("utf-8").splitlines()
        if line[:2] == "10"
    }
    codes = {code for code, _ in told}
    assert codes >= {
        *("armed-handle-moved", "armed-leaf-moving", "slide-deployed", "outside-opening-armed"),
        *("open-engine-running", "residual-pressure", "pressure-rising", "unguarded-drop", "access-withdrawn"),
        *("lock-disagree", "girt-disagree", "signal-bad", "feed-lost", "implausible-jump"),
    }
    assert {change for _, change in told} >= {"raised", "cleared", "reraised", "reprioritised", "suppressed"}


def test_captures_hold_invented_names_alone() -> None:
    for path in captures():
        for line in path.read_text("utf-8").splitlines():
            topic = json.loads(line).get("topic")
            assert topic is None or re.match(r"apron/v1/tarnwick/aircraft/ZZ-[A-Z]{3}/", topic)


# The same capture, anywhere, gives the same bytes


def _start(*command: str | Path, hash_seed: str) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def _two_processes(*command: str | Path) -> bytes:
    """Run a command twice, with different hash seeds; both write the same, which is returned."""
    running = [_start(*command, hash_seed=seed) for seed in ("1", "4242")]
    written = [process.communicate(timeout=60) for process in running]
    assert [process.returncode for process in running] == [0, 0], written
    assert written[0][0] == written[1][0]
    return written[0][0]


def test_two_processes_with_different_hash_seeds_write_the_same_bytes() -> None:
    written = _two_processes(sys.executable, "-m", "tests.scenarios.replaying", "files")
    assert written.decode() == "".join(f"{path.name} {digest(replay_file(path))}\n" for path in captures())


def test_the_command_writes_the_events_and_nothing_else() -> None:
    """``sillwatch replay CAPTURE``: events to stdout as JSON Lines; default config: the demo's."""
    capture = capture_path("late-backlog")
    written = _two_processes(Path(sys.executable).parent / "sillwatch", "replay", capture)
    assert written == b"".join(payload + b"\n" for payload in replay_file(capture))
