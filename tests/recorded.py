"""Journals as a monitor leaves them, of stories: what the tests of re-running share.

Owns playing a story to a real engine in virtual time, with restarts, and writing what it
journalled to a real file. It asserts nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from monitor.adapters.capture import CaptureLine, read_capture
from monitor.adapters.journal_insert import BatchInserter
from monitor.adapters.journal_memory import MemoryJournal
from monitor.adapters.journal_store import JOURNAL_FILE, connect_writer, prepare_database, shipped_migrations
from monitor.config import Config, default_config_path, flatten, load
from monitor.core.effects import PublishEvent
from monitor.core.events import Command
from monitor.core.times import SECOND
from monitor.engine import Engine, restore
from monitor.ports import Entry, Message, Outgoing, Settings, Snapshot
from monitor.rerun import make_codec
from tests.engine_bench import LoopHand
from tests.scenarios.chance import random_capture
from tests.stories import START


@cache
def demo_config() -> Config:
    """The demo's config, read once."""
    return load(default_config_path(), environment={})


class _Kept(MemoryJournal):
    """The journal in memory, committed at once, that keeps what was appended."""

    def __init__(self) -> None:
        super().__init__(defer=lambda run: run())
        self.entries: list[Entry] = []
        self.snapshots: list[Snapshot] = []

    def append(self, entry: Entry, committed: Callable[[], None] | None = None) -> None:
        self.entries.append(entry)
        super().append(entry, committed)

    def save_snapshot(self, snapshot: Snapshot) -> None:
        self.snapshots.append(snapshot)
        super().save_snapshot(snapshot)


class Past:
    """An engine on its own in virtual time, and what it leaves behind."""

    def __init__(self, config: Config | None = None) -> None:
        self.config = config if config is not None else demo_config()
        self.clock = LoopHand()
        self.journal = _Kept()
        self.starts: list[Settings] = []
        self.start()

    def publish(self, outgoing: Outgoing) -> None:
        """Nobody listens."""

    def start(self) -> None:
        """Start, as an instance does."""
        codec = make_codec(self.config)
        self.engine = Engine(
            restored=restore(self.config.site, self.journal, codec),
            codec=codec,
            clock=self.clock,
            journal=self.journal,
            publisher=self,
        )
        self.engine.start()
        self.starts.append(Settings(self.clock.now(), self.engine.position, flatten(self.config)))
        self.engine.note_connected()

    async def restart(self, *, after: float, config: Config | None = None) -> None:
        """Stop, be away for ``after`` seconds, and start again."""
        self.engine.stop()
        await asyncio.sleep(after)
        self.config = config if config is not None else self.config
        self.start()

    async def until(self, at: float) -> None:
        """Let time pass up to ``at`` (s since the story's start)."""
        await asyncio.sleep(max(0.0, at - asyncio.get_running_loop().time()))

    async def play(self, lines: Iterable[CaptureLine]) -> None:
        """Deliver messages at their times."""
        for at, message, _ in lines:
            await self.until((at - START) / SECOND)
            if message is not None:
                self.deliver(message)

    def deliver(self, message: Message) -> None:
        self.engine.receive(message, lambda: None)

    async def do(self, command: Command) -> None:
        """Have a person do something."""
        await self.engine.submit(command)

    def events(self) -> list[PublishEvent]:
        """Every event so far, each once."""
        told = (effect for entry in self.journal.entries for effect in entry.effects)
        return list({each.id: each for each in told if isinstance(each, PublishEvent)}.values())

    def write(self, folder: Path, *, snapshots: int = 3) -> Path:
        """Write the journal's file, as far as it went; returns its folder."""
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / JOURNAL_FILE
        prepare_database(path, shipped_migrations())
        with contextlib.closing(connect_writer(path)) as connection:
            inserter = BatchInserter(connection, quarantine_rows=1000, snapshots=snapshots)
            done = 0
            for settings in self.starts:
                inserter.commit([e for e in self.journal.entries if done < e.position <= settings.position], ())
                inserter.commit((), (), [settings])
                done = settings.position
            inserter.commit([e for e in self.journal.entries if e.position > done], self.journal.snapshots)
        return folder


class Brief(NamedTuple):
    """An event, in what tells it from any other."""

    id: str
    time: int
    type: str
    place: tuple[str, str, str]
    data: dict[str, Any]


def brief(event: PublishEvent) -> Brief:
    return Brief(event.id, event.time, event.type, (event.aircraft, event.door, event.code), event.data)


def drawn(seed: int) -> list[CaptureLine]:
    """The messages of the random story that a seed names."""
    return list(read_capture(random_capture(seed)))
