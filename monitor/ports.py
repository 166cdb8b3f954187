"""The seams between the engine and the world, as protocols.

Owns what the engine may ask of a clock, a codec, a journal, a publisher and its
observers, and what the HTTP side may ask about people. Real and fake versions live in
:mod:`monitor.adapters`; each fake passes the suite of the real thing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, Literal, NamedTuple, Protocol

from monitor.core.effects import Effect, PublishEvent, RejectInput
from monitor.core.events import Event


class Message(NamedTuple):
    """One MQTT message as it was delivered; ``retained`` is the delivery's retain flag, ``again`` its DUP flag."""

    topic: str
    payload: bytes
    retained: bool
    again: bool = False


def settle_nothing() -> None:
    """Settle a delivery of QoS 0, which has no acknowledgement: how such a one is told from the others."""


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
    (``topic``, ``payload``, ``retained`` and ``again`` are then the delivery's own) or the kind that
    :meth:`Codec.encode_event` gave (``topic`` is then empty). ``effects`` holds only those
    that are kept: ``PublishEvent``, ``RejectInput``, ``RecordAudit``, ``NoteDeafness``, ``NoteState``,
    ``NoteRun`` and ``NoteDrill``.
    """

    position: int
    at: int
    kind: str
    topic: str
    payload: bytes
    retained: bool
    effects: tuple[Effect, ...] = ()
    again: bool = False


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The whole state after the entry at ``position``; ``at`` is the last ``now`` that was judged."""

    position: int
    at: int
    body: bytes


@dataclass(frozen=True, slots=True)
class Settings:
    """What a start at ``at`` (µs), behind ``position``, runs by: dotted keys with their values as text."""

    at: int
    position: int
    values: Mapping[str, str]


class KeptEvent(NamedTuple):
    """A lifecycle event that is durable; ``seq`` counts up in the order of the commits, with gaps."""

    seq: int
    event: PublishEvent


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


class AccessError(Exception):
    """Who may use the service cannot be told or changed; the message is one sentence for a person."""


class Role(StrEnum):
    """What a person may do; each may all that the one before it may."""

    VIEWER = "viewer"
    COORDINATOR = "coordinator"
    ADMINISTRATOR = "administrator"


SCOPES: Final = ("read", "act", "metrics", "admin")
"""What a token may be given, each for itself."""


class Who(NamedTuple):
    """Who a request comes from: a person's session (``role``) or a token (``scopes``). Holds no secret.

    ``id`` is the session's or the token's public name; ``ends_at`` is in µs, ``None`` for never.
    """

    kind: Literal["session", "token"]
    id: str
    name: str
    role: Role | None
    scopes: frozenset[str]
    ends_at: int | None


class Granted(NamedTuple):
    """A session that has just begun; ``secret`` is told to nobody but the browser it is for."""

    who: Who
    secret: str


class Denied(NamedTuple):
    """A sign-in that did not succeed: ``failed``, ``too-many`` or ``refused``; ``detail`` is a sentence."""

    kind: Literal["failed", "too-many", "refused"]
    detail: str
    retry_after_s: int = 0


class Journey(NamedTuple):
    """A sign-in that goes on at another provider: where to, and what the browser brings back (``state``)."""

    url: str
    state: str


class Access(Protocol):
    """Who may use the service; every method raises :class:`AccessError` where that cannot be told.

    ``now`` is in µs; ``address`` is where a request comes from and ``agent`` what its browser
    calls itself.
    """

    @property
    def oidc(self) -> bool:
        """Whether people can also sign in at another provider."""

    async def sign_in(
        self, name: str, password: str, *, address: str, agent: str, now: int, instead_of: str | None
    ) -> Granted | Denied:
        """Begin a session; the one with the secret ``instead_of`` ends."""

    async def begin_journey(self, onwards: str, now: int, address: str) -> Journey:
        """Begin a sign-in at another provider, which is to lead to the page ``onwards``."""

    async def end_journey(
        self, state: str, query: Mapping[str, str], *, address: str, agent: str, now: int, instead_of: str | None
    ) -> tuple[Granted | Denied, str]:
        """Begin the session that another provider vouches for; returns also the page it leads to."""

    async def find_session(self, secret: str, now: int) -> Who | None:
        """The session with this secret, which is thereby used."""

    async def find_token(self, text: str, now: int) -> Who | None:
        """The token that is written so."""

    async def find_ended(self, whos: Collection[Who], now: int) -> set[Who]:
        """Those of ``whos`` that may no longer go on as what they were."""

    async def list_sessions(self, *, of: str | None, now: int) -> list[Readout]:
        """The sessions that run, of one person or of all: ``id``, ``name`` and what else is known of them."""

    async def end_session(self, session: str, *, of: str | None, by: str, origin: str, now: int) -> bool:
        """End a session, whoever's or only one ``of`` a person; ``False`` where there is none."""

    async def list_people(self) -> list[Readout]:
        """Everybody who may sign in with a password."""


class Outside(Protocol):
    """What is told outside the board and the broker, as readers and people know it."""

    async def describe(self) -> list[Readout]:
        """How each destination does. Raises :class:`JournalError` where its record cannot be read."""

    async def dead_letters(self, *, limit: int, before: int | None) -> list[Readout]:
        """What was laid aside undelivered, newest first, from below the number ``before``; raises as above."""

    async def is_dead(self, letter: int) -> bool:
        """Tell whether a letter of that number was laid aside; raises as above."""

    def list_unreachable(self) -> list[str]:
        """Destinations that have taken nothing for ten minutes or longer."""

    def is_destination(self, name: str) -> bool:
        """Tell whether a destination of that name is configured."""

    async def replay(self, letter: int) -> None:
        """Send a dead letter again; the caller has had it audited. Raises as above."""

    async def resume(self, name: str) -> None:
        """Try a destination again at once; the caller has had it audited. Raises as above."""
