"""The addresses that sum up a period: the alarms' health, and what could be seen.

Owns the mapping from an address to a question of the reader, and the bounds of a period.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, NoReturn

from fastapi import APIRouter, Query
from pydantic import BaseModel
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import PeriodQuery, WatchedQuery
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.reading import Registration
from monitor.core.alarm_health import NothingRecordedError
from monitor.core.times import HOUR, format_time

PERIOD_DEFAULT: Final = 24 * HOUR
PERIOD_MAX: Final = 366 * 24 * HOUR


class AlarmHealthDocument(BaseModel):
    """The health of the alarms over a period, by role; ``stale`` and ``floods_now`` are of the present."""

    since: str
    until: str
    length_s: float
    shorter_than_30_days: bool
    recorded_from: str
    overall: dict[str, Any]
    roles: dict[str, dict[str, Any]]
    left_out: dict[str, int]
    chattering_is: dict[str, float]
    bands: dict[str, dict[str, int]]
    targets: dict[str, Any]
    sources: list[str]
    stale: dict[str, Any]
    floods_now: dict[str, str | None]


class HazardWatch(BaseModel):
    """How long one hazard could be seen at one place; a moment with two reasons counts with each."""

    watched_minutes: float
    deaf_minutes: float
    not_known_minutes: float
    reasons: dict[str, float]


class WatchedDocument(BaseModel):
    """What could be seen of an aircraft over a period: place (``-`` the aircraft itself), then hazard."""

    aircraft: str
    since: str
    until: str
    minutes: float
    monitor_not_running: list[dict[str, str]]
    doors: dict[str, dict[str, HazardWatch]]


def read_period(
    query: PeriodQuery, now: int, *, usual: int = PERIOD_DEFAULT, longest: int = PERIOD_MAX, named: str = "366 days"
) -> tuple[int, int]:
    """Return a period's ends (µs), by default the ``usual`` last; raises :class:`ProblemError` for one that does not fit.

    What is still to come belongs to no period; ``named`` is the ``longest`` one in words.
    """
    until = now if query.until is None else min(query.until, now)
    since = until - usual if query.since is None else query.since
    if since >= until:
        _refuse("since", f"since must be before until, and before now ({format_time(now)})")
    if until - since > longest:
        _refuse("since", f"a period is {named} at most")
    return since, until


def _refuse(pointer: str, detail: str) -> NoReturn:
    raise ProblemError("invalid", detail, {"errors": [{"pointer": pointer, "detail": detail}]})


def build_measuring_routes(reader: Reader) -> APIRouter:
    """Return the routes that sum up."""
    router = APIRouter()

    @router.get("/api/v1/alarm-health", tags=["record"], responses={200: {"model": AlarmHealthDocument}})
    async def measure_alarms(query: Annotated[PeriodQuery, Query()]) -> Response:
        """Sum up the alarms of a period by role: rates and their bands, floods, chattering, stale, the worst ten."""
        since, until = read_period(query, reader.now())
        try:
            return JsonAnswer(await reader.alarm_health(since=since, until=until))
        except NothingRecordedError as error:
            raise ProblemError("not-found", str(error)) from None

    @router.get("/api/v1/aircraft/{reg}/watched", tags=["record"], responses={200: {"model": WatchedDocument}})
    async def measure_watch(reg: Registration, query: Annotated[WatchedQuery, Query()]) -> Response:
        """Sum up for how long each hazard could be seen at each door, and why not."""
        since, until = read_period(query, reader.now())
        document = await reader.watched(reg, since=since, until=until, door=query.door)
        if document is None:
            raise ProblemError("not-found", f"No aircraft {reg} of a known type, or no such door of it, is known here.")
        return JsonAnswer(document)

    return router
