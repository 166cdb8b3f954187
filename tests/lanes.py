"""Which tests run side by side, where there are workers (``-n 4``).

What starts programs or shares them is in a lane: one worker runs it in order, sharing what it
starts. There are three: the services; the board in a browser of its own; and what breaks down or is
broken into, which has its own programs and brokers. They wait much of their time. A fourth worker takes of the
rest meanwhile: what computes, and what waits for nothing but itself; once a lane is through, its worker does too. That
rest gives way, so that whatever is waited for in a lane comes as soon as if nothing else ran. Owns which tests those
are, the order in which they are handed out, and what gives way; never what a test does.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path, PurePosixPath
from typing import Final

from xdist.scheduler import LoadScopeScheduling

ROOT: Final = Path(__file__).resolve().parent.parent
SERVICES: Final = "services"
BOARD: Final = "board"
TROUBLE: Final = "trouble"
LANES: Final = frozenset((SERVICES, BOARD, TROUBLE))
GIVES_WAY_BY: Final = 5
"""As ``nice`` has it: a quarter of a processor that a lane wants too (335 to 1024, Linux's weights, from memory)."""
BROKEN: Final = ("faults", "fuzz", "security")
"""Where programs are broken down or into, by their own means."""
COMPUTING: Final = (
    *("config", "core", "exhaustive", "external", "scenarios", "simulation", "simulators", "trial"),
    *("test_config.py", "test_repository.py", "test_rerun.py"),
)
"""Where tests wait for nothing, unless their module marks one that needs a broker or a browser."""
ALONE: Final = (
    *("adapters", "board", "recording"),
    *("test_engine.py", "test_engine_restore.py", "test_wiring.py", "test_lanes.py"),
)
"""Where each test has servers, sockets or processes of its own and shares none of them."""


@cache
def shared_by(module: str) -> str | None:
    """What the tests of a module (a path, as in a test's id) have to run together with; ``None``: nothing."""
    if module.startswith("tests/acceptance/board/"):
        return BOARD
    if PurePosixPath(module).parts[1] in BROKEN:
        return TROUBLE
    text = (ROOT / module).read_text(encoding="utf-8")
    if PurePosixPath(module).parts[1] not in (*COMPUTING, *ALONE) or "mark.broker" in text or "mark.browser" in text:
        return SERVICES
    return module if 'scope="module"' in text or "\n@cache\n" in text else None


def give_way(module: str) -> bool:
    """Let this process, and what it starts, wait for the lanes from now on, unless ``module`` is in one; tell whether."""
    if shared_by(module) in LANES:
        return False
    os.nice(GIVES_WAY_BY)
    return True


class Lanes(LoadScopeScheduling):
    """Hand out the lanes first, being the largest; then what shares a fixture; then one by one."""

    def _split_scope(self, nodeid: str) -> str:
        return shared_by(nodeid.partition("::")[0]) or nodeid
