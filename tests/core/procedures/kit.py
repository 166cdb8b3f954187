"""Procedures made up for a test, and one door's readings by hand.

Owns the shortest way to write a condition and to tell a story with a procedure that only the test knows.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import yaml

from monitor.config import read_procedure
from monitor.core.airframe import Site
from monitor.core.effects import Document, NoteRun, PublishProcedure
from monitor.core.procedures.definition import Procedure
from tests.stories import Story, demo_site

HEAD: dict[str, Any] = {
    "name": "probe",
    "title": "Probe",
    "kinds": ["cabin"],
    "begins": {"from": {"closed": True}, "when": {"handle_lifted": True}},
    "finished": {"hold_open": True},
    "abandoned": {"after": "10min"},
}


def make(folder: Path, steps: list[dict[str, Any]], **keys: Any) -> Procedure:
    """Write a procedure's file and read it."""
    data = {**HEAD, **keys, "steps": [{"text": step["name"], **step} for step in steps]}
    path = folder / f"{data['name']}.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False), encoding="utf-8")
    return read_procedure(path)


def site_with(*procedures: Procedure) -> Site:
    """The demo's site with these procedures alone."""
    return replace(demo_site(), procedures={each.name: each for each in procedures})


def story_with(*procedures: Procedure, type: str = "alder") -> Story:  # noqa: A002
    """A healthy aircraft, 1 s after its first message."""
    return Story(site=site_with(*procedures), type=type).baseline().until(1.0)


def l1(story: Story, at: float | None = None, **readings: Any) -> Story:
    """Send readings of L1, one message each."""
    for signal, value in readings.items():
        story.send(f"door/L1/{signal}", value, at)
    return story


def told(story: Story) -> Document:
    """What is told of L1's procedure now."""
    documents = [e.document for e in story.effects if isinstance(e, PublishProcedure) and e.door == "L1"]
    assert documents
    assert documents[-1] is not None
    return documents[-1]


def ended(story: Story) -> list[Document]:
    """The runs that have ended."""
    return [effect.document for effect in story.effects if isinstance(effect, NoteRun)]


def states(story: Story) -> dict[str, str]:
    """What is told of each step now."""
    return {step["step"]: step["state"] for step in told(story)["steps"]}
