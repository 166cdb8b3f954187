"""The application: every route behind one guard and one gate.

Owns the assembly and the OpenAPI document; no route and no decision of its own.
"""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from starlette.types import ASGIApp

import monitor
from monitor.adapters.web.acting import SUBMIT_TIMEOUT_S, build_acting_routes
from monitor.adapters.web.assets import Assets
from monitor.adapters.web.auditing import build_audit_routes
from monitor.adapters.web.board_watch import BoardWatch
from monitor.adapters.web.boarding import build_board_routes
from monitor.adapters.web.charting import build_charting_routes
from monitor.adapters.web.checkup import build_checkup_routes
from monitor.adapters.web.debriefing import build_debrief_routes
from monitor.adapters.web.drilling import build_drill_routes
from monitor.adapters.web.front import FRONT, Front
from monitor.adapters.web.gate import Gate, Sittings
from monitor.adapters.web.guard import Guard
from monitor.adapters.web.journeying import build_journey_routes
from monitor.adapters.web.measuring import build_measuring_routes
from monitor.adapters.web.people import build_people_routes
from monitor.adapters.web.ports import Debriefs, MetricsPage, Reader
from monitor.adapters.web.problems import MEDIA_TYPE, ProblemDocument, install_problems
from monitor.adapters.web.proceeding import build_procedure_routes
from monitor.adapters.web.reading import build_reading_routes
from monitor.adapters.web.serving import STREAM_PATH, build_service_routes
from monitor.adapters.web.signing import build_signing_routes
from monitor.adapters.web.stream import Stream
from monitor.ports import Access

_PROBLEM: dict[int | str, dict[str, Any]] = {
    "default": {
        "description": "Anything else, as problem details (RFC 9457)",
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDocument"}}},
    }
}


class _Application(FastAPI):
    """The framework's application, whose description also names the problem's schema."""

    def openapi(self) -> dict[str, Any]:
        """Return the OpenAPI document, made when it is first asked for."""
        if self.openapi_schema is None:
            document = super().openapi()
            problem = ProblemDocument.model_json_schema(ref_template="#/components/schemas/{model}")
            parts = {**problem.pop("$defs", {}), ProblemDocument.__name__: problem}
            document["components"]["schemas"].update(parts)
        return super().openapi()


def build_app(
    reader: Reader,
    stream: Stream,
    boards: BoardWatch,
    metrics_page: MetricsPage,
    *,
    submit_timeout_s: float = SUBMIT_TIMEOUT_S,
    access: Access | None = None,
    front: Front = FRONT,
    sittings: Sittings | None = None,
    debriefs: Debriefs | None = None,
) -> ASGIApp:
    """Return the whole HTTP side as one ASGI application; without ``access`` nobody has to sign in."""
    sittings = sittings or Sittings(access, reader.now)
    app = _Application(
        title="Sillwatch",
        version=monitor.__version__,
        summary="Door states, hazards and alerts of aircraft on the ground. Advisory only.",
        openapi_url="/api/v1/openapi.json",
        # The ready-made pages load scripts from elsewhere.
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        responses=_PROBLEM,
        routes=[*Assets().routes()],
    )
    install_problems(app)
    app.include_router(build_reading_routes(reader))
    app.include_router(build_audit_routes(reader))
    app.include_router(build_measuring_routes(reader))
    app.include_router(build_charting_routes(reader))
    app.include_router(build_procedure_routes(reader))
    app.include_router(build_drill_routes(reader))
    app.include_router(build_debrief_routes(reader, debriefs))
    app.include_router(build_board_routes(reader, boards))
    app.include_router(build_checkup_routes(reader, stream, boards))
    app.include_router(build_service_routes(reader, stream, metrics_page, sittings))
    app.include_router(build_acting_routes(reader, submit_timeout_s=submit_timeout_s))
    app.include_router(build_signing_routes(reader, access, sittings, front))
    app.include_router(build_journey_routes(reader, access, front))
    app.include_router(build_people_routes(reader, access, sittings))
    gate = Gate(app, access, sittings, front=front, now=reader.now)
    return Guard(gate, stream_path=STREAM_PATH, front=front, signed_in=access is not None)
