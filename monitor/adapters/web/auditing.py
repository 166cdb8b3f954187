"""The addresses of the audit: what people did, and whether that record is whole.

Owns the mapping from these addresses to questions of the reader; changes nothing.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import PageDocument, PageQuery
from monitor.adapters.web.paging import pass_page
from monitor.adapters.web.ports import Reader


class AuditHead(BaseModel):
    """A row of the audit; number 0 and zeros where there is none yet."""

    number: int
    hash: str


class AuditVerdictDocument(BaseModel):
    """What a look at the whole audit found. A cut tail is seen by a head that was kept elsewhere."""

    whole: bool
    items: int = Field(description="How many rows there are")
    first_broken: int | None = Field(description="The number of the first row that does not follow from the one before")
    head: AuditHead
    pruned_up_to: int = Field(description="The number of the last row that was deleted for its age, or 0")


def build_audit_routes(reader: Reader) -> APIRouter:
    """Return the routes of the audit."""
    router = APIRouter()

    @router.get("/api/v1/audit", tags=["record"], responses={200: {"model": PageDocument}})
    async def list_audit(query: Annotated[PageQuery, Query()]) -> Response:
        """List people's actions, the newest first; each names its own hash in the chain and the one before it."""
        return JsonAnswer(await pass_page(reader.audit(limit=query.limit, before=query.after)))

    @router.get("/api/v1/audit/verify", tags=["record"], responses={200: {"model": AuditVerdictDocument}})
    async def verify_audit() -> Response:
        """Tell whether any row of the audit was altered, removed, put in or moved, and the hash of its newest."""
        return JsonAnswer(await reader.verify_audit())

    return router
