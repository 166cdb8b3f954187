"""A disk that is full, locked, spoilt or not to be written: what is kept, what is told, what to do."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from monitor.adapters.clock import SystemClock
from monitor.adapters.journal import SqliteJournal
from monitor.adapters.journal_store import JOURNAL_FILE, connect_writer
from monitor.core.times import SECOND
from monitor.engine import Engine, restore
from monitor.ports import JournalError, Message, Outgoing
from tests.acceptance.clients import Sender
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.programs import Instance, running_broker, until
from tests.faults.small_disk import small_disk
from tests.stories import REG, codec, demo_site

pytestmark = pytest.mark.broker

ROOT: Final = f"apron/v1/{demo_site().name}/aircraft/{REG}"
DEADLINE_S: Final = 60.0


# The whole service


def lift_and_lower(sender: Sender, times: int) -> list[bool]:
    """Lift the handle and let it go so many times; returns what was said."""
    said = [True, False] * times
    for value in said:
        sender.send("door/L1/handle_lifted", value)
    return said


@pytest.mark.timeout(300)
def test_a_full_disk_keeps_no_alert_back_and_mends_itself(make_broker: MakeBroker, tmp_path: Path) -> None:
    """Alerts go out, `/readyz` says why, and once there is room everything is on record, once."""
    with running_broker(make_broker("default")) as broker, small_disk(tmp_path / "data", mb=6) as disk:
        instance = Instance(tmp_path, broker.url)
        try:
            instance.start()
            sender = Sender(broker.url, REG).arrive(demo_site().types["alder"])
            sender.at_door("L1", lever_armed=True, girt_left=True, girt_right=True, pin_fitted=False)
            instance.wait_door(REG, "L1", "armed")
            disk.fill()
            said = lift_and_lower(sender, 20)
            refused = until(lambda: _refusal(instance), lambda: f"not ready: {instance.get('/readyz').text}")
            assert "the journal cannot be written" in refused
            sender.send("door/L1/handle_lifted", True)
            instance.wait_alert(REG, "armed-handle-moved", "L1")
            assert instance.ask("/api/v1/health")["service"]["journal"]["depth"] > 0
            disk.free()
            instance.wait_ready()
            assert instance.end()[0] == 0
            stored, ids = _read_journal(instance.data / JOURNAL_FILE)
            assert stored == [*said, True], "nothing lost, nothing twice, in order"
            assert len(ids) == len(set(ids))
        finally:
            instance.close()


def _read_journal(path: Path) -> tuple[list[bool], list[str]]:
    """What the handle was said to do, in the order of the record, and the ids of its events."""
    with contextlib.closing(sqlite3.connect(path)) as journal:
        stored = journal.execute(
            "SELECT payload FROM inputs JOIN topics ON topics.id = inputs.topic WHERE name = ? ORDER BY position",
            (f"{ROOT}/door/L1/handle_lifted",),
        ).fetchall()
        ids = [row[0] for row in journal.execute("SELECT id FROM events")]
    return [json.loads(payload)["value"] for (payload,) in stored], ids


def _refusal(instance: Instance) -> str:
    answer = instance.get("/readyz")
    return answer.json()["detail"] if answer.status_code == 503 and "full" in answer.text else ""


@pytest.mark.timeout(120)
def test_a_folder_that_cannot_be_written_is_refused_at_the_start_in_one_line(tmp_path: Path) -> None:
    with small_disk(tmp_path / "data", mb=4) as disk:
        disk.make_read_only()
        instance = Instance(tmp_path, "mqtt://127.0.0.1:9")
        try:
            program = instance.launch()
            assert program.wait(DEADLINE_S) == 1
            assert f"the data folder {instance.data} cannot be written: read-only file system" in program.err
            assert "Traceback" not in program.err
        finally:
            instance.close()


# The engine on a real file


class Bench:
    """An engine on a real journal; ``connect`` is where a test comes between it and the disk."""

    def __init__(self, folder: Path, connect: Callable[[Path], sqlite3.Connection] = connect_writer) -> None:
        self.journal = SqliteJournal(folder / JOURNAL_FILE, connect=connect)
        self.journal.open()
        self.out: list[Outgoing] = []
        self.settled: list[int] = []
        self.sent: list[Message] = []
        restored = restore(demo_site(), self.journal, codec())
        self.clock = SystemClock(not_before=restored.system.record.at)
        self.journal.start()
        self.engine = Engine(
            restored=restored, codec=codec(), clock=self.clock, journal=self.journal, publisher=self, observers=[]
        )
        self.engine.start()
        self.engine.note_connected()

    def publish(self, outgoing: Outgoing) -> None:
        self.out.append(outgoing)

    def send(self, path: str, value: Any) -> None:
        number = len(self.sent)
        body = json.dumps({"time": self.clock.now() / SECOND, "seq": number, "value": value}).encode()
        message = Message(f"{ROOT}/{path}", body, False)
        self.sent.append(message)
        self.engine.receive(message, lambda: self.settled.append(number))

    def arrive(self) -> None:
        self.send("airframe/type", "alder")
        for signal in ("closed", "latched", "locked", "lever_armed", "girt_left", "girt_right"):
            self.send(f"door/L1/{signal}", True)
        for signal in ("handle_lifted", "outside_handle_lifted"):
            self.send(f"door/L1/{signal}", False)

    def lift(self) -> None:
        self.send("door/L1/handle_lifted", True)
        self.send("door/L1/handle_lifted", False)

    def raised(self, code: str) -> list[Any]:
        """The ids of what was raised of a code, in order."""
        told = [json.loads(o.payload) for o in self.out if "/event/" in o.topic and o.topic.endswith(code)]
        return [
            event["id"] for event in told if event["type"].endswith(".raised") or event["type"].endswith("reraised")
        ]

    async def close(self) -> None:
        self.engine.stop()
        await self.journal.close(30.0)


async def until_true(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(DEADLINE_S):
        while not condition():  # noqa: ASYNC110 - another thread brings it about
            await asyncio.sleep(0.005)


async def assert_on_record(bench: Bench, folder: Path) -> None:
    """Everything that was sent was settled in order, and is in the journal once."""
    await until_true(lambda: len(bench.settled) == len(bench.sent))
    assert bench.settled == list(range(len(bench.sent)))
    journal = SqliteJournal(folder / JOURNAL_FILE)
    stored = [entry.payload for entry in journal.entries_after(0) if entry.kind == "message"]
    assert stored == [message.payload for message in bench.sent]


async def test_another_programs_lock_on_the_file_keeps_no_alert_back(tmp_path: Path) -> None:
    """A writer of 30 s stands in for by one that lasts longer than the journal waits for it, over and over."""

    def impatient(path: Path) -> sqlite3.Connection:
        connection = connect_writer(path)
        connection.execute("PRAGMA busy_timeout = 0")
        return connection

    bench = Bench(tmp_path, impatient)
    bench.arrive()
    await until_true(lambda: bench.journal.depth == 0)
    with contextlib.closing(sqlite3.connect(tmp_path / JOURNAL_FILE, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        settled = len(bench.settled)
        bench.lift()
        await until_true(lambda: bench.journal.failures >= 3)
        bench.lift()
        assert len(bench.raised("armed-handle-moved")) == 2
        assert len(bench.settled) == settled
        assert not bench.journal.healthy
        assert "locked" in str(bench.journal.last_error)
        other.execute("ROLLBACK")
    await until_true(lambda: bench.journal.healthy)
    await assert_on_record(bench, tmp_path)
    await bench.close()


async def test_a_disk_that_turns_read_only_is_waited_for(tmp_path: Path) -> None:
    """The kernel makes no mount read-only that is being written; SQLite is told that it may not write instead."""
    read_only = False
    opened: list[sqlite3.Connection] = []

    def connect(path: Path) -> sqlite3.Connection:
        connection = connect_writer(path)
        connection.execute(f"PRAGMA query_only = {int(read_only)}")
        opened.append(connection)
        return connection

    bench = Bench(tmp_path, connect)
    bench.arrive()
    await until_true(lambda: bench.journal.depth == 0)
    read_only = True
    opened[-1].execute("PRAGMA query_only = 1")
    bench.lift()
    await until_true(lambda: bench.journal.failures >= 2)
    assert len(bench.raised("armed-handle-moved")) == 1
    assert "readonly" in str(bench.journal.last_error)
    read_only = False
    await until_true(lambda: bench.journal.healthy)
    await assert_on_record(bench, tmp_path)
    await bench.close()


# A spoilt file


@pytest.fixture
async def recorded(tmp_path: Path) -> Path:
    """A folder with a journal as a killed monitor leaves it: what it wrote last is in the log beside the file."""
    folder = tmp_path / "live"
    bench = Bench(folder)
    bench.arrive()
    for _ in range(120):
        bench.lift()
    await until_true(lambda: bench.journal.depth == 0)
    shutil.copytree(folder, tmp_path / "killed")
    await bench.close()
    return tmp_path / "killed"


def replayed(folder: Path) -> int:
    """Open a journal and read all of it back; how many messages there are."""
    journal = SqliteJournal(folder / JOURNAL_FILE)
    journal.open()
    restore(demo_site(), journal, codec())
    return sum(entry.kind == "message" for entry in journal.entries_after(0))


@pytest.mark.parametrize("share", [0.3, 0.6, 0.97])
def test_a_log_that_was_cut_off_gives_what_was_whole(recorded: Path, share: float) -> None:
    log = recorded / f"{JOURNAL_FILE}-wal"
    size = log.stat().st_size
    assert size > 100_000
    os.truncate(log, int(size * share))
    assert 0 <= replayed(recorded) < 249


def test_rubbish_behind_the_log_and_behind_the_file_is_not_read(recorded: Path) -> None:
    for name in (JOURNAL_FILE, f"{JOURNAL_FILE}-wal"):
        with (recorded / name).open("ab") as file:
            file.write(b"\xa5" * 5000)
    assert replayed(recorded) == 249


@pytest.mark.parametrize("page", ["the first", "one of the inputs"])
def test_a_torn_page_is_refused_with_what_to_do(recorded: Path, page: str) -> None:
    path = recorded / JOURNAL_FILE
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = connection.execute("PRAGMA page_size").fetchone()[0]
        root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'inputs'").fetchone()[0]
    with path.open("r+b") as file:
        file.seek(100 if page == "the first" else (root - 1) * size)
        file.write(b"\xa5" * (size - 100))
    with pytest.raises(JournalError) as refused:
        replayed(recorded)
    said = str(refused.value)
    assert "it is damaged (database disk image is malformed)" in said
    assert "put the file aside" in said
    assert "restore a backup or start with an empty data folder" in said
