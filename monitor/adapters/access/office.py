"""The running service's side of the access store: signing in, and asking who somebody is.

Owns the order in which a sign-in is judged, and the threads that it is judged on, so that
no disk and no password ever holds up the loop. Decides nothing about what a role may do.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final, Protocol, TypeVar

from monitor.adapters.access import people, sessions, tokens
from monitor.adapters.access.lockout import Lockout
from monitor.adapters.access.names import NAME_MAX, fold_name
from monitor.adapters.access.oidc import OidcProvider
from monitor.adapters.access.passwords import LENGTH_MAX, Passwords, PasswordThreads, TooBusyError
from monitor.adapters.access.sessions import Bearer
from monitor.adapters.access.store import ACCESS_FILE, AccessStore, Change, Transaction
from monitor.config import Http
from monitor.config.http_file import is_loopback
from monitor.ports import AccessError, Denied, Granted, Journey, Readout, Role, Who

LOG: Final = logging.getLogger(__name__)

ANSWER_S: Final = 10.0
"""How long the store may take: longer than another process may hold it, and shorter than a client waits."""

WRONG: Final = Denied("failed", "The name or the password is wrong.")
"""The one answer to every attempt that fails, whatever was wrong."""

T = TypeVar("T")


class Vouched(Protocol):
    """Whom another provider vouches for."""

    @property
    def issuer(self) -> str: ...
    @property
    def subject(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def role(self) -> Role: ...


class Provider(Protocol):
    """Another provider of sign-in."""

    @property
    def issuer(self) -> str: ...
    @property
    def roles(self) -> Collection[Role]: ...
    async def begin(self, onwards: str, now: int, address: str) -> Journey: ...
    async def end(self, state: str, query: Mapping[str, str], now: int) -> tuple[Vouched | Denied, str]: ...


class AccessOffice:
    """Answers who may use the service; the :class:`monitor.ports.Access` of a running instance."""

    def __init__(
        self, store: AccessStore, *, passwords: Passwords | None = None, provider: Provider | None = None
    ) -> None:
        self._store = store
        self._passwords = passwords or Passwords()
        self._checking = PasswordThreads(self._passwords)
        self._provider = provider
        self._lockout = Lockout()
        # One thread: the store is one connection, and what is asked first is answered first.
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="access")

    async def prepare(self) -> None:
        """Do what the first sign-in should not have to wait for."""
        await asyncio.to_thread(self._passwords.prepare)

    def close(self) -> None:
        """End the threads and let go of the store."""
        self._checking.close()
        self._thread.shutdown(wait=True, cancel_futures=True)
        self._store.close()

    @property
    def oidc(self) -> bool:
        """Whether people can also sign in at another provider."""
        return self._provider is not None

    # Signing in

    async def sign_in(
        self, name: str, password: str, *, address: str, agent: str, now: int, instead_of: str | None
    ) -> Granted | Denied:
        """Begin a session for a name and its password."""
        key = fold_name(name)
        wait = self._lockout.try_once(key, address)
        if wait:
            await self._tell_lockout(key, address, now)
            return Denied("too-many", f"Too many attempts; try again in {wait} s.", wait)
        fits = len(name) <= NAME_MAX and len(password) <= LENGTH_MAX
        person = await self._ask(lambda: people.find_person(self._store, name))
        try:
            right, rehashed = await self._checking.verify(
                person["password"] if person is not None and fits else None, password[:LENGTH_MAX]
            )
        except TooBusyError:
            return Denied("too-many", "Too many people sign in at once; try again in 5 s.", 5)
        told = person is not None or self._lockout.may_tell()
        if person is None or not right:
            return await self._fail(person["name"] if person is not None else "", address, now, tell=told)
        self._lockout.forgive(key, address)
        verified = str(person["password"])

        def begin() -> Granted | Denied:
            with self._store.change(now) as work:
                # What the password was checked against may have been changed meanwhile.
                found = work.select("SELECT * FROM people WHERE key = ? AND password = ?", key, verified)
                if not found:
                    return WRONG
                kept = rehashed if rehashed is not None else verified
                work.run("UPDATE people SET signed_in_at = ?, password = ? WHERE key = ?", now, kept, key)
                bearer = Bearer(key, found[0]["name"], Role(found[0]["role"]))
                return self._begin(work, bearer, address, agent, now, instead_of)

        return await self._ask(begin)

    async def begin_journey(self, onwards: str, now: int, address: str) -> Journey:
        """Begin a sign-in at the other provider."""
        if self._provider is None:
            raise AccessError("no other provider of sign-in is set up")
        return await self._provider.begin(onwards, now, address)

    async def end_journey(
        self, state: str, query: Mapping[str, str], *, address: str, agent: str, now: int, instead_of: str | None
    ) -> tuple[Granted | Denied, str]:
        """Begin the session that the other provider vouches for."""
        if self._provider is None:
            raise AccessError("no other provider of sign-in is set up")
        vouched, onwards = await self._provider.end(state, query, now)
        if isinstance(vouched, Denied):
            return vouched, onwards
        issuer, subject, key = vouched.issuer, vouched.subject, fold_name(vouched.name)
        bearer = Bearer(key, vouched.name, vouched.role, issuer)

        def begin() -> Granted | Denied:
            with self._store.change(now) as work:
                known = work.select("SELECT key FROM identities WHERE issuer = ? AND subject = ?", issuer, subject)
                taken = work.select("SELECT 1 FROM people WHERE key = ?", key) or work.select(
                    "SELECT 1 FROM identities WHERE key = ? AND NOT (issuer = ? AND subject = ?)", key, issuer, subject
                )
                if taken:
                    return Denied("refused", "Somebody else has that name here; ask an administrator.")
                if not known:
                    work.run("INSERT INTO identities VALUES (?, ?, ?)", issuer, subject, key)
                elif known[0]["key"] != key:
                    work.run("UPDATE identities SET key = ? WHERE issuer = ? AND subject = ?", key, issuer, subject)
                return self._begin(work, bearer, address, agent, now, instead_of)

        return await self._ask(begin), onwards

    def _begin(
        self, work: Transaction, bearer: Bearer, address: str, agent: str, now: int, instead_of: str | None
    ) -> Granted:
        """Begin a session that nobody could have known before; the browser's earlier one ends."""
        if instead_of is not None:
            change = Change(bearer.name, "session-ended", "", address, reason="signed in again")
            sessions.end_secret(work, instead_of, change)
        return sessions.begin_session(work, bearer, address=address, agent=agent, now=now)

    async def _fail(self, name: str, address: str, now: int, *, tell: bool) -> Denied:
        # A name that nobody has may be a password in the wrong field: it is written nowhere.
        LOG.warning("sign-in failed from %s", address, extra={"action": "sign-in-failed"})
        if tell:
            await self._record(Change("-", "sign-in-failed", name or "an unknown name", address), now)
        return WRONG

    async def _tell_lockout(self, key: str, address: str, now: int) -> None:
        if not self._lockout.is_first_refusal(key, address):
            return
        LOG.warning("locked out: %s", address, extra={"action": "sign-in-locked-out"})
        person = await self._ask(lambda: people.find_person(self._store, key))
        subject = person["name"] if person is not None else "an unknown name"
        await self._record(Change("-", "sign-in-locked-out", subject, address), now)

    async def _record(self, change: Change, now: int) -> None:
        def record() -> None:
            with self._store.change(now) as work:
                work.record(change)

        await self._ask(record)

    # Who somebody is

    async def find_session(self, secret: str, now: int) -> Who | None:
        """The session with this secret."""
        return await self._ask(lambda: sessions.find_session(self._store, secret, now))

    async def find_token(self, text: str, now: int) -> Who | None:
        """The token that is written so."""
        return await self._ask(lambda: tokens.find_token(self._store, text, now))

    async def find_ended(self, whos: Collection[Who], now: int) -> set[Who]:
        """Those that are no longer what they were."""

        def find() -> set[Who]:
            running, valid = sessions.list_running(self._store, now), tokens.list_valid(self._store, now)
            return {who for who in whos if (running if who.kind == "session" else valid).get(who.id) != who}

        return await self._ask(find)

    async def list_sessions(self, *, of: str | None, now: int) -> list[Readout]:
        """The sessions that run, of one person or of all."""
        key = None if of is None else fold_name(of)
        return await self._ask(lambda: sessions.describe_sessions(self._store, key, now))

    async def end_session(self, session: str, *, of: str | None, by: str, origin: str, now: int) -> bool:
        """End a session."""
        key = None if of is None else fold_name(of)

        def end() -> bool:
            with self._store.change(now) as work:
                change = Change(by, "session-ended", "", origin, reason="signed out")
                return sessions.end_session(work, session, key, change)

        return await self._ask(end)

    async def list_people(self) -> list[Readout]:
        """Everybody who may sign in with a password."""
        return await self._ask(lambda: people.list_people(self._store))

    async def _ask(self, question: Callable[[], T]) -> T:
        try:
            async with asyncio.timeout(ANSWER_S):
                return await asyncio.get_running_loop().run_in_executor(self._thread, question)
        except TimeoutError:
            raise AccessError(f"the access store does not answer within {ANSWER_S:g} s") from None


def open_access(folder: Path, http: Http) -> AccessOffice | None:
    """Open the access store of a data folder; ``None`` where sign-in is not set up and not needed.

    It is set up where the store holds a person, or people come from another provider, and
    needed beyond loopback. Raises :class:`AccessError` where it is needed and not set up, or
    where the store cannot be read: never "off" by mistake.
    """
    provider = None if http.oidc is None else OidcProvider(http.oidc, http.public_url or "")
    path = folder / ACCESS_FILE
    office = None
    if provider is not None or path.exists() or path.is_symlink():
        store = AccessStore(path, create=provider is not None)
        try:
            if provider is not None or people.count_people(store) > 0:
                _end_unvouched(store, provider)
                office = AccessOffice(store, provider=provider)
        finally:
            if office is None:
                store.close()
    if office is None and not is_loopback(http.host):
        raise AccessError(explain_exposure(folder, http))
    return office


def _end_unvouched(store: AccessStore, provider: Provider | None) -> None:
    """End the sessions of people for whom no provider of today vouches, or not for that role."""
    vouched = {} if provider is None else {provider.issuer: provider.roles}
    over = [
        row["id"]
        for row in store.select("SELECT id, issuer, role FROM sessions WHERE issuer <> ''")
        if row["role"] not in vouched.get(row["issuer"], ())
    ]
    if over:
        change = Change("sillwatch", "session-ended", "", "configuration", reason="nobody vouches for it any more")
        with store.change(time.time_ns() // 1_000_000 * 1000) as work:
            for session in over:
                sessions.end_session(work, session, None, change)


def explain_exposure(folder: Path, http: Http) -> str:
    """Say why an address beyond loopback is not listened on, and how to set up sign-in."""
    where = f"[{http.host}]:{http.port}" if ":" in http.host else f"{http.host}:{http.port}"
    return (
        f"cannot listen on {where}: it can be reached from other machines and nobody can sign in; "
        f"run `sillwatch user add NAME --role administrator --data {folder}`, "
        "or give a loopback address such as 127.0.0.1"
    )
