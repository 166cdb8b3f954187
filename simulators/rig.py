"""The rig: an apron published to a real MQTT broker at the pace of real time.

Owns the connection, the pacing and the clean stop. The apron it plays is pure; this is
the edge where a clock and a socket come in. It subscribes to nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import logging
import math
import socket
import ssl
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, Protocol

import aiomqtt

from monitor.adapters.mqtt_settings import BrokerAddress, parse_broker_url
from monitor.config import Broker, default_config_path, load
from monitor.core.airframe import Site
from monitor.core.times import MILLISECOND, SECOND
from simulators.apron import Apron
from simulators.publication import Publication
from simulators.scenario import find_scenario, load_scenario

_BATCH: Final = 200
_LOOK_S: Final = 0.05
_RETRY_S: Final = (0.2, 0.5, 1.0, 2.0, 5.0)
_CONNECT_S: Final = 2.0
"""For how long a broker is waited for that does not answer: a thread does it, which nothing can interrupt."""
_GOODBYE_S: Final = 0.5
"""For how long the end waits for a broker that does not answer any more."""
_log = logging.getLogger(__name__)


class RigError(RuntimeError):
    """The broker cannot be reached; the message is one line for a person."""


class Stage(Protocol):
    """What the rig plays."""

    def advance(self, until_us: int) -> list[Publication]: ...

    def owe_picture(self) -> None: ...

    def withdrawals(self) -> list[Publication]: ...


def wall_clock() -> int:
    """Return the real time in whole milliseconds, as µs since the epoch."""
    return time.time_ns() // 1_000_000 * MILLISECOND


async def run_rig(
    stage: Stage,
    broker: str | BrokerAddress,
    *,
    stop: asyncio.Event,
    ca_file: Path | None = None,
    until_us: int | None = None,
    clear: bool = False,
    patience_s: float | None = None,
    clock: Callable[[], int] = wall_clock,
    on_link: Callable[[bool], None] = lambda _: None,
) -> int:
    """Publish ``stage`` until ``stop`` is set or the wire's time ``until_us``; return how many messages were sent.

    A lost connection is made again; what was due meanwhile is not made up for, but every
    sensor then sends its picture anew. ``ca_file`` is the authority to trust where
    the address asks for TLS (``None``: the system's). ``clear`` withdraws every retained reading at the
    end. ``on_link`` is told whether there is a connection. Raises :class:`RigError` where the broker is not reached within ``patience_s``
    of real time at the start (``None``: keeps trying), and ``ValueError`` for a bad URL.
    """
    address = parse_broker_url(broker) if isinstance(broker, str) else broker
    deadline = None if patience_s is None else time.monotonic() + patience_s
    sent = 0
    attempt = itertools.count()
    while not stop.is_set():
        try:
            async with contextlib.AsyncExitStack() as stack:
                client = open_client(address, ca_file)
                if not await _enter_unless_stopped(stack, client, stop):
                    break
                deadline, attempt = None, itertools.count()
                on_link(True)
                stage.owe_picture()
                sent += await _play(stage, client, stop, until_us=until_us, clear=clear, clock=clock)
                client.timeout = _GOODBYE_S
                return sent
        except aiomqtt.MqttError as error:
            on_link(False)
            if deadline is not None and time.monotonic() > deadline:
                raise RigError(f"no broker answers at {address.host}:{address.port} ({error})") from None
            failures = next(attempt)
            _log.log(logging.INFO if failures else logging.WARNING, "no broker connection, trying again: %s", error)
        # Time goes on while nobody hears it.
        stage.advance(clock() if until_us is None else min(clock(), until_us))
        if until_us is not None and clock() >= until_us:
            break
        await _wait(stop, _RETRY_S[min(failures, len(_RETRY_S) - 1)])
    return sent


async def serve_apron(
    broker_url: str, speed: float, seed: int, stop: asyncio.Event, *, site: Site | None = None
) -> None:
    """Play the demo's apron to ``broker_url`` until ``stop`` is set; ``site`` defaults to the shipped one."""
    site = site or load(default_config_path(), environment={}).site
    scenario = load_scenario(find_scenario("apron"), site)
    apron: Apron = scenario.apron(site, wall_clock(), seed=seed, speed=speed)
    await run_rig(apron, broker_url, stop=stop)


def broker_address(broker: Broker) -> BrokerAddress:
    """Return the configured broker's address with what signs in there; raises ``ValueError`` with one line."""
    address = parse_broker_url(broker.url)
    if broker.user is not None:
        address = replace(address, username=broker.user)
    if broker.password_file is not None:
        try:
            lines = Path(broker.password_file).read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            raise ValueError(f"{broker.password_file} cannot be read; give a file with the password in it") from None
        address = replace(address, password=lines[0] if lines else "")
    return address


def open_client(address: BrokerAddress, ca_file: Path | None) -> aiomqtt.Client:
    """Return a client for that broker, not connected yet; ``ca_file`` is the authority to trust for TLS."""
    client = aiomqtt.Client(
        address.host,
        address.port,
        username=address.username,
        password=address.password,
        tls_context=ssl.create_default_context(cafile=ca_file) if address.tls else None,
        timeout=_CONNECT_S,
        keepalive=10,
        logger=_log,
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )
    # A batch is under way at once by design; the library would warn from the eleventh on.
    client.pending_calls_threshold = _BATCH
    # The library itself leaves it at 5 s and has no way to say otherwise.
    client._client.connect_timeout = _CONNECT_S
    return client


async def _enter_unless_stopped(stack: contextlib.AsyncExitStack, client: aiomqtt.Client, stop: asyncio.Event) -> bool:
    """Connect, and disconnect at the end of ``stack``; given up, with ``False``, as soon as ``stop`` is set."""
    connecting = asyncio.ensure_future(stack.enter_async_context(client))
    stopping = asyncio.create_task(stop.wait())
    try:
        await asyncio.wait({connecting, stopping}, return_when=asyncio.FIRST_COMPLETED)
        if not connecting.done():
            return False
        connecting.result()
        return True
    finally:
        for task in (connecting, stopping):
            task.cancel()
        await asyncio.gather(connecting, stopping, return_exceptions=True)
        if connecting.cancelled() or connecting.exception() is not None:
            # The library leaves the socket open where nobody answered on it.
            client._client._sock_close()


async def _play(
    stage: Stage,
    client: aiomqtt.Client,
    stop: asyncio.Event,
    *,
    until_us: int | None,
    clear: bool,
    clock: Callable[[], int],
) -> int:
    sent = 0
    watch = asyncio.create_task(_until_disconnected(client))
    try:
        while not stop.is_set():
            now = clock() if until_us is None else min(clock(), until_us)
            sent += await _send(client, watch, stage.advance(now), stop)
            if now == until_us:
                break
            await _wait(stop, _LOOK_S)
        if clear:
            await _send(client, watch, stage.withdrawals(), stop)
    finally:
        watch.cancel()
        with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
            await watch
    return sent


async def _until_disconnected(client: aiomqtt.Client) -> None:
    async for _ in client.messages:
        continue


async def _send(
    client: aiomqtt.Client, watch: asyncio.Task[None], publications: Iterable[Publication], stop: asyncio.Event
) -> int:
    """Publish in order, many under way at once: the library sends in the order of the calls.

    Raises ``MqttError`` as soon as ``watch`` sees the connection lost. Once ``stop`` is
    set, a broker that does not answer is waited for a second and no longer.
    """
    sent = 0
    for batch in _batches(publications):
        work = asyncio.gather(
            *(client.publish(p.topic, p.payload, qos=1, retain=p.retain, timeout=math.inf) for p in batch)
        )
        either: set[asyncio.Future[Any]] = {work, watch}
        while not work.done() and not watch.done():
            await asyncio.wait(either, timeout=1.0, return_when=asyncio.FIRST_COMPLETED)
            if stop.is_set() and not work.done():
                break
        if not work.done():
            work.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await work
            if watch.done():
                watch.result()
            break
        work.result()
        sent += len(batch)
    return sent


def _batches(publications: Iterable[Publication]) -> Iterable[tuple[Publication, ...]]:
    source = iter(publications)
    while batch := tuple(itertools.islice(source, _BATCH)):
        yield batch


async def _wait(stop: asyncio.Event, seconds: float) -> None:
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(stop.wait(), seconds)


def wire_end(start_us: int, seconds: float, speed: float) -> int:
    """Return the wire's time (µs) at which ``seconds`` of simulated time are over."""
    return start_us + round(seconds * SECOND / speed / MILLISECOND) * MILLISECOND
