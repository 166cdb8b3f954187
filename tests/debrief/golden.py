"""The story's report as Markdown, as it is kept beside the tests.

Owns how it is made. After a change that is meant, ``.venv/bin/python -m tests.debrief.golden``
writes it anew; what differs is then read before it is kept.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import Any, Final

from monitor.debrief.reports import write_document
from tests.debrief.records import debrief_of, tell_story
from tests.stories import REG

GOLDEN: Final = Path(__file__).with_name("story.md")
RUN: Final[dict[str, Any]] = {
    "run_id": "r1",
    "procedure": "opening",
    "title": "Opening",
    "site": "tarnwick",
    "aircraft": REG,
    "stand": "S12",
    "door": "L1",
    "state": "finished",
    "began_at": "2026-03-01T10:00:40.000Z",
    "ended_at": "2026-03-01T10:00:46.000Z",
    "elapsed_s": 6.0,
    "steps": [
        {"step": "pin", "text": "Fit the pin", "state": "taken", "at": "2026-03-01T10:00:40.000Z", "took_s": 0.5},
        {"step": "look", "text": "Look through the window", "state": "skipped", "limit_s": 5.0},
    ],
    "forbidden": [{"rule": "lever", "text": "Lever moved | twice", "at": "2026-03-01T10:00:41.000Z"}],
    "unseen": [{"rule": "wind", "text": "Opened in a wind above the limit"}],
    "drill": {"permit_id": "p1", "name": "Front left", "score": {"points": 8, "of": 10, "percent": 80.0}},
}
"""A procedure's run of no configuration, so that those that are shipped may change."""


def make_golden(folder: Path) -> str:
    """Write the report of the story's front left door."""
    document = {**debrief_of(folder, aircraft=REG, door="L1", zone="Etc/GMT-1"), "procedures": [RUN]}
    document["summary"] |= {"procedures": 1, "score_percent": 80.0, "scored": 1}
    document["made"] |= {"version": "0"}
    out = io.BytesIO()
    write_document("debrief", document, "md", out)
    return out.getvalue().decode()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        GOLDEN.write_text(make_golden(tell_story().write(Path(name))), encoding="utf-8")
