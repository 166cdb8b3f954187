"""What the journal keeps when the disk or the process fails: nothing lost, nothing out of order."""

from __future__ import annotations

import asyncio
import contextlib
import random
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.adapters.journal import JournalError, SqliteJournal
from monitor.adapters.journal_reader import JournalReader
from monitor.adapters.journal_store import connect_writer
from monitor.core.effects import PublishEvent
from monitor.ports import Entry

DEADLINE_S = 20.0


def entry(position: int, size: int = 100) -> Entry:
    effects = (PublishEvent("XA-ABC", "L1", "bottle-low", "raised", f"id-{position}", position, {}),)
    return Entry(position, position, "message", f"topic/{position % 7}", b"%0*d" % (size, position), False, effects)


async def until(condition: Callable[[], bool]) -> None:
    """Wait for what another thread brings about."""
    async with asyncio.timeout(DEADLINE_S):
        while not condition():  # noqa: ASYNC110 - a thread sets it
            await asyncio.sleep(0.001)


class Disk:
    """Connections to a disk whose faults can be switched."""

    def __init__(self) -> None:
        self.max_pages: int | None = None

    def __call__(self, path: Path) -> sqlite3.Connection:
        connection = connect_writer(path)
        connection.execute("PRAGMA busy_timeout = 0")
        if self.max_pages is not None:
            connection.execute(f"PRAGMA max_page_count = {self.max_pages}")
        return connection


async def test_a_full_disk_loses_nothing_and_keeps_the_order(tmp_path: Path) -> None:
    disk = Disk()
    disk.max_pages = 60
    journal = SqliteJournal(tmp_path / "journal.sqlite3", connect=disk, queue_rows=1500)
    journal.start()
    heard: list[int] = []
    count = 2000
    for position in range(1, count + 1):
        journal.append(entry(position), lambda position=position: heard.append(position))
        if position % 50 == 0:
            await asyncio.sleep(0)
    await until(lambda: journal.failures >= 2)
    assert not journal.healthy
    assert journal.last_error == "OperationalError: database or disk is full"
    assert len(heard) < count
    assert journal.last_position() == len(heard)

    disk.max_pages = None
    await until(lambda: len(heard) == count)
    assert journal.healthy
    assert journal.depth == 0
    assert heard == list(range(1, count + 1))
    assert [each.payload for each in journal.entries_after(0)] == [entry(n).payload for n in range(1, count + 1)]
    assert (await journal.history(limit=1)).rows[0]["id"] == f"id-{count}"
    await journal.close()


async def test_a_queue_over_its_bound_is_unhealthy_and_refuses_nothing(tmp_path: Path) -> None:
    disk = Disk()
    disk.max_pages = 1
    path = tmp_path / "journal.sqlite3"
    for bounds in ({"queue_rows": 10}, {"queue_bytes": 1000}):
        journal = SqliteJournal(path, connect=disk, **bounds)
        journal.start()
        first = journal.last_position() + 1
        disk.max_pages = 1  # no page more than there are
        for position in range(first, first + 100):
            journal.append(entry(position, 5000))
        assert journal.over_bound == 90 if "queue_rows" in bounds else journal.over_bound == 100
        assert not journal.healthy
        disk.max_pages = None
        await until(lambda journal=journal: journal.depth == 0)
        assert journal.healthy
        assert journal.last_position() == first + 99
        await journal.close()


async def test_a_database_locked_by_another_program_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    journal = SqliteJournal(path, connect=Disk())
    journal.start()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        heard: list[int] = []
        journal.append(entry(1), lambda: heard.append(1))
        await until(lambda: journal.failures > 0)
        journal.append(entry(2), lambda: heard.append(2))
        assert heard == []
        assert "locked" in str(journal.last_error)
        other.execute("ROLLBACK")
    await until(lambda: heard == [1, 2])
    await journal.close()


class LyingConnection(sqlite3.Connection):
    """Reports a failure of the first COMMIT that did reach the disk."""

    lies = 1

    def execute(self, sql: str, *parameters: object) -> sqlite3.Cursor:
        cursor = super().execute(sql, *parameters)
        if sql == "COMMIT" and LyingConnection.lies:
            LyingConnection.lies -= 1
            raise sqlite3.OperationalError("disk I/O error")
        return cursor


async def test_a_commit_that_failed_after_it_was_durable_is_not_repeated(tmp_path: Path) -> None:
    def connect(path: Path) -> sqlite3.Connection:
        return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=LyingConnection)

    journal = SqliteJournal(tmp_path / "journal.sqlite3", connect=connect)
    journal.start()
    heard: list[int] = []
    for position in range(1, 11):
        journal.append(entry(position), lambda position=position: heard.append(position))
    await until(lambda: len(heard) == 10)
    assert LyingConnection.lies == 0
    assert journal.failures == 1
    assert [each.position for each in journal.entries_after(0)] == list(range(1, 11))
    await journal.close()


async def test_a_row_that_is_on_disk_already_fails_loudly(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    journal = SqliteJournal(path)
    journal.start()
    journal.append(entry(1))
    await until(lambda: journal.depth == 0)
    with contextlib.closing(sqlite3.connect(path)) as intruder, intruder:
        intruder.execute("INSERT INTO inputs VALUES (2, 2, NULL, 'x', x'00', 0)")
    journal.append(entry(2))
    await until(lambda: journal.failures >= 2)
    assert "UNIQUE" in str(journal.last_error)
    with pytest.raises(JournalError, match="1 journal rows could not be written"):
        await journal.close(0.05)


async def test_closing_a_journal_that_cannot_write_ends_in_time(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    journal = SqliteJournal(path, connect=Disk())
    journal.start()
    loop = asyncio.get_running_loop()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        heard: list[int] = []
        journal.append(entry(1), lambda: heard.append(1))
        started = loop.time()
        with pytest.raises(JournalError, match=r"1 journal rows could not be written .* deliver them again"):
            await journal.close(0.2)
        assert loop.time() - started < 2.0
        other.execute("ROLLBACK")
    assert heard == []


async def test_it_is_read_beside_the_writer(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    journal = SqliteJournal(path)
    journal.start()
    with contextlib.closing(JournalReader(path)) as reader:
        for position in range(1, 3001):
            journal.append(entry(position))
            if position % 100 == 0:
                positions = [each.position for each in reader.entries_after(0)]
                assert positions == list(range(1, len(positions) + 1))
                await asyncio.sleep(0)
    await journal.close(DEADLINE_S)


WRITER = """
import asyncio, os, sys
from pathlib import Path
from monitor.adapters.journal import SqliteJournal
from monitor.ports import Entry, Snapshot

async def main():
    journal = SqliteJournal(Path(sys.argv[1]))
    journal.start()
    position = journal.last_position()
    while True:
        for _ in range(20):
            position += 1
            entry = Entry(position, position, "message", f"topic/{position % 50}", b"%d" % position * 20, False)
            journal.append(entry, lambda p=position: os.write(1, b"%d\\n" % p))
        if position % 1000 == 0:
            journal.save_snapshot(Snapshot(position, position, b"state %d" % position))
            asyncio.ensure_future(journal.prune(position, keep_inputs_us=1500, keep_events_us=0))
        await asyncio.sleep(0)

asyncio.run(main())
"""


def numbers(lines: Iterator[str]) -> Iterator[int]:
    # The last line may have been cut by the kill.
    return (int(line) for line in lines if line.endswith("\n"))


def test_kill_nine_loses_nothing_that_was_reported(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    seed = 20_260_301
    dice = random.Random(seed)
    reported = 0
    for cycle in range(5):
        wanted = reported + dice.randrange(1, 2500)
        with subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True) as child:
            assert child.stdout is not None
            previous = None
            for number in numbers(iter(child.stdout)):
                assert previous is None or number == previous + 1, f"out of order, seed {seed}, cycle {cycle}"
                previous = reported = number
                if number >= wanted and child.poll() is None:
                    child.send_signal(signal.SIGKILL)
        assert child.returncode == -signal.SIGKILL
        journal = SqliteJournal(path)
        entries = list(journal.entries_after(0))
        assert entries[-1].position >= reported, f"lost a reported entry, seed {seed}, cycle {cycle}"
        assert [each.position for each in entries] == list(range(entries[0].position, entries[-1].position + 1))
        assert all(each.payload == b"%d" % each.position * 20 for each in entries)
        snapshot = journal.latest_snapshot()
        assert entries[0].position == 1 or (snapshot is not None and snapshot.position >= entries[0].position)
