"""The journal's file: who may use it, what schema it has, and how it is opened.

Owns the data folder's lock, the numbered migrations and the connection settings. It
never reads or writes a row of its own accord.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import sqlite3
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Final, NamedTuple
from urllib.parse import quote

from monitor.adapters.journal_audit import link_row
from monitor.ports import JournalError

APPLICATION_ID: Final = 0x53494C4C
"""Marks a database file as ours ("SILL"), so that another program's is never altered."""

JOURNAL_FILE: Final = "journal.sqlite3"
LOCK_NAME: Final = "sillwatch.lock"
BUSY_S: Final = 2.0


class Migration(NamedTuple):
    """One numbered step of the schema."""

    number: int
    sql: str


def shipped_migrations() -> tuple[Migration, ...]:
    """Read the migrations that travel with the code, in order."""
    folder = resources.files("monitor.adapters") / "migrations"
    files = sorted((file for file in folder.iterdir() if file.name.endswith(".sql")), key=lambda file: file.name)
    return tuple(Migration(int(file.name.split("_", 1)[0]), file.read_text("utf-8")) for file in files)


class FolderLock:
    """Holds a data folder for one process; the kernel lets go when the process ends, however it ends."""

    def __init__(self, folder: Path) -> None:
        """Create the folder where it is missing and lock it. Raises :class:`JournalError`."""
        try:
            folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        except OSError as error:
            raise JournalError(f"the data folder {folder} cannot be created: {_why(error)}") from None
        try:
            self._file = os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        except OSError as error:
            raise JournalError(f"the data folder {folder} cannot be written: {_why(error)}") from None
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)
        except OSError as error:
            holder = os.pread(self._file, 20, 0).decode("ascii", "replace").strip()
            os.close(self._file)
            if error.errno not in (errno.EAGAIN, errno.EACCES):
                raise JournalError(f"the data folder {folder} cannot be locked: {_why(error)}") from None
            raise JournalError(
                f"another monitor (process {holder or 'unknown'}) is using the data folder {folder}; "
                "stop it, or give this one a folder of its own"
            ) from None

    def release(self) -> None:
        """Let another process have the folder; the file stays, since removing it would race."""
        with contextlib.suppress(OSError):
            os.close(self._file)


def connect_writer(path: Path) -> sqlite3.Connection:
    """Open the database for the writer thread: WAL, and an fsync with each commit."""
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")  # NORMAL may lose the last commits with the power
        connection.execute("PRAGMA wal_autocheckpoint = 4000")
        connection.execute("PRAGMA journal_size_limit = 67108864")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def connect_reader(path: Path) -> sqlite3.Connection:
    """Open the database for reading only. Raises :class:`JournalError`."""
    try:
        uri = f"file:{quote(str(path))}?mode=ro"
        return sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    except sqlite3.Error as error:
        raise JournalError(f"the journal {path} cannot be read: {error}") from None


def is_damage(error: Exception) -> bool:
    """Tell whether the file itself is damaged, so that trying again helps nothing."""
    return (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF == sqlite3.SQLITE_CORRUPT


def say_fault(error: Exception) -> str:
    """Say what went wrong with the file, and of a damaged one what to do."""
    if not is_damage(error):
        return str(error)
    return (
        f"it is damaged ({error}); stop the monitor, put the file aside with those that begin with its name, then restore"
        " a backup or start with an empty data folder (what the broker retains comes back by itself)"
    )


def prepare_database(path: Path, migrations: Sequence[Migration]) -> None:
    """Create the database or bring it up to date. Raises :class:`JournalError`."""
    if path.is_dir():
        raise JournalError(f"the journal {path} is a folder; name a file in it")
    try:
        # What people did and were told is nobody else's to read, whatever the folder allows.
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
    except OSError as error:
        raise JournalError(f"the journal {path} cannot be opened: {_why(error)}") from None
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)) as connection:
            _migrate(connection, path, migrations)
    except sqlite3.OperationalError as error:
        raise JournalError(f"the journal {path} cannot be opened: {error}") from None
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            raise JournalError(f"the journal {path} cannot be opened: {say_fault(error)}") from None
        raise JournalError(f"{path} is not a Sillwatch journal: {error}") from None


def _migrate(connection: sqlite3.Connection, path: Path, migrations: Sequence[Migration]) -> None:
    owner = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if owner != APPLICATION_ID and (tables or version or owner):
        raise JournalError(f"{path} is not a Sillwatch journal: it belongs to another program")
    newest = migrations[-1].number
    if version > newest:
        raise JournalError(
            f"the journal {path} was written by a newer Sillwatch (schema {version}, this one knows up to {newest}); "
            "install that version, or restore a backup from before the upgrade"
        )
    connection.create_function("audit_link", -1, link_row, deterministic=True)  # what was kept unchained is chained
    for migration in migrations:
        if migration.number > version:
            _apply(connection, migration)


def _apply(connection: sqlite3.Connection, migration: Migration) -> None:
    # One transaction with its own number: a crash leaves the schema before it or after it.
    marks = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {migration.number};"
    try:
        connection.executescript(f"BEGIN IMMEDIATE;\n{migration.sql}\n{marks}\nCOMMIT;")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.rollback()
        raise


def _why(error: OSError) -> str:
    return (error.strerror or str(error)).lower()
