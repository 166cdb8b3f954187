"""A scenario played offline through the monitor's own core, and what it expects held against that.

Owns the way from an apron's messages to lifecycle events: the codec, the core and the replay
that a capture goes through, at no pace. It publishes nothing, writes nothing and waits for nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from monitor.adapters.capture import CaptureLine
from monitor.adapters.replay import replay
from monitor.adapters.wire import Wire
from monitor.core.airframe import Site
from monitor.core.system import System
from monitor.core.times import SECOND
from monitor.ports import Message
from simulators.apron import Apron
from simulators.expectation import Judgement, judge
from simulators.progress import Progress, ignore_progress
from simulators.scenario import Scenario

START: Final = int(datetime(2026, 3, 1, 10, tzinfo=UTC).timestamp()) * SECOND
"""µs; what is played offline begins at a fixed time, so that one seed gives one outcome."""


@dataclass(frozen=True, slots=True)
class Played:
    """One scenario held against what it expects: from which seed, for how long (s), and how it came out."""

    scenario: Scenario
    seed: int
    length_s: float
    judgement: Judgement


def length_of(scenario: Scenario) -> float:
    """Return how long (s) it takes until everything that is expected could have come."""
    return scenario.expectations.last_s if scenario.end_s is None else scenario.end_s


def play_expected(
    scenario: Scenario, site: Site, *, seed: int | None = None, progress: Progress = ignore_progress
) -> Played:
    """Play ``scenario`` at ``site`` through the core and judge what it tells; ``seed`` overrides its own."""
    chosen = scenario.seed if seed is None else seed
    length_s = length_of(scenario)
    apron = scenario.apron(site, START, seed=chosen)
    wire = Wire(site.name, "simulate", frozenset(site.types))
    lines = _lines(apron, START + round(length_s * SECOND), progress)
    events = list(replay(lines, System(site, answering=False), wire))
    return Played(scenario, chosen, length_s, judge(scenario.expectations, events, START))


def _lines(apron: Apron, end_us: int, progress: Progress) -> Iterator[CaptureLine]:
    """Yield what a subscriber would receive that was there all along, and last the end."""
    for at in range(START, end_us + SECOND, SECOND):
        progress((at - START) / SECOND, "")
        for sent in apron.advance(min(at, end_us)):
            yield CaptureLine(sent.at_us, Message(sent.topic, sent.payload, retained=False))
    yield CaptureLine(end_us, None)
