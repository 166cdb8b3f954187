"""What the HTTP side asks of the engine.

Owns the one seam between web and engine. Every answer is JSON-ready: plain dicts,
lists, strings, numbers, booleans and ``None``; times in them are RFC 3339 text.
Times handed over as ``int`` are microseconds since the Unix epoch.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, BinaryIO, NamedTuple, Protocol

from monitor.core.effects import Effect
from monitor.core.events import Command
from monitor.ports import Outside, Readout

MetricsPage = Callable[[str], tuple[bytes, str]]
"""Renders the metrics for an ``Accept`` header: the body and its content type."""


class ReportRefusedError(Exception):
    """There is no report; ``kind`` is the problem's word, ``detail`` a sentence for a person."""

    def __init__(self, kind: str, detail: str) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail


class Written(NamedTuple):
    """A report that was made: ``file`` holds it, ``size`` bytes from its beginning, and is the taker's to close.

    ``csp`` is the policy of a page, which styles itself.
    """

    media_type: str
    filename: str
    csp: str | None
    file: BinaryIO
    size: int


class Debriefs(Protocol):
    """Makes reports beside the running service."""

    async def write(self, report: str, *, names: bool, now: int, **request: Any) -> Written:
        """Make a ``debrief``, ``compare`` or ``handover``; without ``names`` nobody is named in it.

        Raises :class:`ReportRefusedError`.
        """


class Drilling(Protocol):
    """Answers about procedures and drills."""

    @property
    def keep_labels_days(self) -> float:
        """For how long the label of a trainee is kept after a drill; 0: none is taken."""

    def procedures(self) -> list[Readout]:
        """Every configured procedure, keyed by ``procedure``."""

    def runs_at(self, reg: str) -> list[Readout]:
        """The run of a procedure that goes on at each of an aircraft's doors, or else the last that ended there."""

    async def runs(self, question: Mapping[str, Any], *, limit: int, before: str | None) -> Readout:
        """Runs that have ended, the newest first, in the form of :meth:`Reader.history`."""

    async def drills(self, question: Mapping[str, Any], *, limit: int, before: str | None) -> Readout:
        """Drills past and running, the newest first, in the same form with ``keep_labels_days``."""

    async def keep_label(self, permit_id: str, label: str, until: int) -> None:
        """Keep whose drill it is, which ends at ``until`` (µs) at the latest."""


class Reader(Protocol):
    """Answers about the present and the past; the plain methods are quick and run on the loop."""

    def list_aircraft(self) -> list[Readout]:
        """One row per aircraft.

        Keys: ``aircraft, type, stand, presence, feed`` (``live``, or what is wrong with it),
        ``simulated, door_states`` (door → state), ``alerts`` (priority → number),
        ``last_message_at``, ``age_s``, ``deaf_to``, and what is known of it as a whole:
        ``passengers_aboard, differential_pressure_hpa, refuelling, engines_running``.
        """

    def aircraft(self, reg: str) -> Readout | None:
        """One aircraft whole: its row with ``signals``, ``doors``, ``alerts``, ``deaf_to`` and ``held``."""

    def door_documents(self, reg: str) -> dict[str, Readout]:
        """An aircraft's doors, each as its retained document; empty for one that is not known."""

    async def look_ahead(self, reg: str, door: str) -> Readout | None:
        """What each action possible at a door now would lead to; ``None`` for one that is not known."""

    def row(self, reg: str) -> Readout | None:
        """One aircraft's row of :meth:`list_aircraft`."""

    def registrations(self) -> Sequence[str]:
        """Every aircraft known."""

    def readiness(self, reg: str) -> Readout | None:
        """An aircraft's retained answers; ``None`` until they were worked out, and where it is not here."""

    def types(self) -> Readout:
        """Every airframe type that is served, by name: its doors in station order."""

    def stands(self) -> Readout:
        """Every stand by name, with its weather."""

    def stand(self, name: str) -> Readout | None:
        """One stand of :meth:`stands`."""

    def senders(self) -> list[Readout]:
        """Each aircraft as a sender: clock, heartbeat, last message and how many a second (``None``: none yet)."""

    def vitals(self) -> Readout:
        """``rates`` and ``latency_ms`` of the last 10 min; ``dropped`` and ``rejected`` by reason since the start."""

    async def curves(self, reg: str) -> Readout | None:
        """An aircraft's pressure and its stand's wind over 30 min at most; ``None`` for one that is not known."""

    def alerts(self) -> list[Readout]:
        """Every alert that is not normal, as its document of the wire contract."""

    def permits(self) -> list[Readout]:
        """Every permit that runs, keyed by ``permit_id``, with the ``seconds_left``."""

    def catalogue(self) -> list[Readout]:
        """Every rule, keyed by ``code``."""

    def health(self) -> Readout:
        """Whether the instance can be trusted now.

        Keys: ``ready``, ``reasons`` (sentences), ``broker``, ``journal``, ``loop_lag_s``, ``proof``
        (``at, took_ms, age_s, missed``; ``None`` where none are sent), ``unreachable`` (destinations that
        have taken nothing for ten minutes, which says nothing about readiness),
        ``instance``, ``version``, ``started``, ``site`` and ``timezone``.
        """

    def now(self) -> int:
        """The engine's clock, in µs."""

    @property
    def drilling(self) -> Drilling:
        """What is told of procedures and drills."""

    @property
    def outside(self) -> Outside:
        """What is told outside the board and the broker."""

    async def history(
        self,
        *,
        aircraft: str | None,
        door: str | None,
        code: str | None,
        since: int | None,
        until: int | None,
        limit: int,
        before: str | None,
    ) -> Readout:
        """Lifecycle events, the newest first: ``{"items": [...], "next": cursor or None}``.

        ``since`` is inclusive and ``until`` exclusive (µs); ``before`` is the ``next`` of an
        earlier answer. Raises ``ValueError`` for one that is not.
        """

    async def quarantine(self, *, limit: int, before: str | None) -> Readout:
        """Rejected messages, the newest first, in the same form."""

    async def audit(self, *, limit: int, before: str | None) -> Readout:
        """People's actions, the newest first, in the same form, each with what chains it: ``hash`` and ``previous``."""

    async def verify_audit(self) -> Readout:
        """Whether the audit's chain is ``whole``, its ``items``, ``first_broken``, ``head`` and ``pruned_up_to``."""

    async def alarm_health(self, *, since: int, until: int) -> Readout:
        """How the alarms did from ``since`` up to ``until`` (µs), by role, and what is stale or a flood now.

        Raises :class:`monitor.core.alarm_health.NothingRecordedError`.
        """

    async def watched(self, reg: str, *, since: int, until: int, door: str | None) -> Readout | None:
        """For how long each hazard could be seen in a period (µs), by door.

        ``None`` where the aircraft, its type or the ``door`` is not known.
        """

    async def timeline(self, reg: str, *, since: int, until: int) -> Readout | None:
        """How an aircraft's doors stood and which alerts it had in a period (µs), from the record alone.

        ``None`` where it is neither known nor on record.
        """

    async def submit(self, command: Command) -> Sequence[Effect]:
        """Take a person's action; returns its effects once they are durable.

        A ``RefuseCommand`` among them means that it did not take effect.
        """
