"""The addresses that only read: aircraft, alerts, rules and the record.

Owns the mapping from an address to a question of the reader; filters, pages, and
changes nothing.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import AlertQuery, HistoryQuery, PageDocument, PageQuery
from monitor.adapters.web.paging import cut_page, pass_page
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.ports import Readout

Registration = Annotated[str, Path(pattern=r"^[A-Z0-9-]{2,10}$")]

DoorName = Annotated[str, Path(pattern=r"^[A-Za-z0-9_-]{1,32}$")]

_PAGE: dict[int | str, dict[str, Any]] = {200: {"model": PageDocument}}


class CurvePoint(BaseModel):
    """One sample; a null value is a gap that lasts until the next."""

    at: str
    value: float | None


class CurvesDocument(BaseModel):
    """What was known since ``since``: the aircraft's pressure, and the wind at the stand where it is now."""

    aircraft: str
    stand: str
    since: str
    differential_pressure_hpa: list[CurvePoint]
    wind_kt: list[CurvePoint]
    gust_kt: list[CurvePoint]


def keep_alerts(alerts: list[Readout], query: AlertQuery) -> list[Readout]:
    """Keep the alerts that meet every filter that is set."""
    wanted = (("state", query.state), ("priority", query.priority), ("aircraft", query.aircraft))
    return [alert for alert in alerts if all(not words or alert.get(name) in words for name, words in wanted)]


def build_reading_routes(reader: Reader) -> APIRouter:
    """Return the routes that read."""
    router = APIRouter()

    @router.get("/api/v1/aircraft", tags=["aircraft"], responses=_PAGE)
    async def list_aircraft(query: Annotated[PageQuery, Query()]) -> Response:
        """List every aircraft, by registration."""
        rows = reader.list_aircraft()
        return JsonAnswer(cut_page(rows, key=lambda row: (row["aircraft"],), limit=query.limit, after=query.after))

    @router.get("/api/v1/aircraft/{reg}", tags=["aircraft"])
    async def get_aircraft(reg: Registration) -> Response:
        """Show one aircraft: its doors, signals, alerts, and what it cannot see."""
        document = reader.aircraft(reg)
        if document is None:
            raise ProblemError("not-found", f"No aircraft {reg} is known here.")
        return JsonAnswer(document)

    @router.get("/api/v1/aircraft/{reg}/curves", tags=["aircraft"], responses={200: {"model": CurvesDocument}})
    async def get_curves(reg: Registration) -> Response:
        """Show an aircraft's pressure and its stand's wind over the last 30 min, as held since the start."""
        document = await reader.curves(reg)
        if document is None:
            raise ProblemError("not-found", f"No aircraft {reg} is known here.")
        return JsonAnswer(document)

    @router.get("/api/v1/aircraft/{reg}/doors/{door}/look-ahead", tags=["aircraft"])
    async def look_ahead(reg: Registration, door: DoorName) -> Response:
        """Tell what each action possible at a door now would lead to: states and alerts. Asking changes nothing."""
        document = await reader.look_ahead(reg, door)
        if document is None:
            raise ProblemError("not-found", f"No door {door} of an aircraft {reg} is known here.")
        return JsonAnswer(document)

    @router.get("/api/v1/alerts", tags=["alerts"], responses=_PAGE)
    async def list_alerts(query: Annotated[AlertQuery, Query()]) -> Response:
        """List the alerts that are not normal, the longest-standing first."""

        def key(alert: Readout) -> tuple[str, ...]:
            return (str(alert.get("raised_at")), str(alert["alert_id"]))

        alerts = keep_alerts(reader.alerts(), query)
        return JsonAnswer(cut_page(alerts, key=key, limit=query.limit, after=query.after))

    @router.get("/api/v1/catalogue", tags=["alerts"], responses=_PAGE)
    async def list_catalogue(query: Annotated[PageQuery, Query()]) -> Response:
        """List every rule, by code."""
        rules = reader.catalogue()
        return JsonAnswer(
            cut_page(
                rules, key=lambda rule: (rule["code"], rule.get("scope", "")), limit=query.limit, after=query.after
            )
        )

    @router.get("/api/v1/history", tags=["record"], responses=_PAGE)
    async def list_history(query: Annotated[HistoryQuery, Query()]) -> Response:
        """List what happened, the newest first."""
        answer = reader.history(
            aircraft=query.aircraft,
            door=query.door,
            code=query.code,
            since=query.since,
            until=query.until,
            limit=query.limit,
            before=query.after,
        )
        return JsonAnswer(await pass_page(answer))

    @router.get("/api/v1/quarantine", tags=["record"], responses=_PAGE)
    async def list_quarantine(query: Annotated[PageQuery, Query()]) -> Response:
        """List the messages that could not be used, the newest first."""
        return JsonAnswer(await pass_page(reader.quarantine(limit=query.limit, before=query.after)))

    return router
