"""What stands in the outbox, as values.

Owns the shapes that the store gives and takes; it knows no database.
"""

from __future__ import annotations

from typing import NamedTuple


class Draft(NamedTuple):
    """One event in the form in which it is sent, before it is in the outbox."""

    event_id: str
    alert_id: str
    type: str
    subject: str
    body: bytes


class Letter(NamedTuple):
    """One event on its way to one destination; ``attempts`` were made before."""

    id: int
    draft: Draft
    queued_at: int
    attempts: int


class Held(NamedTuple):
    """The latest word about an alert, kept back until ``release_at`` (µs); ``told``: the alert is known there."""

    draft: Draft
    release_at: int
    told: bool


class Entered(NamedTuple):
    """What one event becomes for one destination.

    ``letter``: it is sent; ``hold`` (µs): it is kept until then; neither: it is not told.
    ``over``: nothing more will come of its alert.
    """

    draft: Draft
    letter: bool = False
    hold: int | None = None
    over: bool = False


class Settled(NamedTuple):
    """What became of one attempt.

    ``error`` is ``None`` where it arrived. ``next_at`` (µs): this letter waits until then;
    ``dead``: it is laid aside.
    """

    id: int
    error: str | None
    next_at: int = 0
    dead: bool = False


class Failure(NamedTuple):
    """A destination failed: why, and until when (µs) it is left alone; ``gone``: until a person says otherwise."""

    error: str
    not_before: int
    gone: bool = False


class Due(NamedTuple):
    """What may be sent now, or else when to look again (µs; ``None``: when something comes)."""

    letters: list[Letter]
    look_at: int | None


class Condition(NamedTuple):
    """How a destination does, as it stands in the outbox; times in µs."""

    name: str
    kind: str
    configured: bool
    gone_since: int | None
    failures: int
    failing_since: int | None
    not_before: int
    last_delivered_at: int | None
    last_error: str | None


class Queue(NamedTuple):
    """What waits: since when the oldest does (µs), how many were tried in vain, and why one of them."""

    oldest_at: int
    retried: int
    last_error: str | None


class DeadLetter(NamedTuple):
    """A letter that was laid aside; times in µs."""

    id: int
    destination: str
    event_id: str
    type: str
    subject: str
    queued_at: int
    died_at: int
    attempts: int
    last_error: str
    simulated: bool = False


class Firing(NamedTuple):
    """One alert as an alertmanager has it; ``labels`` and ``annotations`` are JSON, times RFC 3339."""

    labels: str
    annotations: str
    starts_at: str
    ends_at: str | None = None


class Request(NamedTuple):
    """What a person asked for from the command line: ``replay`` of a letter or ``resume`` of a destination."""

    id: int
    asked: str
    subject: str
    person: str
    reason: str
