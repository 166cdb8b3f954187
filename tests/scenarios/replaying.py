"""Captures through the replay, to bytes: what the two tests of this folder and a second process share.

Owns the way from a capture's lines to encoded events. As a program it writes one digest a
line, for captures named on the command line, so that another process with another hash
seed can be compared.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from monitor.adapters.capture import read_capture
from monitor.adapters.replay import replay
from monitor.adapters.wire import Wire
from monitor.config import default_config_path, load
from monitor.core.airframe import Site
from monitor.core.system import System
from tests.scenarios.chance import random_capture

FOLDER = Path(__file__).resolve().parent
SEEDS = range(200)


@cache
def demo_site() -> Site:
    """The demo's site, read once."""
    return load(default_config_path()).site


def replay_lines(lines: Iterable[str | bytes], name: str, site: Site | None = None) -> list[bytes]:
    """Replay a capture on a fresh system and encode each event as it would be published."""
    site = site or demo_site()
    wire = Wire(site.name, "replay", frozenset(site.types))
    outgoing = [
        wire.encode(effect) for effect in replay(read_capture(lines, name), System(site, answering=False), wire)
    ]
    return [message.payload for message in outgoing if message is not None]


def replay_file(path: Path) -> list[bytes]:
    """Replay one capture file."""
    with path.open("rb") as stream:
        return replay_lines(stream, path.name)


def digest(payloads: Iterable[bytes]) -> str:
    """Shorten what a replay wrote to one line."""
    return hashlib.sha256(b"\n".join(payloads)).hexdigest()


def captures() -> list[Path]:
    """Every capture of this folder, by name."""
    return sorted(FOLDER.glob("*.jsonl"))


def main(what: str) -> None:
    """Write the digests of the capture files (``files``) or of the random captures (``seeds``)."""
    if what == "files":
        for path in captures():
            print(path.name, digest(replay_file(path)))
    else:
        for seed in SEEDS:
            print(seed, digest(replay_lines(random_capture(seed), f"seed {seed}")))


if __name__ == "__main__":
    main(sys.argv[1])
