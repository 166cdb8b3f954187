"""How a person's action gets to the engine, and how its refusal comes back.

Owns the wait until an action is durable. It changes nothing itself: the engine decides.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Final

from fastapi import Request

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


def make_submit(reader: Reader, timeout_s: float) -> Submit:
    """Return the way to the engine; an action that is not durable within ``timeout_s`` is not called done."""

    async def submit(request: Request, command: PersonsCommand) -> Sequence[Effect]:
        command = command._replace(origin=request.client.host if request.client is not None else "")
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
