"""The journal's audit as a chain: nothing in it is altered by our own hand, and what another's does is found."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from monitor import auditing
from monitor.adapters.access.store import ACCESS_FILE, AccessStore, Change
from monitor.adapters.chain import GENESIS, Head, Verdict, check_rows
from monitor.adapters.journal import SqliteJournal
from monitor.adapters.journal_audit import COLUMNS, chain_rows, link_row, row_values
from monitor.adapters.journal_memory import MemoryJournal
from monitor.adapters.journal_reader import JournalReader
from monitor.adapters.journal_rows import AuditRow
from monitor.adapters.journal_store import JOURNAL_FILE, prepare_database, shipped_migrations
from monitor.core.effects import RecordAudit
from monitor.core.times import SECOND
from monitor.ports import Entry, Settings

DEADLINE_S = 10.0
T0 = 1_772_360_100_000_000
KEPT = 6

Row = list[Any]


def done(number: int) -> RecordAudit:
    return RecordAudit(T0 + number * SECOND, "Ann", "reset", f"XA-ABC/L{number}", "läuft", "armed", "", "10.0.0.7")


def entry(position: int, *effects: Any) -> Entry:
    return Entry(position, T0 + position * SECOND, "message", "t", b"1", False, effects)


async def commit(journal: SqliteJournal | MemoryJournal, *entries: Entry) -> None:
    durable = asyncio.Event()
    for each in entries[:-1]:
        journal.append(each)
    journal.append(entries[-1], durable.set)
    await asyncio.wait_for(durable.wait(), DEADLINE_S)


async def fill(folder: Path, rows: int = KEPT) -> Path:
    path = folder / JOURNAL_FILE
    journal = SqliteJournal(path)
    journal.start()
    for number in range(1, rows + 1):
        await commit(journal, entry(number, done(number)))
    await journal.close(DEADLINE_S)
    return path


@contextlib.contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection


def unguard(connection: sqlite3.Connection) -> None:
    """What somebody does who can write the file and means to."""
    names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
    for name in names:
        connection.execute(f"DROP TRIGGER {name}")


def checked(path: Path, wanted: bytes | None = None) -> Verdict:
    with contextlib.closing(JournalReader(path)) as reader:
        return reader.verify_audit(wanted)


# What our own program cannot do


@pytest.mark.parametrize(
    ("sql", "why"),
    [
        ("UPDATE audit SET person = 'Bob' WHERE seq = 3", "the audit is not altered"),
        ("UPDATE audit SET hash = zeroblob(32)", "the audit is not altered"),
        ("DELETE FROM audit WHERE seq = 3", "the audit is not deleted"),
        ("DELETE FROM audit", "the audit is not deleted"),
        ("INSERT OR REPLACE INTO audit SELECT * FROM audit WHERE seq = 3", "only grows at its end"),
        ("INSERT INTO audit SELECT 0, time, person, action, subject, reason, was, became, origin, 1, hash FROM audit",
         "only grows at its end"),
        ("UPDATE audit_anchor SET seq = 4, hash = zeroblob(32)", "goes to one of its rows"),
        ("UPDATE audit_anchor SET seq = 99, hash = (SELECT hash FROM audit WHERE seq = 4)", "goes to one of its rows"),
        ("DELETE FROM audit_anchor", "the anchor of the audit stays"),
        ("INSERT OR REPLACE INTO audit_anchor VALUES (1, 0, zeroblob(32))", "has one anchor"),
    ],
)  # fmt: skip
async def test_the_database_itself_refuses_to_alter_the_audit(tmp_path: Path, sql: str, why: str) -> None:
    path = await fill(tmp_path)
    before = checked(path)
    with opened(path) as connection, pytest.raises(sqlite3.IntegrityError, match=why):
        connection.execute(sql)

    assert (before.whole, before.items) == (True, KEPT)
    assert checked(path) == before


# What is found when somebody does all the same


@pytest.mark.parametrize(
    ("sql", "broken"),
    [
        ("UPDATE audit SET person = 'Bob' WHERE seq = 3", 3),
        ("UPDATE audit SET time = time + 1 WHERE seq = 6", 6),
        ("UPDATE audit SET became = x'00' WHERE seq = 2", 2),
        ("UPDATE audit SET position = '4' || 'x' WHERE seq = 4", 4),
        ("UPDATE audit SET hash = (SELECT hash FROM audit WHERE seq = 1) WHERE seq = 5", 5),
        ("DELETE FROM audit WHERE seq = 1", 2),
        ("DELETE FROM audit WHERE seq IN (3, 4)", 5),
        ("UPDATE audit SET seq = 7 WHERE seq = 6", 7),
        ("UPDATE audit_anchor SET hash = (SELECT hash FROM audit WHERE seq = 1)", 1),
        ("INSERT INTO audit SELECT 7, time, person, action, subject, reason, was, became, origin, 7, hash FROM audit"
         " WHERE seq = 6", 7),
    ],
)  # fmt: skip
async def test_what_was_done_to_the_audit_is_found_at_its_row(tmp_path: Path, sql: str, broken: int) -> None:
    path = await fill(tmp_path)
    with opened(path) as connection:
        unguard(connection)
        connection.execute(sql)

    verdict = checked(path)
    assert (verdict.whole, verdict.first_broken) == (False, broken)


CHAIN = [
    list(row_values(each)[:-1])
    for each in chain_rows(
        Head(0, GENESIS), [AuditRow(n, "Ann", "reset", f"L{n}", "", "armed", "", "here", n) for n in range(KEPT)]
    )
]
VALUES = st.one_of(st.none(), st.integers(-9, 9), st.text(max_size=3), st.binary(max_size=3))


def broken_at(rows: list[Row]) -> int | None:
    return check_rows(rows, COLUMNS, Head(0, GENESIS)).first_broken


@given(st.integers(0, KEPT - 1), st.integers(0, len(COLUMNS)), VALUES)
def test_any_value_that_becomes_another_is_found(place: int, column: int, value: object) -> None:
    rows = [list(row) for row in CHAIN]
    changed = type(rows[place][column]) is not type(value) or rows[place][column] != value
    rows[place][column] = value

    assert broken_at(rows) == (rows[place][0] if changed else None)


@given(st.sets(st.integers(0, KEPT - 1), min_size=1))
def test_any_rows_that_are_missing_are_found_but_for_a_cut_tail(gone: set[int]) -> None:
    rows = [row for place, row in enumerate(CHAIN) if place not in gone]
    verdict = check_rows(rows, COLUMNS, Head(0, GENESIS), CHAIN[-1][-1])

    assert verdict.whole == (min(gone) == len(rows))
    # A head that was kept elsewhere shows that the tail was cut.
    assert not (verdict.whole and verdict.passed)


@given(st.permutations(range(KEPT)))
def test_any_other_order_is_found(order: list[int]) -> None:
    assert (broken_at([CHAIN[place] for place in order]) is None) == (order == sorted(order))


@given(st.integers(0, KEPT), st.integers(-1, 9), st.sampled_from(CHAIN), st.binary(min_size=32, max_size=32))
def test_any_row_that_was_put_in_is_found(place: int, number: int, like: Row, bound: bytes) -> None:
    for forged in ([number, *like[1:]], [number, *like[1:-1], bound]):
        assert broken_at([*CHAIN[:place], forged, *CHAIN[place:]]) is not None


# What is kept


async def test_the_head_is_the_newest_rows_hash_and_goes_with_every_commit(tmp_path: Path) -> None:
    for journal in (SqliteJournal(tmp_path / JOURNAL_FILE), MemoryJournal()):
        journal.start()
        assert journal.audit_head == {"number": 0, "hash": "00" * 32}
        await commit(journal, entry(1, done(1), done(2)))
        [second, first] = (await journal.audit()).rows
        assert journal.audit_head == {"number": 2, "hash": second["hash"]}
        assert (second["previous"], first["previous"]) == (first["hash"], "00" * 32)
        await commit(journal, entry(2))
        assert journal.audit_head["number"] == 2
        assert (await journal.verify_audit()).describe() == {
            "whole": True, "items": 2, "first_broken": None, "head": journal.audit_head, "pruned_up_to": 0,
        }  # fmt: skip
        await journal.close(DEADLINE_S)


async def test_pruning_leaves_a_chain_that_can_still_be_checked(tmp_path: Path) -> None:
    heads = []
    for journal in (SqliteJournal(tmp_path / JOURNAL_FILE), MemoryJournal()):
        journal.start()
        rows = [entry(number, done(number)) for number in range(1, 1301)]
        await commit(journal, *rows, entry(1301, done(5)), entry(1302, done(1302)))
        pruned = await journal.prune(T0 + 1200 * SECOND, keep_inputs_us=0, keep_events_us=0)
        verdict = await journal.verify_audit()
        # The row of an older time behind a younger one stays with it: a chain has no gap.
        assert (pruned.audit, verdict.items, verdict.anchor.number) == (1199, 103, 1199)
        assert verdict.whole
        gone = await journal.prune(T0 + 2000 * SECOND, keep_inputs_us=0, keep_events_us=0)
        assert (gone.audit, (await journal.verify_audit()).head.describe()) == (103, journal.audit_head)
        await commit(journal, entry(1303, done(1303)))
        [row] = (await journal.audit()).rows
        assert (row["number"], row["previous"]) == (1303, verdict.head.describe()["hash"])
        assert (await journal.verify_audit()).whole
        heads.append(journal.audit_head)
        await journal.close(DEADLINE_S)
    assert heads[0] == heads[1]


def test_a_journal_from_before_the_chain_is_chained_as_it_is_found(tmp_path: Path) -> None:
    path = tmp_path / JOURNAL_FILE
    prepare_database(path, shipped_migrations()[:5])
    rows = [(seq, *AuditRow(seq, "Ann", "reset", "s", "", "", "", "", seq)) for seq in (1, 2, 5)]
    with opened(path) as connection:
        connection.executemany(f"INSERT INTO audit VALUES ({', '.join('?' * 10)})", rows)
    prepare_database(path, shipped_migrations())

    bound = GENESIS
    for row in rows:
        bound = link_row(bound, *row)
    assert checked(path) == Verdict(3, None, Head(5, bound), Head(0, GENESIS), True)


# The command


def command(*arguments: str | Path) -> tuple[int, str, str]:
    told = CliRunner().invoke(auditing.app, [str(each) for each in arguments])
    return told.exit_code, told.stdout, told.stderr


async def test_the_command_works_beside_a_running_monitor(tmp_path: Path) -> None:
    journal = SqliteJournal(tmp_path / JOURNAL_FILE)
    journal.start()
    await commit(journal, entry(1, done(1)), entry(2, done(2)), entry(3, done(3)))
    head = journal.audit_head["hash"]
    whole = f"journal.sqlite3: whole: 3 rows, head {head} (row 3)\n"

    assert command("verify", "--data", tmp_path) == (0, whole, "")
    assert command("verify", "--data", tmp_path, "--head", head) == (0, whole, "")

    code, out, err = command("list", "--data", tmp_path, "--since", "2026-03-01T10:15:02Z")
    assert (code, err) == (0, "")
    told = [{"record": JOURNAL_FILE, **row} for row in (await journal.audit(limit=2)).rows[::-1]]
    assert [json.loads(line) for line in out.splitlines()] == told
    await journal.close(DEADLINE_S)


async def test_the_command_looks_at_who_may_use_the_service_too(tmp_path: Path) -> None:
    await fill(tmp_path, 2)
    store = AccessStore(tmp_path / ACCESS_FILE, create=True)
    for number, name in enumerate(("Ann", "Bob")):
        with store.change(T0 + number * SECOND + SECOND // 2) as transaction:
            transaction.record(Change("root", "add-person", name, "command line"))
    store.close()

    code, out, err = command("list", "--data", tmp_path)
    rows = [json.loads(line) for line in out.splitlines()]
    assert (code, err) == (0, "")
    assert [row["subject"] for row in rows] == ["Ann", "XA-ABC/L1", "Bob", "XA-ABC/L2"]
    assert rows[2]["previous"] == rows[0]["hash"]
    code, out, _ = command("verify", "--data", tmp_path, "--head", rows[2]["hash"])
    assert (code, out.splitlines()[1]) == (0, f"access.sqlite3: whole: 2 rows, head {rows[2]['hash']} (row 2)")

    with opened(tmp_path / ACCESS_FILE) as connection:
        unguard(connection)
        connection.execute("UPDATE audit SET became = 'administrator' WHERE seq = 2")
    code, out, _ = command("verify", "--data", tmp_path)
    assert (code, out.splitlines()[1].partition(" it was")[0]) == (1, "access.sqlite3: broken at row 2:")


async def test_the_command_names_the_row_that_was_altered(tmp_path: Path) -> None:
    path = await fill(tmp_path)
    with opened(path) as connection:
        unguard(connection)
        connection.execute("UPDATE audit SET person = 'Bob' WHERE seq = 4")

    code, out, _ = command("verify", "--data", tmp_path)
    assert code == 1
    assert out.startswith("journal.sqlite3: broken at row 4: it was altered or put in, or one before it is missing")


async def test_the_command_finds_a_cut_tail_by_a_head_that_was_kept(tmp_path: Path) -> None:
    path = await fill(tmp_path)
    kept = checked(path).head.hash.hex()
    with opened(path) as connection:
        unguard(connection)
        connection.execute("DELETE FROM audit WHERE seq = 6")

    assert command("verify", "--data", tmp_path)[0] == 0
    code, _, err = command("verify", "--data", tmp_path, "--head", kept)
    assert (code, err.startswith(f"the head {kept} is not in it: rows were cut off")) == (1, True)


def test_the_command_says_what_it_cannot_read(tmp_path: Path) -> None:
    assert command("verify", "--data", tmp_path)[::2] == (
        2, f"{tmp_path}: there is no journal in it; name the folder that the monitor runs with\n",
    )  # fmt: skip
    prepare_database(tmp_path / JOURNAL_FILE, shipped_migrations()[:5])
    code, _, err = command("verify", "--data", tmp_path)
    assert (code, "without a chain; start the monitor once" in err) == (1, True)
    for wrong in (("verify", "--head", "abc"), ("list", "--since", "yesterday")):
        assert command(*wrong, "--data", tmp_path)[0] == 2
    (tmp_path / JOURNAL_FILE).write_bytes(b"no database" * 100)
    assert command("list", "--data", tmp_path)[0] == 1


async def test_a_copy_keeps_the_chain(tmp_path: Path) -> None:
    """A backup, by the database's own means, while the monitor runs."""
    journal = SqliteJournal(tmp_path / JOURNAL_FILE)
    journal.start()
    await commit(journal, entry(1, done(1)), entry(2, done(2)))
    copy = tmp_path / "copy"
    copy.mkdir()
    with opened(tmp_path / JOURNAL_FILE) as connection, opened(copy / JOURNAL_FILE) as other:
        connection.backup(other)
    head = journal.audit_head
    await journal.close(DEADLINE_S)

    restored = SqliteJournal(copy / JOURNAL_FILE)
    restored.start()
    assert restored.audit_head == head
    await commit(restored, entry(3, done(3)))
    assert (await restored.verify_audit()).describe()["items"] == 3
    assert (await restored.verify_audit()).whole
    await restored.close(DEADLINE_S)


class Unsure(sqlite3.Connection):
    """Reports a failure of its first two commits: of one that did reach the disk, then of one that did not."""

    left = 2

    def execute(self, sql: str, *parameters: Any) -> sqlite3.Cursor:
        if sql != "COMMIT" or not Unsure.left:
            return super().execute(sql, *parameters)
        Unsure.left -= 1
        super().execute("COMMIT" if Unsure.left else "ROLLBACK", *parameters)
        raise sqlite3.OperationalError("disk I/O error")


async def test_commits_that_fail_break_no_link(tmp_path: Path) -> None:
    def connect(path: Path) -> sqlite3.Connection:
        return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Unsure)

    Unsure.left = 2
    journal = SqliteJournal(tmp_path / JOURNAL_FILE, connect=connect)
    journal.start()
    journal.keep_settings(Settings(T0, 1, {"proof.every_s": "10"}))
    journal.keep_settings(Settings(T0, 1, {"proof.every_s": "5"}))
    await commit(journal, entry(1, done(1), done(2)))
    await commit(journal, entry(2, done(3)))
    await commit(journal, entry(3, done(4)))
    verdict = await journal.verify_audit()
    assert (journal.failures, verdict.whole, verdict.items) == (2, True, 5)
    assert verdict.head.describe() == journal.audit_head
    await journal.close(DEADLINE_S)
