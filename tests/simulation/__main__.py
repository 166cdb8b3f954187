"""Tell the story of a seed again, or of many: ``python -m tests.simulation --seed 7 --trace``.

Owns the command line and what it prints. Exit code 0: nothing was found; 1: something was.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter

from tests.simulation.story import Outcome, replay_command, run


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description="Tell the story of a seed again.")
    parser.add_argument("--seed", type=int, help="tell one story")
    parser.add_argument("--seeds", metavar="FROM:TO", help="tell many, TO not included")
    parser.add_argument("--trace", action="store_true", help="print what happens, second by second")
    parser.add_argument("--digest", action="store_true", help="print what tells two runs of a seed apart")
    options = parser.parse_args()
    if options.seed is not None:
        seeds = range(options.seed, options.seed + 1)
    elif options.seeds is not None:
        first, _, last = options.seeds.partition(":")
        seeds = range(int(first), int(last))
    else:
        parser.error("name a --seed or --seeds FROM:TO")
    began = time.perf_counter()
    failed = 0
    total: Counter[str] = Counter()
    for seed in seeds:
        outcome = run(seed, trace=print if options.trace else None)
        if options.digest:
            print(outcome.digest)
        if outcome.faults:
            failed += 1
            print(f"seed {seed}: {outcome.faults[0][:400]}\n  {replay_command(seed)}", flush=True)
        _add(total, outcome)
    took = "" if options.digest else f" in {time.perf_counter() - began:.1f} s"
    told = ", ".join(f"{times:,} {name}" for name, times in total.items())
    print(f"{len(seeds):,} seeds{took}, {failed} with something found; {told}")
    return 1 if failed else 0


def _add(total: Counter[str], outcome: Outcome) -> None:
    tally = outcome.tally
    total.update(
        {
            "inputs": tally.inputs, "outputs": tally.outputs, "events": tally.events, "crashes": tally.crashes,
            "clean stops": tally.stops, "outages": tally.outages, "actions": tally.commands,
        }
    )  # fmt: skip
    total.update({f"{name} checked": times for name, times in tally.checks.items()})


if __name__ == "__main__":
    sys.exit(main())
