"""A thousand stories: what a seed draws, told to the real engine, and nothing found.

The seeds are the same in every run, so that a red test is always somebody's change; new ones are
for the long run (``make soak``). A failure names the command that tells its story again.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from typing import Final

import pytest

from tests.lanes import ROOT
from tests.simulation.story import replay_command, run

SEEDS: Final = 1000
CHUNKS: Final = 20
SHOWN: Final = 3


@pytest.mark.timeout(600)
@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_nothing_is_found(chunk: int, tell: Callable[[str], None]) -> None:
    failed: list[str] = []
    checked: Counter[str] = Counter()
    for seed in range(chunk * SEEDS // CHUNKS, (chunk + 1) * SEEDS // CHUNKS):
        outcome = run(seed)
        checked.update(outcome.tally.checks)
        if outcome.faults:
            faults = "\n  ".join(fault[:400] for fault in outcome.faults[:SHOWN])
            failed.append(f"seed {seed}: {replay_command(seed)}\n  {faults}")
    for name in ("states", "hazards", "answers", "deliveries", "events", "replays", "actions"):
        assert checked[name], f"nothing was held against {name}"
    tell(f"{SEEDS // CHUNKS} seeds")
    assert not failed, "\n".join(failed[:SHOWN])


def test_a_story_is_the_same_in_every_process() -> None:
    """Whatever order the interpreter's sets come in."""
    told = set()
    for hashing in ("1", "12345"):
        done = subprocess.run(
            [sys.executable, "-m", "tests.simulation", "--seeds", "40:46", "--digest"],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": hashing},
            capture_output=True,
            text=True,
            timeout=300,
            check=True,
        )
        told.add(done.stdout)
    assert len(told) == 1
    assert "raised" in told.pop()


def test_the_command_that_is_told_tells_the_story_again() -> None:
    command = replay_command(7).split()
    done = subprocess.run(
        [sys.executable, *command[1:]], cwd=ROOT, capture_output=True, text=True, timeout=300, check=True
    )
    assert "++ life 1 starts" in done.stdout
    assert "0 with something found" in done.stdout
