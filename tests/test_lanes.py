"""What runs side by side, and what one worker keeps to itself."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.lanes import BOARD, GIVES_WAY_BY, ROOT, SERVICES, TROUBLE, give_way, shared_by

PLUGINS = ("-p", "xdist.plugin", "-p", "no:cacheprovider")
"""The one that is looked at; the others take seconds to load in each of three processes."""

SPREAD = '''
"""{what}"""
import os, pathlib, pytest

@pytest.mark.parametrize("n", range(20))
def test_it(n):
    with (pathlib.Path(__file__).parents[2] / "seen").open("a") as seen:
        seen.write(f"{what} {{os.environ['PYTEST_XDIST_WORKER']}}\\n")
'''


@pytest.mark.parametrize(
    ("module", "shared"),
    [
        ("tests/acceptance/test_run.py", SERVICES),
        ("tests/contract/test_journal.py", SERVICES),
        ("tests/test_engine.py", None),
        ("tests/adapters/web/test_acting.py", None),
        ("tests/adapters/web/test_rights.py", "tests/adapters/web/test_rights.py"),
        ("tests/external/test_wire_standards.py", "tests/external/test_wire_standards.py"),
        ("tests/test_cli.py", SERVICES),
        ("tests/simulators/test_rig.py", SERVICES),
        ("tests/acceptance/board/test_settings.py", BOARD),
        ("tests/faults/test_kill.py", TROUBLE),
        ("tests/fuzz/test_fuzz.py", TROUBLE),
        ("tests/security/test_secrets.py", TROUBLE),
        ("tests/simulation/test_simulation.py", None),
        ("tests/scenarios/test_chance.py", "tests/scenarios/test_chance.py"),
        ("tests/core/test_door.py", None),
    ],
)
def test_what_a_module_shares(module: str, shared: str | None) -> None:
    assert shared_by(module) == shared


def test_what_is_in_no_lane_gives_way(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[int] = []
    monkeypatch.setattr(os, "nice", given.append)
    assert not give_way("tests/acceptance/board/test_settings.py")
    assert given == []
    assert give_way("tests/simulation/test_simulation.py")
    assert given == [GIVES_WAY_BY]


def test_one_worker_has_the_services_and_both_compute(tmp_path: Path) -> None:
    """On real workers: a release of the runner that dealt tests out otherwise would be silent about it."""
    for what in ("acceptance", "core"):
        folder = tmp_path / "tests" / what
        folder.mkdir(parents=True)
        (folder / f"test_{what}.py").write_text(SPREAD.format(what=what), encoding="utf-8")
    (tmp_path / "conftest.py").write_text(
        "from pathlib import Path\n"
        "from tests import lanes\n\n"
        "lanes.ROOT = Path(__file__).parent\n\n"
        "def pytest_xdist_make_scheduler(config, log):\n"
        "    return lanes.Lanes(config, log)\n",
        encoding="utf-8",
    )
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "2", *PLUGINS, "--rootdir", tmp_path, tmp_path],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
        capture_output=True,
        text=True,
        timeout=100,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    lines = (tmp_path / "seen").read_text(encoding="utf-8").split("\n")[:-1]
    assert len(lines) == 40
    assert len({line for line in lines if line.startswith("acceptance")}) == 1
    assert any(line.startswith("core") for line in lines)
