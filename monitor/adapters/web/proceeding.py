"""The addresses of procedures: which there are, and the runs of them that are on record.

Owns the mapping from an address to a question of the reader; changes nothing.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import OptionalText, OptionalTime, PageDocument, PageQuery
from monitor.adapters.web.paging import cut_page, pass_page
from monitor.adapters.web.ports import Reader
from monitor.ports import Readout


class RunQuery(PageQuery):
    """Filters of the record of runs."""

    aircraft: OptionalText = None
    door: OptionalText = None
    procedure: OptionalText = None
    drill: OptionalText = Field(None, description="A drill's permit_id")
    since: OptionalTime = Field(None, description="Begun from this moment on")
    until: OptionalTime = Field(None, description="Begun before this moment")


class ProcedurePage(PageDocument):
    """A page of procedures or drills; ``keep_labels_days``: how long a trainee's label is kept, 0 for none taken."""

    keep_labels_days: float


def build_procedure_routes(reader: Reader) -> APIRouter:
    """Return the routes of procedures."""
    router = APIRouter()

    @router.get("/api/v1/procedures", tags=["procedures"], responses={200: {"model": ProcedurePage}})
    async def list_procedures(query: Annotated[PageQuery, Query()]) -> Response:
        """List the configured procedures by name: what begins each, its steps, and the doors that it fits."""

        def key(procedure: Readout) -> tuple[str, ...]:
            return (str(procedure["procedure"]),)

        page = cut_page(reader.drilling.procedures(), key=key, limit=query.limit, after=query.after)
        return JsonAnswer({**page, "keep_labels_days": reader.drilling.keep_labels_days})

    @router.get("/api/v1/procedure-runs", tags=["procedures"], responses={200: {"model": PageDocument}})
    async def list_runs(query: Annotated[RunQuery, Query()]) -> Response:
        """List the runs that have ended, the newest first; one that goes on is with its aircraft."""
        question = query.model_dump(exclude={"limit", "after"})
        return JsonAnswer(await pass_page(reader.drilling.runs(question, limit=query.limit, before=query.after)))

    return router
