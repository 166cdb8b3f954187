"""The addresses of drills: which there were and are.

Owns the mapping from an address to a question of the reader. A drill begins and ends as the permit that it is;
whose drill it was is kept here, apart from the command, and told by this list alone.
"""

from __future__ import annotations

from typing import Annotated, Final

import structlog
from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import OptionalText, OptionalTime, PageQuery, PermitGranting
from monitor.adapters.web.paging import pass_page
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.proceeding import ProcedurePage
from monitor.core.procedures.drills import DRILL
from monitor.core.times import parse_time
from monitor.ports import JournalError, Readout

_log: Final = structlog.get_logger("sillwatch")


class DrillQuery(PageQuery):
    """Filters of the list of drills."""

    aircraft: OptionalText = None
    since: OptionalTime = Field(None, description="Those that went on from this moment on")
    until: OptionalTime = Field(None, description="Those that began before this moment")


def check_label(reader: Reader, body: PermitGranting) -> None:
    """Refuse a trainee's label where none is kept, or where there is no drill to put it to."""
    if body.trainee is None:
        return
    if body.kind != DRILL:
        raise ProblemError("refused", "Only a drill takes the label of a trainee.")
    if not reader.drilling.keep_labels_days:
        raise ProblemError(
            "refused", "Labels of trainees are not kept here (drills.keep_labels_days is 0); leave trainee out."
        )


async def keep_label(reader: Reader, body: PermitGranting, permit: Readout) -> None:
    """Keep the label of a drill that was granted; where that fails the drill runs all the same, and it is said so."""
    if body.trainee is None:
        return
    try:
        await reader.drilling.keep_label(permit["permit_id"], body.trainee, parse_time(permit["until"]))
    except JournalError as error:
        _log.warning("label of a drill not kept", action="keep-label", why=str(error))
        raise ProblemError(
            "not-durable",
            f"The drill runs as {permit['permit_id']}, but its label could not be kept; do not grant it again.",
        ) from None


def build_drill_routes(reader: Reader) -> APIRouter:
    """Return the routes of drills."""
    router = APIRouter()

    @router.get("/api/v1/drills", tags=["procedures"], responses={200: {"model": ProcedurePage}})
    async def list_drills(query: Annotated[DrillQuery, Query()]) -> Response:
        """List the drills past and running, the newest first, each with the runs in it."""
        question = query.model_dump(exclude={"limit", "after"})
        return JsonAnswer(await pass_page(reader.drilling.drills(question, limit=query.limit, before=query.after)))

    return router
