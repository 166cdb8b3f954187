"""The application: every route behind one guard.

Owns the assembly and the OpenAPI document; no route and no decision of its own.
"""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from starlette.types import ASGIApp

import monitor
from monitor.adapters.web.acting import SUBMIT_TIMEOUT_S, build_acting_routes
from monitor.adapters.web.assets import Assets
from monitor.adapters.web.guard import Guard
from monitor.adapters.web.ports import MetricsPage, Reader
from monitor.adapters.web.problems import MEDIA_TYPE, ProblemDocument, install_problems
from monitor.adapters.web.reading import build_reading_routes
from monitor.adapters.web.serving import STREAM_PATH, build_service_routes
from monitor.adapters.web.stream import Stream

_PROBLEM: dict[int | str, dict[str, Any]] = {
    "default": {
        "description": "Anything else, as problem details (RFC 9457)",
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDocument"}}},
    }
}


def build_app(
    reader: Reader, stream: Stream, metrics_page: MetricsPage, *, submit_timeout_s: float = SUBMIT_TIMEOUT_S
) -> ASGIApp:
    """Return the whole HTTP side as one ASGI application."""
    app = FastAPI(
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
    app.include_router(build_service_routes(reader, stream, metrics_page))
    app.include_router(build_acting_routes(reader, submit_timeout_s=submit_timeout_s))
    _name_problem_schema(app)
    return Guard(app, stream_path=STREAM_PATH)


def _name_problem_schema(app: FastAPI) -> None:
    """Add the problem's schema, which no route returns by itself."""
    schema = ProblemDocument.model_json_schema(ref_template="#/components/schemas/{model}")
    parts = {**schema.pop("$defs", {}), "ProblemDocument": schema}
    app.openapi()["components"]["schemas"].update(parts)
