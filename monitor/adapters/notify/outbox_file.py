"""The outbox's file: its schema, and how it is opened.

Owns the numbered migrations and the connection settings; never reads or writes a row.
"""

from __future__ import annotations

import os
import sqlite3
from importlib import resources
from pathlib import Path
from typing import Final
from urllib.parse import quote

OUTBOX_FILE: Final = "outbox.sqlite3"
APPLICATION_ID: Final = 0x53494C4F
"""Marks a database file as this one ("SILO"), so that another is never altered."""

BUSY_S: Final = 2.0


class OutboxError(Exception):
    """The outbox cannot be used; the message is one sentence for a person."""


def open_outbox(path: Path) -> sqlite3.Connection:
    """Open the outbox for its one writer, made or brought up to date. Raises :class:`OutboxError`."""
    try:
        path.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
        connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    except (OSError, sqlite3.Error) as error:
        raise OutboxError(f"the outbox {path} cannot be opened: {error}") from None
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")  # what was taken over must outlive the power
        _migrate(connection, path)
    except sqlite3.Error as error:
        connection.close()
        raise OutboxError(f"the outbox {path} cannot be opened: {error}") from None
    except BaseException:
        connection.close()
        raise
    return connection


def open_beside(path: Path, *, writing: bool = False) -> sqlite3.Connection:
    """Open an outbox that a running program may be using. Raises :class:`OutboxError`."""
    if not path.is_file():
        raise OutboxError(f"there is no outbox {path}; name the data folder of an instance that tells destinations")
    try:
        uri = f"file:{quote(str(path))}?mode={'rw' if writing else 'ro'}"
        connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        owner = connection.execute("PRAGMA application_id").fetchone()[0]
        version = connection.execute("PRAGMA user_version").fetchone()[0]
    except sqlite3.Error as error:
        raise OutboxError(f"the outbox {path} cannot be read: {error}") from None
    if owner != APPLICATION_ID or version != _shipped()[-1][0]:
        connection.close()
        raise OutboxError(f"{path} is not an outbox of this version")
    return connection


def _shipped() -> list[tuple[int, str]]:
    folder = resources.files("monitor.adapters.notify") / "migrations"
    files = sorted((file for file in folder.iterdir() if file.name.endswith(".sql")), key=lambda file: file.name)
    return [(int(file.name.split("_", 1)[0]), file.read_text("utf-8")) for file in files]


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    owner = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if owner != APPLICATION_ID and (tables or version or owner):
        raise OutboxError(f"{path} is not an outbox of this program")
    migrations = _shipped()
    if version > migrations[-1][0]:
        raise OutboxError(f"the outbox {path} was written by a newer version; install that one")
    for number, sql in migrations:
        if number > version:
            marks = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {number};"
            connection.executescript(f"BEGIN IMMEDIATE;\n{sql}\n{marks}\nCOMMIT;")
