"""``python -m tests.fuzz``: a stream of made-up inputs into everything that reads what others write.

Owns the command line. Ends with 1 on any crash, any input that takes more than a second of
processor time, and memory that grows; each failing input is kept in a file, with the command
that repeats it.
"""

from __future__ import annotations

import argparse
import logging
import secrets
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

import structlog

from tests.fuzz.capture_part import CapturePart
from tests.fuzz.config_part import ConfigPart
from tests.fuzz.http_api import call_everything, running_instance
from tests.fuzz.http_part import HttpPart
from tests.fuzz.part import Part, hangs_told, run_part, try_input
from tests.fuzz.wire_part import StoryPart, WirePart

FOLDER: Final = Path("build/fuzz")
PARTS: Final[Mapping[str, tuple[Callable[[], Part], float]]] = {
    "wire": (WirePart, 0.7),
    "capture": (CapturePart, 0.27),
    "config": (ConfigPart, 0.01),
    "http": (HttpPart, 0.018),
    "story": (StoryPart, 0.002),
}
"""Each part with its share of the inputs: what takes an input longer gets fewer."""

EXAMPLES: Final = 0.00005
"""Calls of each HTTP operation, for each input of the whole run."""


def fuzz(*, inputs: int, seed: int, only: str | None, folder: Path) -> bool:
    """Run the parts and print what became of each; true where nothing failed."""
    fine = True
    for name, (make, share) in PARTS.items():
        if only not in (None, name):
            continue
        part = make()
        try:
            with hangs_told():
                report = run_part(
                    part, inputs=max(1, round(inputs * (share if only is None else 1))), seed=seed, folder=folder
                )
        finally:
            part.close()
        print(report, flush=True)
        for failure, detail in zip(report.failures, report.details, strict=True):
            print(failure, detail, sep="\n", flush=True)
        if report.grew:
            print(f"{name}: memory grew", flush=True)
        fine = fine and not report.failures and not report.grew
    if only in (None, "http"):
        fine = _call_api(max(3, round(inputs * EXAMPLES)), seed) and fine
    return fine


def _call_api(examples: int, seed: int) -> bool:
    with running_instance() as running:
        called = call_everything(running.url, examples=examples, seed=seed)
    print(f"http api: {called.calls} calls of {called.operations} operations, {len(called.wrong)} failures", flush=True)
    for line in called.wrong:
        print(f"  {line}", flush=True)
    return not called.wrong


def replay(name: str, path: Path) -> bool:
    """Hand over one kept input again; true where it does not fail any more."""
    part = PARTS[name][0]()
    try:
        with hangs_told():
            why, detail = try_input(part, path.read_bytes())
    finally:
        part.close()
    print(f"{name}: {path}: {why or 'nothing wrong'}", detail, sep="\n")
    return why is None


def main(arguments: list[str] | None = None) -> int:
    """Read the command line and run; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description="Feed made-up inputs to what reads them.")
    parser.add_argument("--inputs", type=int, default=20_000, help="how many in all (default: 20000)")
    parser.add_argument(
        "--seed", type=int, default=None, help="what they are drawn from (default: chance, and printed)"
    )
    parser.add_argument("--part", choices=[*PARTS], default=None, help="one part alone, with all of the inputs")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where failing inputs are kept")
    parser.add_argument("--replay", type=Path, default=None, help="a kept input; with --part")
    chosen = parser.parse_args(arguments)
    if chosen.replay is not None and chosen.part is None:
        parser.error("--replay needs --part")
    if chosen.inputs < 1:
        parser.error("--inputs is 1 or more")
    # What the parts log on purpose would bury what they find.
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    if chosen.replay is not None:
        return 0 if replay(chosen.part, chosen.replay) else 1
    seed = secrets.randbelow(2**32) if chosen.seed is None else chosen.seed
    print(
        f"python -m tests.fuzz --inputs {chosen.inputs} --seed {seed}"
        + (f" --part {chosen.part}" if chosen.part else "")
    )
    return 0 if fuzz(inputs=chosen.inputs, seed=seed, only=chosen.part, folder=chosen.folder) else 1


if __name__ == "__main__":
    sys.exit(main())
