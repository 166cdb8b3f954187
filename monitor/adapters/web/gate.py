"""Who is asking, and may they: looked at before any route is.

Owns the way from a cookie or a token to a person, the refusals, and the streams that end
with their session. It says nothing of passwords, and while sign-in is off it lets all pass.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping
from typing import Final
from urllib.parse import quote
from weakref import WeakKeyDictionary

from starlette.datastructures import Headers
from starlette.requests import HTTPConnection
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from monitor.adapters.web.client import Client
from monitor.adapters.web.front import Front
from monitor.adapters.web.problems import KINDS, ProblemError, answer_problem
from monitor.adapters.web.rights import Right, find_rights, has_right, name_holder
from monitor.ports import Access, AccessError, Who

LOG: Final = logging.getLogger(__name__)

COOKIE: Final = "sillwatch_session"
LOOK_S: Final = 2.0
SIGN_IN_PAGE: Final = "/sign-in"

_WHO: Final = "sillwatch.who"
_BEARER: Final = "bearer "


def who_of(request: HTTPConnection) -> Who | None:
    """Who asks; ``None`` where sign-in is off, or where nobody had to sign in."""
    who: Who | None = request.scope.get(_WHO)
    return who


def name_cookie(name: str, *, secure: bool) -> str:
    """Return a cookie's name: with TLS one that no other host and no plain page can set."""
    return f"__Host-{name}" if secure else name


def read_cookie(headers: Headers, name: str) -> str | None:
    """Return the value of a cookie; ``None`` where it is not there, or there more than once."""
    parts = (part.partition("=") for line in headers.getlist("cookie") for part in line.split(";"))
    found = [value.strip() for key, _, value in parts if key.strip() == name]
    # Twice means that somebody else has set one too: neither can be trusted.
    return found[0] if len(found) == 1 else None


class Gate:
    """ASGI middleware between the guard and the application; also keeps the open streams of people."""

    def __init__(self, app: ASGIApp, access: Access | None, sittings: Sittings, *, front: Front, now: Clock) -> None:
        self._app = app
        self._access = access
        self._sittings = sittings
        self._front = front
        self._now = now
        self._cookie = name_cookie(COOKIE, secure=front.secure)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request in, or answer it."""
        if scope["type"] == "http":
            scope = {**scope, "client": (self._front.find_client(scope), 0), "peer": scope.get("client")}
            if self._access is not None:
                refusal = await self._judge(scope, self._access)
                if refusal is not None:
                    await refusal(scope, receive, send)
                    return
        await self._app(scope, receive, send)

    async def _judge(self, scope: Scope, access: Access) -> Response | None:
        """Note who asks; return the refusal, or ``None`` where they may."""
        rights = find_rights(scope["path"])
        right = rights.get(scope["method"])
        headers = Headers(scope=scope)
        try:
            who = await self._find_who(headers, access)
        except AccessError as error:
            if right is Right.OPEN:
                return None
            LOG.error("%s", error, extra={"action": "access-failed"})
            return answer_problem(ProblemError("no-access", KINDS["no-access"].remedy), {"Retry-After": "5"})
        scope[_WHO] = who
        if right is Right.OPEN:
            return None
        if right is None:
            return self._find_nothing(scope, who, headers, rights)
        if right is Right.SCRAPE and self._front.is_local({**scope, "client": scope["peer"]}):
            return None
        if who is None:
            return self._ask_to_sign_in(scope, headers)
        return None if has_right(who, right) else answer_problem(_refuse(who, right))

    def _find_nothing(self, scope: Scope, who: Who | None, headers: Headers, rights: Mapping[str, Right]) -> Response:
        """Answer for what has no right: it is not there, even where the application knows it."""
        if scope["path"].startswith("/api/") and who is None:
            return self._ask_to_sign_in(scope, headers)
        if not rights:
            return answer_problem(ProblemError("not-found", KINDS["not-found"].remedy))
        allowed = {"Allow": ", ".join(sorted(rights))}
        return answer_problem(ProblemError("method-not-allowed", KINDS["method-not-allowed"].remedy), allowed)

    async def _find_who(self, headers: Headers, access: Access) -> Who | None:
        authorization = headers.get("authorization")
        if authorization is not None:
            # Whoever says who they are is taken at that word alone, never at a cookie's beside it.
            if not authorization.lower().startswith(_BEARER):
                return None
            return await access.find_token(authorization[len(_BEARER) :].strip(), self._now())
        secret = read_cookie(headers, self._cookie)
        return await access.find_session(secret, self._now()) if secret else None

    def _ask_to_sign_in(self, scope: Scope, headers: Headers) -> Response:
        path: str = scope["path"]
        if path.startswith("/api/") or path == "/metrics" or scope["method"] not in ("GET", "HEAD"):
            error = ', error="invalid_token"' if "authorization" in headers else ""
            challenge = {"WWW-Authenticate": f'Bearer realm="sillwatch"{error}'}
            return answer_problem(ProblemError("sign-in-needed", KINDS["sign-in-needed"].remedy), challenge)
        query = scope.get("query_string", b"").decode("latin-1")
        onwards = quote(path + (f"?{query}" if query else ""), safe="/")
        return Response(status_code=303, headers={"Location": f"{SIGN_IN_PAGE}?next={onwards}"})


class Sittings:
    """The open streams of those who signed in: each ends within seconds of the right to it."""

    def __init__(self, access: Access | None, now: Clock) -> None:
        self._access = access
        self._now = now
        self._open: WeakKeyDictionary[Client, Who] = WeakKeyDictionary()

    def sit(self, who: Who | None, client: Client) -> None:
        """Keep an eye on a stream."""
        if who is not None:
            self._open[client] = who

    async def look(self) -> None:
        """End the streams of those who may no longer have them.

        What the clock ends is ended even where the store cannot be asked.
        """
        if self._access is None or not self._open:
            return
        now = self._now()
        whos = set(self._open.values())
        over = {who for who in whos if who.ends_at is not None and who.ends_at <= now}
        try:
            over |= await self._access.find_ended(whos, now)
        except AccessError as error:
            LOG.error("%s", error, extra={"action": "access-failed"})
        for client, who in list(self._open.items()):
            if who in over:
                del self._open[client]
                client.end()

    async def serve_looks(self) -> None:
        """Look for ever, until cancelled."""
        while True:
            await asyncio.sleep(LOOK_S)
            try:
                await self.look()
            except Exception:
                LOG.exception("the open streams were not looked at", extra={"action": "watch-streams"})


Clock = Callable[[], int]
"""The time in µs."""


def _refuse(who: Who, right: Right) -> ProblemError:
    role, scope = name_holder(right)
    if who.role is None:
        detail = f"It takes a token with the scope {scope}; {who.name} has {', '.join(sorted(who.scopes))}."
        return ProblemError("not-allowed", detail, {"needs": scope})
    article = "an" if role.startswith("a") else "a"
    return ProblemError("not-allowed", f"Only {article} {role} may; you are signed in as {who.role}.", {"needs": role})
