"""Sessions as rows of the access store: begun, used, ended.

Owns their life: idle for 12 h or 7 days old they are over, and whatever changes about
their person ends them. Of a session's secret only the SHA-256 is kept.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from typing import Any, Final, NamedTuple

from monitor.adapters.access.store import AccessStore, Change, Transaction
from monitor.core.times import HOUR, MINUTE, format_time
from monitor.ports import Granted, Readout, Role, Who

IDLE_MAX: Final = 12 * HOUR
AGE_MAX: Final = 7 * 24 * HOUR
USE_NOTED_EVERY: Final = MINUTE
"""How exactly it is kept when a session was last used: each note is a write to the disk."""

SECRET_BYTES: Final = 32
SESSIONS_MAX: Final = 50
"""The most sessions of one person; the oldest goes."""

_RUNS: Final = "ends_at > ? AND used_at > ?"


class Bearer(NamedTuple):
    """Whom a session is for: ``issuer`` is the other provider that vouches for them, or empty."""

    key: str
    name: str
    role: Role
    issuer: str = ""


def digest_secret(secret: str) -> bytes:
    """What is kept of a secret; it has 256 bits of chance, so a plain hash hides it."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).digest()


def begin_session(work: Transaction, bearer: Bearer, *, address: str, agent: str, now: int) -> Granted:
    """Begin a session with a secret of its own, and forget those that are over."""
    forget_ended(work, now)
    held = work.select("SELECT id, name, role FROM sessions WHERE key = ? ORDER BY used_at DESC, id", bearer.key)
    for row in held[SESSIONS_MAX - 1 :]:
        _end(work, row, Change("sillwatch", "session-ended", "", "clock", reason="too many"))
    secret, session = secrets.token_urlsafe(SECRET_BYTES), secrets.token_hex(6)
    ends_at = now + AGE_MAX
    work.run(
        "INSERT INTO sessions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        *(session, digest_secret(secret), *bearer, now, now, ends_at, address, agent[:200]),
    )
    origin = describe_origin(address, "session", session)
    via = f"by {bearer.issuer}" if bearer.issuer else "by password"
    work.record(Change(bearer.name, "session-begun", bearer.name, origin, became=bearer.role, reason=via))
    return Granted(Who("session", session, bearer.name, bearer.role, frozenset(), ends_at), secret)


def find_session(store: AccessStore, secret: str, now: int) -> Who | None:
    """The session that runs with this secret; notes that it was used."""
    digest = digest_secret(secret)
    rows = store.select(f"SELECT * FROM sessions WHERE digest = ? AND {_RUNS}", digest, now, now - IDLE_MAX)  # noqa: S608
    if not rows or not hmac.compare_digest(rows[0]["digest"], digest):
        return None
    row = rows[0]
    if now - row["used_at"] >= USE_NOTED_EVERY:
        store.touch("UPDATE sessions SET used_at = ? WHERE id = ? AND used_at < ?", now, row["id"], now)
    return _who(row)


def list_running(store: AccessStore, now: int) -> dict[str, Who]:
    """Every session that runs, by its public name."""
    rows = store.select(f"SELECT * FROM sessions WHERE {_RUNS}", now, now - IDLE_MAX)  # noqa: S608
    return {row["id"]: _who(row) for row in rows}


def describe_sessions(store: AccessStore, key: str | None, now: int) -> list[Readout]:
    """The sessions that run, the longest-running first."""
    rows = store.select(
        f"SELECT * FROM sessions WHERE {_RUNS} AND key = coalesce(?, key) ORDER BY began_at, id",  # noqa: S608
        *(now, now - IDLE_MAX, key),
    )
    return [
        {
            "id": row["id"],
            "name": row["name"],
            "role": row["role"],
            "provider": row["issuer"] or None,
            "began_at": format_time(row["began_at"]),
            "used_at": format_time(row["used_at"]),
            "ends_at": format_time(row["ends_at"]),
            "address": row["address"],
            "agent": row["agent"],
        }
        for row in rows
    ]


def end_session(work: Transaction, session: str, key: str | None, change: Change) -> bool:
    """End one session, of anybody or of one person only; tells whether there was one."""
    rows = work.select("SELECT id, name, role FROM sessions WHERE id = ? AND key = coalesce(?, key)", session, key)
    for row in rows:
        _end(work, row, change)
    return bool(rows)


def end_secret(work: Transaction, secret: str, change: Change) -> None:
    """End the session with this secret, if there is one."""
    for row in work.select("SELECT id, name, role FROM sessions WHERE digest = ?", digest_secret(secret)):
        _end(work, row, change)


def end_sessions(work: Transaction, key: str, change: Change) -> int:
    """End every session of a person; return how many."""
    rows = work.select("SELECT id, name, role FROM sessions WHERE key = ?", key)
    for row in rows:
        _end(work, row, change)
    return len(rows)


def forget_ended(work: Transaction, now: int) -> None:
    """Delete the sessions that are over by the clock, and tell the audit."""
    over = work.select(f"SELECT id, name, role FROM sessions WHERE NOT ({_RUNS})", now, now - IDLE_MAX)  # noqa: S608
    for row in over:
        _end(work, row, Change("sillwatch", "session-ended", "", "clock", reason="time is up"))


def describe_origin(address: str, kind: str, name: str) -> str:
    """Where something came from, as the audit has it."""
    return f"{address or 'unknown'} {kind} {name}"


def _end(work: Transaction, row: Any, change: Change) -> None:
    work.run("DELETE FROM sessions WHERE id = ?", row["id"])
    work.record(change._replace(subject=f"{row['name']} session {row['id']}", was=row["role"]))


def _who(row: Any) -> Who:
    return Who("session", row["id"], row["name"], Role(row["role"]), frozenset(), row["ends_at"])
