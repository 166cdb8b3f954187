"""What every request must pass, and what every answer carries.

Owns the checks that need no route: the Host name, where a request came from, the
size and kind of its body, and the security headers. It never looks into a body.

Sources: RFC 9110 (421, 405 and HEAD), Fetch Metadata Request Headers (W3C),
Content Security Policy Level 3 (W3C).
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.adapters.web.front import FRONT, Front, is_loopback_host
from monitor.adapters.web.problems import ProblemError, answer_problem

BODY_MAX: Final = 64 * 1024
"""The largest body taken, in bytes."""

BODY_TIMEOUT_S: Final = 10.0

POLICY: Final = "Content-Security-Policy"

_SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
_YEAR_S: Final = 365 * 24 * 3600

SECURITY_HEADERS: Final = {
    POLICY: (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}


def is_same_origin(headers: Headers, front: Front = FRONT) -> bool:
    """Tell whether a request came from our own page, or from no page at all.

    A page on another port of this machine is another origin, and is refused too; so is one
    without TLS where we have it.
    """
    if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    if origin is None or (front.origin and origin.lower() == front.origin):
        return True
    try:
        parts = urlsplit(origin)
    except ValueError:  # "http://[" is no address, and no page's origin
        return False
    fits = parts.scheme == "https" if front.cert_file is not None else parts.scheme in ("http", "https")
    return fits and parts.netloc.lower() == headers.get("host", "").lower()


def find_objection(
    method: str, path: str, headers: Headers, front: Front = FRONT, *, server: str = "", signed_in: bool = False
) -> ProblemError | None:
    """Say what speaks against a request before its body is read.

    ``server`` is the address that it reached; other names than loopback are answered only
    where people are ``signed_in``.
    """
    host = headers.get("host", "")
    if not signed_in and not is_loopback_host(host):
        return ProblemError("wrong-host", "Until sign-in is set up, only loopback names are answered.")
    if not front.answers_to(host, server):
        return ProblemError("wrong-host", "Only our own address is answered, and the name that http.public_url gives.")
    navigates = method in _SAFE_METHODS and headers.get("sec-fetch-mode") == "navigate"
    same_origin = is_same_origin(headers, front)
    if (method not in _SAFE_METHODS or path.startswith("/api/")) and not navigates and not same_origin:
        return ProblemError("cross-site", "The request came from a page that is not this server's.")
    length = headers.get("content-length")
    if length is not None and length.isdecimal() and int(length) > BODY_MAX:
        return ProblemError("too-large", f"The body has {length} bytes; {BODY_MAX} is the most.")
    has_body = "transfer-encoding" in headers or (length is not None and length != "0")
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if has_body and method not in _SAFE_METHODS and kind != "application/json":
        return ProblemError("unsupported-media-type", "A body must be sent as Content-Type: application/json.")
    return None


class Guard:
    """ASGI middleware around the whole application."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        stream_path: str,
        body_timeout_s: float = BODY_TIMEOUT_S,
        front: Front = FRONT,
        signed_in: bool = False,
    ) -> None:
        self._app = app
        self._front = front
        self._signed_in = signed_in
        self._headers = dict(SECURITY_HEADERS)
        if front.owns_its_host:
            self._headers["Strict-Transport-Security"] = f"max-age={_YEAR_S}"
        self._stream_path = stream_path
        self._body_timeout_s = body_timeout_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        send = _with_security_headers(send, self._headers)
        server = (scope.get("server") or ("",))[0]
        method, path, headers = scope["method"], scope["path"], Headers(scope=scope)
        try:
            objection = find_objection(method, path, headers, self._front, server=server, signed_in=self._signed_in)
            if objection is not None:
                raise objection
            if "content-length" in headers or "transfer-encoding" in headers:
                body = await self._read_body(receive)
                if body is None:
                    return
                receive = _replay(body, receive)
        except ProblemError as problem:
            await answer_problem(problem, {"Connection": "close"})(scope, receive, send)
            return
        if method == "HEAD" and path != self._stream_path:
            # The server leaves the body out by its own copy of the scope.
            scope = {**scope, "method": "GET"}
        await self._app(scope, receive, send)

    async def _read_body(self, receive: Receive) -> bytes | None:
        """Read the whole body, or ``None`` where the client went away."""
        body = bytearray()
        try:
            async with asyncio.timeout(self._body_timeout_s):
                while True:
                    message = await receive()
                    if message["type"] == "http.disconnect":
                        return None
                    body += message.get("body", b"")
                    if len(body) > BODY_MAX:
                        raise ProblemError("too-large", f"The body is larger than {BODY_MAX} bytes.")
                    if not message.get("more_body", False):
                        return bytes(body)
        except TimeoutError:
            raise ProblemError("too-slow", f"The body took longer than {self._body_timeout_s:g} s.") from None


def _replay(body: bytes, receive: Receive) -> Receive:
    told = False

    async def receive_again() -> Message:
        nonlocal told
        if told:
            return await receive()
        told = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receive_again


def _with_security_headers(send: Send, secured: Mapping[str, str]) -> Send:
    async def send_secured(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in secured.items():
                if name == POLICY and name in headers:
                    continue  # a report that styles itself has a policy of its own, no less strict
                headers[name] = value
            headers.setdefault("Cache-Control", "no-store")
        await send(message)

    return send_secured
