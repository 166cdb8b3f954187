"""What a scrape sees.

Owns the metrics' names, labels and buckets. Counters and histograms grow as steps
pass by; gauges are asked for at the scrape, so that a reading costs nothing. No
label names an aircraft, so that no series outlives one, and this module decides
nothing.

Names follow the OpenMetrics 1.0 specification and the Prometheus naming practices:
one prefix, base units as suffix, counters ending in ``_total``.
"""

from __future__ import annotations

import asyncio
from collections import Counter as Tally
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from prometheus_client import CollectorRegistry, Counter, Histogram, Info
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import generate_latest
from prometheus_client.openmetrics import exposition as openmetrics
from prometheus_client.registry import Collector

from monitor.core.alarm_health import ROLES, read_annunciation
from monitor.core.door import State
from monitor.core.effects import CountDropped, CountImplausible, PublishEvent, RejectInput
from monitor.core.events import BrokerConnected, ReadingsShed
from monitor.core.overload import REASONS
from monitor.ports import Step

TEXT_CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
OPENMETRICS_CONTENT_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"

LATENCY_BUCKETS_S: Final = (0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
COMMIT_BUCKETS_S: Final = (0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 1.0, 5.0)
BATCH_BUCKETS: Final = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000)

PRESENCES: Final = ("present", "powered_down", "away")
_RAISING: Final = frozenset({"raised", "reraised"})

_write_openmetrics: Callable[[CollectorRegistry], bytes] = openmetrics.generate_latest

Rows = Sequence[Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Sources:
    """Where the present is asked for at a scrape; each must be quick and never block.

    ``aircraft``, ``alerts`` and ``health`` answer as the HTTP side's reader does;
    the counts only grow, but for ``stream_clients``. ``floods`` says of each role when its
    flood of alerts began, ``None`` while there is none.
    """

    aircraft: Callable[[], Rows]
    alerts: Callable[[], Rows]
    health: Callable[[], Mapping[str, Any]]
    messages_received: Callable[[], int]
    messages_waiting: Callable[[], int]
    stream_clients: Callable[[], int]
    stream_resyncs: Callable[[], int]
    loop_lag_s: Callable[[], float]
    boards: Callable[[], int]
    unseen: Callable[[], int]
    floods: Callable[[], Mapping[str, int | None]]


class LoopLag:
    """How late the event loop calls back: the worst of the last samples, in seconds."""

    def __init__(self, *, interval_s: float = 0.25, samples: int = 40) -> None:
        self._interval_s = interval_s
        self._lags: deque[float] = deque(maxlen=samples)

    def worst_s(self) -> float:
        """Return the worst lag of the last ``interval_s`` × ``samples`` (10 s), 0 before the first."""
        return max(self._lags, default=0.0)

    async def watch(self) -> None:
        """Measure for ever, until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            due = loop.time() + self._interval_s
            await asyncio.sleep(self._interval_s)
            self._lags.append(max(0.0, loop.time() - due))


class Metrics:
    """Counts steps as an ``Observer``, and writes the page for a scrape."""

    def __init__(self, version: str) -> None:
        self._registry = CollectorRegistry(auto_describe=False)
        registry = self._registry
        self._rejected = Counter(
            "sillwatch_inputs_rejected", "Inputs that could not be used, by reason.", ["reason"], registry=registry
        )
        self._dropped = Counter(
            "sillwatch_readings_dropped", "Readings in good form not applied, by reason.", ["reason"], registry=registry
        )
        self._shed = Counter(
            "sillwatch_shed", "Messages left out under overload, by reason.", ["reason"], registry=registry
        )
        for reason in REASONS:
            self._shed.labels(reason)
        self._implausible = Counter(
            "sillwatch_implausible_jumps", "Door jumps between states with no legal edge.", registry=registry
        )
        self._events = Counter(
            "sillwatch_alert_events", "Alert lifecycle changes published, by type.", ["type"], registry=registry
        )
        self._raised = Counter(
            "sillwatch_alerts_raised",
            "Times that an alert asked a role for attention, but for drills and what was told late.",
            ["role"],
            registry=registry,
        )
        for role in ROLES:
            self._raised.labels(role)
        self._connections = Counter(
            "sillwatch_broker_connections", "Times the broker connection came to stand.", registry=registry
        )
        self._reconnects = Counter(
            "sillwatch_broker_reconnects", "Broker connections after the first.", registry=registry
        )
        self._latency = Histogram(
            "sillwatch_alert_latency_seconds",
            "From a message's receipt until its raised alert was handed to the publisher.",
            buckets=LATENCY_BUCKETS_S,
            registry=registry,
        )
        self._commit = Histogram(
            "sillwatch_journal_commit_seconds",
            "Time that one group commit of the journal took.",
            buckets=COMMIT_BUCKETS_S,
            registry=registry,
        )
        self._batch = Histogram(
            "sillwatch_journal_batch_entries",
            "Journal entries written by one group commit.",
            buckets=BATCH_BUCKETS,
            registry=registry,
        )
        Info("sillwatch_build", "What is running.", registry=registry).info({"version": version})
        self._connected_before = False

    def attach(self, sources: Sources) -> None:
        """Ask ``sources`` at every scrape from now on; call it once."""
        self._registry.register(_Present(sources))

    def attach_others(self, collector: Collector) -> None:
        """Show what another part of the instance counts, too."""
        self._registry.register(collector)

    def observe(self, step: Step) -> None:
        """Count what one step led to."""
        raised = False
        event_rejected = isinstance(step.event, RejectInput)
        for effect in step.effects:
            if isinstance(effect, PublishEvent):
                self._events.labels(effect.type).inc()
                raised = raised or effect.type in _RAISING
                asked = read_annunciation(effect)
                if asked is not None and asked.role in ROLES and not (asked.drill or asked.late):
                    self._raised.labels(asked.role).inc()
            elif isinstance(effect, CountDropped):
                self._dropped.labels(effect.reason).inc()
            elif isinstance(effect, RejectInput):
                self._rejected.labels(effect.reason).inc()
                if effect == step.event:
                    event_rejected = False
            elif isinstance(effect, CountImplausible):
                self._implausible.inc()
        if event_rejected and isinstance(step.event, RejectInput):
            self._rejected.labels(step.event.reason).inc()
        if raised and step.event is not None:
            # A deadline that fell due has no receipt to count from.
            self._latency.observe(max(0.0, step.done - step.received))
        if isinstance(step.event, ReadingsShed):
            for reason, number in step.event.counts:
                self._shed.labels(reason).inc(number)
        if isinstance(step.event, BrokerConnected):
            self._connections.inc()
            if self._connected_before:
                self._reconnects.inc()
            self._connected_before = True

    def count_commit(self, seconds: float, entries: int) -> None:
        """Count one group commit of the journal; may be called from the journal's thread."""
        self._commit.observe(seconds)
        self._batch.observe(entries)

    def render(self, accept: str) -> tuple[bytes, str]:
        """Write the page and its content type: OpenMetrics where ``accept`` names it, else plain text."""
        if "application/openmetrics-text" in accept.lower():
            return _write_openmetrics(self._registry), OPENMETRICS_CONTENT_TYPE
        return generate_latest(self._registry), TEXT_CONTENT_TYPE


class _Present(Collector):
    """The gauges of the moment, computed at a scrape."""

    def __init__(self, sources: Sources) -> None:
        self._sources = sources

    def collect(self) -> Iterator[Metric]:
        sources = self._sources
        yield CounterMetricFamily(
            "sillwatch_messages_received", "Messages the broker delivered.", value=sources.messages_received()
        )
        yield GaugeMetricFamily(
            "sillwatch_messages_waiting",
            "Messages delivered that wait to be taken.",
            value=sources.messages_waiting(),
        )
        yield CounterMetricFamily(
            "sillwatch_stream_resyncs",
            "Times a slow client of the live stream was sent back to a snapshot.",
            value=sources.stream_resyncs(),
        )
        yield GaugeMetricFamily(
            "sillwatch_stream_clients", "Open clients of the live stream.", value=sources.stream_clients()
        )
        yield GaugeMetricFamily(
            "sillwatch_loop_lag_seconds", "Worst lag of the event loop in the last 10 s.", value=sources.loop_lag_s()
        )
        yield GaugeMetricFamily("sillwatch_boards", "Boards heard in the last 10 s.", value=sources.boards())
        yield GaugeMetricFamily(
            "sillwatch_warnings_on_no_screen",
            "Warnings that wait for a person and have been on no visible board for too long.",
            value=sources.unseen(),
        )
        yield from _health_gauges(sources.health())
        yield from _aircraft_gauges(sources.aircraft())
        alerts = sources.alerts()
        yield _alert_gauge(alerts)
        yield GaugeMetricFamily(
            "sillwatch_active_alerts_simulated",
            "Alerts of simulated aircraft among those neither normal nor out of service.",
            value=sum(bool(alert.get("simulated")) for alert in alerts),
        )
        floods = sources.floods()
        yield _gauge_by(
            "sillwatch_alarm_flood",
            "1 while more alerts come than a role can take in.",
            "role",
            {role: int(floods.get(role) is not None) for role in ROLES},
        )


def _health_gauges(health: Mapping[str, Any]) -> Iterator[Metric]:
    broker, journal = health.get("broker", {}), health.get("journal", {})
    for name, documentation, value in (
        ("ready", "1 while the instance can be trusted.", health.get("ready")),
        ("broker_connected", "1 while the broker connection stands.", broker.get("connected")),
        ("journal_healthy", "0 while the last commit failed.", journal.get("healthy")),
    ):
        yield GaugeMetricFamily(f"sillwatch_{name}", documentation, value=1 if value else 0)
    for name, documentation, value in (
        ("journal_queue_entries", "Entries that wait for a commit.", journal.get("depth")),
        (
            "broker_unacknowledged_messages",
            "Messages sent that the broker has not confirmed.",
            broker.get("unacknowledged"),
        ),
        ("broker_backlog_messages", "Events kept until the broker is back.", broker.get("backlog")),
    ):
        yield GaugeMetricFamily(f"sillwatch_{name}", documentation, value=value or 0)
    dropped = CounterMetricFamily(
        "sillwatch_broker_dropped_messages",
        "Events lost because the backlog was full.",
        value=broker.get("dropped") or 0,
    )
    yield dropped
    yield from _proof_gauges(health.get("proof"))


def _proof_gauges(proof: Mapping[str, Any] | None) -> Iterator[Metric]:
    """Nothing where none are sent, no age and no time before one passed: 0 would look like the best of them."""
    if proof is None:
        return
    yield CounterMetricFamily(
        "sillwatch_proofs_missed",
        "Handles lifted for proof that did not get from the broker to the stream and the disk.",
        value=proof["missed"],
    )
    if proof["at"] is not None:
        yield GaugeMetricFamily("sillwatch_proof_age_seconds", "Since a proof last passed.", value=proof["age_s"])
        yield GaugeMetricFamily(
            "sillwatch_proof_took_seconds",
            "What the last proof took from the broker to the stream and the disk.",
            value=proof["took_ms"] / 1000,
        )


def _aircraft_gauges(rows: Rows) -> Iterator[Metric]:
    doors = Tally(state for row in rows for state in row.get("door_states", {}).values())
    yield _gauge_by("sillwatch_doors", "Doors by state.", "state", {str(state): doors[state] for state in State})
    presence = Tally(str(row.get("presence")) for row in rows)
    by_presence = {word: presence[word] for word in PRESENCES}
    yield _gauge_by("sillwatch_aircraft", "Aircraft by presence.", "presence", by_presence)
    # A number beside the others and no label of theirs, which would double every series.
    yield GaugeMetricFamily(
        "sillwatch_aircraft_simulated",
        "Aircraft that are simulated; every other number counts them with the real ones.",
        value=sum(bool(row.get("simulated")) for row in rows),
    )


def _gauge_by(name: str, documentation: str, label: str, values: Mapping[str, int]) -> Metric:
    gauge = GaugeMetricFamily(name, documentation, labels=[label])
    for word, value in values.items():
        gauge.add_metric([word], value)
    return gauge


def _alert_gauge(alerts: Rows) -> Metric:
    gauge = GaugeMetricFamily(
        "sillwatch_active_alerts",
        "Alerts neither normal nor out of service, by code and priority.",
        labels=["code", "priority"],
    )
    for (code, priority), number in sorted(Tally((str(a["code"]), str(a["priority"])) for a in alerts).items()):
        gauge.add_metric([code, priority], number)
    return gauge
