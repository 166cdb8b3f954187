"""What the core wants done, as values in the imperative.

Owns the output of :meth:`monitor.core.system.System.step`. A document is a plain
JSON-ready mapping in its final form; the shell encodes, sends and stores it and
adds nothing.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

Document = dict[str, Any]

EVENT_TYPE_PREFIX: Final = "sillwatch.alert."
"""What stands before :attr:`PublishEvent.type` wherever an event is told outside."""


class PublishDoor(NamedTuple):
    """Replace a door's retained document; ``None`` empties it."""

    aircraft: str
    door: str
    document: Document | None


class PublishActive(NamedTuple):
    """Replace an alert's retained document; ``None`` empties it. ``-`` as in the wire contract."""

    aircraft: str
    door: str
    code: str
    document: Document | None


class PublishReadiness(NamedTuple):
    """Replace an aircraft's retained answers; ``None`` empties them."""

    aircraft: str
    document: Document | None


class PublishEvent(NamedTuple):
    """Tell one lifecycle change: ``type`` is the last word(s) of the CloudEvents type.

    ``id`` is the same whenever the same cause is judged again; ``time`` is the moment of
    the change (µs). ``data`` is a snapshot and is never changed afterwards.
    """

    aircraft: str
    door: str
    code: str
    type: str
    id: str
    time: int
    data: Document


class RejectInput(NamedTuple):
    """Quarantine what cannot be used; ``reason`` is the word that is counted."""

    reason: str
    topic: str
    detail: str


class CountDropped(NamedTuple):
    """A reading in good form was not applied: ``repeat``, ``older``, ``held-overflow``."""

    reason: str


class CountImplausible(NamedTuple):
    """A door jumped between two states with no legal edge."""

    aircraft: str
    door: str
    source: str
    target: str


class RecordAudit(NamedTuple):
    """A person's action took effect: who did what, from where, to what, and what changed."""

    time: int
    by: str
    action: str
    subject: str
    reason: str
    before: str
    after: str
    origin: str = ""


class NoteDeafness(NamedTuple):
    """Keep what cannot be seen at a place from ``time`` (µs) on: it has just become another.

    ``deaf_to`` is (code, why, signal, …) for each hazard that cannot be seen, empty where all
    can; ``door`` is ``-`` for the aircraft as a whole.
    """

    aircraft: str
    door: str
    time: int
    deaf_to: tuple[tuple[str, ...], ...]


class NoteState(NamedTuple):
    """Keep how a door stands from ``time`` (µs) on: its state or its slide has just become another.

    ``unknown`` both where nothing is judged of the door from then on.
    """

    aircraft: str
    door: str
    time: int
    state: str
    slide: str


class PublishProcedure(NamedTuple):
    """Replace what is retained of the procedure at a door; ``None`` empties it."""

    aircraft: str
    door: str
    document: Document | None


class NoteRun(NamedTuple):
    """Keep a run of a procedure that has ended. Times in µs; ``drill`` is the permit that it ran in, if any."""

    run_id: str
    aircraft: str
    door: str
    procedure: str
    drill: str
    began_at: int
    ended_at: int
    document: Document


class NoteDrill(NamedTuple):
    """Keep a drill as it begins, and anew as it ends. Times in µs; ``ended_at`` is ``None`` while it runs."""

    permit_id: str
    name: str
    procedure: str
    aircraft: str
    doors: tuple[str, ...]
    by: str
    began_at: int
    until: int
    ended_at: int | None
    simulated: bool


class ShowProof(NamedTuple):
    """Tell the stream that the canary's handle was seen lifted, by the stamp (µs) and number of what told it."""

    time: int
    seq: int


class RefuseCommand(NamedTuple):
    """A person's action did not take effect.

    ``kind`` is ``not-found``, ``conflict`` or ``refused``; ``detail`` says in a sentence
    why, and what would be right.
    """

    kind: str
    detail: str


Effect = (
    PublishDoor
    | PublishActive
    | PublishReadiness
    | PublishEvent
    | RejectInput
    | CountDropped
    | CountImplausible
    | RecordAudit
    | NoteDeafness
    | NoteState
    | PublishProcedure
    | NoteRun
    | NoteDrill
    | ShowProof
    | RefuseCommand
)
