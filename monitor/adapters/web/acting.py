"""The addresses by which people act on alerts, and all other such addresses put together.

Owns the way from a body to a command on an alert and from its effects to an answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Final

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import AlertAction, Shelving
from monitor.adapters.web.declaring import build_declaring_routes
from monitor.adapters.web.delivering import build_delivery_routes
from monitor.adapters.web.permitting import build_permit_routes
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.submitting import MILLISECONDS_PER_MINUTE, UNNAMED, make_submit
from monitor.core.effects import Effect, PublishActive, PublishEvent
from monitor.core.events import (
    AlertAcknowledged,
    AlertClosed,
    AlertShelved,
    AlertUnacknowledged,
    AlertUnshelved,
    PersonsCommand,
)
from monitor.core.times import MILLISECOND
from monitor.ports import Readout

SUBMIT_TIMEOUT_S: Final = 10.0

AlertId = Annotated[str, Path(min_length=1, max_length=300)]


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
    submit = make_submit(reader, submit_timeout_s)
    router.include_router(build_declaring_routes(reader, submit))
    router.include_router(build_permit_routes(reader, submit))
    router.include_router(build_delivery_routes(reader, submit))

    async def act_on_alert(request: Request, alert_id: str, command: PersonsCommand) -> Response:
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
        until = reader.now() + round(body.minutes * MILLISECONDS_PER_MINUTE) * MILLISECOND
        return await act_on_alert(
            request, alert_id, AlertShelved(alert_id, body.by or "", body.reason, until, body.seen)
        )

    @router.post("/api/v1/alerts/{alert_id:path}/unshelve", tags=["alerts"])
    async def unshelve(request: Request, alert_id: AlertId, body: AlertAction | None = None) -> Response:
        """Take the alert back from the shelf."""
        return await act_on_alert(request, alert_id, AlertUnshelved(alert_id, *_unpack(body)))

    @router.post("/api/v1/alerts/{alert_id:path}/close", tags=["alerts"])
    async def close(request: Request, alert_id: AlertId, body: AlertAction | None = None) -> Response:
        """Close an alert whose inputs are lost, having looked."""
        return await act_on_alert(request, alert_id, AlertClosed(alert_id, *_unpack(body)))

    return router


def _unpack(body: AlertAction | None) -> tuple[str, str, int | None]:
    """A body → by, reason, seen."""
    if body is None:
        return UNNAMED, "", None
    return body.by or UNNAMED, body.reason or "", body.seen
