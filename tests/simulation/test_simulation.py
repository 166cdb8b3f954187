"""A thousand stories: what a seed draws, told to the real engine, and nothing found.

Seven hundred seeds are the same in every run; three hundred follow from the run's own seed,
which is printed at its head and its end. A failure names the command that tells its story again.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from typing import Final

import pytest

from tests.lanes import ROOT
from tests.simulation.story import replay_command, run

FIXED: Final = 700
DRAWN: Final = 300
CHUNKS: Final = 20
DRAWN_FROM: Final = 1_000_000
SHOWN: Final = 3


def seeds_of(chunk: int, run_seed: str) -> list[int]:
    """The seeds of one chunk: some fixed, some that follow from the run's seed."""
    base = DRAWN_FROM + random.Random(run_seed).randrange(10**9)
    fixed, drawn = FIXED // CHUNKS, DRAWN // CHUNKS
    return [*range(chunk * fixed, (chunk + 1) * fixed), *range(base + chunk * drawn, base + (chunk + 1) * drawn)]


@pytest.mark.timeout(600)
@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_nothing_is_found(chunk: int, request: pytest.FixtureRequest, tell: Callable[[str], None]) -> None:
    failed: list[str] = []
    checked: Counter[str] = Counter()
    for seed in seeds_of(chunk, str(request.config.getoption("--hypothesis-seed"))):
        outcome = run(seed)
        checked.update(outcome.tally.checks)
        if outcome.faults:
            faults = "\n  ".join(fault[:400] for fault in outcome.faults[:SHOWN])
            failed.append(f"seed {seed}: {replay_command(seed)}\n  {faults}")
    for name in ("states", "hazards", "answers", "deliveries", "events", "replays", "actions"):
        assert checked[name], f"nothing was held against {name}"
    tell(f"{(FIXED + DRAWN) // CHUNKS} seeds")
    assert not failed, "\n".join(failed[:SHOWN])


def test_a_story_is_the_same_in_every_process() -> None:
    """Whatever order the interpreter's sets come in."""
    told = set()
    for hashing in ("0", "1", "12345"):
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
