"""Passwords: their rules, their hashes, and the same work for every attempt.

Owns argon2id (RFC 9106) with the library's parameters. A hash takes tens of milliseconds
and 64 MiB, so no more than two run at once, on threads of their own; what would wait too
long in line is refused. A password is never kept, logged or part of an error.
"""

from __future__ import annotations

import asyncio
import secrets
import unicodedata
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from monitor.adapters.access.names import fold_name
from monitor.ports import AccessError

LENGTH_MIN: Final = 12
LENGTH_MAX: Final = 256
AT_ONCE: Final = 2
WAITING_MAX: Final = 20


class TooBusyError(Exception):
    """More passwords are being looked at than there is room for."""


def check_password(password: str, name: str) -> None:
    """Raise :class:`AccessError` for a password that is not good enough; the message does not repeat it."""
    if len(password) < LENGTH_MIN:
        raise AccessError(f"the password is too short; give at least {LENGTH_MIN} characters")
    if len(password) > LENGTH_MAX:
        raise AccessError(f"the password is too long; give {LENGTH_MAX} characters at most")
    if fold_name(password) == fold_name(name) or len(set(password)) < 4:
        raise AccessError("the password is too easily guessed; give several words, or what a password store makes")


class Passwords:
    """Makes and checks hashes; blocking, for the command line and for threads."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._nobodys = ""

    def hash(self, password: str) -> str:
        """Return the hash to keep; it holds its own salt and parameters."""
        return self._hasher.hash(_normal(password))

    def verify(self, kept: str | None, password: str) -> bool:
        """Tell whether the password is the one of ``kept``; ``None`` takes as long and is never right."""
        if kept is None:
            self._nobodys = self._nobodys or self.hash(secrets.token_urlsafe(32))
        try:
            right = self._hasher.verify(self._nobodys if kept is None else kept, _normal(password))
        except (Argon2Error, InvalidHashError):
            return False
        return right and kept is not None

    def is_outdated(self, kept: str) -> bool:
        """Tell whether a hash was made with other parameters than now."""
        return self._hasher.check_needs_rehash(kept)

    def prepare(self) -> None:
        """Make the hash that unknown names are checked against, so that the first one takes no longer."""
        self.verify(None, "")


class PasswordThreads:
    """Runs :class:`Passwords` beside the loop, two at once."""

    def __init__(self, passwords: Passwords) -> None:
        self._passwords = passwords
        self._threads = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="passwords")
        self._waiting = 0

    async def verify(self, kept: str | None, password: str) -> tuple[bool, str | None]:
        """Check a password; returns also a new hash to keep where the old one is outdated.

        Raises :class:`TooBusyError`.
        """
        if self._waiting >= WAITING_MAX:
            raise TooBusyError
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._threads, self._verify, kept, password)
        finally:
            self._waiting -= 1

    def _verify(self, kept: str | None, password: str) -> tuple[bool, str | None]:
        if not self._passwords.verify(kept, password) or kept is None:
            return False, None
        return True, self._passwords.hash(password) if self._passwords.is_outdated(kept) else None

    def close(self) -> None:
        """Take no more; what runs is not waited for."""
        self._threads.shutdown(wait=False, cancel_futures=True)


def _normal(password: str) -> bytes:
    """The same password from every keyboard (RFC 8265 asks for NFC); half a character of UTF-16 is no error either."""
    return unicodedata.normalize("NFC", password).encode("utf-8", "surrogatepass")
