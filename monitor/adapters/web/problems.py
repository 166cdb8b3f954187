"""Errors as RFC 9457 problem details, for every answer that is not a success.

Owns the table of problem types and the only code that writes an error to a client.
It never echoes what a client sent, and never shows a traceback.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.responses import Response

from monitor.ports import AccessError, JournalError

LOG: Final = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"

TYPE_PREFIX = "/api/v1/problems/"


class Kind(NamedTuple):
    """One type of problem: its HTTP status, its title and what a client can do."""

    status: int
    title: str
    remedy: str


KINDS: Mapping[str, Kind] = {
    "malformed": Kind(400, "The body is not JSON", "Send a JSON object in UTF-8, or no body."),
    "sign-in-failed": Kind(401, "Sign-in failed", "Try again; an administrator can set another password."),
    "sign-in-needed": Kind(401, "Sign-in is needed", "Sign in at /sign-in, or send Authorization: Bearer and a token."),
    "cross-site": Kind(403, "Refused: it came from another site's page", "Act from this server's own page."),
    "not-allowed": Kind(403, "Not allowed", "Ask somebody with the role that the detail names."),
    "not-found": Kind(404, "Not found", "Look the name up in the list it belongs to."),
    "method-not-allowed": Kind(405, "The method does not fit this address", "Use one that the Allow header names."),
    "too-slow": Kind(408, "The body did not arrive in time", "Send the request again."),
    "conflict": Kind(409, "Things have changed since you looked", "Read the present state, then decide again."),
    "not-you": Kind(409, "Signed in as somebody else", "Leave out by, or give the name that you are signed in with."),
    "too-large": Kind(413, "The body is too large", "Send 64 KiB at most."),
    "unsupported-media-type": Kind(415, "The body is not declared as JSON", "Send Content-Type: application/json."),
    "wrong-host": Kind(
        421,
        "This server does not answer to that name",
        "Use a loopback address, or the one that http.public_url names.",
    ),
    "invalid": Kind(422, "The request does not fit", "Correct what the errors point at."),
    "refused": Kind(422, "Refused", "The detail says which rule speaks against it."),
    "too-many": Kind(429, "Too many attempts", "Wait as long as Retry-After says."),
    "internal": Kind(500, "The server failed", "Tell whoever runs it; its log says more."),
    "busy": Kind(503, "Too many reports are asked for at once", "Retry-After says when to try again."),
    "no-access": Kind(503, "Who may do this cannot be told", "Tell whoever runs it; its log says more."),
    "no-record": Kind(503, "The record cannot be read", "The present is still served; tell whoever runs it."),
    "not-durable": Kind(503, "Not confirmed on disk", "It may have taken effect: look before you repeat it."),
    "not-ready": Kind(503, "Not ready", "The reasons say what is wrong."),
    "too-many-from-here": Kind(
        429,
        "Too many connections, streams or boards from one address",
        "Close some; Retry-After says when to try again.",
    ),
    "too-many-connections": Kind(503, "Too many open connections", "Retry-After says when to try again."),
    "too-many-boards": Kind(503, "Too many open boards", "Close one, or try again later."),
    "too-many-streams": Kind(503, "Too many open streams", "Close one, or try again later."),
}
"""Problem word → what it is; the word is the last part of the problem's ``type``."""

_BY_STATUS = {400: "malformed", 404: "not-found", 405: "method-not-allowed", 413: "too-large", 422: "invalid"}


class InvalidPart(BaseModel):
    """One thing that does not fit, and where."""

    model_config = ConfigDict(extra="forbid")

    pointer: str = Field(description="Where it is: a JSON pointer into the body, or the parameter's name")
    detail: str


class ProblemDocument(BaseModel):
    """Problem details for HTTP APIs (RFC 9457)."""

    model_config = ConfigDict(extra="allow")

    type: str = Field(description="What kind of problem it is; the address explains it")
    title: str
    status: int
    detail: str
    errors: list[InvalidPart] | None = None


class ProblemError(Exception):
    """A request that ends in a problem; ``kind`` is a key of :data:`KINDS`."""

    def __init__(
        self,
        kind: str,
        detail: str,
        extensions: Mapping[str, Any] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail
        self.extensions = extensions or {}
        self.headers = headers or {}


def answer_problem(problem: ProblemError, headers: Mapping[str, str] | None = None) -> Response:
    """Write a problem as its response."""
    kind = KINDS[problem.kind]
    members = {
        "type": TYPE_PREFIX + problem.kind,
        "title": kind.title,
        "status": kind.status,
        "detail": problem.detail,
    }
    # Twice: first in order, and not to be overwritten by an extension of the same name.
    document = {**members, **problem.extensions, **members}
    # ASCII only: a lone surrogate in a client's key must not fail the error's own encoding.
    body = json.dumps(document, ensure_ascii=True).encode("ascii")
    return Response(
        body, status_code=kind.status, media_type=MEDIA_TYPE, headers={**problem.headers, **(headers or {})}
    )


def answer_http_error(error: HTTPException) -> Response:
    """Write what the framework itself refused, keeping its headers (``Allow``)."""
    kind = _BY_STATUS.get(error.status_code, "internal")
    return answer_problem(ProblemError(kind, KINDS[kind].remedy), error.headers)


def answer_invalid(errors: Sequence[Mapping[str, Any]]) -> Response:
    """Write pydantic's errors: 400 for no JSON, 404 for an impossible name in the path, else 422."""
    if any(error["type"] == "json_invalid" for error in errors):
        return answer_problem(ProblemError("malformed", "The body cannot be read as JSON."))
    if all(error["loc"][:1] == ("path",) for error in errors):
        return answer_problem(ProblemError("not-found", "Nothing here can have that name."))
    parts = [{"pointer": _pointer(error["loc"]), "detail": _say(error)} for error in errors]
    detail = "; ".join(f"{part['pointer'] or 'the body'}: {part['detail']}" for part in parts)
    return answer_problem(ProblemError("invalid", detail, {"errors": parts}))


def _pointer(loc: Sequence[str | int]) -> str:
    """``("body", "by")`` → ``/by``; ``("query", "limit")`` → ``limit``. A key that does not fit stands for its member."""
    place, *parts = (part for part in loc if part != "[key]")
    if place == "body":
        return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)
    return ".".join(str(part) for part in parts)


def _say(error: Mapping[str, Any]) -> str:
    return str(error["msg"]).removeprefix("Value error, ")


def install_problems(app: FastAPI) -> None:
    """Make ``app`` answer every error as a problem."""

    async def on_problem(_: Request, error: Exception) -> Response:
        assert isinstance(error, ProblemError)
        headers = {"Retry-After": "5"} if KINDS[error.kind].status == 503 else None
        return answer_problem(error, headers)

    async def on_http_error(_: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        return answer_http_error(error)

    async def on_invalid(_: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return answer_invalid(error.errors())

    async def on_journal_error(_: Request, error: Exception) -> Response:
        return answer_problem(ProblemError("no-record", str(error)), {"Retry-After": "5"})

    async def on_access_error(_: Request, error: Exception) -> Response:
        LOG.error("%s", error, extra={"action": "access-failed"})
        return answer_problem(ProblemError("no-access", KINDS["no-access"].remedy), {"Retry-After": "5"})

    async def on_failure(_: Request, __: Exception) -> Response:
        return answer_problem(ProblemError("internal", KINDS["internal"].remedy))

    app.add_exception_handler(ProblemError, on_problem)
    app.add_exception_handler(HTTPException, on_http_error)
    app.add_exception_handler(RequestValidationError, on_invalid)
    app.add_exception_handler(JournalError, on_journal_error)
    app.add_exception_handler(AccessError, on_access_error)
    app.add_exception_handler(Exception, on_failure)
