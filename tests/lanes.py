"""Which tests run side by side, where there are workers (``-n 2``).

What starts programs, waits for them or minds the time is one lane: one worker runs it in
order, sharing what it starts, while the other computes. What needs the browser on the board is
another: it is as long, and has a browser and an apron of its own. Owns which tests that is, and the
order in which the rest is handed out; never what a test does.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path, PurePosixPath
from typing import Final

from xdist.scheduler import LoadScopeScheduling

ROOT: Final = Path(__file__).resolve().parent.parent
SERVICES: Final = "services"
BOARD: Final = "board"
COMPUTING: Final = (
    *("config", "core", "exhaustive", "external", "scenarios", "simulation", "simulators"),
    *("test_config.py", "test_repository.py"),
)
"""Where tests wait for nothing, unless their module marks one that needs a broker or a browser."""


@cache
def shared_by(module: str) -> str | None:
    """What the tests of a module (a path, as in a test's id) have to run together with; ``None``: nothing."""
    if module.startswith("tests/acceptance/board/"):
        return BOARD
    text = (ROOT / module).read_text(encoding="utf-8")
    if PurePosixPath(module).parts[1] not in COMPUTING or "mark.broker" in text or "mark.browser" in text:
        return SERVICES
    return module if 'scope="module"' in text else None


class Lanes(LoadScopeScheduling):
    """Hand out the lanes of the services and of the board first, being the largest; then what shares a fixture; then one by one."""

    def _split_scope(self, nodeid: str) -> str:
        return shared_by(nodeid.partition("::")[0]) or nodeid
