"""The addresses of reports: a debrief, two of them side by side, and a hand-over.

Owns the mapping from an address to a report and its form, and who is named in it: people who
may not act are told what was done, not by whom. Making one is its maker's affair.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated, Any, BinaryIO, Final, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints
from starlette.responses import Response, StreamingResponse

from monitor.adapters.web.gate import who_of
from monitor.adapters.web.ports import Debriefs, Reader, ReportRefusedError, Written
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.rights import Right, has_right

CHUNK: Final = 64 * 1024
CLOSED_REQUEST: Final = 499
"""For the log alone: there is nobody to read it."""


def _blank_is_absent(value: object) -> object:
    return None if isinstance(value, str) and not value.strip() else value


Text = Annotated[str | None, Field(max_length=80), BeforeValidator(_blank_is_absent)]
Moment = Annotated[
    str | None,
    Field(max_length=40, description="RFC 3339, a date in the zone, or an age such as 30min, 12h or 30d"),
    BeforeValidator(_blank_is_absent),
]
Registration = Annotated[str | None, StringConstraints(pattern=r"^[A-Z0-9-]{2,10}$"), BeforeValidator(_blank_is_absent)]
PlaceName = Annotated[
    str | None, StringConstraints(pattern=r"^[A-Za-z0-9_-]{1,32}$"), BeforeValidator(_blank_is_absent)
]
ZoneName = Annotated[
    str | None,
    StringConstraints(pattern=r"^[A-Za-z0-9_+/-]{1,64}$"),
    Field(description="The IANA time zone of dates and of the times shown; without it the site's"),
    BeforeValidator(_blank_is_absent),
]


class _Asking(BaseModel):
    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    zone: ZoneName = None


class DebriefQuery(_Asking):
    """What a debrief is of: a drill, an aircraft (or one door of it), a stand, or else the whole site."""

    drill: Text = Field(None, description="The drill's permit_id, or its name: the newest of that name")
    aircraft: Registration = None
    door: PlaceName = None
    stand: PlaceName = None
    since: Moment = None
    until: Moment = None
    form: Literal["json", "html", "md", "pdf", "csv", "parquet"] = Field(
        "json", alias="format", description="csv and parquet hold the readings of the period"
    )


class CompareQuery(_Asking):
    """Two drills."""

    drill: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    other: Annotated[str, StringConstraints(min_length=1, max_length=80)] = Field(alias="with")
    form: Literal["json", "html", "md", "pdf"] = Field("json", alias="format")


class HandoverQuery(_Asking):
    """A hand-over."""

    form: Literal["json", "html", "md", "pdf"] = Field("json", alias="format")


class ReportAnswer(StreamingResponse):
    """A report from its file, which is closed whatever ends the answer."""

    def __init__(self, written: Written) -> None:
        shown = written.media_type.startswith(("application/json", "text/html"))
        headers = {
            "Content-Type": written.media_type,
            "Content-Length": str(written.size),
            "Content-Disposition": f'{"inline" if shown else "attachment"}; filename="{written.filename}"',
        }
        if written.csp is not None:
            headers["Content-Security-Policy"] = written.csp
        self._file = written.file
        super().__init__(_read(written.file), headers=headers)

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Send the file."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._file.close()


async def _read(file: BinaryIO) -> AsyncIterator[bytes]:
    while chunk := await asyncio.to_thread(file.read, CHUNK):
        yield chunk


async def _is_waited_for(making: asyncio.Future[Written], request: Request) -> bool:
    """Wait until a report is made, or given up because whoever asked for it went away: others wait for their turn."""
    leaving = asyncio.ensure_future(_leave(request))
    both: set[asyncio.Future[Any]] = {making, leaving}
    try:
        await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        return making.done()
    finally:
        for each in both:
            each.cancel()
        await asyncio.wait(both)


async def _leave(request: Request) -> None:
    while (await request.receive())["type"] != "http.disconnect":
        pass


_FORMS: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The report in the form that was asked for",
        "content": {
            "application/json": {"schema": {"type": "object"}},
            "text/html": {},
            "text/markdown": {},
            "application/pdf": {},
        },
    }
}
_FORMS_OF_DEBRIEF: dict[int | str, dict[str, Any]] = {
    200: {
        **_FORMS[200],
        "content": {**_FORMS[200]["content"], "text/csv": {}, "application/vnd.apache.parquet": {}},
    }
}


def build_debrief_routes(reader: Reader, debriefs: Debriefs | None) -> APIRouter:
    """Return the routes of reports."""
    router = APIRouter()

    async def write(report: str, request: Request, **asked: Any) -> Response:
        if debriefs is None:
            raise ProblemError("not-found", "No reports are made here.")
        who = who_of(request)
        names = who is None or has_right(who, Right.ACT)
        making = asyncio.ensure_future(debriefs.write(report, names=names, now=reader.now(), **asked))
        try:
            if not await _is_waited_for(making, request):
                return Response(status_code=CLOSED_REQUEST)
            return ReportAnswer(making.result())
        except ReportRefusedError as error:
            raise ProblemError(error.kind, error.detail) from None

    @router.get("/api/v1/debrief", tags=["record"], responses=_FORMS_OF_DEBRIEF)
    async def debrief(request: Request, query: Annotated[DebriefQuery, Query()]) -> Response:
        """Tell what a drill, an aircraft, a stand or a period came to, from the record alone.

        Made in the background, one report at a time. People are named to those who may act.
        """
        asked = query.model_dump(exclude={"form"})
        return await write("debrief", request, asked=asked, format=query.form)

    @router.get("/api/v1/debrief/compare", tags=["record"], responses=_FORMS)
    async def compare(request: Request, query: Annotated[CompareQuery, Query()]) -> Response:
        """Set two drills side by side: steps, times, scores and alerts."""
        one, other = {"drill": query.drill, "zone": query.zone}, {"drill": query.other, "zone": query.zone}
        return await write("compare", request, asked=one, other=other, format=query.form)

    @router.get("/api/v1/handover", tags=["record"], responses=_FORMS)
    async def handover(request: Request, query: Annotated[HandoverQuery, Query()]) -> Response:
        """Tell whoever takes over what is open, set aside, out of service, blind or unheard."""
        return await write("handover", request, asked={"zone": query.zone}, format=query.form)

    return router
