"""What is remembered of a run, as plain data that a snapshot can carry. Times in µs.

Owns the records; :mod:`monitor.core.procedures.matching` and ``following`` alone write them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class StepMemo:
    """One step of a run.

    ``state`` is a word of :class:`monitor.core.procedures.matching.StepState`. ``at``: when it was taken or
    checked; ``from_at``: what its limit is measured from; ``due_at``: the last moment that is in time.
    ``ready``: its condition was known false, so that it can be seen to come true. ``doubt``: its condition was not known
    at some moment while it was awaited.
    """

    state: str = "waiting"
    at: int | None = None
    from_at: int | None = None
    due_at: int | None = None
    ready: bool = False
    doubt: bool = False
    reported: bool = False


@dataclass(slots=True)
class Candidate:
    """A procedure that a run may be of. ``done_at``: what finishes it was seen; reports may still be wanting."""

    procedure: str
    steps: dict[str, StepMemo] = field(default_factory=dict)
    forbidden: dict[str, int] = field(default_factory=dict)
    done_at: int | None = None
    over: str = ""
    """How it ended: ``finished``, ``abandoned``, ``cannot-tell``; empty while it goes on."""
    given_up_at: int | None = None
    """Since when what it is abandoned by is so."""
    unseen: list[str] = field(default_factory=list)
    """The rules of which it was not known, at some moment while they counted, whether they were broken."""


@dataclass(slots=True)
class Run:
    """A run that goes on at a door: of the first of ``candidates``, as far as is known.

    ``drill…`` is the drill that it began in, if it did. ``queued``: the moment for which its next look is queued.
    ``by_word``: a report began it, and the edge that begins it is still to come. ``told`` is what was last told of it.
    """

    run_id: str
    began_at: int
    changed_at: int
    candidates: list[Candidate]
    late: bool = False
    drill_id: str = ""
    drill_name: str = ""
    drill_procedure: str = ""
    queued: int | None = None
    by_word: bool = False
    told: dict[str, Any] | None = None
