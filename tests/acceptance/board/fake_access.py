"""Who may use a board's service, in memory: the sign-in pages see nothing of how the real one keeps it.

Owns names, passwords in the clear and sessions that a test can end. It is no measure of
the real one's care: that has tests of its own.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping

from monitor.ports import Denied, Granted, Journey, Readout, Role, Who

PASSWORD = "a long enough one"
DAY_US = 86_400_000_000


class FakeAccess:
    """:class:`monitor.ports.Access` for the people that a test names."""

    def __init__(self, **people: Role) -> None:
        self.people = people
        self.oidc = False
        self.locked_s = 0
        self.sessions: dict[str, Who] = {}
        self._counted = itertools.count(1)

    async def sign_in(
        self, name: str, password: str, *, address: str, agent: str, now: int, instead_of: str | None
    ) -> Granted | Denied:
        """Begin a session for whoever has the one password."""
        if self.locked_s:
            return Denied("too-many", "Too many attempts.", self.locked_s)
        if password != PASSWORD or name not in self.people:
            return Denied("failed", "The name or the password is wrong.")
        secret = f"secret-{next(self._counted)}"
        who = Who("session", f"session-{secret}", name, self.people[name], frozenset(), now + DAY_US)
        self.sessions[secret] = who
        return Granted(who, secret)

    async def find_session(self, secret: str, now: int) -> Who | None:
        """The session, while it runs."""
        return self.sessions.get(secret)

    async def find_token(self, text: str, now: int) -> Who | None:
        """There are no tokens."""
        return None

    async def find_ended(self, whos: Collection[Who], now: int) -> set[Who]:
        """Those whose session was ended."""
        return set(whos) - set(self.sessions.values())

    async def end_session(self, session: str, *, of: str | None, by: str, origin: str, now: int) -> bool:
        """End one."""
        found = [secret for secret, who in self.sessions.items() if who.id == session]
        for secret in found:
            del self.sessions[secret]
        return bool(found)

    async def list_sessions(self, *, of: str | None, now: int) -> list[Readout]:
        """Nothing asks for it here."""
        return []

    async def list_people(self) -> list[Readout]:
        """Nothing asks for it here."""
        return []

    async def begin_journey(self, onwards: str, now: int, address: str) -> Journey:
        """Lead straight back, as another provider does that refuses."""
        return Journey("/sign-in?why=failed", "state")

    async def end_journey(
        self, state: str, query: Mapping[str, str], *, address: str, agent: str, now: int, instead_of: str | None
    ) -> tuple[Granted | Denied, str]:
        """Nobody comes back by it."""
        return Denied("failed", "Not signed in there."), "/"
