"""Ordinary work at an aircraft's doors: a turnaround in good practice is a row of runs without a fault.

The same visit shows that following procedures changes nothing of what is told beside it.
"""

from __future__ import annotations

import pytest

from monitor.adapters.capture import CaptureLine
from monitor.core.effects import Document, Effect, NoteRun, PublishProcedure
from monitor.core.system import System
from monitor.core.times import SECOND
from monitor.engine import take_message
from monitor.ports import Message
from simulators.apron import Apron, Part
from simulators.expectation_play import START
from tests.core.procedures.hands import faults
from tests.core.procedures.kit import site_with
from tests.stories import codec, demo_site


def visit(type: str, mark: str, after_s: float, seconds: int) -> list[CaptureLine]:  # noqa: A002
    """What one aircraft's sensors tell of its visit from ``mark`` on, while nothing goes wrong."""
    part = Part("ZZ-BRU", type, "S14", mark=mark, after_s=after_s)
    apron = Apron(demo_site(), 1, START, cast=(part,), programme=None)
    sent = apron.advance(START + seconds * SECOND)
    return [CaptureLine(each.at_us, Message(each.topic, each.payload, retained=False)) for each in sent]


def play(lines: list[CaptureLine], system: System) -> list[Effect]:
    effects: list[Effect] = []
    for line in lines:
        effects += system.advance(line.at)
        assert line.message is not None
        effects += take_message(system, codec(), line.message, line.at)[1]
    return effects


def tell(runs: list[Document]) -> list[tuple[object, ...]]:
    return [(run["procedure"], run["state"], faults(run), run["forbidden"]) for run in runs]


@pytest.mark.parametrize(
    ("mark", "after_s", "seconds", "done"),
    [
        ("quiet", 4.0, 90, {"disarm", "open-inside", "hold-electric"}),
        ("closing", -5.0, 60, {"close", "arm"}),
    ],
)
def test_a_turnaround_leaves_clean_runs_and_tells_all_else_as_without_procedures(
    mark: str, after_s: float, seconds: int, done: set[str]
) -> None:
    lines = visit("cedar", mark, after_s, seconds)
    watched = play(lines, System(demo_site(), answering=False))
    runs = [effect.document for effect in watched if isinstance(effect, NoteRun)]
    assert tell(runs) == [(run["procedure"], "finished", {}, []) for run in runs]
    assert {run["procedure"] for run in runs} == done
    plain = play(lines, System(site_with(), answering=False))
    assert not any(isinstance(effect, (NoteRun, PublishProcedure)) for effect in plain)
    assert [effect for effect in watched if not isinstance(effect, (NoteRun, PublishProcedure))] == plain
