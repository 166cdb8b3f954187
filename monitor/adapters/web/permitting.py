"""The addresses of permits: granting, ending and listing them.

Owns the way from a body to the command, and the answer: the permit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import PageDocument, PageQuery, PermitEnding, PermitGranting
from monitor.adapters.web.drilling import check_label, keep_label
from monitor.adapters.web.paging import cut_page
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.submitting import MILLISECONDS_PER_MINUTE, UNNAMED, Submit
from monitor.core.effects import Effect, RecordAudit
from monitor.core.events import PermitEnded, PermitGranted
from monitor.core.times import MILLISECOND
from monitor.ports import Readout

PermitId = Annotated[str, Path(pattern=r"^[0-9a-f]{1,64}$")]


def find_permit(effects: Sequence[Effect], permits: Sequence[Readout]) -> Readout | None:
    """Return the document of the permit that was granted; ``None`` where it is over already."""
    granted = {e.subject.rpartition("/")[2] for e in effects if isinstance(e, RecordAudit)}
    return next((permit for permit in permits if permit["permit_id"] in granted), None)


def build_permit_routes(reader: Reader, submit: Submit) -> APIRouter:
    """Return the routes of permits."""
    router = APIRouter()

    @router.get("/api/v1/permits", tags=["permits"], responses={200: {"model": PageDocument}})
    async def list_permits(query: Annotated[PageQuery, Query()]) -> Response:
        """List the permits that run, the first to end first."""

        def key(permit: Readout) -> tuple[str, ...]:
            return (str(permit["until"]), str(permit["permit_id"]))

        return JsonAnswer(cut_page(reader.permits(), key=key, limit=query.limit, after=query.after))

    @router.post("/api/v1/permits", tags=["permits"], status_code=201)
    async def grant_permit(request: Request, body: PermitGranting) -> Response:
        """Take hazards of an aircraft out of service for a while, 12 h at most; answers with the permit.

        A drill may take none, and have a name, a procedure and, where labels are kept, a trainee's.
        """
        check_label(reader, body)
        until = body.until
        if body.minutes is not None:
            until = reader.now() + round(body.minutes * MILLISECONDS_PER_MINUTE) * MILLISECOND
        command = PermitGranted(
            body.kind, body.aircraft, tuple(body.doors), tuple(body.codes), until or 0, body.by or "", body.reason,
            name=body.name or "", procedure=body.procedure or "",
        )  # fmt: skip
        permit = find_permit(await submit(request, command), reader.permits())
        if permit is None:
            raise ProblemError("not-found", "The permit was over before it could be shown; the audit has it.")
        await keep_label(reader, body, permit)
        return JsonAnswer(permit, status_code=201)

    @router.post("/api/v1/permits/{permit_id}/end", tags=["permits"])
    async def end_permit(request: Request, permit_id: PermitId, body: PermitEnding | None = None) -> Response:
        """End a permit before its time; answers with it as it stood."""
        stood = next((permit for permit in reader.permits() if permit["permit_id"] == permit_id), {})
        body = body or PermitEnding()
        await submit(request, PermitEnded(permit_id, body.by or UNNAMED, body.reason or ""))
        return JsonAnswer({**stood, "permit_id": permit_id, "seconds_left": 0.0, "ended": True})

    return router
