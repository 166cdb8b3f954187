"""The addresses of signing in and out, and of who is signed in.

Owns the cookie: its name, its flags and its life. A password passes through and is kept
nowhere.
"""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field, SecretStr, StringConstraints
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.front import Front
from monitor.adapters.web.gate import COOKIE, Sittings, name_cookie, read_cookie, who_of
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.submitting import origin_of
from monitor.core.times import SECOND, format_time
from monitor.ports import Access, Denied, Granted, Readout, Role, Who

JOURNEY_COOKIE: Final = "sillwatch_oidc"
JOURNEY_S: Final = 600
_ROLE_OF_SCOPE: Final = {"admin": Role.ADMINISTRATOR, "act": Role.COORDINATOR, "read": Role.VIEWER}


class SigningIn(BaseModel):
    """A name and its password."""

    model_config = ConfigDict(extra="forbid", hide_input_in_errors=True)

    name: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    password: Annotated[SecretStr, Field(min_length=1, max_length=1024)]


class SessionDocument(BaseModel):
    """Who is signed in; ``name`` is null for nobody, and absent where sign-in is off."""

    sign_in: bool = Field(description="Whether sign-in is on")
    oidc: bool | None = Field(None, description="Whether another provider can be used too")
    name: str | None = None
    role: Role | None = None
    ends_at: str | None = Field(None, description="When the session is over at the latest")


def describe_who(who: Who) -> Readout:
    """Say who is signed in."""
    role = who.role or next((role for scope, role in _ROLE_OF_SCOPE.items() if scope in who.scopes), None)
    ends_at = None if who.ends_at is None else format_time(who.ends_at)
    return {"sign_in": True, "name": who.name, "role": role, "ends_at": ends_at}


def build_signing_routes(reader: Reader, access: Access | None, sittings: Sittings, front: Front) -> APIRouter:
    """Return the routes of signing in and out."""
    router = APIRouter()
    cookies = Cookies(front)

    def need_access() -> Access:
        if access is None:
            raise ProblemError("not-found", "Sign-in is not set up here: `sillwatch user add` sets it up.")
        return access

    @router.get("/api/v1/session", tags=["sign-in"], responses={200: {"model": SessionDocument}})
    async def show_session(request: Request) -> Response:
        """Say whether sign-in is on and who is signed in; open to everybody."""
        if access is None:
            return JsonAnswer({"sign_in": False})
        who = who_of(request)
        document = {"sign_in": True, "name": None} if who is None else describe_who(who)
        return JsonAnswer({**document, "oidc": access.oidc})

    @router.post("/api/v1/session", tags=["sign-in"], responses={200: {"model": SessionDocument}})
    async def sign_in(request: Request, body: SigningIn) -> Response:
        """Sign in; the answer sets the session's cookie."""
        outcome = await need_access().sign_in(
            body.name,
            body.password.get_secret_value(),
            address=origin_of(request),
            agent=request.headers.get("user-agent", ""),
            now=reader.now(),
            instead_of=cookies.read_session(request),
        )
        if isinstance(outcome, Denied):
            raise explain_denial(outcome)
        answer = JsonAnswer({**describe_who(outcome.who), "oidc": need_access().oidc})
        cookies.set_session(answer, outcome, reader.now())
        await sittings.look()
        return answer

    @router.delete("/api/v1/session", tags=["sign-in"], status_code=204)
    async def sign_out(request: Request) -> Response:
        """Sign out: the session is over, and its streams end."""
        who = who_of(request)
        if who is not None and who.kind == "session":
            origin = origin_of(request)
            await need_access().end_session(who.id, of=who.name, by=who.name, origin=origin, now=reader.now())
            await sittings.look()
        answer = Response(status_code=204)
        cookies.drop_session(answer)
        return answer

    return router


def explain_denial(denied: Denied) -> ProblemError:
    """Return why somebody could not sign in, as a problem."""
    if denied.kind == "too-many":
        wait = denied.retry_after_s
        return ProblemError("too-many", denied.detail, {"retry_after_s": wait}, {"Retry-After": str(wait)})
    return ProblemError("sign-in-failed", denied.detail)


class Cookies:
    """What the browser keeps: nothing that a script can read, and nothing that another site sends along."""

    def __init__(self, front: Front) -> None:
        self._secure = front.secure
        self._session = name_cookie(COOKIE, secure=front.secure)
        self._journey = name_cookie(JOURNEY_COOKIE, secure=front.secure)

    def read_session(self, request: Request) -> str | None:
        """The secret of the session that a browser has."""
        return read_cookie(request.headers, self._session)

    def set_session(self, answer: Response, granted: Granted, now: int) -> None:
        """Give a browser its session."""
        life = max(0, (granted.who.ends_at or now) - now) // SECOND
        answer.set_cookie(
            self._session, granted.secret, life, path="/", secure=self._secure, httponly=True, samesite="strict"
        )

    def drop_session(self, answer: Response) -> None:
        """Take it back."""
        answer.delete_cookie(self._session, path="/", secure=self._secure, httponly=True, samesite="strict")

    def read_journey(self, request: Request) -> str | None:
        """What a browser was given on its way to another provider."""
        return read_cookie(request.headers, self._journey)

    def set_journey(self, answer: Response, state: str) -> None:
        """Mark a browser that goes to another provider; lax, since it comes back from another site."""
        answer.set_cookie(self._journey, state, JOURNEY_S, path="/", secure=self._secure, httponly=True, samesite="lax")

    def drop_journey(self, answer: Response) -> None:
        """Take the mark back."""
        answer.delete_cookie(self._journey, path="/", secure=self._secure, httponly=True, samesite="lax")
