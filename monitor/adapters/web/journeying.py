"""The addresses of signing in at another provider (OpenID Connect): there and back.

Owns the two redirects and where they lead. What the provider says is judged elsewhere.
"""

from __future__ import annotations

import hmac
import re
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from monitor.adapters.web.front import Front
from monitor.adapters.web.gate import SIGN_IN_PAGE
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.signing import Cookies
from monitor.adapters.web.submitting import origin_of
from monitor.ports import Access, Denied

_OWN_PAGE: Final = re.compile(r"/(?![/\\])[\x21-\x5b\x5d-\x7e]{0,500}")
"""A path of this server: not one that begins another server's address, and no control in it."""

Onwards = Annotated[str | None, Query(alias="next", max_length=500)]


def keep_own_page(onwards: str | None) -> str:
    """Return a path where it is one of this server, else the first page."""
    return onwards if onwards is not None and _OWN_PAGE.fullmatch(onwards) else "/"


def build_journey_routes(reader: Reader, access: Access | None, front: Front) -> APIRouter:
    """Return the routes there and back."""
    router = APIRouter()
    cookies = Cookies(front)

    def need_access() -> Access:
        if access is None or not access.oidc:
            raise ProblemError("not-found", "No other provider of sign-in is set up here.")
        return access

    @router.get("/api/v1/sign-in/oidc", tags=["sign-in"], status_code=303)
    async def go(request: Request, onwards: Onwards = None) -> Response:
        """Go to the other provider to sign in there."""
        journey = await need_access().begin_journey(keep_own_page(onwards), reader.now(), origin_of(request))
        answer = Response(status_code=303, headers={"Location": journey.url})
        cookies.set_journey(answer, journey.state)
        return answer

    @router.get("/api/v1/sign-in/oidc/return", tags=["sign-in"])
    async def come_back(request: Request) -> Response:
        """Come back from the other provider."""
        asked = need_access()
        state, query = cookies.read_journey(request) or "", dict(request.query_params)
        if not state or not hmac.compare_digest(state.encode(), query.get("state", "").encode()):
            return _lead(f"{SIGN_IN_PAGE}?why=failed", cookies)
        outcome, onwards = await asked.end_journey(
            state,
            query,
            address=origin_of(request),
            agent=request.headers.get("user-agent", ""),
            now=reader.now(),
            instead_of=cookies.read_session(request),
        )
        if isinstance(outcome, Denied):
            return _lead(f"{SIGN_IN_PAGE}?why={outcome.kind}", cookies)
        answer = _lead(keep_own_page(onwards), cookies)
        cookies.set_session(answer, outcome, reader.now())
        return answer

    return router


def _lead(onwards: str, cookies: Cookies) -> Response:
    """Lead a browser on by a page of ours.

    A redirect would still count as coming from the other site, and the session's strict
    cookie would stay behind.
    """
    target = onwards.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
    page = f'<!doctype html><meta charset="utf-8"><meta http-equiv="refresh" content="0;url={target}"><title>…</title>'
    answer = Response(page, media_type="text/html")
    cookies.drop_journey(answer)
    return answer
