"""A journal on disk from a story: a real engine's inputs and what they led to, written as the monitor writes them.

Owns the story that the reports' tests share: a slide armed, a handle lifted, an acknowledgement,
a drill, a door opened and closed. It asserts nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any, Final

from monitor.adapters.journal_insert import BatchInserter
from monitor.adapters.journal_store import JOURNAL_FILE, connect_writer, prepare_database, shipped_migrations
from monitor.config import Config, default_config_path, flatten, load
from monitor.core.effects import Document
from monitor.core.events import AlertAcknowledged, Event, PermitEnded, PermitGranted
from monitor.core.times import MINUTE, SECOND
from monitor.debrief.archive import Archive
from monitor.debrief.asking import Asked
from monitor.debrief.reports import Desk, debrief_document
from monitor.ports import Entry, Settings, Snapshot
from tests.engine_bench import HANDLE, HANDLE_HOME, Bench, Disk, Hand, alert_of, arrival, bundle, reading
from tests.stories import DISARMED, OUT, REG, START

SCRIPT: Final = "<script>alert(1)</script> & more"
"""What somebody may write into a reason."""


@cache
def demo_config() -> Config:
    """The demo's configuration, read once."""
    return load(default_config_path())


class Keeping(Disk):
    """The disk in memory, which also keeps what was appended, whole."""

    def __init__(self) -> None:
        super().__init__([])
        self.entries: list[Entry] = []
        self.shots: list[Snapshot] = []

    def append(self, entry: Entry, committed: Callable[[], None] | None = None) -> None:
        self.entries.append(entry)
        super().append(entry, committed)

    def save_snapshot(self, snapshot: Snapshot) -> None:
        self.shots.append(snapshot)
        super().save_snapshot(snapshot)


class Story:
    """One engine that is told a story, second by second."""

    def __init__(self) -> None:
        self.disk = Keeping()
        self.bench = Bench(Hand(), journal=self.disk).up()

    def at(self, seconds: float) -> Story:
        """Let time pass up to a second of the story; what falls due in it is judged at its own moment."""
        clock, until = self.bench.clock, START + round(seconds * SECOND)
        while (due := self.bench.engine.system.next_deadline()) is not None and due <= until:
            clock.at = max(due, clock.at)
            self.bench.engine._on_due()
        clock.at = until
        return self

    def deliver(self, seconds: float, *messages: Any) -> Story:
        self.at(seconds)
        for message in messages:
            self.bench.deliver(message)
        return self

    def act(self, seconds: float, event: Event) -> Story:
        self.at(seconds).bench.engine._take_event(event)
        return self

    def beat(self, seconds: float) -> Story:
        """Say that the sender lives."""
        readings = {"airframe/heartbeat": round(seconds) + 2, "airframe/differential_pressure_hpa": 0.0}
        return self.deliver(seconds, bundle(readings, seconds))

    def end_permit(self, seconds: float) -> Story:
        (permit,) = self.bench.engine.system.record.permits.values()
        return self.act(seconds, PermitEnded(permit.permit_id, "Ben", "done"))

    def acknowledge(self, seconds: float, code: str, by: str = "Ann") -> Story:
        self.at(seconds)
        return self.act(seconds, AlertAcknowledged(alert_of(self.bench, code)["alert_id"], by, SCRIPT, None))

    def write(self, folder: Path) -> Path:
        """Write everything so far as a data folder."""
        self.bench.commit()
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / JOURNAL_FILE
        prepare_database(path, shipped_migrations())
        inserter = BatchInserter(connect_writer(path), quarantine_rows=1000, snapshots=3)
        with contextlib.closing(inserter):
            starts = [Settings(START, 1, flatten(demo_config()))]
            inserter.commit(self.disk.entries, self.disk.shots, starts)
        return folder


def open_door(at: float) -> Iterable[tuple[float, Any]]:
    """The front left door is disarmed, opened, held, and closed again."""
    yield at, bundle({f"door/L1/{name}": value for name, value in DISARMED.items()}, at)
    yield at + 2, bundle({f"door/L1/{name}": value for name, value in OUT.items()} | {"door/L1/travel": 0.1}, at + 2)
    yield at + 6, bundle({"door/L1/travel": 1.0, "door/L1/hold_open": True, "door/L1/access": "stairs"}, at + 6)
    yield at + 20, bundle({"door/L1/hold_open": False, "door/L1/travel": 0.7}, at + 20)
    yield (
        at + 25,
        bundle(
            {
                "door/L1/closed": True,
                "door/L1/travel": 0.0,
                "door/L1/latched": True,
                "door/L1/locked": True,
                "door/L1/handle_lifted": False,
            },
            at + 25,
        ),
    )


def tell_story() -> Story:
    """Tell the story that the tests share; its clock is a number, and no timer of the loop ever fires."""

    async def tell() -> Story:
        return _tell()

    return asyncio.run(tell())


def _tell() -> Story:
    """Arrive, lift an armed handle (answered after 4 s), then in a drill open and close the door."""
    story = Story().deliver(0, arrival())
    said: list[tuple[float, Callable[[], object]]] = [
        (1, lambda: story.deliver(1, HANDLE)),
        (3, lambda: story.deliver(3, HANDLE_HOME)),
        (5, lambda: story.acknowledge(5, "armed-handle-moved")),
        (30, lambda: story.act(30, PermitGranted("drill", REG, ("L1",), (), START + 5 * MINUTE, "Ben", SCRIPT))),
        (32, lambda: story.deliver(32, reading("door/L1/handle_lifted", True, 32.0))),
        (34, lambda: story.deliver(34, reading("door/L1/handle_lifted", False, 34.0))),
        *((at, lambda at=at, message=message: story.deliver(at, message)) for at, message in open_door(40)),
        (81, lambda: story.end_permit(81)),
        # From 90 on nothing comes for half a minute.
        *((at + 0.5, lambda at=at: story.beat(at + 0.5)) for at in (*range(0, 90, 5), *range(120, 150, 5))),
    ]
    for _, say in sorted(said, key=lambda each: each[0]):
        say()
    return story.at(150)


NOW: Final = START + 150 * SECOND


@contextlib.contextmanager
def desk_at(folder: Path, now: int = NOW) -> Iterator[Desk]:
    """What reports are made from, over a data folder."""
    with contextlib.closing(Archive(folder)) as archive:
        yield Desk(archive, demo_config(), now, lambda _: None)


def debrief_of(folder: Path, now: int = NOW, names: bool = True, **asked: Any) -> Document:
    """A debrief's document."""
    with desk_at(folder, now) as desk:
        return debrief_document(desk, Asked(**asked), names=names)
