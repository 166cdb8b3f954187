"""The bench's HTTP side: its page, the stream of its picture, and the commands of whoever works it.

Owns the routes. Every command is checked for its shape here and for its sense by the
session; errors are problem details as the monitor's own.
"""

from __future__ import annotations

import gzip
from collections.abc import Awaitable, Callable
from importlib import resources
from typing import Any, Final, NamedTuple, TypeVar

from pydantic import BaseModel, ValidationError
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from monitor.adapters.web.guard import Guard
from monitor.adapters.web.problems import (
    KINDS,
    LOG,
    TYPE_PREFIX,
    ProblemError,
    answer_http_error,
    answer_invalid,
    answer_problem,
)
from simulators.workbench import bodies
from simulators.workbench.bench import Bench
from simulators.workbench.picture import Frames, TooManyError
from simulators.workbench.session import RefusedError

STREAM_PATH: Final = "/api/stream"
_STREAM_TYPE: Final = "text/event-stream"
_STREAM_HEADERS: Final = {"Cache-Control": "no-store"}
_MEDIA_TYPES: Final = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "txt": "text/plain; charset=utf-8",
    "html": "text/html; charset=utf-8",
}

B = TypeVar("B", bound=BaseModel)
Command = Callable[[Bench, B], None]


class MissingPageError(Exception):
    """The page's files are not there: this copy of the program was not built."""


class _File(NamedTuple):
    content: bytes
    packed: bytes
    media_type: str


def read_page() -> dict[str, _File]:
    """Read the page's files; raises :class:`MissingPageError`."""
    folder = resources.files("simulators.workbench") / "static"
    files: dict[str, _File] = {}
    try:
        for entry in folder.iterdir():
            media_type = _MEDIA_TYPES.get(entry.name.rpartition(".")[2])
            if media_type is not None and not entry.name.startswith("."):
                content = entry.read_bytes()
                files[entry.name] = _File(content, gzip.compress(content, mtime=0), media_type)
    except OSError:
        files = {}
    if "bench.html" not in files:
        raise MissingPageError("the bench's page is missing; run .ci/setup, or install the package")
    return files


def build_app(bench: Bench, files: dict[str, _File]) -> ASGIApp:
    """Return the whole HTTP side as one ASGI application, answering loopback names alone."""

    async def serve_page(request: Request) -> Response:
        return _answer_file(request, files["bench.html"])

    async def serve_file(request: Request) -> Response:
        file = files.get(request.path_params["name"])
        if file is None:
            raise ProblemError("not-found", "There is no such file.")
        return _answer_file(request, file)

    async def explain(request: Request) -> Response:
        word = request.path_params["word"]
        if word not in KINDS:
            raise ProblemError("not-found", "There is no such type of problem.")
        return JSONResponse({"type": TYPE_PREFIX + word, **KINDS[word]._asdict()})

    async def get_state(request: Request) -> Response:
        return Response(bench.picture.encode(), media_type="application/json")

    async def open_stream(request: Request) -> Response:
        if request.method == "HEAD":
            return Response(media_type=_STREAM_TYPE, headers=_STREAM_HEADERS)
        if request.headers.get("sec-fetch-mode") == "navigate":
            # Another site's page may send a window here; our own page follows the stream by its script.
            raise ProblemError("cross-site", "The stream is for the bench's page, not to be opened as one.")
        try:
            frames = bench.picture.follow()
        except TooManyError:
            raise ProblemError("too-many-streams", "Close a page of the bench.", headers={"Retry-After": "5"}) from None
        return _Frames(frames)

    routes = [
        Route("/", serve_page),
        Route("/assets/{name}", serve_file),
        Route(TYPE_PREFIX + "{word}", explain),
        Route("/api/state", get_state),
        Route(STREAM_PATH, open_stream),
        _command("/api/begin", bodies.Begin, bench, _begin),
        _command("/api/end", bodies.End, bench, lambda bench, body: bench.end_session()),
        _command("/api/orders", bodies.Do, bench, _do),
        _command("/api/moves", bodies.Move, bench, lambda bench, b: bench.session.move(b.door, b.part, b.to)),
        _command("/api/holds", bodies.Hold, bench, _hold),
        _command("/api/faults", bodies.Fault, bench, _fault),
        _command("/api/wind", bodies.Blow, bench, lambda bench, b: bench.session.blow(b.mean_kt, b.gust_kt)),
    ]
    app = Starlette(
        routes=routes,
        exception_handlers={ProblemError: _on_problem, HTTPException: _on_http_error, Exception: _on_failure},
    )
    app.router.redirect_slashes = False
    return Guard(app, stream_path=STREAM_PATH)


class _Frames(StreamingResponse):
    """One page's stream; its place is given up whatever ends it."""

    def __init__(self, frames: Frames) -> None:
        super().__init__(frames, media_type=_STREAM_TYPE, headers=_STREAM_HEADERS)
        self._frames = frames

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._frames.close()


def _command(path: str, shape: type[B], bench: Bench, do: Command[B]) -> Route:
    async def serve(request: Request) -> Response:
        try:
            body = shape.model_validate_json(await request.body() or b"{}")
        except ValidationError as error:
            errors: list[Any] = error.errors(include_url=False, include_context=False, include_input=False)
            return answer_invalid([{**each, "loc": ("body", *each["loc"])} for each in errors])
        try:
            do(bench, body)
        except RefusedError as error:
            raise ProblemError("refused", str(error)) from None
        bench.look()
        return Response(status_code=204)

    return Route(path, serve, methods=["POST"])


def _begin(bench: Bench, body: bodies.Begin) -> None:
    bench.session.begin(body.start, bench.now())


def _do(bench: Bench, body: bodies.Do) -> None:
    bench.session.order(body.do, body.door, bench.now())


def _hold(bench: Bench, body: bodies.Hold) -> None:
    bench.session.hold(body.door, body.part, body.force, bench.now())


def _fault(bench: Bench, body: bodies.Fault) -> None:
    bench.session.break_sensor(body.reading, body.fault, body.amount, bench.now())


def _answer_file(request: Request, file: _File) -> Response:
    headers = {"Content-Type": file.media_type, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
    offered = {part.partition(";")[0].strip() for part in request.headers.get("accept-encoding", "").split(",")}
    if "gzip" not in offered:
        return Response(file.content, headers=headers)
    return Response(file.packed, headers={**headers, "Content-Encoding": "gzip"})


Handler = Callable[[Request, Exception], Awaitable[Response]]


async def _on_problem(_: Request, error: Exception) -> Response:
    assert isinstance(error, ProblemError)
    return answer_problem(error)


async def _on_http_error(_: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return answer_http_error(error)


async def _on_failure(_: Request, error: Exception) -> Response:
    LOG.error("the bench failed to answer", exc_info=error)
    return answer_problem(ProblemError("internal", "The bench failed to answer."))
