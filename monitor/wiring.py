"""One running instance, put together.

The only module that knows every adapter. Owns the order of starting and stopping; it
holds no logic of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

import structlog

from monitor import __version__
from monitor.adapters.access import AccessOffice, open_access
from monitor.adapters.alarm_watch import AlarmWatch
from monitor.adapters.clock import SystemClock
from monitor.adapters.desk import Desk, Identity
from monitor.adapters.gauges import EngineGauges
from monitor.adapters.heartbeat import describe_heartbeat
from monitor.adapters.intake import Intake
from monitor.adapters.journal import SqliteJournal
from monitor.adapters.journal_store import JOURNAL_FILE
from monitor.adapters.metrics import LoopLag, Metrics, Sources
from monitor.adapters.mqtt import MqttFeed
from monitor.adapters.mqtt_access import find_open_secrets, read_password, try_tls_files
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.adapters.notify.deliveries import Deliveries, Surroundings
from monitor.adapters.notify.metrics import DeliveryMetrics
from monitor.adapters.prover import Prover
from monitor.adapters.redelivery import Redeliveries
from monitor.adapters.systemd import ServiceManager, Vigil, serve_manager
from monitor.adapters.tape import Tape
from monitor.adapters.told import Told
from monitor.adapters.vitals import Vitals
from monitor.adapters.web.assets import MissingBoardError
from monitor.adapters.web.board_watch import BoardWatch
from monitor.adapters.web.boards import Boards
from monitor.adapters.web.front import build_front
from monitor.adapters.web.server import ListenError, WebServer
from monitor.adapters.web.stream import Stream
from monitor.adapters.wire import Wire
from monitor.config import Config
from monitor.core.alarm_health import ROLES
from monitor.core.times import HOUR, SECOND, format_time
from monitor.engine import Engine, Restored, restore
from monitor.ports import AccessError, InstanceError, JournalError, Message, Observer, Outgoing

INPUTS_KEPT: Final = 24 * HOUR
"""How long the inputs themselves are kept; lifecycle events stay for the configured retention."""

_log: Final = structlog.get_logger("sillwatch")


def _favour_the_loop() -> None:
    """Keep alerts from waiting for the search for garbage in what lives as long as the instance."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000, 50, 1000)


class _Outlet:
    """The publisher that the engine is built with, before the feed that it needs exists."""

    def __init__(self) -> None:
        self.feed: MqttFeed | None = None

    def publish(self, outgoing: Outgoing) -> None:
        if self.feed is not None:
            self.feed.publish(outgoing)


class Instance:
    """A monitor with its journal, broker connection and HTTP side: start it, serve, stop it."""

    def __init__(self, config: Config, *, observers: Sequence[Observer] = ()) -> None:
        self._config = config
        self._extra = tuple(observers)
        self._ended = asyncio.Event()
        self._why_ended = ""
        self._tasks: list[asyncio.Task[None]] = []
        self._manager = ServiceManager(os.environ)
        self._commits = 0
        self._told = Told(Path(config.data.directory))
        self._redeliveries = Redeliveries(2 * config.broker.in_flight_max)
        self._deliveries = Deliveries(
            config.notify,
            Path(config.data.directory),
            config.site.timezone,
            retention_days=config.data.retention_days,
        )
        self._access: AccessOffice | None = None
        self.url = ""

    async def start(self) -> str:
        """Start everything and return the page's address; raises :class:`InstanceError`."""
        config = self._config
        wire = Wire(config.site.name, config.broker.instance, frozenset(config.site.types))
        self._metrics = Metrics(__version__)
        self._lag = LoopLag()
        self._journal = SqliteJournal(Path(config.data.directory) / JOURNAL_FILE, on_batch=self._on_batch)
        try:
            self._access = open_access(Path(config.data.directory), config.http)
            self._journal.open()
            restored = restore(config.site, self._journal, wire)
            self._journal.start()
            self._clock = SystemClock(not_before=restored.system.record.at)
            self._assemble(restored, wire)
            await self._alarms.recall(self._journal, self._clock.now())
            await self._take_up_broker(restored, wire)
            await self._deliveries.start(self._surround_deliveries(wire))
            if self._access is not None:
                await self._access.prepare()
            self.url = await self._web.start()
            self._boards.take_up()
        except (AccessError, InstanceError, JournalError, ListenError, MissingBoardError, OSError) as error:
            await self._deliveries.stop()
            with contextlib.suppress(JournalError):
                await self._journal.close()
            if self._access is not None:
                self._access.close()
            raise InstanceError(str(error)) from None
        self._engine.start()
        self._engine.expect_proofs(config.proof.every_s > 0)
        _favour_the_loop()
        for serve in (
            self._serve_feed(),
            self._lag.watch(),
            self._serve_pruning(),
            self._tape.serve_samples(self._clock.now),
            self._boards.serve_looks(),
            self._prover.serve(),
            self._told.serve(self._feed, self._journal.last_event),
            serve_manager(self._manager, self._vigil, self.desk.health, self._feed.listening),
        ):
            self._tasks.append(asyncio.create_task(serve))
        _log.info("started", action="start", url=self.url, restored=restored.position, replayed=restored.replayed)
        return self.url

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
        self._feed = outlet.feed = self._build_feed(wire, started)
        self._intake = Intake(
            wire.find_target,
            wire,
            self._engine,
            self._journal,
            window=config.broker.in_flight_max,
            on_fault=self._on_fault,
        )
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
        )
        self._attach_metrics()

    async def heard(self) -> None:
        """Wait until the broker delivers to this instance."""
        await self._feed.listening.wait()

    async def serve(self, stop: asyncio.Event) -> None:
        """Run until ``stop`` is set; raises :class:`InstanceError` where it ends by itself."""
        waits = [asyncio.create_task(stop.wait()), asyncio.create_task(self._ended.wait())]
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()
            await asyncio.gather(*waits, return_exceptions=True)
        if self._ended.is_set() and not stop.is_set():
            raise InstanceError(self._why_ended)

    async def stop(self) -> None:
        """Stop in order: no new readers, no new inputs, a last snapshot, everything on disk."""
        self._manager.tell("STOPPING=1")
        await self._web.stop()
        if self._access is not None:
            self._access.close()
        await self._feed.stop()
        self._intake.close()
        await self._deliveries.stop()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._engine.stop()
        with contextlib.suppress(JournalError):
            await self._journal.close()
            self._told.finish(self._feed, self._journal.newest_event())
        _log.info("stopped", action="stop")

    async def _take_up_broker(self, restored: Restored, wire: Wire) -> None:
        """Go on with the broker where the last run left off: nothing taken twice, nothing left untold."""
        self._redeliveries.recall(self._journal.entries_after(max(0, restored.position - self._redeliveries.window)))
        newest = await self._journal.last_event()
        for kept in await self._told.untold(newest, self._journal.events_after, self._config.broker.outgoing_max):
            outgoing = wire.encode(kept.event)
            if outgoing is not None:
                self._feed.publish(outgoing)

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

    def _build_feed(self, wire: Wire, started: int) -> MqttFeed:
        broker = self._config.broker
        settings = MqttSettings(
            url=broker.url,
            instance=broker.instance,
            inputs=tuple(wire.input_filters()),
            echoes=(wire.proof_topic,) if self._config.proof.every_s else (),
            outputs=tuple(wire.output_filters()),
            status_topic=wire.status_topic,
            started=format_time(started),
            online=wire.status_message("online", __version__, started).payload,
            offline=wire.status_message("offline", __version__, started).payload,
            protocol=broker.protocol,
            own_client_id=broker.client_id,
            username=broker.user,
            password=read_password(broker.password_file),
            ca_file=broker.ca_file,
            cert_file=broker.cert_file,
            key_file=broker.key_file,
            keepalive_s=broker.keepalive_s,
            receive_max=broker.in_flight_max,
            backlog_max=broker.outgoing_max,
        )
        try_tls_files(settings)
        for told in find_open_secrets(broker):
            _log.warning(told, action="secret-open")
        return MqttFeed(
            settings,
            on_message=self._on_message,
            on_connected=lambda _session: self._engine.note_connected(),
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

    def _on_message(self, message: Message, settle: Callable[[], None]) -> None:
        taken = self._redeliveries.follow(message, settle)
        if taken is not None:
            self._intake.offer(message, self._prover.follow(message, taken))

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
                messages_waiting=lambda: self._intake.waiting,
                stream_clients=lambda: self._stream.clients,
                stream_resyncs=lambda: self._stream.resyncs,
                loop_lag_s=self._lag.worst_s,
                boards=lambda: self._boards.boards.count(self._clock.now()),
                unseen=lambda: len(self._boards.unseen()),
                floods=self.desk.floods,
            )
        )

    async def _serve_feed(self) -> None:
        try:
            await self._feed.run()
        except Exception as error:
            self._on_fault(error)

    def _on_fault(self, error: Exception) -> None:
        # A fault in judging: what follows could not be trusted, so the instance ends aloud.
        _log.error("the feed ended", action="feed-failed", exc_info=error)
        self._end(f"internal fault, see the log: {error!r}")

    async def _serve_pruning(self) -> None:
        keep_events = self._config.data.retention_days * 24 * HOUR
        while True:
            try:
                await self._journal.prune(self._clock.now(), keep_inputs_us=INPUTS_KEPT, keep_events_us=keep_events)
            except JournalError as error:
                _log.warning("not pruned", action="prune", why=str(error))
            await asyncio.sleep(3600)


async def run_instance(config: Config, stop: asyncio.Event, announce: Callable[[str], None]) -> None:
    """Run one instance until ``stop`` is set; ``announce`` gets the page's address once it is up."""
    instance = Instance(config)
    announce(await instance.start())
    try:
        await instance.serve(stop)
    finally:
        await instance.stop()
