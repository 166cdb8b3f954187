"""The addresses about people: who may sign in, and which sessions run.

Owns whose sessions somebody may see and end: their own, and an administrator everybody's.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.gate import Sittings, who_of
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.rights import Right, has_right
from monitor.adapters.web.submitting import origin_of
from monitor.ports import Access, Role, Who

SessionId = Annotated[str, Path(pattern=r"^[0-9a-f]{1,32}$")]


class PersonDocument(BaseModel):
    """Somebody who may sign in with a password."""

    name: str
    role: Role
    added_at: str
    signed_in_at: str | None
    sessions: int


class PeopleList(BaseModel):
    """Everybody, by name."""

    items: list[PersonDocument]


class RunningSession(BaseModel):
    """A session that runs; ``provider`` is null for one by password, ``own`` marks the one that asks."""

    id: str
    name: str
    role: Role
    provider: str | None
    began_at: str
    used_at: str
    ends_at: str
    address: str
    agent: str
    own: bool


class SessionList(BaseModel):
    """The sessions that run, the longest-running first."""

    items: list[RunningSession]


def build_people_routes(reader: Reader, access: Access | None, sittings: Sittings) -> APIRouter:
    """Return the routes about people."""
    router = APIRouter()

    def need_access(request: Request) -> tuple[Access, Who]:
        who = who_of(request)
        if access is None or who is None:
            raise ProblemError("not-found", "Sign-in is not set up here: `sillwatch user add` sets it up.")
        return access, who

    @router.get("/api/v1/people", tags=["people"], responses={200: {"model": PeopleList}})
    async def list_people(request: Request) -> Response:
        """List everybody who may sign in with a password."""
        asked, _ = need_access(request)
        return JsonAnswer({"items": await asked.list_people()})

    @router.get("/api/v1/sessions", tags=["people"], responses={200: {"model": SessionList}})
    async def list_sessions(request: Request) -> Response:
        """List the sessions that run: one's own, and for an administrator everybody's."""
        asked, who = need_access(request)
        items = await asked.list_sessions(of=_whose(who), now=reader.now())
        return JsonAnswer({"items": [{**item, "own": item["id"] == who.id} for item in items]})

    @router.delete("/api/v1/sessions/{session}", tags=["people"], status_code=204)
    async def end_session(request: Request, session: SessionId) -> Response:
        """End a session: one's own, and for an administrator anybody's. Its streams end."""
        asked, who = need_access(request)
        origin = origin_of(request)
        if not await asked.end_session(session, of=_whose(who), by=who.name, origin=origin, now=reader.now()):
            raise ProblemError("not-found", "No such session of yours runs.")
        await sittings.look()
        return Response(status_code=204)

    return router


def _whose(who: Who) -> str | None:
    return None if has_right(who, Right.ADMINISTER) else who.name
