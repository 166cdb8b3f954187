"""``kill -9`` at random moments under load: a few cycles here, hundreds in ``make soak``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.acceptance.programs import running_broker
from tests.faults.conftest import MakeBroker
from tests.faults.kill import kill_and_compare

pytestmark = [pytest.mark.broker, pytest.mark.timeout(600)]

CYCLES = 5
SEED = 11


@pytest.mark.parametrize("kind", ["mosquitto", "default"])
def test_killed_under_load_it_loses_nothing(
    make_broker: MakeBroker, tmp_path: Path, kind: str, tell: Callable[[str], None]
) -> None:
    with running_broker(make_broker(kind)) as broker:
        figures = kill_and_compare(broker, tmp_path, cycles=CYCLES, seed=SEED)
    tell(f"{kind}: {figures}")
    assert figures.faults == []
    assert figures.lifts >= CYCLES
