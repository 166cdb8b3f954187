"""The addresses about the service itself: stream, health, metrics, problem types.

Owns no data of the apron; what it shows comes from the reader and the stream.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from monitor.adapters.web.answers import EventStreamAnswer, JsonAnswer
from monitor.adapters.web.boards import BOARD_ID
from monitor.adapters.web.gate import Sittings, who_of
from monitor.adapters.web.ports import MetricsPage, Reader
from monitor.adapters.web.problems import KINDS, TYPE_PREFIX, ProblemError
from monitor.adapters.web.stream import Stream

STREAM_PATH = "/api/v1/stream"

BoardName = Annotated[str, Query(pattern=BOARD_ID)]


def build_service_routes(reader: Reader, stream: Stream, metrics_page: MetricsPage, sittings: Sittings) -> APIRouter:
    """Return the routes about the service itself."""
    router = APIRouter()

    @router.get("/api/v1/problems/{word}", tags=["help"])
    async def get_problem(word: str) -> Response:
        """Explain one type of problem."""
        kind = KINDS.get(word)
        if kind is None:
            raise ProblemError("not-found", "There is no such type of problem.")
        return JsonAnswer({"type": TYPE_PREFIX + word, **kind._asdict()})

    @router.get(STREAM_PATH, tags=["stream"], responses={200: {"content": {"text/event-stream": {}}}})
    async def open_stream(request: Request, after: str | None = None, board: BoardName | None = None) -> Response:
        """Stream a snapshot, then changes; after a known Last-Event-ID changes only.

        `after` says the same for a page that opens a new stream. `board` is the page's id among the boards:
        what it says to show counts while this stream is open.

        Events: `snapshot`, `door`, `active`, `event`, `aircraft`, `readiness`, `procedure`, `stand`,
        `permits` and, every two seconds, `beat`. A null `document` means that it is gone.
        `proving` and `proof`: the service's own handle is lifted, and was proved to get through.
        """
        address = request.client.host if request.client is not None else ""
        client = stream.join(request.headers.get("last-event-id") or after, board or "", address)
        sittings.sit(who_of(request), client)
        return EventStreamAnswer(client)

    @router.get("/healthz", tags=["health"])
    async def get_healthz() -> Response:
        """Say that the process is alive and its loop turns."""
        return JsonAnswer({"alive": True, "version": reader.health().get("version")})

    @router.get("/readyz", tags=["health"])
    async def get_readyz() -> Response:
        """Say whether the instance can be trusted now: broker, journal and loop."""
        health = reader.health()
        if not health["ready"]:
            reasons = list(health["reasons"])
            raise ProblemError("not-ready", "; ".join(reasons) or "No reason was given.", health)
        return JsonAnswer(health)

    @router.get("/metrics", tags=["health"], responses={200: {"content": {"text/plain": {}}}})
    async def get_metrics(request: Request) -> Response:
        """Expose the metrics, as OpenMetrics where the client asks for it."""
        body, content_type = metrics_page(request.headers.get("accept", ""))
        return Response(body, headers={"Content-Type": content_type})

    return router
