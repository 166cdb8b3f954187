"""The long tests, one after another, each a program of its own.

    python -m tests.faults.soak [PART ...] [--kills 200] [--seeds 1:1000] [--inputs 1000000] [--hours 8]

Owns which parts there are, their order and the closing line of each; a part says itself what
it found. Ends with 1 where any part failed.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Final, NamedTuple


class Part(NamedTuple):
    """A module and the flags that its amount becomes."""

    module: str
    flags: Callable[[argparse.Namespace], list[str]]
    does: str


PARTS: Final = {
    "kills": Part(
        "tests.faults.kill",
        lambda chosen: ["--cycles", str(chosen.kills), "--seed", str(chosen.seed)],
        "kill -9 of the monitor under load on real brokers",
    ),
    "simulation": Part(
        "tests.simulation",
        lambda chosen: ["--seeds", chosen.seeds],
        "whole days with faults drawn from seeds, in virtual time",
    ),
    "fuzz": Part(
        "tests.fuzz",
        lambda chosen: ["--inputs", str(chosen.inputs)],
        "what is no message, no file and no request",
    ),
    "memory": Part(
        "tests.soak",
        lambda chosen: ["--hours", f"{chosen.hours:g}"],
        "hours of an apron in a short time, and what they leave in memory",
    ),
}


def run_part(name: str, chosen: argparse.Namespace) -> bool:
    """Run one part to its end, its output passed on; print its closing line; returns whether it succeeded."""
    part = PARTS[name]
    command = [sys.executable, "-m", part.module, *part.flags(chosen)]
    print(f"soak {name}: {part.does}: {' '.join(command[1:])}", flush=True)
    began = time.monotonic()
    last = ""
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            print(f"  {line}", end="", flush=True)
            last = line.strip() or last
    word = "passed" if process.returncode == 0 else f"FAILED ({process.returncode})"
    print(f"soak {name}: {word} after {time.monotonic() - began:.0f} s: {last or 'it said nothing'}", flush=True)
    return process.returncode == 0


def main(arguments: list[str] | None = None) -> int:
    """Run the parts that are named, all of them where none is; returns the exit code."""
    parser = argparse.ArgumentParser(prog="make soak", description="The long tests, one after another.")
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"{', '.join(PARTS)}; all of them where none is named")
    parser.add_argument("--kills", type=int, default=200, help="kills of the monitor (default 200)")
    parser.add_argument("--seed", type=int, default=1, help="the seed of the kills (default 1)")
    parser.add_argument("--seeds", default="1:1000", metavar="A:B", help="simulated seeds (default 1:1000)")
    parser.add_argument("--inputs", type=int, default=1_000_000, help="fuzzed inputs (default a million)")
    parser.add_argument("--hours", type=float, default=8, help="hours of the memory part, its own (default 8)")
    chosen = parser.parse_args(arguments)
    for name in chosen.parts:
        if name not in PARTS:
            parser.error(f"there is no part {name!r}; there are {', '.join(PARTS)}")
    results = [run_part(name, chosen) for name in (chosen.parts or PARTS)]
    return int(not all(results))


if __name__ == "__main__":
    sys.exit(main())
