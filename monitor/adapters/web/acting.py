"""The addresses by which people act.

Owns the way from a body to a command and from its effects to an answer. It changes
nothing itself: the engine decides, and the answer waits until that is durable.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Annotated, Final

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import AlertAction, DoorResetting, PresenceDeclaration, Shelving
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.reading import Registration
from monitor.core.effects import Effect, PublishActive, PublishEvent, RefuseCommand
from monitor.core.events import (
    AlertAcknowledged,
    AlertClosed,
    AlertShelved,
    AlertUnacknowledged,
    AlertUnshelved,
    Command,
    DoorReset,
    PresenceDeclared,
)
from monitor.core.times import MILLISECOND
from monitor.ports import Readout

UNNAMED: Final = "unnamed"
"""Who acted, where nobody signed in and nobody said."""

SUBMIT_TIMEOUT_S: Final = 10.0

_MILLISECONDS_PER_MINUTE: Final = 60_000

AlertId = Annotated[str, Path(min_length=1, max_length=300)]
DoorName = Annotated[str, Path(pattern=r"^[A-Za-z0-9_-]{1,32}$")]


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


def find_alert(alert_id: str, effects: Sequence[Effect], alerts: Sequence[Readout]) -> Readout:
    """Return the alert's document after a change: as listed now, else as last told."""
    for alert in alerts:
        if alert["alert_id"] == alert_id:
            return alert
    for effect in reversed(effects):
        if isinstance(effect, PublishEvent) and effect.data.get("alert_id") == alert_id:
            return effect.data
        if isinstance(effect, PublishActive) and effect.document and effect.document.get("alert_id") == alert_id:
            return effect.document
    return {"alert_id": alert_id, "state": "normal"}


def build_acting_routes(reader: Reader, *, submit_timeout_s: float = SUBMIT_TIMEOUT_S) -> APIRouter:
    """Return the routes that act."""
    router = APIRouter()

    async def submit(request: Request, command: Command) -> Sequence[Effect]:
        command = command._replace(origin=request.client.host if request.client is not None else "")
        try:
            async with asyncio.timeout(submit_timeout_s):
                effects = await reader.submit(command)
        except TimeoutError:
            raise ProblemError("not-durable", f"No confirmation came within {submit_timeout_s:g} s.") from None
        refusal = find_refusal(effects)
        if refusal is not None:
            raise refusal
        return effects

    async def act_on_alert(request: Request, alert_id: str, command: Command) -> Response:
        effects = await submit(request, command)
        return JsonAnswer(find_alert(alert_id, effects, reader.alerts()))

    @router.post("/api/v1/alerts/{alert_id:path}/acknowledge", tags=["alerts"])
    async def acknowledge(request: Request, alert_id: AlertId, body: AlertAction | None = None) -> Response:
        """Say that you have seen the alert; answers with it as it is then."""
        return await act_on_alert(request, alert_id, AlertAcknowledged(alert_id, *_unpack(body)))

    @router.post("/api/v1/alerts/{alert_id:path}/unacknowledge", tags=["alerts"])
    async def unacknowledge(request: Request, alert_id: AlertId, body: AlertAction | None = None) -> Response:
        """Withdraw an acknowledgement."""
        return await act_on_alert(request, alert_id, AlertUnacknowledged(alert_id, *_unpack(body)))

    @router.post("/api/v1/alerts/{alert_id:path}/shelve", tags=["alerts"])
    async def shelve(request: Request, alert_id: AlertId, body: Shelving) -> Response:
        """Set the alert aside for some minutes, 480 at most."""
        until = reader.now() + round(body.minutes * _MILLISECONDS_PER_MINUTE) * MILLISECOND
        return await act_on_alert(request, alert_id, AlertShelved(alert_id, body.by, body.reason, until, body.seen))

    @router.post("/api/v1/alerts/{alert_id:path}/unshelve", tags=["alerts"])
    async def unshelve(request: Request, alert_id: AlertId, body: AlertAction | None = None) -> Response:
        """Take the alert back from the shelf."""
        return await act_on_alert(request, alert_id, AlertUnshelved(alert_id, *_unpack(body)))

    @router.post("/api/v1/alerts/{alert_id:path}/close", tags=["alerts"])
    async def close(request: Request, alert_id: AlertId, body: AlertAction | None = None) -> Response:
        """Close an alert whose inputs are lost, having looked."""
        return await act_on_alert(request, alert_id, AlertClosed(alert_id, *_unpack(body)))

    @router.post("/api/v1/aircraft/{reg}/doors/{door}/reset", tags=["aircraft"])
    async def reset(request: Request, reg: Registration, door: DoorName, body: DoorResetting) -> Response:
        """Put a door whose slide was released back into service; answers with the door."""
        await submit(request, DoorReset(reg, door, body.by, body.reason))
        whole = reader.aircraft(reg)
        if whole is None or door not in whole["doors"]:
            raise ProblemError("not-found", f"{reg} left before its door could be shown.")
        return JsonAnswer(whole["doors"][door])

    @router.post("/api/v1/aircraft/{reg}/presence", tags=["aircraft"])
    async def declare_presence(request: Request, reg: Registration, body: PresenceDeclaration) -> Response:
        """Say where an aircraft is; answers with the aircraft."""
        await submit(request, PresenceDeclared(reg, body.presence, body.by or UNNAMED, body.reason or ""))
        return JsonAnswer(reader.aircraft(reg) or {"aircraft": reg, "presence": body.presence})

    return router


def _unpack(body: AlertAction | None) -> tuple[str, str, int | None]:
    """A body → by, reason, seen."""
    if body is None:
        return UNNAMED, "", None
    return body.by or UNNAMED, body.reason or "", body.seen
