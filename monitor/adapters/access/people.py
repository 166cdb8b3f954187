"""The people who may sign in with a password, as rows of the access store.

Owns every change to a person, each with its audit and with the end of the sessions that
it ends. It never sees a password, only its hash.
"""

from __future__ import annotations

from typing import Any, Final

from monitor.adapters.access.names import check_name, fold_name
from monitor.adapters.access.sessions import end_sessions
from monitor.adapters.access.store import AccessStore, Change, Transaction
from monitor.core.times import format_time
from monitor.ports import AccessError, Readout, Role

_OF: Final = "SELECT * FROM people WHERE key = ?"


class Editor:
    """Changes people by the word of ``by`` at ``origin``; every method raises :class:`AccessError`."""

    def __init__(self, store: AccessStore, *, by: str, origin: str) -> None:
        self._store = store
        self._by = by
        self._origin = origin

    def add(self, name: str, role: Role, hashed: str, now: int) -> None:
        """Add a person."""
        name = check_name(name)
        key = fold_name(name)
        with self._store.change(now) as work:
            if (before := work.select(_OF, key)) or work.select("SELECT 1 FROM identities WHERE key = ?", key):
                held = f"as {before[0]['name']!r}" if before else "from another provider"
                raise AccessError(f"there is a person of that name already, {held}; give another name")
            work.run("INSERT INTO people VALUES (?, ?, ?, ?, ?, ?, NULL)", key, name, role, hashed, now, now)
            work.record(self._change("person-added", name, became=role))

    def set_role(self, name: str, role: Role, now: int) -> None:
        """Give a person another role; their sessions end."""
        with self._store.change(now) as work:
            person = self._find(work, name)
            if person["role"] == role:
                return
            _keep_an_administrator(work, person, role)
            work.run("UPDATE people SET role = ?, changed_at = ? WHERE key = ?", role, now, person["key"])
            work.record(self._change("role-changed", person["name"], was=person["role"], became=role))
            end_sessions(work, person["key"], self._change("session-ended", "", reason="role changed"))

    def set_password(self, name: str, hashed: str, now: int) -> None:
        """Give a person another password; their sessions end."""
        with self._store.change(now) as work:
            person = self._find(work, name)
            work.run("UPDATE people SET password = ?, changed_at = ? WHERE key = ?", hashed, now, person["key"])
            work.record(self._change("password-changed", person["name"]))
            end_sessions(work, person["key"], self._change("session-ended", "", reason="password changed"))

    def remove(self, name: str, now: int) -> None:
        """Remove a person; their sessions end."""
        with self._store.change(now) as work:
            person = self._find(work, name)
            _keep_an_administrator(work, person, None)
            work.run("DELETE FROM people WHERE key = ?", person["key"])
            work.record(self._change("person-removed", person["name"], was=person["role"]))
            end_sessions(work, person["key"], self._change("session-ended", "", reason="person removed"))

    def sign_out(self, name: str, now: int) -> int:
        """End every session of a name, also of one that another provider vouched for; return how many."""
        with self._store.change(now) as work:
            return end_sessions(work, fold_name(name), self._change("session-ended", "", reason="signed out"))

    def _find(self, work: Transaction, name: str) -> Any:
        found = work.select(_OF, fold_name(name))
        if not found:
            raise AccessError(f"there is no person {name!r}; `sillwatch user list` names everybody")
        return found[0]

    def _change(self, action: str, subject: str, *, was: str = "", became: str = "", reason: str = "") -> Change:
        return Change(self._by, action, subject, self._origin, was, became, reason)


def _keep_an_administrator(work: Transaction, person: Any, role: Role | None) -> None:
    """Refuse to take away the last administrator while others are left: nobody could be ended or asked."""
    if person["role"] != Role.ADMINISTRATOR or role == Role.ADMINISTRATOR:
        return
    others = work.select("SELECT role FROM people WHERE key <> ?", person["key"])
    if others and not any(other["role"] == Role.ADMINISTRATOR for other in others):
        raise AccessError(f"{person['name']} is the last administrator; make somebody else one first")
    if not others and role is not None:
        raise AccessError(f"{person['name']} is the only person; add an administrator first")


def count_people(store: AccessStore) -> int:
    """How many may sign in with a password."""
    return int(store.select("SELECT count(*) FROM people")[0][0])


def find_person(store: AccessStore, name: str) -> Any | None:
    """A person's row."""
    return next(iter(store.select(_OF, fold_name(name))), None)


def list_people(store: AccessStore) -> list[Readout]:
    """Everybody, by name."""
    rows = store.select(
        "SELECT name, role, created_at, signed_in_at,"
        " (SELECT count(*) FROM sessions WHERE sessions.key = people.key AND issuer = '') AS sessions"
        " FROM people ORDER BY key"
    )
    return [
        {
            "name": row["name"],
            "role": row["role"],
            "added_at": format_time(row["created_at"]),
            "signed_in_at": None if row["signed_in_at"] is None else format_time(row["signed_in_at"]),
            "sessions": row["sessions"],
        }
        for row in rows
    ]
