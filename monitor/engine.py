"""The one loop that owns the state.

Takes deliveries, people's actions and deadlines one after another through the core; for
each, publishes first, then makes durable, then lets the broker know. It knows the world
only through :mod:`monitor.ports` and decides nothing about doors.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final, cast

import orjson
import structlog

from monitor.core import readout, snapshot
from monitor.core.airframe import Site
from monitor.core.dues import WORK_MAX, Due
from monitor.core.effects import (
    Effect,
    NoteDeafness,
    NoteDrill,
    NoteRun,
    NoteState,
    PublishActive,
    PublishDoor,
    PublishEvent,
    PublishProcedure,
    PublishReadiness,
    RecordAudit,
    RefuseCommand,
    RejectInput,
)
from monitor.core.events import (
    BrokerConnected,
    BrokerDisconnected,
    Command,
    Event,
    MonitorStarted,
    ProofPassed,
    ProofsExpected,
    ReadingsArrived,
    ReadingsShed,
)
from monitor.core.proving import PROOF
from monitor.core.system import System
from monitor.core.times import MILLISECOND, MINUTE, SECOND
from monitor.ports import (
    Clock,
    Codec,
    Entry,
    Journal,
    JournalError,
    Message,
    Observer,
    Outgoing,
    Publisher,
    Snapshot,
    Step,
)

MESSAGE: Final = "message"
CLOCK: Final = "clock"
FAULT: Final = "internal-fault"
"""The reason under which a delivery is set aside that the core itself could not take."""
SNAPSHOT_EVERY: Final = 10 * MINUTE
SNAPSHOT_ENTRIES: Final = 200_000

ANSWERS_PRESSED: Final = 20 * MILLISECOND
"""While deliveries wait, one aircraft's answers are looked at in so much time (µs)."""

_KEPT: Final = (PublishEvent, RejectInput, RecordAudit, NoteDeafness, NoteState, NoteRun, NoteDrill)
_log: Final = structlog.get_logger("sillwatch.engine")


def take_message(system: System, codec: Codec, message: Message, now: int) -> tuple[Event | RejectInput, list[Effect]]:
    """Take one delivery through codec and core; live, restored and replayed alike.

    Returns the first thing that was read from it (for measuring) and the effects.
    """
    decoded = codec.decode(message)
    parts: Sequence[Event | RejectInput]
    # An event is itself a tuple, so it is told from a list of them by its exact kind.
    parts = decoded if isinstance(decoded, list) else (decoded,)  # type: ignore[assignment]
    effects: list[Effect] = []
    for part in parts:
        if isinstance(part, RejectInput):
            effects.append(part)
            continue
        effects.extend(take_event(system, part, now, message.topic))
    return parts[0], effects


def take_event(system: System, event: Event, now: int, topic: str = "") -> list[Effect]:
    """Take one event; a fault of ours is set aside with it, for a person to read, and never ends the run.

    What fell due before it is judged on its own, so that a fault there is not laid at this one's door.

    Restoring meets the same fault at the same event and goes on the same way.
    """
    passed = [] if isinstance(event, MonitorStarted) else _let_pass(system, lambda: system.advance_before(event, now))
    try:
        return [*passed, *system.step(event, now)]
    except Exception as error:
        _log.exception("an event could not be judged", action="judge", topic=topic, met=type(event).__name__)
        detail = f"internal fault at {type(event).__name__}: {error!r}"
        return [*passed, *system.abandon(), RejectInput(FAULT, topic, detail), RefuseCommand("refused", detail)]


def let_time_pass(
    system: System, now: int, answers_max: int, work_max: int | None = None, upto: Due | None = None
) -> list[Effect]:
    """Judge what fell due, ``work_max`` deadlines at most, and look at ``answers_max`` aircraft's answers at most.

    What cannot be judged is off the queue, and what comes after it still is. ``upto`` is as :meth:`System.advance` has it.
    """
    return _let_pass(system, lambda: system.advance(now, answers_max=answers_max, work_max=work_max, upto=upto))


def _let_pass(system: System, judge: Callable[[], list[Effect]]) -> list[Effect]:
    try:
        return judge()
    except Exception:
        _log.exception("a deadline could not be judged", action="judge")
        return system.abandon()


def take_entry(system: System, codec: Codec, entry: Entry) -> list[Effect]:
    """Take one journal row through the same path as when it was new; raises :class:`JournalError`."""
    if entry.kind == MESSAGE:
        message = Message(entry.topic, entry.payload, entry.retained, entry.again)
        return take_message(system, codec, message, entry.at)[1]
    if entry.kind == CLOCK:
        # Where something was left over, the row says how far it went.
        reached: Due | None = cast(Due, tuple(orjson.loads(entry.payload))) if entry.payload else None
        return let_time_pass(system, entry.at, 0, upto=reached)
    return take_event(system, read_event(codec, entry), entry.at)


def read_event(codec: Codec, entry: Entry) -> Event:
    """Read what a row that is no message and no deadline tells of; raises :class:`JournalError`."""
    try:
        return codec.decode_event(entry.kind, entry.payload)
    except ValueError as error:
        raise JournalError(
            f"input {entry.position} of the journal cannot be read: {error};"
            " if a newer Sillwatch wrote it, use that version"
        ) from None


@dataclass(frozen=True, slots=True)
class Restored:
    """A state read back, the journal position it stands at, and how it was got."""

    system: System
    position: int
    replayed: int
    snapshot_position: int


def restore(site: Site, journal: Journal, codec: Codec) -> Restored:
    """Read the state back: the newest snapshot that this version reads, then every entry after it.

    Raises :class:`JournalError` for an entry that this version cannot read.
    """
    saved = journal.latest_snapshot()
    record = None
    if saved is not None:
        try:
            record = snapshot.restore(saved.body)
        except snapshot.SnapshotUnreadableError as error:
            _log.warning("snapshot not readable; replaying the journal", action="restore", why=str(error))
            saved = None
    system = System(site, record)
    position = start = saved.position if saved is not None else 0
    replayed = 0
    for entry in journal.entries_after(start):
        take_entry(system, codec, entry)
        position = entry.position
        replayed += 1
    return Restored(system, max(position, journal.last_position()), replayed, start)


def _empty(reg: str, door: str, code: str) -> Effect:
    if code == readout.PROCEDURE:
        return PublishProcedure(reg, door, None)
    if code:
        return PublishActive(reg, door, code, None)
    return PublishDoor(reg, door, None) if door else PublishReadiness(reg, None)


class Engine:
    """Owns one :class:`System` and its order of work.

    ``receive`` and the ``note_…`` methods are called on the event loop's thread, one at a
    time; nothing here awaits between reading the state and changing it.
    """

    def __init__(
        self,
        *,
        restored: Restored,
        codec: Codec,
        clock: Clock,
        journal: Journal,
        publisher: Publisher,
        observers: Iterable[Observer] = (),
    ) -> None:
        self.system = restored.system
        self._position = restored.position
        self._snapshot_position = restored.snapshot_position
        self._codec = codec
        self._clock = clock
        self._journal = journal
        self._publisher = publisher
        self._observers = list(observers)
        self.received = 0
        """Deliveries taken since the start, but for our own proofs."""
        self.observer_faults = 0
        """Times that a page, a metric or another observer failed at a step."""
        self._timer: asyncio.TimerHandle | None = None
        self._timer_due: int | None = None
        self._last_snapshot_at = 0
        self._running = False
        self.deliveries_wait: Callable[[], bool] = lambda: False
        """Whether deliveries wait to be taken: answers then come after them."""
        self._answers_from = 0

    def add_observer(self, observer: Observer) -> None:
        """Let one more observer hear of every step from now on."""
        self._observers.append(observer)

    # Life

    def start(self) -> None:
        """Take up work where the journal left off."""
        self._running = True
        self._last_snapshot_at = self._clock.now()
        self._take_event(MonitorStarted())

    def stop(self) -> None:
        """Stop judging and leave a snapshot for the next start."""
        self._running = False
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        while self.system.behind:
            self._on_due()
        self.save_snapshot()

    def save_snapshot(self) -> None:
        """Queue a snapshot of the whole state behind what was journalled; later, where something due was left over."""
        if self.system.behind:
            return
        body = snapshot.dump(self.system.record)
        self._journal.save_snapshot(Snapshot(self._position, self.system.record.at, body))
        self._snapshot_position = self._position
        self._last_snapshot_at = self._clock.now()

    # Inputs

    def receive(self, message: Message, settle: Callable[[], None], received: float | None = None) -> None:
        """Take a delivery, which came at ``received`` if not now; ``settle`` is called once it is durable."""
        if received is None:
            received = time.perf_counter()
        now = self._clock.now()
        self._judge_some(now, 0, received)
        event: Event | RejectInput | None
        event, effects = take_message(self.system, self._codec, message, now)
        if isinstance(event, ReadingsArrived) and event.aircraft == PROOF:
            # Nobody's message: whoever watches or counts is told of what it led to alone.
            event = None
        else:
            self.received += 1
        self._publish(effects)
        self._append(now, MESSAGE, message, effects, settle)
        self._finish(now, event, effects, received)

    async def submit(self, command: Command) -> Sequence[Effect]:
        """Take a person's action; returns what followed once it is durable."""
        durable: asyncio.Future[None] = asyncio.get_running_loop().create_future()

        def committed() -> None:
            if not durable.done():
                durable.set_result(None)

        effects = self._take_event(command, committed)
        await durable
        return effects

    def note_connected(self) -> None:
        """The broker connection stands."""
        self._take_event(BrokerConnected())

    def note_disconnected(self, why: str) -> None:
        """The broker connection is lost."""
        self._take_event(BrokerDisconnected(why))

    def expect_proofs(self, expected: bool) -> None:
        """Say whether proofs are sent from now on; what was so before the start is no news."""
        if expected is not self.system.record.proof.expected:
            self._take_event(ProofsExpected(expected))

    def note_proof(self, took_us: int) -> None:
        """A proof has passed, within ``took_us`` (µs)."""
        self._take_event(ProofPassed(took_us))

    @property
    def position(self) -> int:
        """The journal position of the last input taken."""
        return self._position

    def note_shed(self, event: ReadingsShed) -> None:
        """Messages were left out: more comes than can be taken."""
        self._take_event(event)

    def held_outputs(self) -> dict[str, Callable[[], Outgoing | None]]:
        """Every retained topic that should stand on the broker now, with what writes it as it then is."""
        held: dict[str, Callable[[], Outgoing | None]] = {}
        for reg, door, code in readout.held_places(self.system):
            outgoing = self._codec.encode(_empty(reg, door, code))
            if outgoing is not None:
                held[outgoing.topic] = partial(self._write_held, reg, door, code)
        return held

    def _write_held(self, reg: str, door: str, code: str) -> Outgoing | None:
        effect = readout.describe_held(self.system, reg, door, code, self._clock.now())
        return None if effect is None else self._codec.encode(effect)

    def _take_event(self, event: Event, committed: Callable[[], None] | None = None) -> list[Effect]:
        received = time.perf_counter()
        now = self._clock.now()
        if not isinstance(event, MonitorStarted):
            self._judge_some(now, 0, received)
        effects = take_event(self.system, event, now)
        self._publish(effects)
        kind, body = self._codec.encode_event(event)
        self._append(now, kind, Message("", body, False), effects, committed)
        self._finish(now, event, effects, received)
        return effects

    # Deadlines

    def _answers_wait_until(self, now: int) -> int:
        """From when (µs) on answers may be looked at: those that never come would be worse than late ones."""
        if not self.deliveries_wait() or self._answers_from > now + ANSWERS_PRESSED:  # or our clock went back
            return 0
        return self._answers_from

    def _arm(self) -> None:
        now = self._clock.now()
        due = self.system.next_deadline(self._answers_wait_until(now))
        if due == self._timer_due and self._timer is not None:
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._timer_due = due
        if due is not None and self._running:
            wait = max(due - now, MILLISECOND) / SECOND
            self._timer = asyncio.get_running_loop().call_later(wait, self._on_due)

    def _on_due(self) -> None:
        received = time.perf_counter()
        self._timer = None
        self._timer_due = None
        now = self._clock.now()
        # One aircraft's answers and a few deadlines a turn of the loop: whatever was sent meanwhile is judged in between.
        answers = now >= self._answers_wait_until(now)
        if answers:
            self._answers_from = now + ANSWERS_PRESSED
        self._judge_some(now, int(answers), received, finish=True)

    def _judge_some(self, now: int, answers_max: int, received: float, *, finish: bool = False) -> None:
        """Work off a few deadlines, as an entry of their own; ``finish``: though none may be due."""
        was_behind = self.system.behind
        if not (finish or self.system.is_due(now)):
            return
        effects = let_time_pass(self.system, now, answers_max, WORK_MAX)
        self._publish(effects)
        told = any(not isinstance(effect, (PublishDoor, PublishReadiness)) for effect in effects)
        if told or was_behind or self.system.behind:
            # What only looked at answers or doors again changed nothing that a restore must repeat.
            how_far = orjson.dumps(self.system.reached) if self.system.behind else b""
            self._append(now, CLOCK, Message("", how_far, False), effects, None)
        if finish or effects:
            self._finish(now, None, effects, received)

    # Effects

    def _publish(self, effects: Iterable[Effect]) -> None:
        for effect in effects:
            outgoing = self._codec.encode(effect)
            if outgoing is not None:
                self._publisher.publish(outgoing)

    def _append(
        self,
        now: int,
        kind: str,
        message: Message,
        effects: Iterable[Effect],
        committed: Callable[[], None] | None,
    ) -> None:
        self._position += 1
        kept = tuple(effect for effect in effects if isinstance(effect, _KEPT))
        topic, payload, retained, again = message
        self._journal.append(Entry(self._position, now, kind, topic, payload, retained, kept, again), committed)

    def _finish(self, now: int, event: Event | RejectInput | None, effects: Sequence[Effect], received: float) -> None:
        step = Step(now, event, effects, received, time.perf_counter())
        for observer in self._observers:
            try:
                observer.observe(step)
            except Exception:
                # Whoever watches must never keep an alert from going out.
                self.observer_faults += 1
                _log.exception("an observer failed", action="observe", observer=type(observer).__name__)
        if self._running:
            self._arm()
            if (
                self._position - self._snapshot_position >= SNAPSHOT_ENTRIES
                or now - self._last_snapshot_at >= SNAPSHOT_EVERY
            ):
                self.save_snapshot()
