"""One running instance, put together.

Owns the order of starting and stopping; what is started is built in :mod:`monitor.assembly`.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
from collections.abc import Callable
from pathlib import Path
from typing import Final

import structlog

from monitor.adapters.access import open_access
from monitor.adapters.clock import SystemClock
from monitor.adapters.journal_ageing import serve_pruning
from monitor.adapters.systemd import serve_manager
from monitor.adapters.web.assets import MissingBoardError
from monitor.adapters.web.listening import ListenError
from monitor.adapters.wire import Wire
from monitor.assembly import Assembly
from monitor.config import Config, flatten
from monitor.engine import Restored, restore
from monitor.ports import AccessError, InstanceError, JournalError, Settings

_log: Final = structlog.get_logger("sillwatch")


def _favour_the_loop() -> None:
    """Keep alerts from waiting for the search for garbage in what lives as long as the instance."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000, 50, 1000)


class Instance(Assembly):
    """A monitor with its journal, broker connection and HTTP side: start it, serve, stop it."""

    async def start(self) -> str:
        """Start everything and return the page's address; raises :class:`InstanceError`."""
        config = self._config
        wire = Wire(config.site.name, config.broker.instance, frozenset(config.site.types))
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
        self._journal.keep_settings(Settings(self._clock.now(), self._engine.position, flatten(config)))
        _favour_the_loop()
        for serve in (
            self._serve_feed(),
            self._lag.watch(),
            serve_pruning(
                self._journal,
                self._clock.now,
                readings_days=config.data.readings_days,
                retention_days=config.data.retention_days,
            ),
            self._labels.serve(self._clock.now),
            self._tape.serve_samples(self._clock.now),
            self._boards.serve_looks(),
            self._prover.serve(),
            self._told.serve(self._feed, self._journal.last_event),
            serve_manager(self._manager, self._vigil, self.desk.health, self._feed.listening),
        ):
            self._tasks.append(asyncio.create_task(serve))
        _log.info("started", action="start", url=self.url, restored=restored.position, replayed=restored.replayed)
        return self.url

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
        # First what still waits: it is the broker's to deliver again, and taking it would be waited for.
        self._resuming.close()
        self._intake.close()
        await self._debriefs.close()
        await self._web.stop()
        if self._access is not None:
            self._access.close()
        await self._feed.stop()
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

    async def _serve_feed(self) -> None:
        try:
            await self._feed.run()
        except Exception as error:
            self._on_fault(error)


async def run_instance(config: Config, stop: asyncio.Event, announce: Callable[[str], None]) -> None:
    """Run one instance until ``stop`` is set; ``announce`` gets the page's address once it is up."""
    instance = Instance(config)
    announce(await instance.start())
    try:
        await instance.serve(stop)
    finally:
        await instance.stop()
