"""The access store's file: its schema, its transactions, and the audit that each change writes.

Owns opening and migrating ``access.sqlite3`` and the only way to write to it. The command
line uses it while the service runs: SQLite's own locks keep the two apart.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
import stat
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.parse import quote

from monitor.adapters.chain import GENESIS, link, verify
from monitor.ports import AccessError

LOG: Final = logging.getLogger(__name__)

ACCESS_FILE: Final = "access.sqlite3"

APPLICATION_ID: Final = 0x53494C41
"""Marks the file as an access store of ours ("SILA")."""

BUSY_S: Final = 5.0
OWNER_ONLY: Final = 0o600

AUDITED: Final = ("seq", "time", "person", "action", "subject", "reason", "was", "became", "origin")
"""The columns that an audit row's hash is taken over."""


class Change(NamedTuple):
    """What one transaction does, for the audit: who, what, to whom, from where, before and after."""

    person: str
    action: str
    subject: str
    origin: str
    was: str = ""
    became: str = ""
    reason: str = ""


class AccessStore:
    """One connection to the store, for one thread at a time; every method raises :class:`AccessError`."""

    def __init__(self, path: Path, *, create: bool = False) -> None:
        """Open the store and bring it up to date; without ``create`` it has to be there."""
        self.path = path
        with _explained(path):
            if create:
                _create(path)
            elif not path.is_file() or not path.stat().st_size:
                raise AccessError(f"the access store {path} is empty or no file; restore it, or take it away")
            _close_to_others(path)
            self._connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
            try:
                self._connection.row_factory = sqlite3.Row
                self._connection.execute("PRAGMA journal_mode = WAL")
                self._connection.execute("PRAGMA synchronous = FULL")
                self._migrate()
            except BaseException:
                self._connection.close()
                raise

    def close(self) -> None:
        """Let go of the file; safe to call twice."""
        self._connection.close()

    def select(self, sql: str, *values: object) -> list[sqlite3.Row]:
        """Read rows."""
        with _explained(self.path):
            return self._connection.execute(sql, values).fetchall()

    @contextlib.contextmanager
    def change(self, now: int) -> Iterator[Transaction]:
        """Write in one transaction: all of it with its audit, or nothing."""
        with _explained(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield Transaction(self._connection, now)
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def touch(self, sql: str, *values: object) -> None:
        """Write when something was last used, if that can be at once: no change, and neither a full disk nor somebody
        else who writes for long must lock anybody out.
        """
        try:
            self._connection.execute("PRAGMA busy_timeout = 0")
            self._connection.execute(sql, values)
        except sqlite3.Error as error:
            LOG.warning("not noted in %s: %s", self.path, error, extra={"action": "access-use"})
        finally:
            self._connection.execute(f"PRAGMA busy_timeout = {round(BUSY_S * 1000)}")

    def find_broken(self) -> int | None:
        """The ``seq`` of the first audit row that does not follow from the one before it; ``None``: whole."""
        rows = self.select("SELECT * FROM audit ORDER BY seq")
        place = verify((({key: row[key] for key in AUDITED}, row["hash"]) for row in rows), GENESIS)
        return None if place is None else int(rows[place]["seq"])

    def _migrate(self) -> None:
        owner, version, tables = (
            self._connection.execute(question).fetchone()[0]
            for question in ("PRAGMA application_id", "PRAGMA user_version", "SELECT count(*) FROM sqlite_master")
        )
        if owner != APPLICATION_ID and (owner or version or tables):
            raise AccessError(f"{self.path} is not an access store: it belongs to another program")
        steps = _shipped_migrations()
        newest = steps[-1][0]
        if version > newest:
            raise AccessError(
                f"the access store {self.path} was written by a newer Sillwatch (schema {version}, this one knows up "
                f"to {newest}); install that version"
            )
        for number, sql in steps:
            if number > version:
                self._apply(number, sql)

    def _apply(self, number: int, sql: str) -> None:
        marks = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {number};"
        try:
            self._connection.executescript(f"BEGIN IMMEDIATE;\n{sql}\n{marks}\nCOMMIT;")
        except sqlite3.OperationalError:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            # Another process may have opened the same new file a moment before.
            if self._connection.execute("PRAGMA user_version").fetchone()[0] < number:
                raise


class Transaction:
    """What may be done between begin and commit."""

    def __init__(self, connection: sqlite3.Connection, now: int) -> None:
        self._connection = connection
        self._now = now

    def run(self, sql: str, *values: object) -> int:
        """Write; returns how many rows that met."""
        return self._connection.execute(sql, values).rowcount

    def select(self, sql: str, *values: object) -> list[sqlite3.Row]:
        """Read what this transaction sees."""
        return self._connection.execute(sql, values).fetchall()

    def record(self, change: Change) -> None:
        """Add to the audit, bound to its row before."""
        last = self._connection.execute("SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1").fetchone()
        seq, previous = (1, GENESIS) if last is None else (last["seq"] + 1, last["hash"])
        row: dict[str, Any] = {"seq": seq, "time": self._now, **change._asdict()}
        values = [*(row[key] for key in AUDITED), link(previous, row)]
        self._connection.execute("INSERT INTO audit VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", values)


def peek_people(path: Path) -> int:
    """How many people a store holds, 0 for one that is not there; changes nothing. Raises :class:`AccessError`."""
    with _explained(path):
        if not path.exists():
            return 0
        uri = f"file:{quote(str(path))}?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=BUSY_S)) as connection:
            return int(connection.execute("SELECT count(*) FROM people").fetchone()[0])


@contextlib.contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.OperationalError as error:
        raise AccessError(f"the access store {path} cannot be used: {error}") from None
    except sqlite3.DatabaseError as error:
        raise AccessError(f"{path} is not an access store, or is damaged: {error}") from None
    except OSError as error:
        raise AccessError(f"the access store {path} cannot be used: {(error.strerror or str(error)).lower()}") from None


def _create(path: Path) -> None:
    """Make the file, if it is not there, readable by the owner of its folder alone."""
    path.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, OWNER_ONLY))
    except FileExistsError:
        return
    if os.geteuid() == 0:
        # Written by root for a service that runs as somebody else, who must be able to read it.
        owner = path.parent.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


def _close_to_others(path: Path) -> None:
    if stat.S_IMODE(path.stat().st_mode) & 0o077:
        path.chmod(OWNER_ONLY)


def _shipped_migrations() -> list[tuple[int, str]]:
    folder = resources.files("monitor.adapters.access") / "migrations"
    files = sorted((file for file in folder.iterdir() if file.name.endswith(".sql")), key=lambda file: file.name)
    return [(int(file.name.split("_", 1)[0]), file.read_text("utf-8")) for file in files]
