"""The configuration of the last start, kept to say at the next one what was changed.

Owns the table and what a changed key's audit row says. What the keys are is the
configuration's affair; it never holds a secret.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from typing import Final

from monitor.adapters.journal_rows import AuditRow, storable
from monitor.ports import Settings

CHANGED: Final = "configuration-changed"
OPERATOR: Final = "-"
"""Whoever may write the machine's files: who of them did it, no program can know."""
ORIGIN: Final = "start"


def settings_rows(settings: Settings) -> dict[str, str]:
    """Give the keys and values as they are kept."""
    return {storable(key): storable(value) for key, value in settings.values.items()}


def list_changes(before: Mapping[str, str], settings: Settings) -> list[AuditRow]:
    """Say key by key what is not as it was; a first start, without a ``before``, changed nothing."""
    if not before:
        return []
    now = settings_rows(settings)
    return [
        AuditRow(
            *(settings.at, OPERATOR, CHANGED, key, ""), before.get(key, ""), now.get(key, ""), ORIGIN, settings.position
        )
        for key in sorted(before.keys() | now.keys())
        if before.get(key, "") != now.get(key, "")
    ]


def keep_settings(connection: sqlite3.Connection, starts: Iterable[Settings]) -> list[AuditRow]:
    """Keep what the last of ``starts`` runs with, within the open transaction; returns the audit rows of what changed.

    Kept already, it changes nothing, so that a commit may be tried again.
    """
    rows: list[AuditRow] = []
    for settings in starts:
        rows += list_changes(dict(connection.execute("SELECT key, value FROM settings")), settings)
        connection.execute("DELETE FROM settings")
        connection.executemany("INSERT INTO settings (key, value) VALUES (?, ?)", settings_rows(settings).items())
    return rows
