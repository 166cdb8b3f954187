"""What the journal's rows are: from effects to columns, and from columns to answers.

Owns the shape of a row, of a page and of its cursor. Pure: it knows no database and
no file, so that the real journal and the fake one give the same answers.
"""

from __future__ import annotations

import base64
import binascii
import functools
import hashlib
import json
from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple

import orjson

from monitor.core.alarm_health import Annunciation, make_annunciation
from monitor.core.alert import RANK, AlertState
from monitor.core.effects import (
    EVENT_TYPE_PREFIX,
    NoteDeafness,
    NoteDrill,
    NoteRun,
    NoteState,
    PublishEvent,
    RecordAudit,
    RejectInput,
)
from monitor.core.timeline import Change
from monitor.core.times import format_time, parse_time
from monitor.core.watched import Note
from monitor.ports import Entry, KeptEvent, Readout, Snapshot

DELIVERY: Final = "message"
"""The kind of an entry that came from the broker."""

RETAINED: Final = 1
AGAIN: Final = 2
"""Bits of an input's column ``retained``: the delivery's retain flag and its DUP flag."""

START: Final = "monitor-started"
"""The kind of the entry that every run begins with."""

QUARANTINED_BYTES: Final = 1024
"""How much of a rejected payload is kept beside its reason."""

PAGE_ROWS_MAX: Final = 1000
"""The most rows one page may hold."""

STOOD_MAX: Final = 2000
CHANGES_MAX: Final = 1000
"""The most notes of doors and changes of alerts that one line of time holds; of more, the newest."""

EARLIER_MAX: Final = 20
"""The most of the newest earlier changes of an alert that already stood when it begins."""

_LEFT: Final = frozenset({"away", "left on the broker"})


class CursorError(ValueError):
    """the cursor is not one that this journal gave out; leave it away to start from the newest"""

    def __init__(self) -> None:
        super().__init__(type(self).__doc__)


class Page(NamedTuple):
    """Rows, newest first; ``next_cursor`` asks for what follows, ``None`` at the end."""

    rows: list[Readout]
    next_cursor: str | None


class EventRow(NamedTuple):
    """One lifecycle change; ``data`` is JSON text."""

    id: str
    time: int
    aircraft: str
    door: str
    code: str
    type: str
    data: str
    position: int


class QuarantineRow(NamedTuple):
    """One rejected input: ``payload`` is its beginning, ``size`` its whole length in bytes."""

    at: int
    reason: str
    topic: str
    detail: str
    payload: bytes
    size: int
    position: int


class AuditRow(NamedTuple):
    """One person's action."""

    time: int
    person: str
    action: str
    subject: str
    reason: str
    was: str
    became: str
    origin: str
    position: int


class DeafnessRow(NamedTuple):
    """What a place was deaf to from ``at`` (µs) on; ``deaf_to`` is JSON text, ``gone`` that the aircraft had left."""

    at: int
    aircraft: str
    door: str
    deaf_to: str
    gone: bool
    position: int


class StateRow(NamedTuple):
    """How a door stood from ``at`` (µs) on."""

    at: int
    aircraft: str
    door: str
    state: str
    slide: str
    position: int


class RunRow(NamedTuple):
    """A run of a procedure that has ended; ``document`` is JSON text."""

    run_id: str
    began_at: int
    ended_at: int
    aircraft: str
    door: str
    procedure: str
    drill: str
    document: str
    position: int


class DrillRow(NamedTuple):
    """A drill; ``doors`` is JSON text, ``ended_at`` ``None`` while it runs."""

    permit_id: str
    name: str
    procedure: str
    aircraft: str
    doors: str
    by: str
    began_at: int
    until: int
    ended_at: int | None
    simulated: bool
    position: int


class Kept(NamedTuple):
    """The rows that a batch of entries led to, in order."""

    events: list[EventRow]
    quarantine: list[QuarantineRow]
    audit: list[AuditRow]
    deafness: list[DeafnessRow]
    states: list[StateRow]
    runs: list[RunRow]
    drills: list[DrillRow]


def kept_rows(entries: Iterable[Entry]) -> Kept:
    """Turn the entries' effects into rows; effects that are not kept are passed over."""
    kept = Kept([], [], [], [], [], [], [])
    for entry in entries:
        for effect in entry.effects:
            if isinstance(effect, PublishEvent):
                kept.events.append(_event_row(effect, entry.position))
            elif isinstance(effect, RejectInput):
                kept.quarantine.append(_quarantine_row(effect, entry))
            elif isinstance(effect, RecordAudit):
                kept.audit.append(_audit_row(effect, entry.position))
            elif isinstance(effect, NoteDeafness):
                kept.deafness.append(_deafness_row(effect, entry.position))
            elif isinstance(effect, NoteState):
                kept.states.append(_state_row(effect, entry.position))
            elif isinstance(effect, NoteRun):
                kept.runs.append(_run_row(effect, entry.position))
            elif isinstance(effect, NoteDrill):
                kept.drills.append(_drill_row(effect, entry.position))
    return kept


def _event_row(effect: PublishEvent, position: int) -> EventRow:
    return EventRow(
        storable(effect.id),
        effect.time,
        storable(effect.aircraft),
        storable(effect.door),
        storable(effect.code),
        storable(effect.type),
        _encode_data(effect.data),
        position,
    )


def _audit_row(effect: RecordAudit, position: int) -> AuditRow:
    _, *texts = effect
    by, action, subject, reason, before, after, origin = map(storable, texts)
    return AuditRow(effect.time, by, action, subject, reason, before, after, origin, position)


def _deafness_row(effect: NoteDeafness, position: int) -> DeafnessRow:
    text, gone = _encode_deafness(effect.deaf_to)
    return DeafnessRow(effect.time, storable(effect.aircraft), storable(effect.door), text, gone, position)


def _state_row(effect: NoteState, position: int) -> StateRow:
    reg, door, state, slide = map(storable, (effect.aircraft, effect.door, effect.state, effect.slide))
    return StateRow(effect.time, reg, door, state, slide, position)


def _run_row(effect: NoteRun, position: int) -> RunRow:
    reg, door, procedure, drill = map(storable, effect[1:5])
    return RunRow(effect.run_id, *effect[5:7], reg, door, procedure, drill, _encode_data(effect.document), position)


def _drill_row(effect: NoteDrill, position: int) -> DrillRow:
    permit_id, name, procedure, reg, by = map(storable, (*effect[:4], effect.by))
    return DrillRow(permit_id, name, procedure, reg, orjson.dumps(effect.doors).decode(), by, *effect[6:], position)


@functools.lru_cache(maxsize=4096)
def _encode_deafness(deaf_to: tuple[tuple[str, ...], ...]) -> tuple[str, bool]:
    # Thousands of doors are deaf in the same few ways: each is written once.
    return orjson.dumps(deaf_to).decode(), any(why in _LEFT for _, why, *_ in deaf_to)


@functools.lru_cache(maxsize=4096)
def _decode_deafness(text: str) -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(each) for each in orjson.loads(text))


def deafness_note(at: int, door: str, deaf_to: str) -> Note:
    """Give a :class:`DeafnessRow`'s columns as the core sums them up."""
    return Note(at, door, _decode_deafness(deaf_to))


def _quarantine_row(effect: RejectInput, entry: Entry) -> QuarantineRow:
    reason, topic, detail = map(storable, effect)
    payload = entry.payload
    return QuarantineRow(entry.at, reason, topic, detail, payload[:QUARANTINED_BYTES], len(payload), entry.position)


def storable(text: str) -> str:
    # A lone surrogate, which JSON can smuggle in, fits neither UTF-8 nor the database:
    # one such name must not keep every later entry off the disk.
    return text if text.isascii() else text.encode("utf-8", "replace").decode()


def _encode_data(data: dict[str, Any]) -> str:
    try:
        return orjson.dumps(data).decode()
    except TypeError:  # the same reason; the standard library takes what orjson refuses
        return storable(json.dumps(data, ensure_ascii=False, default=str))


def event_readout(row: Sequence[Any]) -> Readout:
    """Give an :class:`EventRow`'s columns as a reader wants them."""
    identity, time, aircraft, door, code, kind, data = row[:7]
    return {
        "id": identity,
        "type": EVENT_TYPE_PREFIX + kind,
        "time": format_time(time),
        "aircraft": aircraft,
        "door": door,
        "code": code,
        "data": orjson.loads(data),
    }


def kept_event(row: Sequence[Any]) -> KeptEvent:
    """Give an :class:`EventRow`'s columns, its seq last, as the event that was told."""
    identity, time, aircraft, door, code, kind, data, seq = row
    return KeptEvent(seq, PublishEvent(aircraft, door, code, kind, identity, time, orjson.loads(data)))


def event_change(row: Sequence[Any]) -> Change:
    """Give an :class:`EventRow`'s columns as the core sets them in a line of time."""
    _, time, _, door, code, kind, data = row[:7]
    return Change(time, door, code, kind, orjson.loads(data))


def standing_since(last: Change) -> int | None:
    """Say since when an alert stands whose last change this is (µs), or ``None`` where it is over."""
    return None if last.data["state"] == AlertState.NORMAL else parse_time(last.data["raised_at"])


def fitting_from(moments: Sequence[int], most: int, since: int) -> int:
    """Say from when on no more than ``most`` of these moments, the oldest first, are left."""
    return moments[-most - 1] + 1 if len(moments) > most else since


def earlier_rows(standing: int) -> int:
    """Say how many of an alert's newest earlier changes are told where ``standing`` alerts stand.

    With those that are always told, all earlier changes together are at most :data:`CHANGES_MAX`, or three an alert.
    """
    return max(1, min(EARLIER_MAX, CHANGES_MAX // max(standing, 1) - 2))


def choose_earlier(changes: Sequence[Change], newest: int) -> list[Change]:
    """Choose of one alert's changes its first, the first at its worst priority, and the ``newest``; in order."""
    worst = min(range(len(changes)), key=lambda n: (-_rank(changes[n]), n))
    wanted = {0, worst, *range(max(0, len(changes) - newest), len(changes))}
    return [change for n, change in enumerate(changes) if n in wanted]


def _rank(change: Change) -> int:
    return RANK.get(change.data.get("priority", ""), -1)


def event_annunciation(row: Sequence[Any]) -> Annunciation | None:
    """Give an :class:`EventRow`'s columns as the core counts them; ``None`` for what asked nobody's attention."""
    _, time, aircraft, door, code, kind, data = row[:7]
    return make_annunciation(time, aircraft, door, code, kind, orjson.loads(data))


def quarantine_readout(row: Sequence[Any]) -> Readout:
    """Give a :class:`QuarantineRow`'s columns; what is not text comes as ``payload_base64``."""
    at, reason, topic, detail, payload, size = row[:6]
    readout = {"at": format_time(at), "reason": reason, "topic": topic, "detail": detail, "size": size}
    text = _text_of(payload, cut=size > len(payload))
    if text is None:
        readout["payload_base64"] = base64.b64encode(payload).decode()
    else:
        readout["payload"] = text
    return readout


def _text_of(payload: bytes, *, cut: bool) -> str | None:
    # A cut may fall inside a character, which takes up to four bytes.
    for missing in range(4 if cut else 1):
        try:
            return payload[: len(payload) - missing].decode()
        except UnicodeDecodeError:
            continue
    return None


def audit_readout(row: Sequence[Any]) -> Readout:
    """Give an :class:`AuditRow`'s columns as a reader wants them."""
    time, person, action, subject, reason, was, became, origin = row[:8]
    return {
        "time": format_time(time),
        "by": person,
        "action": action,
        "subject": subject,
        "reason": reason,
        "before": was,
        "after": became,
        "origin": origin,
    }


def encode_cursor(time: int, seq: int) -> str:
    """Write the place after a page's last row, for the caller to hand back unread."""
    return base64.urlsafe_b64encode(f"{time}.{seq}".encode()).decode().rstrip("=")


def decode_cursor(cursor: str) -> tuple[int, int]:
    """Read :func:`encode_cursor`'s text. Raises :class:`CursorError`."""
    try:
        text = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True).decode("ascii")
        time, seq = (int(part) for part in text.split("."))
    except (binascii.Error, ValueError):
        raise CursorError from None
    if max(abs(time), abs(seq)) >= 2**63:
        raise CursorError
    return time, seq


def page_size(limit: int) -> int:
    """Hold a wanted page size within 1 and :data:`PAGE_ROWS_MAX`."""
    return max(1, min(limit, PAGE_ROWS_MAX))


def snapshot_digest(snapshot: Snapshot) -> bytes:
    """Checksum a snapshot with the place it belongs to."""
    digest = hashlib.blake2b(f"{snapshot.position} {snapshot.at} ".encode(), digest_size=16)
    digest.update(snapshot.body)
    return digest.digest()
