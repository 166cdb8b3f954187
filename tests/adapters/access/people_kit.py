"""An access store with a few people in it, and hashes that cost nothing.

Owns names and passwords that the tests of sign-in share. The hasher counts its work: that
two attempts take as long is shown by counting, never by a clock.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from argon2 import PasswordHasher

from monitor.adapters.access import ACCESS_FILE, AccessOffice, AccessStore
from monitor.adapters.access.passwords import Passwords
from monitor.adapters.access.people import Editor
from monitor.core.times import parse_time
from monitor.ports import Role

NOW: Final = parse_time("2026-03-01T10:15:00Z")
PASSWORD: Final = "seven wet geese on a stand"
PEOPLE: Final = {"Vera": Role.VIEWER, "Cora": Role.COORDINATOR, "Ada": Role.ADMINISTRATOR}


class CountingHasher(PasswordHasher):
    """argon2id with the least work that it can be told, counted."""

    def __init__(self, *, time_cost: int = 1) -> None:
        super().__init__(time_cost=time_cost, memory_cost=8, parallelism=1, hash_len=16, salt_len=8)
        self.hashed = 0
        self.verified = 0

    def hash(self, password: str | bytes, *, salt: bytes | None = None) -> str:
        self.hashed += 1
        return super().hash(password, salt=salt)

    def verify(self, hash: str | bytes, password: str | bytes) -> bool:  # noqa: A002 - the library's own name
        self.verified += 1
        return super().verify(hash, password)


def make_store(folder: Path, hasher: PasswordHasher | None = None) -> AccessStore:
    """A store with Vera, Cora and Ada, who all have the same password."""
    store = AccessStore(folder / ACCESS_FILE, create=True)
    hashed = Passwords(hasher or CountingHasher()).hash(PASSWORD)
    editor = edit(store)
    for name, role in PEOPLE.items():
        editor.add(name, role, hashed, NOW)
    return store


def edit(store: AccessStore) -> Editor:
    """Change people as the command line does."""
    return Editor(store, by="shell:tester", origin="command line")


def make_office(store: AccessStore, hasher: PasswordHasher | None = None) -> AccessOffice:
    """The office of a running service."""
    return AccessOffice(store, passwords=Passwords(hasher or CountingHasher()))


def told(store: AccessStore) -> list[tuple[str, str, str]]:
    """The audit as (who, what, to whom)."""
    return [(row["person"], row["action"], row["subject"]) for row in store.select("SELECT * FROM audit ORDER BY seq")]
