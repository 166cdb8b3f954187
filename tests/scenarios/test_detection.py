"""Ten thousand injected hazards of every kind, each told in time and none too early.

The injections are written from the design's table and share nothing with the rules. A seed
names the whole run; a failure prints it with the number of the injection.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from collections.abc import Callable

import pytest

from monitor.core.rules import CATALOGUE
from monitor.core.rules.rule import Scope
from tests.scenarios import detect_aircraft, detect_doors, detect_slides
from tests.scenarios.detect_kit import TABLE, Outcome, places, play

INJECTIONS = 10_000
LOTS = 10
"""So that they can be spread over workers."""
SEED = int(os.environ.get("SILLWATCH_DETECTION_SEED", "20260301"))
PARTS = (detect_slides, detect_doors, detect_aircraft)
CODES = sorted(TABLE)


def draw(number: int) -> tuple[str, random.Random]:
    """The code of one injection, each in turn, and the chance that the rest of it is drawn from."""
    return CODES[number % len(CODES)], random.Random(f"{SEED}:{number}")


def test_every_code_of_the_catalogue_is_brought_about_somewhere() -> None:
    # What stands for the site alone is the monitor's own trouble, which no sensor can bring about.
    assert set(CODES) == {rule.code for rule in CATALOGUE if rule.scope is not Scope.SITE}
    assert not [(code, way.act.__name__) for code in CODES for n, way in enumerate(TABLE[code]) if not places(code, n)]


@pytest.mark.timeout(300)
@pytest.mark.parametrize("lot", range(LOTS))
def test_every_injected_hazard_is_told_in_time(lot: int, tell: Callable[[str], None]) -> None:
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    for number in range(lot * INJECTIONS // LOTS, (lot + 1) * INJECTIONS // LOTS):
        code, rng = draw(number)
        outcome: Outcome = play(code, rng)
        counts[code] += 1
        if outcome.wrong:
            wrong.append(f"seed {SEED}, injection {number}: {code} at {outcome.place}: {outcome.wrong}")
    tell(f"seed {SEED} {counts.total()} injections of {len(counts)} codes")
    assert counts.keys() == set(CODES)
    assert not wrong, "\n".join([f"{len(wrong)} of {counts.total()}", *wrong[:40]])
