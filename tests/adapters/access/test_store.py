"""The access store's file: who can read it, what it refuses, and its unbroken audit."""

from __future__ import annotations

import sqlite3
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.access import ACCESS_FILE, AccessStore
from monitor.adapters.access.store import Change, peek_people
from monitor.ports import AccessError, Role
from tests.adapters.access.people_kit import NOW, edit, make_store, told

CHANGE = Change("shell:tester", "person-added", "Vera", "command line", became="viewer")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[AccessStore]:
    store = make_store(tmp_path)
    yield store
    store.close()


def test_the_file_is_its_owners_alone(store: AccessStore, tmp_path: Path) -> None:
    assert stat.S_IMODE((tmp_path / ACCESS_FILE).stat().st_mode) == 0o600
    for beside in tmp_path.glob(ACCESS_FILE + "-*"):
        assert stat.S_IMODE(beside.stat().st_mode) == 0o600


def test_a_file_that_others_can_read_is_closed_to_them(store: AccessStore, tmp_path: Path) -> None:
    store.close()
    (tmp_path / ACCESS_FILE).chmod(0o644)
    AccessStore(tmp_path / ACCESS_FILE).close()
    assert stat.S_IMODE((tmp_path / ACCESS_FILE).stat().st_mode) == 0o600


def test_it_holds_no_password_and_no_secret(store: AccessStore, tmp_path: Path) -> None:
    [row] = store.select("SELECT password FROM people WHERE key = 'vera'")
    assert row["password"].startswith("$argon2id$")
    assert b"wet geese" not in b"".join(path.read_bytes() for path in tmp_path.iterdir())


def test_a_file_that_is_none_of_ours_is_refused(tmp_path: Path) -> None:
    path = tmp_path / ACCESS_FILE
    path.write_bytes(b"not a database at all, but long enough to be one" * 40)
    with pytest.raises(AccessError, match="not an access store"):
        AccessStore(path)
    with pytest.raises(AccessError, match="not an access store"):
        peek_people(path)


def test_an_empty_file_is_only_filled_for_whoever_adds_somebody(tmp_path: Path) -> None:
    path = tmp_path / ACCESS_FILE
    path.touch()
    with pytest.raises(AccessError, match="empty"):
        AccessStore(path)
    AccessStore(path, create=True).close()
    AccessStore(path).close()
    assert peek_people(path) == 0


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / ACCESS_FILE
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE theirs (x)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(AccessError, match="belongs to another program"):
        AccessStore(path)
    assert b"people" not in path.read_bytes()
    assert len(path.read_bytes()) == len(before)


def test_a_newer_versions_store_is_refused(store: AccessStore, tmp_path: Path) -> None:
    store.touch("PRAGMA user_version = 99")
    store.close()
    with pytest.raises(AccessError, match="newer Sillwatch"):
        AccessStore(tmp_path / ACCESS_FILE)


def test_it_is_not_made_where_nobody_asked_for_it(tmp_path: Path) -> None:
    with pytest.raises(AccessError, match="is empty or no file"):
        AccessStore(tmp_path / ACCESS_FILE)
    (tmp_path / ACCESS_FILE).mkdir()
    with pytest.raises(AccessError, match="no file"):
        AccessStore(tmp_path / ACCESS_FILE)


def test_a_disk_that_cannot_be_written_locks_nobody_out(store: AccessStore, caplog: pytest.LogCaptureFixture) -> None:
    store._connection.execute("PRAGMA query_only = 1")
    store.touch("UPDATE people SET signed_in_at = 1")
    assert "not noted" in caplog.text
    assert len(store.select("SELECT * FROM people WHERE signed_in_at IS NULL")) == 3
    with pytest.raises(AccessError):
        edit(store).set_role("Vera", Role.COORDINATOR, NOW)


def test_two_at_once_may_open_a_new_one(tmp_path: Path) -> None:
    path = tmp_path / ACCESS_FILE
    one, other = AccessStore(path, create=True), AccessStore(path, create=True)
    with one.change(NOW) as work:
        work.record(CHANGE)
    assert told(other) == [("shell:tester", "person-added", "Vera")]
    one.close()
    other.close()


def test_a_change_that_fails_leaves_no_trace(store: AccessStore) -> None:
    before = told(store)

    def fail_halfway() -> None:
        with store.change(NOW) as work:
            work.run("DELETE FROM people")
            work.record(CHANGE)
            work.run("DELETE FROM nowhere")

    with pytest.raises(AccessError):
        fail_halfway()
    assert told(store) == before
    assert len(store.select("SELECT * FROM people")) == 3


def test_the_audit_is_chained(store: AccessStore) -> None:
    assert store.find_broken() is None
    assert [row[1] for row in told(store)] == ["person-added"] * 3


@pytest.mark.parametrize(
    "forgery",
    [
        "UPDATE audit SET person = 'Mallory' WHERE seq = 2",
        "DELETE FROM audit WHERE seq = 2",
        "DELETE FROM audit",
        "INSERT OR REPLACE INTO audit SELECT seq, time, 'Mallory', action, subject, reason, was, became, origin, hash"
        " FROM audit WHERE seq = 2",
    ],
)
def test_the_audit_is_neither_altered_nor_shortened(store: AccessStore, forgery: str) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="the audit"):
        store._connection.execute(forgery)
    assert store.find_broken() is None


@pytest.mark.parametrize(
    "forgery",
    [
        "UPDATE audit SET person = 'Mallory' WHERE seq = 2",
        "UPDATE audit SET became = 'administrator' WHERE seq = 2",
        "UPDATE audit SET time = time + 1 WHERE seq = 2",
        "DELETE FROM audit WHERE seq = 2",
    ],
)
def test_what_is_forged_all_the_same_is_found(store: AccessStore, forgery: str) -> None:
    edit(store).remove("Vera", NOW)
    for statement in ("DROP TRIGGER audit_is_not_altered", "DROP TRIGGER audit_is_not_shortened", forgery):
        store._connection.execute(statement)
    assert store.find_broken() in (2, 3)
