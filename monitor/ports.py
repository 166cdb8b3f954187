"""The seams between the engine and the world, as protocols.

Owns what the engine may ask of a clock, a codec, a journal, a publisher and its
observers. Real and fake versions live in :mod:`monitor.adapters`; each fake passes
the suite of the real thing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from monitor.core.effects import Effect, RejectInput
from monitor.core.events import Event


class Message(NamedTuple):
    """One MQTT message as it was delivered; ``retained`` is the delivery's retain flag."""

    topic: str
    payload: bytes
    retained: bool


class Outgoing(NamedTuple):
    """One MQTT message to send, always at QoS 1."""

    topic: str
    payload: bytes
    retain: bool


class Clock(Protocol):
    """Time in µs since the Unix epoch, whole milliseconds, never going backwards."""

    def now(self) -> int: ...


class Codec(Protocol):
    """Bytes to events and effects to bytes; pure."""

    def decode(self, message: Message) -> Event | RejectInput | Sequence[Event | RejectInput]:
        """Read one message.

        Never raises for what a sender can do: what cannot be used comes back as
        :class:`RejectInput`, beside the good readings of the same bundle.
        """

    def encode(self, effect: Effect) -> Outgoing | None:
        """Write an effect for the broker, or ``None`` where it does not go there."""

    def encode_event(self, event: Event) -> tuple[str, bytes]:
        """Write an event that did not come by wire for the journal: its kind and body."""

    def decode_event(self, kind: str, body: bytes) -> Event:
        """Read it back."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One journal row: an input in the order of its effect, with what it led to.

    ``position`` counts up by one without gaps. ``kind`` is ``message`` for a delivery
    (``topic``, ``payload`` and ``retained`` are then the delivery's own) or the kind that
    :meth:`Codec.encode_event` gave (``topic`` is then empty). ``effects`` holds only those
    that are kept: ``PublishEvent``, ``RejectInput``, ``RecordAudit``, ``NoteDeafness`` and
    ``NoteState``.
    """

    position: int
    at: int
    kind: str
    topic: str
    payload: bytes
    retained: bool
    effects: tuple[Effect, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The whole state after the entry at ``position``; ``at`` is the last ``now`` that was judged."""

    position: int
    at: int
    body: bytes


class InstanceError(RuntimeError):
    """The instance cannot start or go on; the message is one line for a person."""


class JournalError(Exception):
    """The journal cannot be used; the message is one sentence for a person."""


class Journal(Protocol):
    """Where every input is made durable before it is acknowledged."""

    def append(self, entry: Entry, committed: Callable[[], None] | None = None) -> None:
        """Queue an entry for the next group commit; never blocks.

        ``committed`` is called on the event loop's thread once the entry is on disk,
        in the order of the appends.
        """

    def save_snapshot(self, snapshot: Snapshot) -> None:
        """Queue a snapshot behind the entries already appended."""

    def latest_snapshot(self) -> Snapshot | None: ...

    def entries_after(self, position: int) -> Iterator[Entry]:
        """Every entry with a greater position, in order, with empty ``effects``."""

    def last_position(self) -> int:
        """The greatest position on disk, 0 where there is none."""

    @property
    def healthy(self) -> bool:
        """False while the last commit failed."""


class Publisher(Protocol):
    """Sends to the broker without waiting for it."""

    def publish(self, outgoing: Outgoing) -> None:
        """Send now if connected; otherwise keep it (bounded) for when the connection is back.

        Retained documents are not kept: a reconnect publishes all of them again.
        """


class Step(NamedTuple):
    """What one input led to; ``received`` and ``done`` are ``time.perf_counter`` seconds."""

    now: int
    event: Event | RejectInput | None
    effects: Sequence[Effect]
    received: float
    done: float


class Observer(Protocol):
    """Hears of every step after its effects were handed to the publisher; must be quick."""

    def observe(self, step: Step) -> None: ...


Readout = dict[str, Any]
"""A JSON-ready answer for a reader."""
