"""The reader's side of a running instance: the present from the core, the past from the journal.

Owns what the HTTP side, the metrics and the terminal ask. It changes nothing itself;
people's actions go on to the engine.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from monitor.core import readout
from monitor.core.effects import Effect
from monitor.core.events import Command
from monitor.engine import Engine
from monitor.ports import Clock, Readout

LAG_S_MAX = 1.0
"""An event loop further behind than this is not keeping up."""


class Feed(Protocol):
    """What is told of the broker connection."""

    connected: bool
    listening: asyncio.Event
    reconnects: int
    dropped: int

    @property
    def unacked(self) -> int: ...
    @property
    def backlog(self) -> int: ...


class Page(Protocol):
    """One page of the journal's readers."""

    @property
    def rows(self) -> list[Readout]: ...
    @property
    def next_cursor(self) -> str | None: ...


class Records(Protocol):
    """The journal as readers see it."""

    @property
    def healthy(self) -> bool: ...
    @property
    def depth(self) -> int: ...
    @property
    def last_error(self) -> str | None: ...
    async def history(
        self,
        *,
        aircraft: str | None = ...,
        door: str | None = ...,
        code: str | None = ...,
        since: int | None = ...,
        until: int | None = ...,
        limit: int = ...,
        before_cursor: str | None = ...,
    ) -> Page: ...
    async def quarantine(self, *, limit: int = ..., before: str | None = ...) -> Page: ...
    async def audit(self, *, limit: int = ..., before: str | None = ...) -> Page: ...


@dataclass(frozen=True, slots=True)
class Identity:
    """Who this instance is; ``started`` is RFC 3339."""

    instance: str
    version: str
    started: str
    site: str
    timezone: str


class Desk:
    """Answers every reader of one instance."""

    def __init__(
        self,
        *,
        engine: Engine,
        clock: Clock,
        feed: Feed,
        records: Records,
        lag_s: Callable[[], float],
        identity: Identity,
    ) -> None:
        self._engine = engine
        self._clock = clock
        self._feed = feed
        self._records = records
        self._lag_s = lag_s
        self._identity = identity

    def now(self) -> int:
        """The engine's clock, µs."""
        return self._clock.now()

    def list_aircraft(self) -> list[Readout]:
        """One row per aircraft."""
        return readout.list_aircraft(self._engine.system, self.now())

    def aircraft(self, reg: str) -> Readout | None:
        """One aircraft whole."""
        return readout.describe_aircraft(self._engine.system, reg, self.now())

    def door_documents(self, reg: str) -> dict[str, Readout]:
        """An aircraft's doors, each as its retained document."""
        return readout.describe_doors(self._engine.system, reg, self.now())

    def row(self, reg: str) -> Readout | None:
        """One aircraft's row."""
        aircraft = self._engine.system.record.aircraft.get(reg)
        return None if aircraft is None else readout.describe_row(self._engine.system, aircraft, self.now())

    def alerts(self) -> list[Readout]:
        """Every alert that is not normal, most urgent first."""
        return readout.list_alerts(self._engine.system, self.now())

    def catalogue(self) -> list[Readout]:
        """Every rule."""
        return readout.list_catalogue()

    def health(self) -> Readout:
        """Whether this instance can be trusted now, and if not, why."""
        lag = self._lag_s()
        reasons = []
        if not self._feed.connected:
            reasons.append("the broker is not connected")
        elif not self._feed.listening.is_set():
            # A connection alone hears nothing: what is sent before we subscribe is lost to us.
            reasons.append("the broker does not deliver to us yet")
        if not self._records.healthy:
            reasons.append(f"the journal cannot be written: {self._records.last_error or 'it is behind'}")
        if self._engine.observer_faults:
            reasons.append(f"the page or the metrics failed {self._engine.observer_faults} times; see the log")
        if lag > LAG_S_MAX:
            reasons.append(f"the event loop is {lag:.1f} s behind")
        who = self._identity
        return {
            "ready": not reasons,
            "reasons": reasons,
            "broker": {
                "connected": self._feed.connected,
                "reconnects": self._feed.reconnects,
                "unacknowledged": self._feed.unacked,
                "backlog": self._feed.backlog,
                "dropped": self._feed.dropped,
            },
            "journal": {"healthy": self._records.healthy, "depth": self._records.depth},
            "loop_lag_s": round(lag, 6),
            "instance": who.instance,
            "version": who.version,
            "started": who.started,
            "site": who.site,
            "timezone": who.timezone,
        }

    async def history(self, *, before: str | None, **question: Any) -> Readout:
        """Lifecycle events, newest first; raises ``ValueError`` for a cursor that is not ours."""
        return _page(await self._records.history(before_cursor=before, **question))

    async def quarantine(self, *, limit: int, before: str | None) -> Readout:
        """Rejected inputs, newest first; raises as :meth:`history`."""
        return _page(await self._records.quarantine(limit=limit, before=before))

    async def audit(self, *, limit: int, before: str | None) -> Readout:
        """What people did, newest first; raises as :meth:`history`."""
        return _page(await self._records.audit(limit=limit, before=before))

    async def submit(self, command: Command) -> Sequence[Effect]:
        """Take a person's action; returns once it is durable."""
        return await self._engine.submit(command)


def _page(page: Page) -> Readout:
    return {"items": page.rows, "next": page.next_cursor}
