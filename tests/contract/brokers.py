"""Brokers to hold the feed against: the default one, two others, and the one in memory.

A bench starts its broker and makes feeds and witnesses for it. Where a broker does something differently, the suite asserts what it does
instead of passing it by.
"""

from __future__ import annotations

import abc
import asyncio
import contextlib
import importlib.util
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from monitor.adapters.broker import BrokerError, DefaultBroker, find_executable
from monitor.adapters.mqtt import MqttFeed
from monitor.adapters.mqtt_fake import MemoryBroker, MemoryFeed
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.ports import Message, Outgoing

HOST = "127.0.0.1"
DEADLINE_S = 15.0
REPOSITORY = Path(__file__).parents[2]


async def until(condition: Callable[[], object], what: str, *, deadline_s: float = DEADLINE_S) -> None:
    """Wait until the condition holds; fail, naming it, at the deadline."""
    loop = asyncio.get_running_loop()
    deadline = loop.time() + deadline_s
    while not condition():
        assert loop.time() < deadline, f"not within {deadline_s:g} s: {what}"
        await asyncio.sleep(0.005)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


class Witness:
    """A client of its own: what it sent and saw is what any other client would."""

    def __init__(self, publish: Callable[..., Any]) -> None:
        self._publish = publish
        self.seen: list[Message] = []

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish, and wait for the broker's acknowledgement."""
        await self._publish(topic, payload, qos, retain)

    def payloads(self, topic: str) -> list[bytes]:
        return [message.payload for message in self.seen if message.topic == topic]


class Bench(abc.ABC):
    """One broker under test."""

    name = ""
    protocol = "auto"
    forgets_unacknowledged = False
    queues_for_taken_over_sessions = False
    wire = True

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.url = ""

    @abc.abstractmethod
    async def start(self) -> None: ...

    @abc.abstractmethod
    async def stop(self) -> None: ...

    def feed(self, settings: MqttSettings, **callbacks: Any) -> MqttFeed | MemoryFeed:
        return MqttFeed(settings, jitter=lambda: 1.0, **callbacks)

    def cut(self, feed: Any) -> None:
        """Lose the feed's connection without a DISCONNECT."""
        feed._link._client.socket().shutdown(socket.SHUT_RDWR)

    @asynccontextmanager
    async def witness(self, *filters: str) -> AsyncIterator[Witness]:
        """A client subscribed to the filters."""
        host, port = self.url.removeprefix("mqtt://").split(":")
        async with aiomqtt.Client(
            host, int(port), timeout=DEADLINE_S, socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
        ) as client:

            async def publish(topic: str, payload: bytes, qos: int, retain: bool) -> None:
                await client.publish(topic, payload, qos, retain)

            async def collect() -> None:
                async for message in client.messages:
                    witness.seen.append(Message(str(message.topic), bytes(message.payload), message.retain))

            witness = Witness(publish)
            for name in filters:
                await client.subscribe(name, qos=1)
            collecting = asyncio.create_task(collect())
            try:
                yield witness
            finally:
                collecting.cancel()
                await asyncio.gather(collecting, return_exceptions=True)


class NatsBench(Bench):
    """The default broker, started as the product starts it."""

    name = "nats-server"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.broker = DefaultBroker(folder, ack_wait_s=1)

    async def start(self) -> None:
        self.url = await self.broker.start()

    async def stop(self) -> None:
        await self.broker.stop()


class ProcessBench(Bench):
    """A broker that is a command with a configuration file."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.port = free_port()
        self.url = f"mqtt://{HOST}:{self.port}"
        self._process: subprocess.Popen[bytes] | None = None

    @abc.abstractmethod
    def command(self) -> list[str]: ...

    async def start(self) -> None:
        command = self.command()
        with (self.folder / "output.log").open("ab") as output:
            self._process = await asyncio.to_thread(
                subprocess.Popen,
                command,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
            )
        deadline = asyncio.get_running_loop().time() + DEADLINE_S
        while True:
            assert self._process.poll() is None, (self.folder / "output.log").read_text()
            assert asyncio.get_running_loop().time() < deadline, f"{self.name} did not start"
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client(HOST, self.port, timeout=2):
                    return
            await asyncio.sleep(0.02)

    async def stop(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.terminate()
            try:
                await asyncio.to_thread(process.wait, 5)
            except subprocess.TimeoutExpired:
                process.kill()
                await asyncio.to_thread(process.wait)


class MosquittoBench(ProcessBench):
    name = "mosquitto"

    def command(self) -> list[str]:
        config = self.folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.port} {HOST}\n"
            "allow_anonymous true\n"
            "set_tcp_nodelay true\n"
            "persistence true\n"
            f"persistence_location {self.folder}/\n"
            "max_queued_messages 0\n"
            "user root\n"
        )
        return [_mosquitto() or "mosquitto", "-c", str(config)]


class AmqttHost:
    """The process in which one amqtt broker after another runs."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.contract.amqtt_host"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd=REPOSITORY,
        )

    async def ask(self, command: str) -> None:
        await asyncio.to_thread(self._ask, command)

    def _ask(self, command: str) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{command}\n".encode())
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        assert answer, f"amqtt ended on {command!r}"

    def end(self) -> None:
        self._process.kill()
        self._process.communicate()


class AmqttBench(Bench):
    name = "amqtt"
    host: AmqttHost | None = None
    forgets_unacknowledged = True  # against [MQTT-4.4.0-1]: what was in flight when the connection broke is gone
    queues_for_taken_over_sessions = True  # it takes such a session for away until it connects once more
    protocol = "3.1.1"  # it meets a version 5 CONNECT with silence; that "auto" copes is a test of its own

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.port = free_port()
        self.url = f"mqtt://{HOST}:{self.port}"

    async def start(self) -> None:
        if AmqttBench.host is None:
            AmqttBench.host = AmqttHost()
        await AmqttBench.host.ask(f"start {self.port}")

    async def stop(self) -> None:
        if AmqttBench.host is not None:
            await AmqttBench.host.ask("stop")


class MemoryBench(Bench):
    """The broker in memory, for the fake's sake."""

    name = "memory"
    wire = False

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.url = "mqtt://memory"
        self.broker = MemoryBroker()

    async def start(self) -> None:
        self.broker.start()

    async def stop(self) -> None:
        self.broker.stop()

    def feed(self, settings: MqttSettings, **callbacks: Any) -> MemoryFeed:
        return MemoryFeed(self.broker, settings, **callbacks)

    def cut(self, feed: Any) -> None:
        self.broker.cut(feed.settings.client_id)

    @asynccontextmanager
    async def witness(self, *filters: str) -> AsyncIterator[Witness]:
        async def publish(topic: str, payload: bytes, qos: int, retain: bool) -> None:
            self.broker.publish(topic, payload, retain=retain)

        witness = Witness(publish)
        with contextlib.ExitStack() as stack:
            for name in filters:
                stack.enter_context(self.broker.watch(name, witness.seen.append))
            yield witness


def _mosquitto() -> str | None:
    return shutil.which("mosquitto", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"]))


def why_missing(bench: type[Bench]) -> str | None:
    """Say why a broker cannot be started here, or ``None``."""
    if bench is NatsBench:
        try:
            find_executable()
        except BrokerError as error:
            return str(error)
    if bench is MosquittoBench and _mosquitto() is None:
        return "mosquitto is not installed"
    if bench is AmqttBench and importlib.util.find_spec("amqtt") is None:
        return "the package amqtt is not installed"
    return None


def require_broker(bench: type[Bench]) -> None:
    """Skip the test, and say so, where a broker cannot be started here; in CI it fails."""
    missing = why_missing(bench)
    if missing and os.environ.get("CI") == "true":
        pytest.fail(missing)
    if missing:
        pytest.skip(f"BROKER NOT TESTED: {missing}")


@dataclass
class Rig:
    """A feed with an engine's face that writes down everything it is told."""

    bench: Bench
    instance: str
    started: str = "2026-03-01T10:00:00Z"
    overrides: dict[str, Any] = field(default_factory=dict)
    settle_at_once: bool = True
    messages: list[Message] = field(default_factory=list)
    settles: list[Callable[[], None]] = field(default_factory=list)
    connections: list[bool] = field(default_factory=list)
    losses: list[str] = field(default_factory=list)
    superseded: list[str] = field(default_factory=list)
    held: dict[str, bytes] = field(default_factory=dict)
    react: Callable[[Message], None] | None = None

    def __post_init__(self) -> None:
        self.site = f"site-{self.instance}"
        self.status_topic = f"sillwatch/v1/status/{self.instance}"
        self.online = f'{{"state": "online", "version": "0", "started": "{self.started}"}}'.encode()
        self.offline = f'{{"state": "offline", "version": "0", "started": "{self.started}"}}'.encode()
        settings: dict[str, Any] = {
            "url": self.bench.url,
            "instance": self.instance,
            "inputs": (f"apron/v1/{self.site}/#",),
            "outputs": (f"sillwatch/v1/door/{self.site}/#", f"sillwatch/v1/active/{self.site}/#"),
            "status_topic": self.status_topic,
            "started": self.started,
            "online": self.online,
            "offline": self.offline,
            "protocol": self.bench.protocol,
        }
        self.feed: Any = self.bench.feed(
            MqttSettings(**(settings | self.overrides)),
            on_message=self._on_message,
            on_connected=self.connections.append,
            on_disconnected=self.losses.append,
            held_topics=lambda: {
                topic: partial(Outgoing, topic, payload, True) for topic, payload in self.held.items()
            },
            on_superseded=self.superseded.append,
        )

    def _on_message(self, message: Message, settle: Callable[[], None]) -> None:
        self.messages.append(message)
        if self.react is not None:
            self.react(message)
        if self.settle_at_once:
            settle()
        else:
            self.settles.append(settle)

    def input(self, name: str) -> str:
        return f"apron/v1/{self.site}/aircraft/T-01/door/L1/{name}"

    def door(self, name: str) -> str:
        return f"sillwatch/v1/door/{self.site}/T-01/{name}"

    def event(self, code: str) -> str:
        return f"sillwatch/v1/event/{self.site}/T-01/L1/{code}"

    def got(self) -> list[bytes]:
        return [message.payload for message in self.messages]

    @asynccontextmanager
    async def running(self) -> AsyncIterator[Rig]:
        """Run the feed, wait until it is ready, and stop it cleanly at the end."""
        task = asyncio.create_task(self.feed.run())
        try:
            await self.ready(task)
            yield self
            await asyncio.wait_for(self.feed.stop(), 5)
            await task
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def ready(self, task: asyncio.Task[None] | None = None) -> None:
        """Wait until the feed has said "online" on the present connection, and the broker has it."""
        async with self.bench.witness(self.status_topic) as witness:
            await until(
                lambda: (
                    (self.online in witness.payloads(self.status_topic) and self.feed.connected)
                    or (task is not None and task.done())
                ),
                "the online status",
            )
