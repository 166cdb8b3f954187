"""Opening the journal's file: locks, folders, foreign files, migrations, damaged snapshots."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.journal import JournalError, SqliteJournal
from monitor.adapters.journal_store import LOCK_NAME, Migration, connect_writer, prepare_database, shipped_migrations
from monitor.core.times import HOUR
from monitor.ports import Entry, Snapshot

DEADLINE_S = 10.0
NOBODY = 65534


def entry(position: int) -> Entry:
    return Entry(position, position, "message", f"topic/{position % 3}", b"%d" % position, False)


async def fill(path: Path, count: int, *snapshots: int) -> None:
    journal = SqliteJournal(path)
    journal.start()
    for position in range(1, count + 1):
        journal.append(entry(position))
        if position in snapshots:
            journal.save_snapshot(Snapshot(position, position, b"state %d" % position))
    await journal.close(DEADLINE_S)


def refusal(path: Path) -> str:
    """Open ``path``, expect one readable sentence, and return it."""
    with pytest.raises(JournalError) as caught:
        SqliteJournal(path).open()
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert "Error" not in sentence
    return sentence


@contextlib.contextmanager
def as_ordinary_user() -> Iterator[None]:
    """Give up root's right to write everywhere, for as long as the block lasts."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that an ordinary user can reach, unlike pytest's own."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


async def test_a_missing_folder_is_made(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "down" / "journal.sqlite3"
    await fill(path, 3)
    assert path.is_file()


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    assert "cannot be created" in refusal(tmp_path / "file" / "data" / "journal.sqlite3")


def test_a_folder_that_cannot_be_written_is_one_sentence(open_folder: Path) -> None:
    open_folder.chmod(0o555)
    with as_ordinary_user():
        assert "cannot be written: permission denied" in refusal(open_folder / "journal.sqlite3")


async def test_a_file_that_cannot_be_written_is_one_sentence(open_folder: Path) -> None:
    path = open_folder / "journal.sqlite3"
    await fill(path, 3)
    path.chmod(0o444)
    (open_folder / LOCK_NAME).chmod(0o666)
    with as_ordinary_user():
        assert "cannot be opened" in refusal(path)


def test_a_folder_in_the_files_place_is_one_sentence(tmp_path: Path) -> None:
    assert "is a folder" in refusal(tmp_path)


@pytest.mark.parametrize("content", [b"this is not a database, but a letter to somebody" * 100, b"short"])
def test_a_file_of_another_kind_is_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "journal.sqlite3"
    path.write_bytes(content)
    assert "is not a Sillwatch journal" in refusal(path)
    assert path.read_bytes() == content


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE birds (name TEXT)")
    assert "belongs to another program" in refusal(path)
    with contextlib.closing(sqlite3.connect(path)) as other:
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("birds",)]


def test_a_newer_schema_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    newest = shipped_migrations()[-1].number
    prepare_database(path, [*shipped_migrations(), Migration(newest + 1, "CREATE TABLE later (x);")])
    assert f"newer Sillwatch (schema {newest + 1}, this one knows up to {newest})" in refusal(path)


async def test_two_journals_cannot_share_a_folder(tmp_path: Path) -> None:
    journal = SqliteJournal(tmp_path / "journal.sqlite3")
    journal.start()
    assert f"another monitor (process {os.getpid()}) is using" in refusal(tmp_path / "journal.sqlite3")
    assert "another monitor" in refusal(tmp_path / "second.sqlite3")
    await journal.close()
    await fill(tmp_path / "journal.sqlite3", 1)


def test_the_lock_goes_with_the_process_that_held_it(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    program = (
        "import sys, pathlib; from monitor.adapters.journal import SqliteJournal\n"
        "SqliteJournal(pathlib.Path(sys.argv[1])).open(); print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
        assert f"process {child.pid}" in refusal(path)
        child.kill()
    SqliteJournal(path).open()


def test_the_migrations_are_numbered_without_gaps() -> None:
    assert [migration.number for migration in shipped_migrations()] == list(range(1, len(shipped_migrations()) + 1))


async def test_a_journal_of_the_first_schema_is_brought_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    prepare_database(path, shipped_migrations()[:1])
    with contextlib.closing(sqlite3.connect(path)) as old:
        assert old.execute("PRAGMA user_version").fetchone() == (1,)
        old.execute("INSERT INTO inputs VALUES (1, 5, NULL, 'topic/1', x'31', 0)")
        old.execute("INSERT INTO events VALUES (1, 'id-1', 5, 'XA-ABC', 'L1', 'bottle-low', 'raised', '{}', 1)")
        old.commit()
    journal = SqliteJournal(path)
    journal.start()
    assert list(journal.entries_after(0)) == [Entry(1, 5, "message", "topic/1", b"1", False)]
    assert [row["id"] for row in (await journal.history()).rows] == ["id-1"]
    journal.append(entry(2))
    await journal.close()
    with contextlib.closing(sqlite3.connect(path)) as new:
        assert new.execute("PRAGMA user_version").fetchone() == (shipped_migrations()[-1].number,)


@pytest.mark.parametrize(
    ("condition", "index"),
    [
        ("", "events_by_time"),
        ("WHERE aircraft = 'a'", "events_by_aircraft"),
        ("WHERE aircraft = 'a' AND door = 'd'", "events_by_door"),
        ("WHERE code = 'c' AND (time, seq) < (1, 1)", "events_by_code"),
    ],
)
def test_history_questions_are_answered_from_an_index(tmp_path: Path, condition: str, index: str) -> None:
    path = tmp_path / "journal.sqlite3"
    prepare_database(path, shipped_migrations())
    with contextlib.closing(sqlite3.connect(path)) as connection:
        sql = f"EXPLAIN QUERY PLAN SELECT id FROM events {condition} ORDER BY time DESC, seq DESC LIMIT 10"
        plan = " ".join(row[3] for row in connection.execute(sql))
    assert index in plan
    assert "TEMP B-TREE" not in plan


def test_a_migration_that_fails_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    broken = Migration(2, "CREATE TABLE half (x); CREATE TABLE half (x);")
    with pytest.raises(JournalError, match="half"):
        prepare_database(path, [*shipped_migrations()[:1], broken])
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)


def test_a_commit_reaches_the_disk_before_it_is_reported(tmp_path: Path) -> None:
    with contextlib.closing(connect_writer(tmp_path / "journal.sqlite3")) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL


def damage(path: Path, *positions: int) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        for position in positions:
            connection.execute("UPDATE snapshots SET body = body || 'x' WHERE position = ?", (position,))


async def test_a_damaged_snapshot_falls_back_to_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    await fill(path, 10, 2, 5, 8)
    damage(path, 8)
    journal = SqliteJournal(path)
    assert journal.latest_snapshot() == Snapshot(5, 5, b"state 5")
    assert [each.position for each in journal.entries_after(5)] == [6, 7, 8, 9, 10]


async def test_without_a_whole_snapshot_everything_is_replayed_where_it_is_there(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    await fill(path, 10, 2, 5)
    damage(path, 2, 5)
    assert SqliteJournal(path).latest_snapshot() is None


async def test_without_a_whole_snapshot_and_the_first_inputs_it_says_so(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    await fill(path, 10, 5)
    journal = SqliteJournal(path)
    journal.start()
    assert (await asyncio.wait_for(journal.prune(100, keep_inputs_us=0, keep_events_us=0), DEADLINE_S)).inputs == 4
    await journal.close()
    damage(path, 5)
    with pytest.raises(JournalError, match="restore a backup"):
        SqliteJournal(path).latest_snapshot()


def snapshots_in(path: Path) -> list[int]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return [row[0] for row in connection.execute("SELECT position FROM snapshots ORDER BY position")]


async def keep_hourly(path: Path, first: int, last: int) -> SqliteJournal:
    """Append an input an hour with a snapshot behind it, each in a batch of its own; returns the open journal."""
    journal = SqliteJournal(path)
    journal.start()
    for position in range(first, last + 1):
        committed = asyncio.Event()
        journal.save_snapshot(Snapshot(position - 1, position * HOUR, b"state"))
        journal.append(dataclasses.replace(entry(position), at=position * HOUR), committed.set)
        await asyncio.wait_for(committed.wait(), DEADLINE_S)
    return journal


async def test_the_last_snapshots_are_kept_and_of_older_ones_the_first_of_six_hours(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    await (await keep_hourly(path, 1, 20)).close(DEADLINE_S)
    assert snapshots_in(path) == [0, 5, 11, 17, 18, 19], "of hours 1 to 5, 6 to 11, 12 to 17, and from 18 on"


async def test_old_snapshots_go_with_the_inputs_that_follow_them(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    journal = await keep_hourly(path, 1, 59)
    await journal.prune(59 * HOUR, keep_inputs_us=30 * HOUR, keep_events_us=30 * HOUR)
    assert next(journal.entries_after(0)).position == 29
    assert snapshots_in(path) == [29, 35, 41, 47, 53, 56, 57, 58], "the one of hour 24 has no input 25 behind it"
    await journal.prune(59 * HOUR, keep_inputs_us=0, keep_events_us=0)
    assert next(journal.entries_after(0)).position == 56
    assert snapshots_in(path) == [56, 57, 58]
    await journal.close(DEADLINE_S)


async def test_questions_asked_while_it_closes_are_answered_or_refused(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    journal = SqliteJournal(path)
    journal.start()
    journal.append(entry(1))
    questions = [asyncio.create_task(journal.history()) for _ in range(50)]
    await asyncio.sleep(0)
    await journal.close()
    for answer in await asyncio.wait_for(asyncio.gather(*questions, return_exceptions=True), DEADLINE_S):
        assert answer == ([], None) or isinstance(answer, JournalError)


async def test_a_journal_that_is_not_open_says_so(tmp_path: Path) -> None:
    journal = SqliteJournal(tmp_path / "journal.sqlite3")
    assert not journal.healthy
    with pytest.raises(JournalError, match="not open"):
        journal.append(entry(1))
    with pytest.raises(JournalError, match="closed"):
        await journal.history()
    journal.start()
    journal.append(entry(1))
    await journal.close()
    await journal.close()
    with pytest.raises(JournalError, match="not open"):
        journal.append(entry(2))


def topics(path: Path) -> list[str]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return [name for (name,) in connection.execute("SELECT name FROM topics ORDER BY name")]


async def test_topics_that_no_input_uses_any_more_are_forgotten(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    journal = SqliteJournal(path)
    journal.start()
    for position, topic in enumerate(["gone", "gone", "again", "kept"], start=1):
        journal.append(Entry(position, position, "message", topic, b"", False))
    journal.save_snapshot(Snapshot(4, 4, b"state"))
    journal.append(Entry(5, 5, "message", "again", b"", False))
    assert (await asyncio.wait_for(journal.prune(100, keep_inputs_us=0, keep_events_us=0), DEADLINE_S)).inputs == 3
    await journal.close()
    assert topics(path) == ["again", "kept"]


async def test_topics_beyond_the_bound_are_spelled_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.adapters.journal_insert.TOPICS_MAX", 2)
    path = tmp_path / "journal.sqlite3"
    await fill(path, 9)
    assert topics(path) == ["topic/1", "topic/2"]
    assert list(SqliteJournal(path).entries_after(0)) == [entry(position) for position in range(1, 10)]
