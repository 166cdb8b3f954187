"""How a person's action gets to the engine, and how its refusal comes back.

Owns the wait until an action is durable. It changes nothing itself: the engine decides.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Final

from fastapi import Request

from monitor.adapters.web.gate import who_of
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.core.effects import Effect, RefuseCommand
from monitor.core.events import PersonsCommand

UNNAMED: Final = "unnamed"
"""Who acted, where nobody signed in and nobody said."""

MILLISECONDS_PER_MINUTE: Final = 60_000

Submit = Callable[[Request, PersonsCommand], Awaitable[Sequence[Effect]]]
"""Takes an action; returns its effects once they are durable, or raises ``ProblemError``."""


def find_refusal(effects: Sequence[Effect]) -> ProblemError | None:
    """Return the refusal among ``effects`` as a problem.

    ``not-found`` is 404, ``conflict`` 409, and ``refused`` 422: the request is well
    formed, but a rule speaks against it whoever asks.
    """
    for effect in effects:
        if isinstance(effect, RefuseCommand):
            kind = effect.kind if effect.kind in ("not-found", "conflict") else "refused"
            return ProblemError(kind, effect.detail)
    return None


def origin_of(request: Request) -> str:
    """Where a request came from: an address."""
    return request.client.host if request.client is not None else ""


def sign_command(request: Request, command: PersonsCommand) -> PersonsCommand:
    """Return the command with who gives it and from where; raise :class:`ProblemError` for another's name."""
    who, origin = who_of(request), origin_of(request)
    if who is None:
        if not command.by:
            part = {"pointer": "/by", "detail": "Field required"}
            raise ProblemError("invalid", f"{part['pointer']}: {part['detail']}", {"errors": [part]})
        return command._replace(origin=origin)
    if command.by not in ("", UNNAMED, who.name):
        raise ProblemError("not-you", f"You are signed in as {who.name}, and act by that name alone.")
    return command._replace(by=who.name, origin=f"{origin} {who.kind} {who.id}")


def make_submit(reader: Reader, timeout_s: float) -> Submit:
    """Return the way to the engine; an action that is not durable within ``timeout_s`` is not called done."""

    async def submit(request: Request, command: PersonsCommand) -> Sequence[Effect]:
        command = sign_command(request, command)
        try:
            async with asyncio.timeout(timeout_s):
                effects = await reader.submit(command)
        except TimeoutError:
            raise ProblemError("not-durable", f"No confirmation came within {timeout_s:g} s.") from None
        refusal = find_refusal(effects)
        if refusal is not None:
            raise refusal
        return effects

    return submit
