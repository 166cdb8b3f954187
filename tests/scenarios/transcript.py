"""A story's transcript: why, in words, and then every event that must be told, one a line.

Owns the form of the ``.events.txt`` files. A line is time, aircraft, door, code, change,
priority, state, and the flags that are true. Lines that begin with ``#`` are the story, for
people.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable, Iterable
from pathlib import Path

from tests.scenarios import sensing_stories, slide_stories, surrounding_stories
from tests.scenarios.telling import Telling

FOLDER = Path(__file__).resolve().parent
STORIES: dict[str, Callable[[Telling], None]] = {
    **slide_stories.STORIES,
    **surrounding_stories.STORIES,
    **sensing_stories.STORIES,
}
FLAGS = ("late", "drill", "simulated", "blind", "reason")


def capture_path(story: str) -> Path:
    """Where a story's capture lies."""
    return FOLDER / f"{story}.jsonl"


def transcript_path(story: str) -> Path:
    """Where a story's expected transcript lies."""
    return FOLDER / f"{story}.events.txt"


def tell(story: str) -> str:
    """Tell a story: its capture's text."""
    telling = Telling()
    STORIES[story](telling)
    telling.tick()
    return telling.text()


def header(story: str) -> str:
    """The story in words, as comment lines."""
    words = inspect.cleandoc(STORIES[story].__doc__ or "").splitlines()
    return "".join(f"# {line}".rstrip() + "\n" for line in words)


def describe(payload: bytes) -> str:
    """One event as a line of the transcript."""
    event = json.loads(payload)
    data = event["data"]
    time = event["time"].removeprefix("2026-03-01T").removesuffix("Z")
    change = event["type"].removeprefix("sillwatch.alert.")
    flags = [flag if data[flag] is True else f"{flag}={data[flag]}" for flag in FLAGS if data.get(flag)]
    widths = (12, 6, 3, 21, 13, 8, 18)
    values = (time, data["aircraft"], data["door"], data["code"], change, data["priority"], data["state"])
    columns = [value.ljust(width) for value, width in zip(values, widths, strict=True)]
    return "  ".join((*columns, *flags)).rstrip()


def write_transcript(story: str, payloads: Iterable[bytes]) -> str:
    """The whole file: the story, and what was told."""
    lines = [describe(payload) for payload in payloads] or ["(nothing)"]
    return header(story) + "\n" + "".join(f"{line}\n" for line in lines)
