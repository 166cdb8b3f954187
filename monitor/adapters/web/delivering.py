"""The addresses of what is told outside: destinations, dead letters, and sending them again.

Owns the answers' shapes and the way from a request to a command that is audited first.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, Field
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import DeliveryAction, PageQuery
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.submitting import UNNAMED, Submit
from monitor.core.events import DeliveryReplayed, DestinationResumed
from monitor.ports import Readout

LetterNumber = Annotated[str, Path(pattern=r"^[0-9]{1,18}$")]
DestinationName = Annotated[str, Path(pattern=r"^[A-Za-z0-9_-]{1,32}$")]


class DestinationDocument(BaseModel):
    """How a destination does; ``address`` is its scheme and host, and null where it is no longer configured."""

    name: str
    kind: str
    address: str | None
    state: str = Field(description="working, retrying, gone (it said so) or off (no longer configured)")
    waiting: int
    dead: int
    oldest_waiting_at: str | None
    last_delivered_at: str | None
    failing_since: str | None
    next_attempt_at: str | None
    last_error: str | None


class DeadLetterDocument(BaseModel):
    """An event that a destination did not take for as long as it was tried."""

    id: str
    destination: str
    event_id: str
    type: str
    subject: str
    queued_at: str
    died_at: str
    attempts: int
    last_error: str
    simulated: bool = Field(default=False, description="True where it told of a simulated aircraft; left out where not")


class DeliveriesDocument(BaseModel):
    """Every destination, and one page of dead letters, the newest first."""

    destinations: list[DestinationDocument]
    items: list[DeadLetterDocument]
    next: str | None


_ANSWER: dict[int | str, dict[str, Any]] = {200: {"model": DeliveriesDocument}}


def build_delivery_routes(reader: Reader, submit: Submit) -> APIRouter:
    """Return the routes of deliveries."""
    router = APIRouter()

    async def describe(limit: int, before: int | None) -> Readout:
        outside = reader.outside
        items = await outside.dead_letters(limit=limit + 1, before=before)
        following = items[limit - 1]["id"] if len(items) > limit else None
        return {"destinations": await outside.describe(), "items": items[:limit], "next": following}

    @router.get("/api/v1/deliveries", tags=["deliveries"], responses=_ANSWER)
    async def list_deliveries(query: Annotated[PageQuery, Query()]) -> Response:
        """Show how each destination does, and list what was laid aside undelivered, the newest first."""
        before = query.after
        if before is not None and not (before.isascii() and before.isdecimal() and len(before) <= 18):
            detail = "after must be the next of an earlier page"
            raise ProblemError("invalid", detail, {"errors": [{"pointer": "after", "detail": detail}]})
        return JsonAnswer(await describe(query.limit, None if before is None else int(before)))

    @router.post("/api/v1/deliveries/{letter}/replay", tags=["deliveries"], responses=_ANSWER)
    async def replay(request: Request, letter: LetterNumber, body: DeliveryAction | None = None) -> Response:
        """Send an event again that was laid aside, under its old id."""
        number = int(letter)
        if not await reader.outside.is_dead(number):
            raise ProblemError("not-found", "No letter of that number was laid aside; it may be on its way again.")
        await submit(request, DeliveryReplayed(str(number), *_unpack(body)))
        await reader.outside.replay(number)
        return JsonAnswer(await describe(100, None))

    @router.post("/api/v1/deliveries/destinations/{name}/resume", tags=["deliveries"], responses=_ANSWER)
    async def resume(request: Request, name: DestinationName, body: DeliveryAction | None = None) -> Response:
        """Try a destination again at once, also one that said that it wants nothing any more."""
        if not reader.outside.is_destination(name):
            raise ProblemError("not-found", "No destination of that name is configured.")
        await submit(request, DestinationResumed(name, *_unpack(body)))
        await reader.outside.resume(name)
        return JsonAnswer(await describe(100, None))

    return router


def _unpack(body: DeliveryAction | None) -> tuple[str, str]:
    return (UNNAMED, "") if body is None else (body.by or UNNAMED, body.reason or "")
