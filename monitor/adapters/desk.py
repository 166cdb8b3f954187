"""The reader's side of a running instance: the present from the core, the past from the journal.

Owns what the HTTP side, the metrics and the terminal ask. It changes nothing itself;
people's actions go on to the engine.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

from monitor.adapters.chain import Verdict
from monitor.adapters.desk_drills import DrillDesk, Labels
from monitor.adapters.desk_drills import Records as ProcedureRecords
from monitor.adapters.desk_simulated import SimulatedFlags
from monitor.core import alarm_health, readout, watched
from monitor.core.alarm_health import Annunciation
from monitor.core.effects import Effect
from monitor.core.events import Command
from monitor.core.lookahead import Branch, look_ahead
from monitor.core.permits import list_permits
from monitor.core.senders import list_senders
from monitor.core.timeline import Recorded, assemble_timeline
from monitor.core.times import format_time
from monitor.core.watched import Note, Span
from monitor.engine import Engine
from monitor.ports import Clock, Outside, Readout

T = TypeVar("T")

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


class Records(ProcedureRecords, Protocol):
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
    async def verify_audit(self) -> Verdict: ...
    async def study_annunciations(
        self, study: Callable[[int | None, Iterable[Annunciation]], T], *, since: int, until: int
    ) -> T: ...
    async def study_deafness(
        self,
        study: Callable[[Iterable[Note], Sequence[Span]], T],
        *,
        aircraft: str,
        since: int,
        until: int,
        door: str | None = ...,
    ) -> T: ...
    async def study_timeline(self, study: Callable[[Recorded], T], *, aircraft: str, since: int, until: int) -> T: ...


class Vitals(Protocol):
    """What is counted of the service itself."""

    def rate_of(self, reg: str, now: int) -> float | None: ...
    def keep_only(self, regs: Iterable[str]) -> None: ...
    def describe(self, now: int) -> Readout: ...


class Excerpt(Protocol):
    """A copy of what is kept for drawing."""

    def describe(self) -> Readout: ...


class Tape(Protocol):
    """What is kept for drawing."""

    def copy(self, reg: str, stand: str, now: int) -> Excerpt: ...


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
        floods: Callable[[int], Mapping[str, int | None]],
        vitals: Vitals,
        tape: Tape,
        identity: Identity,
        proof: Callable[[], Readout | None] = lambda: None,
        outside: Outside | None = None,
        labels: Labels | None = None,
    ) -> None:
        self._engine = engine
        self._clock = clock
        self._feed = feed
        self._records = records
        self._lag_s = lag_s
        self._floods = floods
        self._vitals = vitals
        self._tape = tape
        self._identity = identity
        self._proof = proof
        self._outside = outside
        self.drilling = DrillDesk(engine.system, records, labels, clock.now)
        self._looking = asyncio.Semaphore(1)
        self._flags = SimulatedFlags(self._is_simulated)

    def now(self) -> int:
        """The engine's clock, µs."""
        return self._clock.now()

    def _is_simulated(self, reg: str) -> bool:
        aircraft = self._engine.system.record.aircraft.get(reg)
        return aircraft is not None and aircraft.simulated

    @property
    def outside(self) -> Outside:
        """What is told outside the board and the broker."""
        assert self._outside is not None  # every instance that serves people has one
        return self._outside

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

    def registrations(self) -> Sequence[str]:
        """Every aircraft known."""
        return list(self._engine.system.record.aircraft)

    def readiness(self, reg: str) -> Readout | None:
        """An aircraft's answers as last published; ``None`` until they were worked out."""
        aircraft = self._engine.system.record.aircraft.get(reg)
        shown: Readout | None = None if aircraft is None else aircraft.readiness_shown
        return shown

    def types(self) -> Readout:
        """Every airframe type."""
        return readout.list_types(self._engine.system)

    def stands(self) -> Readout:
        """Every stand, by name."""
        return readout.list_stands(self._engine.system, self.now())

    def stand(self, name: str) -> Readout | None:
        """One stand."""
        return readout.describe_stand(self._engine.system, name, self.now())

    def senders(self) -> list[Readout]:
        """Each aircraft as a sender."""
        now = self.now()
        senders = list_senders(self._engine.system, now)
        self._vitals.keep_only(sender["aircraft"] for sender in senders)
        return [{**sender, "messages_per_s": self._vitals.rate_of(sender["aircraft"], now)} for sender in senders]

    def vitals(self) -> Readout:
        """How much is taken in, how long it takes, and what was refused."""
        return self._vitals.describe(self.now())

    async def curves(self, reg: str) -> Readout | None:
        """An aircraft's pressure and its stand's wind, written on a thread of its own, one at a time as below."""
        async with self._looking:
            aircraft = self._engine.system.record.aircraft.get(reg)
            if aircraft is None:
                return None
            excerpt = self._tape.copy(reg, aircraft.stand, self.now())
            return self._flags.flag(await asyncio.to_thread(excerpt.describe), reg)

    async def look_ahead(self, reg: str, door: str) -> Readout | None:
        """What would follow if somebody did something at a door now; ``None`` for one that is not known.

        Played out on a thread of its own, on a copy, one at a time: many at once would keep the loop waiting.
        """
        async with self._looking:
            try:
                branch = Branch(self._engine.system, reg, door, self.now())
            except KeyError:
                return None
            return await asyncio.to_thread(look_ahead, branch)

    def alerts(self) -> list[Readout]:
        """Every alert that is not normal, most urgent first."""
        return readout.list_alerts(self._engine.system, self.now())

    def permits(self) -> list[Readout]:
        """Every permit that runs."""
        return list_permits(self._engine.system.record, self.now())

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
        if readout.is_active_at_site(self._engine.system, "proof-missed"):
            reasons.append("there is no proof that what happens at a door gets through to the board")
        if readout.is_active_at_site(self._engine.system, "overload"):
            reasons.append(f"more comes than can be taken in: {self._engine.system.record.overload.describe()}")
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
            "proof": self._proof(),
            "unreachable": [] if self._outside is None else self._outside.list_unreachable(),
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
        page = await self._records.quarantine(limit=limit, before=before)
        return {"items": self._flags.flag_topics(page.rows), "next": page.next_cursor}

    async def audit(self, *, limit: int, before: str | None) -> Readout:
        """What people did, newest first; raises as :meth:`history`."""
        page = await self._records.audit(limit=limit, before=before)
        return {"items": self._flags.flag_subjects(page.rows), "next": page.next_cursor}

    async def verify_audit(self) -> Readout:
        """Whether the audit's chain is whole, and its head."""
        return (await self._records.verify_audit()).describe()

    def floods(self) -> Mapping[str, int | None]:
        """Each role, and ``all`` of them, with when its flood of alerts began (µs); ``None`` where there is none."""
        return self._floods(self.now())

    async def alarm_health(self, *, since: int, until: int) -> Readout:
        """How the alarms did in a period (µs); raises ``NothingRecordedError`` where nothing is on record of it."""

        def study(first: int | None, told: Iterable[Annunciation]) -> Readout:
            if first is None or first >= until:
                begins = "nothing is on record yet" if first is None else f"the record begins at {format_time(first)}"
                raise alarm_health.NothingRecordedError(f"Nothing is known of the alarms of that period: {begins}.")
            # Calm that nobody recorded would flatter the rates.
            figures = alarm_health.measure(told, since=max(since, first), until=until, roles=alarm_health.ROLES)
            return {**figures, "recorded_from": format_time(first)}

        lead_in = since - alarm_health.LEAD_IN
        figures = await self._records.study_annunciations(study, since=lead_in, until=until)
        floods = {role: None if begun is None else format_time(begun) for role, begun in self.floods().items()}
        return {**figures, "stale": alarm_health.list_stale(self.alerts(), self.now()), "floods_now": floods}

    async def watched(self, reg: str, *, since: int, until: int, door: str | None) -> Readout | None:
        """For how long each hazard could be seen in a period (µs); ``None`` where there is no such place."""
        system = self._engine.system
        aircraft = system.record.aircraft.get(reg)
        airframe = system.airframe(aircraft) if aircraft is not None else None
        codes = watched.list_codes(airframe) if airframe is not None else {}
        if door is not None:
            codes = {name: codes[name] for name in codes if name == door}
        if not codes:
            return None

        def study(notes: Iterable[Note], off: Sequence[Span]) -> Readout:
            sums = watched.measure_watch(notes, codes, since=since, until=until, off=off)
            return watched.describe_watch(reg, sums, since=since, until=until, off=off)

        sums = await self._records.study_deafness(study, aircraft=reg, since=since, until=until, door=door)
        return self._flags.flag(sums, reg)

    async def timeline(self, reg: str, *, since: int, until: int) -> Readout | None:
        """What became of an aircraft's doors and alerts in a period (µs); ``None`` for one that was never heard of.

        From the journal alone, so that one which has left can be asked for too.
        """
        known = reg in self._engine.system.record.aircraft

        def study(recorded: Recorded) -> Readout | None:
            if recorded.first is None and not known:
                return None
            return assemble_timeline(reg, recorded, since=since, until=until, simulated=self._is_simulated(reg))

        return await self._records.study_timeline(study, aircraft=reg, since=since, until=until)

    async def submit(self, command: Command) -> Sequence[Effect]:
        """Take a person's action; returns once it is durable."""
        return await self._engine.submit(command)


def _page(page: Page) -> Readout:
    return {"items": page.rows, "next": page.next_cursor}
