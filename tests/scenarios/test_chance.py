"""Two hundred random captures: the same bytes twice, in time order, every life legal.

A seed names a capture (``random_capture(seed)``); every fault is told with its seed. The
second replay is another process's, with another hash seed.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass, field, replace

import pytest

from tests.scenarios.chance import random_capture
from tests.scenarios.lifecycle import LifecycleJudge
from tests.scenarios.replaying import FOLDER, SEEDS, demo_site, digest, replay_lines

pytestmark = pytest.mark.timeout(300)


@dataclass
class Sweep:
    """What the sweep found, over all seeds."""

    digests: dict[int, str] = field(default_factory=dict)
    elsewhere: dict[int, str] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    twins: list[str] = field(default_factory=list)
    told: Counter[tuple[str, str]] = field(default_factory=Counter)
    aircraft: set[str] = field(default_factory=set)


@pytest.fixture(scope="module")
def sweep() -> Sweep:
    root = FOLDER.parent.parent
    # Any hash seed but this process's own will do.
    environment = {**os.environ, "PYTHONHASHSEED": "977", "PYTHONPATH": str(root)}
    command = [sys.executable, "-m", "tests.scenarios.replaying", "seeds"]
    found = Sweep()
    with subprocess.Popen(command, cwd=root, env=environment, stdout=subprocess.PIPE, text=True) as other:
        for seed in SEEDS:
            judge = LifecycleJudge()
            payloads = replay_lines(random_capture(seed), f"seed {seed}")
            found.digests[seed] = digest(payloads)
            for payload in payloads:
                event = json.loads(payload)
                judge.take(event)
                found.told[event["data"]["code"], event["type"].rsplit(".", 1)[1]] += 1
                found.aircraft.add(event["data"]["aircraft"])
            found.faults += [f"seed {seed}: {fault}" for fault in judge.faults]
            found.twins += [f"seed {seed}: {twin}" for twin in judge.twins]
        assert other.stdout is not None
        lines = other.stdout.read().splitlines()
    assert other.returncode == 0
    found.elsewhere = {int(seed): name for seed, name in (line.split() for line in lines)}
    return found


def test_the_same_readings_give_the_same_bytes(sweep: Sweep) -> None:
    assert len(sweep.digests) == 200
    assert [seed for seed in SEEDS if sweep.digests[seed] != sweep.elsewhere[seed]] == []


@pytest.mark.parametrize("seed", SEEDS[::10])
def test_no_alert_hangs_on_a_procedure(sweep: Sweep, seed: int) -> None:
    """So judges of hazards may leave procedures out (``Alarms``, ``tests.external.apron.site_with``)."""
    assert demo_site().procedures
    payloads = replay_lines(random_capture(seed), f"seed {seed}", replace(demo_site(), procedures={}))
    assert digest(payloads) == sweep.digests[seed]


def test_every_event_is_in_form_in_order_and_legal(sweep: Sweep) -> None:
    assert sweep.faults == []


def test_no_event_has_the_identity_of_another(sweep: Sweep) -> None:
    assert sweep.twins == []


def test_an_aircraft_of_no_known_type_is_never_told_of(sweep: Sweep) -> None:
    assert sweep.aircraft <= {"ZZ-T00", "ZZ-T01"}
    assert len(sweep.aircraft) == 2


def test_the_sweep_meets_what_it_is_to_judge(sweep: Sweep) -> None:
    raised = {code for code, change in sweep.told if change == "raised"}
    assert raised >= {
        *("armed-handle-moved", "armed-leaf-moving", "slide-deployed", "outside-opening-armed", "girt-disagree"),
        *("open-engine-running", "residual-pressure", "pressure-rising", "unguarded-drop", "access-withdrawn"),
        *("lock-disagree", "signal-bad", "signal-stale", "feed-lost", "implausible-jump", "clock-skew"),
    }
    changes = {change for _, change in sweep.told}
    assert changes == {"raised", "cleared", "reraised", "reprioritised", "suppressed", "unsuppressed"}


def test_a_seed_names_one_capture() -> None:
    assert random_capture(3) == random_capture(3)
    assert random_capture(3) != random_capture(4)
