"""The parts of one running instance, and what passes between them.

The only module that knows every adapter. Owns how they are put together around a restored
state, and who hears of what; it starts and stops nothing, and holds no logic of its own.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

import structlog

from monitor import __version__
from monitor.adapters.access import AccessOffice
from monitor.adapters.alarm_watch import AlarmWatch
from monitor.adapters.clock import SystemClock
from monitor.adapters.desk import Desk, Identity
from monitor.adapters.drill_labels import DrillLabels
from monitor.adapters.gauges import EngineGauges
from monitor.adapters.heartbeat import describe_heartbeat
from monitor.adapters.intake import Intake
from monitor.adapters.journal import SqliteJournal
from monitor.adapters.journal_store import JOURNAL_FILE
from monitor.adapters.metrics import LoopLag, Metrics, Sources
from monitor.adapters.mqtt import MqttFeed
from monitor.adapters.mqtt_configured import build_settings
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.adapters.notify.deliveries import Deliveries, Surroundings
from monitor.adapters.notify.metrics import DeliveryMetrics
from monitor.adapters.prover import Prover
from monitor.adapters.redelivery import WINDOW_MIN, Redeliveries
from monitor.adapters.resuming import Resuming
from monitor.adapters.systemd import ServiceManager, Vigil
from monitor.adapters.tape import Tape
from monitor.adapters.told import Told
from monitor.adapters.vitals import Vitals
from monitor.adapters.web.board_watch import BoardWatch
from monitor.adapters.web.boards import Boards
from monitor.adapters.web.front import build_front
from monitor.adapters.web.server import WebServer
from monitor.adapters.web.stream import Stream
from monitor.adapters.wire import Wire
from monitor.config import Config
from monitor.core.alarm_health import ROLES
from monitor.core.times import SECOND, format_time
from monitor.debrief.office import DebriefOffice
from monitor.engine import Engine, Restored
from monitor.ports import Message, Observer, Outgoing

_log: Final = structlog.get_logger("sillwatch")


class _Outlet:
    """The publisher that the engine is built with, before the feed that it needs exists."""

    def __init__(self) -> None:
        self.feed: MqttFeed | None = None

    def publish(self, outgoing: Outgoing) -> None:
        if self.feed is not None:
            self.feed.publish(outgoing)


class Assembly:
    """An instance's parts; :class:`monitor.wiring.Instance` runs them."""

    _clock: SystemClock

    def __init__(self, config: Config, *, observers: Sequence[Observer] = ()) -> None:
        self._config = config
        self._extra = tuple(observers)
        self._ended = asyncio.Event()
        self._why_ended = ""
        self._tasks: list[asyncio.Task[None]] = []
        self._manager = ServiceManager(os.environ)
        self._metrics = Metrics(__version__)
        self._lag = LoopLag()
        self._journal = SqliteJournal(Path(config.data.directory) / JOURNAL_FILE, on_batch=self._on_batch)
        self._commits = 0
        self._told = Told(Path(config.data.directory))
        self._redeliveries = Redeliveries(max(2 * config.broker.in_flight_max, WINDOW_MIN))
        self._deliveries = Deliveries(
            config.notify,
            Path(config.data.directory),
            config.site.timezone,
            retention_days=config.data.retention_days,
        )
        self._labels = DrillLabels(Path(config.data.directory), config.drills.keep_labels_days)
        self._debriefs = DebriefOffice(config)
        self._access: AccessOffice | None = None
        self.url = ""

    def _assemble(self, restored: Restored, wire: Wire) -> None:
        """Build everything around the restored state; nothing of it runs yet."""
        config = self._config
        started = self._clock.now()
        outlet = _Outlet()
        self._alarms = AlarmWatch(ROLES)
        self._vitals = Vitals(started)
        self._engine = Engine(
            restored=restored,
            codec=wire,
            clock=self._clock,
            journal=self._journal,
            publisher=outlet,
            observers=[self._metrics, self._alarms, self._vitals, *self._extra],
        )
        self._tape = Tape(EngineGauges(self._engine, self._clock), started)
        self._feed = outlet.feed = self._build_feed(build_settings(config, wire, started))
        self._intake = Intake(
            wire.find_target,
            wire,
            self._engine,
            self._journal,
            window=config.broker.in_flight_max,
            on_fault=self._on_fault,
        )
        self._engine.deliveries_wait = lambda: self._intake.waiting > 0
        self._resuming = Resuming(wire, self._intake.offer)
        self.desk = Desk(
            engine=self._engine,
            clock=self._clock,
            feed=self._feed,
            records=self._journal,
            lag_s=self._lag.worst_s,
            floods=self._alarms.floods,
            vitals=self._vitals,
            tape=self._tape,
            identity=Identity(
                config.broker.instance, __version__, format_time(started), config.site.name, config.site.timezone
            ),
            proof=lambda: self._prover.describe(),
            outside=self._deliveries,
            labels=self._labels,
        )
        self._stream = Stream(self.desk)
        self._prover = Prover(
            every_s=config.proof.every_s,
            feed=self._feed,
            words=wire,
            clock=self._clock,
            frames=self._stream.bear_witness(),
            passed=self._engine.note_proof,
            beat=lambda: self._beat(wire),
        )
        self._vigil = Vigil(
            journal=self._journal,
            commits=lambda: self._commits,
            passes=lambda: self._prover.passes,
            delivers=self._feed.listening.is_set,
        )
        self._boards = BoardWatch(
            Boards(self._stream.carries), self.desk, within=round(config.alerts.on_screen_within_s * SECOND)
        )
        for observer in (self._tape, self._boards, self._stream, self._deliveries):
            self._engine.add_observer(observer)
        self._web = WebServer(
            self.desk,
            self._stream,
            self._boards,
            self._metrics.render,
            host=config.http.host,
            port=config.http.port,
            access=self._access,
            front=build_front(config.http),
            debriefs=self._debriefs,
        )
        self._attach_metrics()

    def _surround_deliveries(self, wire: Wire) -> Surroundings:
        clock, journal = self._clock, self._journal
        return Surroundings(
            now=clock.now,
            wall=lambda: clock.now() + clock.wall_offset_us,
            envelope=wire.envelope,
            read_events=journal.events_after,
            last_event=journal.last_event,
            uncommitted=lambda: journal.depth,
            alerts=self.desk.alerts,
            submit=self._engine.submit,
        )

    def _build_feed(self, settings: MqttSettings) -> MqttFeed:
        return MqttFeed(
            settings,
            on_message=self._on_message,
            on_connected=self._on_connected,
            on_disconnected=self._engine.note_disconnected,
            held_topics=self._engine.held_outputs,
            on_superseded=self._on_superseded,
            is_full=lambda: self._intake.is_full,
        )

    def _on_batch(self, rows: int, seconds: float) -> None:
        # On the journal's thread. Nothing is appended before everything is assembled.
        self._metrics.count_commit(seconds, rows)
        self._vitals.note_commit(seconds)
        self._commits += 1
        self._deliveries.note_commit()

    def _on_connected(self, session_present: bool) -> None:
        self._resuming.note_connected(self._feed.version, session_present)
        self._engine.note_connected()

    def _on_message(self, message: Message, settle: Callable[[], None]) -> None:
        taken = self._redeliveries.follow(message, settle)
        if taken is not None:
            self._resuming.take(message, self._prover.follow(message, taken))

    def _beat(self, wire: Wire) -> None:
        """Give a sign of life to whoever watches from outside."""
        document = describe_heartbeat(
            self.desk.health(),
            now=self._clock.now(),
            position=self._engine.position,
            audit_head=self._journal.audit_head,
        )
        self._feed.publish(wire.heartbeat_message(document))

    def _on_superseded(self, started: str) -> None:
        self._end(f"another run of instance {self._config.broker.instance}, started at {started}, has taken over")

    def _end(self, why: str) -> None:
        self._why_ended = why
        self._ended.set()

    def _attach_metrics(self) -> None:
        self._metrics.attach_others(DeliveryMetrics(self._deliveries.figures))
        self._metrics.attach(
            Sources(
                aircraft=self.desk.list_aircraft,
                alerts=self.desk.alerts,
                health=self.desk.health,
                messages_received=lambda: self._engine.received + self._intake.shed,
                messages_waiting=lambda: self._intake.waiting + self._resuming.waiting,
                stream_clients=lambda: self._stream.clients,
                stream_resyncs=lambda: self._stream.resyncs,
                loop_lag_s=self._lag.worst_s,
                boards=lambda: self._boards.boards.count(self._clock.now()),
                unseen=lambda: len(self._boards.unseen()),
                floods=self.desk.floods,
            )
        )

    def _on_fault(self, error: Exception) -> None:
        # A fault in judging: what follows could not be trusted, so the instance ends aloud.
        _log.error("the feed ended", action="feed-failed", exc_info=error)
        self._end(f"internal fault, see the log: {error!r}")
