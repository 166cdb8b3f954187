"""The address of an aircraft's line of time: its doors' states and its alerts over a while.

Owns the mapping from the address to a question of the reader, and the bounds of the while.
"""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import TimelineQuery
from monitor.adapters.web.measuring import read_period
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.reading import Registration
from monitor.core.times import HOUR, MINUTE

TIMELINE_DEFAULT: Final = 30 * MINUTE
TIMELINE_MAX: Final = 24 * HOUR


class DoorMoment(BaseModel):
    """How a door stood from a moment on, until its next entry."""

    at: str
    state: str
    slide: str


class AlertMoment(BaseModel):
    """One change of an alert; ``by`` where a person made it."""

    at: str
    type: str
    priority: str
    state: str
    by: str | None = None


class AlertLine(BaseModel):
    """One alert with its changes; ``priority`` is the worst it had."""

    alert_id: str
    code: str
    door: str
    priority: str
    raised_at: str
    ended_at: str | None = Field(description="When it was normal again; null where it was not by the end")
    text: str
    simulated: bool = Field(default=False, description="True where the aircraft was simulated; left out where not")
    changes: list[AlertMoment]


class TimelineDocument(BaseModel):
    """What became of an aircraft; what is not on record is absent."""

    aircraft: str
    simulated: bool = Field(default=False, description="True where the aircraft is simulated; left out where not")
    since: str
    until: str
    recorded_from: str | None = Field(description="The first moment of which anything is on record")
    cut: str | None = Field(
        description="Nothing is told before this moment, because there was too much or it is no longer kept; else null"
    )
    doors: dict[str, list[DoorMoment]] = Field(description="Each begins with how the door stood at the beginning")
    alerts: list[AlertLine] = Field(description="Those that stood at the beginning or were raised later")
    monitor_not_running: list[dict[str, str]]


def build_charting_routes(reader: Reader) -> APIRouter:
    """Return the route of lines of time."""
    router = APIRouter()

    @router.get("/api/v1/aircraft/{reg}/timeline", tags=["record"], responses={200: {"model": TimelineDocument}})
    async def draw_timeline(reg: Registration, query: Annotated[TimelineQuery, Query()]) -> Response:
        """Show how each door stood and which alerts there were, over 24 h at most; an aircraft may have left."""
        since, until = read_period(query, reader.now(), usual=TIMELINE_DEFAULT, longest=TIMELINE_MAX, named="24 h")
        document = await reader.timeline(reg, since=since, until=until)
        if document is None:
            raise ProblemError("not-found", f"No aircraft {reg} is known here or on record.")
        return JsonAnswer(document)

    return router
