"""The address that says how the service itself does: load, delays, senders and boards.

Owns the answer's shape; every figure comes from the reader, the stream or the boards.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, Field
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.board_watch import BoardWatch
from monitor.adapters.web.boarding import BoardDocument
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.stream import Stream
from monitor.core.times import format_time


class LatencyDocument(BaseModel):
    """Durations in ms: percentiles are at most 1/16 too long, and null where nothing was timed."""

    p50: float | None
    p95: float | None
    p99: float | None
    max: float | None
    count: int


class SenderDocument(BaseModel):
    """One aircraft as a sender; what never came is null. Ages in seconds, the offset ours minus theirs."""

    aircraft: str
    stand: str
    presence: str
    feed: str
    clock_offset_s: float | None
    heartbeat: int | None
    heartbeat_age_s: float | None
    last_message_age_s: float | None
    messages_per_s: float | None = Field(description="Over the last minute; null where none came since the start")


class StreamCounts(BaseModel):
    """The live stream: clients open now, and slow ones sent back to a snapshot since the start."""

    clients: int
    resyncs: int


class ProofDocument(BaseModel):
    """The service's own proofs: when one last passed, null before the first, and how many were missed since the start."""

    at: str | None
    took_ms: float | None = Field(description="From sending until it was both on disk and out of the stream")
    age_s: float | None
    missed: int


class HealthDocument(BaseModel):
    """How the service does: rates and delays of the last 10 min, what was refused since the start, who sends."""

    now: str
    service: dict[str, Any]
    proof: ProofDocument | None = Field(description="Null where no proofs are sent")
    rates: dict[str, dict[str, float]]
    latency_ms: dict[str, LatencyDocument]
    dropped: dict[str, int]
    rejected: dict[str, int]
    senders: list[SenderDocument]
    boards: list[BoardDocument]
    stream: StreamCounts


def build_checkup_routes(reader: Reader, stream: Stream, watch: BoardWatch) -> APIRouter:
    """Return the route of the service's health."""
    router = APIRouter()

    @router.get("/api/v1/health", tags=["health"], responses={200: {"model": HealthDocument}})
    async def check_up() -> Response:
        """Show how the service does: load, delays, what it refused, each sender, each board."""
        now, service = reader.now(), reader.health()
        return JsonAnswer(
            {
                "now": format_time(now),
                "service": service,
                "proof": service["proof"],
                **reader.vitals(),
                "senders": reader.senders(),
                "boards": watch.boards.describe(now),
                "stream": {"clients": stream.clients, "resyncs": stream.resyncs},
            }
        )

    return router
