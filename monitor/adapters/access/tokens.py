"""Tokens for programs, as rows of the access store.

Owns their form, ``sillwatch_<id>_<secret>``, and every change to them. Of the secret only
the SHA-256 is kept; the token itself is told once, to whoever has it made.
"""

from __future__ import annotations

import hmac
import re
import secrets
from collections.abc import Sequence
from typing import Any, Final

from monitor.adapters.access.names import PROGRAM_PREFIX, check_name, fold_name
from monitor.adapters.access.sessions import USE_NOTED_EVERY, digest_secret
from monitor.adapters.access.store import AccessStore, Change
from monitor.core.times import format_time
from monitor.ports import SCOPES, AccessError, Readout, Who

_FORM: Final = re.compile(r"sillwatch_([0-9a-f]{8})_([0-9a-f]{64})")
_NOBODYS: Final = bytes(32)


def add_token(
    store: AccessStore, name: str, scopes: Sequence[str], ends_at: int | None, *, by: str, origin: str, now: int
) -> str:
    """Make a token and return it: it is never shown again."""
    name = check_name(name)
    unknown = sorted(set(scopes) - set(SCOPES))
    if unknown or not scopes:
        raise AccessError(f"{', '.join(unknown) or 'nothing'} is no scope; give some of {', '.join(SCOPES)}")
    given = " ".join(scope for scope in SCOPES if scope in scopes)
    token, secret = secrets.token_hex(4), secrets.token_hex(32)
    with store.change(now) as work:
        if work.select("SELECT 1 FROM tokens WHERE key = ?", fold_name(name)):
            raise AccessError(f"there is a token {name!r} already; give another name, or remove that one")
        work.run(
            "INSERT INTO tokens VALUES (?, ?, ?, ?, ?, ?, ?, NULL)",
            *(token, fold_name(name), name, digest_secret(secret), given, now, ends_at),
        )
        end = "" if ends_at is None else f" until {format_time(ends_at)}"
        work.record(Change(by, "token-added", f"{PROGRAM_PREFIX}{name} {token}", origin, became=given + end))
    return f"sillwatch_{token}_{secret}"


def remove_token(store: AccessStore, name: str, *, by: str, origin: str, now: int) -> None:
    """Remove a token, by its name or its id: it is worth nothing from now on."""
    with store.change(now) as work:
        rows = work.select("SELECT * FROM tokens WHERE key = ? OR id = ?", fold_name(name), name)
        if len(rows) != 1:
            raise AccessError(f"there is no one token {name!r}; `sillwatch token list` names all of them")
        [row] = rows
        work.run("DELETE FROM tokens WHERE id = ?", row["id"])
        subject = f"{PROGRAM_PREFIX}{row['name']} {row['id']}"
        work.record(Change(by, "token-removed", subject, origin, was=row["scopes"]))


def find_token(store: AccessStore, text: str, now: int) -> Who | None:
    """The token that is written so, if it is one and not over; notes that it was used."""
    form = _FORM.fullmatch(text)
    rows = store.select("SELECT * FROM tokens WHERE id = ?", form[1]) if form is not None else []
    kept = rows[0]["digest"] if rows else _NOBODYS
    if not hmac.compare_digest(digest_secret(form[2] if form is not None else text), kept) or not rows:
        return None
    row = rows[0]
    if row["ends_at"] is not None and row["ends_at"] <= now:
        return None
    if row["used_at"] is None or now - row["used_at"] >= USE_NOTED_EVERY:
        store.touch("UPDATE tokens SET used_at = ? WHERE id = ?", now, row["id"])
    return _who(row)


def list_valid(store: AccessStore, now: int) -> dict[str, Who]:
    """Every token that is not over, by its id."""
    rows = store.select("SELECT * FROM tokens WHERE coalesce(ends_at, ?) > ?", now + 1, now)
    return {row["id"]: _who(row) for row in rows}


def describe_tokens(store: AccessStore) -> list[Readout]:
    """Every token, by name, without anything secret."""
    return [
        {
            "id": row["id"],
            "name": row["name"],
            "scopes": row["scopes"].split(),
            "added_at": format_time(row["created_at"]),
            "ends_at": None if row["ends_at"] is None else format_time(row["ends_at"]),
            "used_at": None if row["used_at"] is None else format_time(row["used_at"]),
        }
        for row in store.select("SELECT * FROM tokens ORDER BY key")
    ]


def _who(row: Any) -> Who:
    return Who("token", row["id"], PROGRAM_PREFIX + row["name"], None, frozenset(row["scopes"].split()), row["ends_at"])
