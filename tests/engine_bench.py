"""An engine between a sender, a broker and a disk that write down what they see.

Owns the bench that the engine's tests share: the journal is the one in memory, whose disk
obeys the test: it commits when told to, or never. Time is a number, or the event loop's,
which is virtual wherever something has to fall due. It asserts nothing.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any, Final, NamedTuple

from monitor.adapters.journal_memory import MemoryJournal
from monitor.core.times import MILLISECOND, SECOND
from monitor.engine import Engine, restore
from monitor.ports import Entry, Message, Outgoing, Step
from tests.stories import ARMED, REG, STAND, START, codec, demo_site, healthy_airframe, healthy_door

ROOT: Final = f"apron/v1/{demo_site().name}/aircraft/{REG}"
OUT: Final = f"sillwatch/v1/{{}}/{demo_site().name}/{REG}/"
ANSWERS: Final = "sillwatch/v1/readiness/"


class Told(NamedTuple):
    """What the engine did to the world, in order."""

    what: str
    where: str
    payload: bytes = b""

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


class Hand:
    """A clock that a test sets; in a test with virtual time, the loop's."""

    def __init__(self, at: int = START) -> None:
        self.at = at

    def now(self) -> int:
        return self.at


class LoopHand(Hand):
    """Our time as the event loop's."""

    def now(self) -> int:
        at = START + round(asyncio.get_running_loop().time() * SECOND)
        return at - at % MILLISECOND


class Disk(MemoryJournal):
    """The journal in memory, told when to commit; it writes down when something was appended."""

    def __init__(self, log: list[Told]) -> None:
        self.log = log
        self.waiting: list[Callable[[], None]] = []
        super().__init__(defer=self.waiting.append)

    def append(self, entry: Entry, committed: Callable[[], None] | None = None) -> None:
        self.log.append(Told("append", entry.topic or entry.kind, entry.payload))
        super().append(entry, committed)

    def commit(self) -> None:
        """Let everything that was appended reach the disk."""
        waiting, self.waiting[:] = list(self.waiting), []
        for run in waiting:
            run()


class Bench:
    """An engine between a sender, a broker and a disk that write down what they see."""

    def __init__(self, clock: Hand, *, journal: Disk | None = None) -> None:
        self.journal = journal if journal is not None else Disk([])
        self.log = self.journal.log
        self.clock = clock
        self.wire = codec()
        self.steps: list[Step] = []
        self.answers: list[Outgoing] = []
        self.engine = Engine(
            restored=restore(demo_site(), self.journal, self.wire),
            codec=self.wire,
            clock=clock,
            journal=self.journal,
            publisher=self,
            observers=[self],
        )

    # Publisher and observer

    def publish(self, outgoing: Outgoing) -> None:
        if outgoing.topic.startswith(ANSWERS):
            # Looked at once a second at most, whatever was delivered: kept apart from what a message led to.
            self.answers.append(outgoing)
            return
        self.log.append(Told("publish" if outgoing.payload else "empty", outgoing.topic, outgoing.payload))

    def observe(self, step: Step) -> None:
        self.steps.append(step)
        self.log.append(Told("observe", type(step.event).__name__))

    # Senders

    def deliver(self, message: Message) -> None:
        """Deliver as the broker does."""
        self.engine.receive(message, lambda: self.log.append(Told("settle", message.topic)))

    def commit(self) -> None:
        self.journal.commit()

    def up(self) -> Bench:
        """Start, with the broker there and everything so far on disk."""
        self.engine.start()
        self.engine.note_connected()
        self.commit()
        return self

    # What was seen

    def words(self, *, of: str) -> list[str]:
        """What happened that concerns one topic or one door's outputs."""
        return [told.what for told in self.log if of in told.where]

    def events(self, code: str = "") -> list[Any]:
        """The CloudEvents that went out, of one code if named."""
        return [
            t.json
            for t in self.log
            if t.what == "publish" and t.where.startswith(OUT.format("event")) and code in t.where
        ]

    def lifecycle(self, code: str) -> list[str]:
        return [event["type"].removeprefix("sillwatch.alert.") for event in self.events(code)]


def reading(path: str, value: Any, at: float, **more: Any) -> Message:
    """One reading as it is delivered; ``at`` is its stamp in seconds of the story."""
    return Message(f"{ROOT}/{path}", json.dumps({"time": START / SECOND + at, "value": value, **more}).encode(), False)


def bundle(readings: dict[str, Any], at: float) -> Message:
    return Message(f"{ROOT}/bundle", json.dumps({"time": START / SECOND + at, "readings": readings}).encode(), False)


def arrival(at: float = 0.0) -> Message:
    """A complete, healthy alder at its stand, its front left slide engaged."""
    airframe = demo_site().types["alder"]
    readings: dict[str, Any] = {"airframe/type": "alder", "airframe/stand": STAND, "airframe/heartbeat": 1}
    readings.update({f"airframe/{name}": value for name, value in healthy_airframe(airframe).items()})
    for door in airframe.doors.values():
        readings.update({f"door/{door.name}/{name}": value for name, value in healthy_door(door).items()})
    readings.update({f"door/L1/{name}": value for name, value in ARMED.items()})
    return bundle(readings, at)


HANDLE: Final = reading("door/L1/handle_lifted", True, 1.0)
HANDLE_HOME: Final = reading("door/L1/handle_lifted", False, 3.0)
DISAGREE: Final = reading("door/CA/latched", False, 1.0)
"""Locked without latched: raised by the clock alone, a second later."""


def alert_of(bench: Bench, code: str) -> dict[str, Any]:
    """The last event's document of a code."""
    data: dict[str, Any] = bench.events(code)[-1]["data"]
    return data
