"""What is wrong with a configuration, one line each.

Owns the form of a problem: where it stands, what is wrong and what would be right. It
never decides what is wrong; the models and checks beside it do.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

_LISTED_MAX: Final = 24


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong.

    ``file`` is a path, an environment variable's name or a flag; ``line`` counts from 1
    and is ``None`` where there are no lines. ``message`` says what is wrong and, after a
    semicolon, what would be right.
    """

    file: str
    line: int | None
    key: str
    message: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        text = f"{place}: {self.key}: {self.message}" if self.key else f"{place}: {self.message}"
        return " ".join(text.split())


class ConfigError(ValueError):
    """The configuration cannot be used; each of ``problems`` is one line of the message."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        found = list(dict.fromkeys(problems))
        files = [problem.file for problem in found]
        found.sort(key=lambda problem: (files.index(problem.file), problem.line or 0))
        self.problems = tuple(found)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def nearest(word: object, known: Iterable[str]) -> str | None:
    """Return the one of ``known`` that was probably meant, if any."""
    near = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=0.6) if isinstance(word, str) else []
    return near[0] if near else None


def suggest(word: object, known: Iterable[str]) -> str:
    """Say which of ``known`` was probably meant, or name them all."""
    options = list(known)
    near = nearest(word, options)
    if near is not None:
        return f"did you mean '{near}'?"
    if not options:
        return "leave it out"
    shown = ", ".join(options[:_LISTED_MAX]) + (", …" if len(options) > _LISTED_MAX else "")
    return f"give one of {shown}" if len(options) > 1 else f"give {shown}"


def show(value: object) -> str:
    """Write a value as a person would see it in the file, on one line and not too long."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a group of keys"
    if isinstance(value, list):
        return "a list"
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "…" + text[-1]
