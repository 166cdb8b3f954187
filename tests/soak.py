"""``python -m tests.soak --hours 8``: a long run in a short time, and what it leaves behind.

Owns one whole instance (engine, journal on disk, live stream, HTTP server) on a loop whose
time is a number: nothing waits, sockets and the journal's thread are real. A simulated apron
speaks to it, a page listens to it and a person acknowledges. It ends with 1 where memory, file
handles, threads or tasks have grown since the warm-up by more than the slack that it prints.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import logging
import os
import selectors
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final
from unittest import mock
from urllib.parse import urlsplit

import httpx
import structlog

from monitor import assembly, wiring
from monitor.adapters.mqtt_fake import MemoryBroker, MemoryFeed
from monitor.config import default_config_path, load
from monitor.core.airframe import Site
from monitor.core.rules import known_parameters
from monitor.core.times import SECOND, parse_time
from simulators.apron import Apron

START: Final = parse_time("2026-03-01T06:00:00Z")
STEP_S: Final = 0.2
LOOKS_EVERY_S: Final = 60.0
"""Of virtual time, as every wait here."""

WARM_UP: Final = 0.25
"""Of the run, and half an hour of it at most: then the rings of the last minutes are full."""

SLACK_MB: Final = 24.0
SLACK_HANDLES: Final = 4
SLACK_THREADS: Final = 2
SLACK_TASKS: Final = 8
_PATIENCE_S: Final = 0.002
_STALLED_S: Final = 60.0


class _PatientSelector(selectors.DefaultSelector):
    """Looks at real sockets; where none is ready, the time of the next timer has come, unless a thread still works."""

    def __init__(self) -> None:
        super().__init__()
        self.skipped_s = 0.0
        self.busy: Callable[[], bool] = lambda: False

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if timeout is None:
            return super().select(_STALLED_S)
        waited = time.monotonic() + _STALLED_S
        while self.busy():
            ready = super().select(_PATIENCE_S)
            if ready:
                return ready
            if time.monotonic() > waited:
                raise RuntimeError("the journal's thread has stopped working")
        self.skipped_s += timeout
        return []


class QuickLoop(asyncio.SelectorEventLoop):
    """An event loop in which sleeping is adding."""

    def __init__(self) -> None:
        self.quick = _PatientSelector()
        super().__init__(self.quick)

    def time(self) -> float:
        """Seconds skipped since the loop was made."""
        return self.quick.skipped_s


class LoopClock:
    """Our time as the loop's, from the start of the run on."""

    wall_offset_us = 0

    def __init__(self, loop: QuickLoop, **_: Any) -> None:
        self._loop = loop

    def now(self) -> int:
        return START + round(self._loop.time() * 1000) * 1000


@dataclass(frozen=True, slots=True)
class Weighed:
    """What the process holds at a moment of the run."""

    hours: float
    memory_mb: float
    handles: int
    threads: int
    tasks: int

    def __str__(self) -> str:
        return (
            f"{self.hours:6.2f} h  memory {self.memory_mb:7.1f} MB  file handles {self.handles:4d}  "
            f"threads {self.threads:3d}  tasks {self.tasks:3d}"
        )


def weigh(hours: float) -> Weighed:
    """Look at what this process holds now."""
    gc.collect()
    status = Path("/proc/self/status").read_text(encoding="ascii")
    resident = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS:"))
    handles = len(os.listdir("/proc/self/fd"))
    return Weighed(hours, resident / 1024, handles, threading.active_count(), len(asyncio.all_tasks()))


def find_growth(early: Weighed, late: Weighed, *, slack_mb: float = SLACK_MB) -> list[str]:
    """Say what has grown by more than its slack, one line each."""
    limits: Mapping[str, tuple[float, float, float]] = {
        "memory in MB": (early.memory_mb, late.memory_mb, slack_mb),
        "file handles": (early.handles, late.handles, SLACK_HANDLES),
        "threads": (early.threads, late.threads, SLACK_THREADS),
        "tasks": (early.tasks, late.tasks, SLACK_TASKS),
    }
    return [
        f"{what} grew from {before:g} to {after:g} between {early.hours:.2f} h and {late.hours:.2f} h; {slack:g} is allowed"
        for what, (before, after, slack) in limits.items()
        if after - before > slack
    ]


@dataclass(slots=True)
class Lived:
    """What happened in a run."""

    sent: int = 0
    events: int = 0
    frames: int = 0
    acknowledged: int = 0


class Soak:
    """One run: an instance, an apron, a listening page and a person."""

    def __init__(self, folder: Path, loop: QuickLoop, *, hours: float, seed: int) -> None:
        overrides = {"broker": "mqtt://memory", "http": "127.0.0.1:0", "data": str(folder)}
        self._config = load(default_config_path(), overrides=overrides, environment={}, known=known_parameters())
        self._loop, self._hours, self._seed = loop, hours, seed
        self._broker = MemoryBroker()
        self.lived = Lived()
        self.weighed: list[Weighed] = []

    async def run(self, say: Callable[[str], None]) -> None:
        """Live through the hours; what the process held is in ``weighed`` afterwards."""
        self._broker.start()
        with self._broker.watch("sillwatch/v1/event/#", self._count_event):
            await self._run_instance(say)

    async def _run_instance(self, say: Callable[[str], None]) -> None:
        instance = wiring.Instance(self._config)
        url = await instance.start()
        self._loop.quick.busy = lambda: instance._journal.depth > 0
        stop = asyncio.Event()
        others = [
            asyncio.create_task(instance.serve(stop)),
            asyncio.create_task(self._listen(url)),
            asyncio.create_task(self._acknowledge(url)),
        ]
        try:
            await self._play(self._config.site, others, say)
        finally:
            stop.set()
            for task in others:
                task.cancel()
            await asyncio.gather(*others, return_exceptions=True)
            self._loop.quick.busy = lambda: False
            await instance.stop()

    async def _play(self, site: Site, others: list[asyncio.Task[None]], say: Callable[[str], None]) -> None:
        apron = Apron(site, self._seed, START)
        begun = self._loop.time()
        length = self._hours * 3600
        looks = [min(length * WARM_UP, 1800 + length * 0.05), length / 2, length]
        self.weighed.append(weigh(0.0))
        say(str(self.weighed[-1]))
        while looks:
            await asyncio.sleep(STEP_S)
            for task in others:
                if task.done():
                    await task
                    raise RuntimeError("the instance or one of its clients ended by itself")
            passed = self._loop.time() - begun
            for sent in apron.advance(START + round(self._loop.time() * SECOND)):
                self._broker.publish(sent.topic, sent.payload, retain=sent.retain)
                self.lived.sent += 1
            if passed >= looks[0]:
                looks.pop(0)
                self.weighed.append(weigh(passed / 3600))
                say(str(self.weighed[-1]))

    def _count_event(self, _message: Any) -> None:
        self.lived.events += 1

    async def _listen(self, url: str) -> None:
        """A page that takes the live stream, and opens a new one every ten minutes."""
        parts = urlsplit(url)
        while True:
            reader, writer = await asyncio.open_connection(parts.hostname, parts.port, limit=2**24)
            try:
                writer.write(b"GET /api/v1/stream HTTP/1.1\r\nHost: %s\r\n\r\n" % parts.netloc.encode())
                async with asyncio.timeout(600):
                    while line := await reader.readline():
                        self.lived.frames += line.startswith(b"event:")
            except TimeoutError:
                pass
            finally:
                writer.close()
                with suppress(OSError):
                    await writer.wait_closed()

    async def _acknowledge(self, url: str) -> None:
        """A person who looks every minute at lists, and acknowledges what asks for it."""
        async with httpx.AsyncClient(base_url=url, timeout=None) as client:
            while True:
                await asyncio.sleep(LOOKS_EVERY_S)
                listed = (await client.get("/api/v1/alerts", params={"state": "unacknowledged"})).json()["items"]
                for alert in listed[:5]:
                    path = f"/api/v1/alerts/{alert['alert_id']}/acknowledge"
                    answer = await client.post(path, json={"by": "soak", "reason": "seen"})
                    self.lived.acknowledged += answer.status_code == 200
                for path in ("/metrics", "/api/v1/history", "/api/v1/aircraft/ZZ-KAT", "/api/v1/quarantine"):
                    (await client.get(path)).raise_for_status()


class _Feed(MemoryFeed):
    """The feed on the broker in memory, which has no window that could be full; says when it listens."""

    version = "5"

    def __init__(self, broker: MemoryBroker, settings: Any, *, is_full: Any = None, **callbacks: Any) -> None:
        super().__init__(broker, settings, **callbacks)
        self.listening = asyncio.Event()

    def _connect(self) -> None:
        super()._connect()
        self.listening.set()


@contextmanager
def _virtual(loop: QuickLoop, broker: MemoryBroker) -> Iterator[None]:
    """Have the instance take its time from the loop and its readings from the broker in memory."""
    thresholds = gc.get_threshold()
    with (
        mock.patch.object(wiring, "SystemClock", partial(LoopClock, loop)),
        mock.patch.object(assembly, "MqttFeed", partial(_Feed, broker)),
    ):
        try:
            yield
        finally:
            gc.unfreeze()
            gc.set_threshold(*thresholds)


def soak(*, hours: float, seed: int, say: Callable[[str], None], slack_mb: float = SLACK_MB) -> tuple[Lived, list[str]]:
    """Run for that many virtual hours: what happened, and what has grown."""
    loops: list[QuickLoop] = []

    def make() -> QuickLoop:
        loops.append(QuickLoop())
        return loops[-1]

    with tempfile.TemporaryDirectory(prefix="soak-") as folder, asyncio.Runner(loop_factory=make) as runner:
        runner.get_loop()
        made = Soak(Path(folder), loops[0], hours=hours, seed=seed)
        with _virtual(loops[0], made._broker):
            runner.run(made.run(say))
    _, warm, middle, end = made.weighed
    return made.lived, [*find_growth(warm, middle, slack_mb=slack_mb), *find_growth(warm, end, slack_mb=slack_mb)]


def main(arguments: list[str] | None = None) -> int:
    """Read the command line and run; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description="A long run in a short time.")
    parser.add_argument("--hours", type=float, default=8.0, help="of virtual time (default: 8)")
    parser.add_argument("--seed", type=int, default=1, help="of the simulated apron (default: 1)")
    chosen = parser.parse_args(arguments)
    if not chosen.hours > 0:
        parser.error("--hours is above 0")
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    print(
        f"python -m tests.soak --hours {chosen.hours:g} --seed {chosen.seed}; allowed after the warm-up: "
        f"{SLACK_MB:g} MB, {SLACK_HANDLES} file handles, {SLACK_THREADS} threads, {SLACK_TASKS} tasks",
        flush=True,
    )
    began = time.monotonic()
    lived, grown = soak(hours=chosen.hours, seed=chosen.seed, say=partial(print, flush=True))
    took = time.monotonic() - began
    print(
        f"{lived.sent} messages in, {lived.events} events out, {lived.frames} frames on the live stream, "
        f"{lived.acknowledged} acknowledgements; {chosen.hours * 3600 / took:.0f} times as fast as the day"
    )
    for line in grown:
        print(line)
    return 1 if grown else 0


if __name__ == "__main__":
    sys.exit(main())
