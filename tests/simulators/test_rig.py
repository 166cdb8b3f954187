"""The rig against a real broker: what arrives, what is retained, and what a lost connection leaves."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import aiomqtt
import orjson
import pytest

from monitor.core.airframe import Site
from simulators.apron import Apron, Part
from simulators.rig import RigError, run_rig, serve_apron, wall_clock

pytestmark = pytest.mark.broker

CAST = (Part("ZZ-KAT", "alder", "S11", start="armed"), Part("ZZ-TEV", "hazel", "S13", start="closed", bundles=True))
DEADLINE_S = 20.0


class Mosquitto:
    """A broker of our own on a free port, which can be stopped and started again."""

    def __init__(self, program: str, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"mqtt://127.0.0.1:{self.port}"
        self._command = [program, "-c", str(folder / "mosquitto.conf")]
        (folder / "mosquitto.conf").write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(self._command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + DEADLINE_S
        while time.monotonic() < deadline:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
                return
        raise AssertionError("the broker never listened")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(DEADLINE_S)
            self._process = None


@pytest.fixture
def broker(tmp_path: Path, require_program: Callable[[str], str]) -> Iterator[Mosquitto]:
    mosquitto = Mosquitto(require_program("mosquitto"), tmp_path)
    mosquitto.start()
    yield mosquitto
    mosquitto.stop()


async def heard(port: int, until: Callable[[dict[str, aiomqtt.Message]], bool]) -> dict[str, aiomqtt.Message]:
    """Listen from now on until ``until`` is true of the last message of each topic."""
    found: dict[str, aiomqtt.Message] = {}
    async with asyncio.timeout(DEADLINE_S), aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("apron/#", qos=1)
        async for message in client.messages:
            found[message.topic.value] = message
            if until(found):
                break
    return found


@contextlib.asynccontextmanager
async def playing(apron: Apron, url: str, **how: object) -> AsyncIterator[asyncio.Event]:
    stop = asyncio.Event()
    task = asyncio.create_task(run_rig(apron, url, stop=stop, **how))  # type: ignore[arg-type]
    try:
        yield stop
    finally:
        stop.set()
        async with asyncio.timeout(3.0):
            await task


@pytest.fixture
def apron(site: Site) -> Apron:
    return Apron(site, 1, wall_clock(), cast=CAST, programme=None)


def has(*endings: str) -> Callable[[dict[str, aiomqtt.Message]], bool]:
    return lambda found: all(any(topic.endswith(ending) for topic in found) for ending in endings)


async def test_states_beats_and_bundles_arrive_and_only_states_are_retained(broker: Mosquitto, apron: Apron) -> None:
    async with playing(apron, broker.url):
        live = await heard(broker.port, has("ZZ-KAT/airframe/heartbeat", "ZZ-TEV/bundle", "KAT/airframe/type"))
    assert orjson.loads(live["apron/v1/tarnwick/aircraft/ZZ-KAT/door/L1/lever_armed"].payload)["value"] is True
    kept = await heard(broker.port, has("KAT/airframe/type", "stand/S16/gust_kt"))
    assert all(message.retain for message in kept.values())
    assert not has("heartbeat")(kept)
    assert not has("bundle")(kept)
    assert len([topic for topic in kept if "/ZZ-KAT/" in topic]) > 100


async def test_a_lost_connection_is_made_again_with_the_whole_picture(broker: Mosquitto, apron: Apron) -> None:
    async with playing(apron, broker.url):
        await heard(broker.port, has("ZZ-KAT/airframe/type"))
        broker.stop()
        broker.start()
        # The broker kept nothing, so a late listener sees only what is sent anew.
        again = await heard(broker.port, has("ZZ-KAT/airframe/type", "ZZ-KAT/airframe/heartbeat"))
    assert len([topic for topic in again if "/ZZ-KAT/door/" in topic]) > 100
    assert orjson.loads(again["apron/v1/tarnwick/aircraft/ZZ-KAT/airframe/type"].payload)["seq"] == 2


async def test_clearing_leaves_nothing_on_the_broker(broker: Mosquitto, apron: Apron) -> None:
    until = wall_clock() + 500_000
    sent = await run_rig(apron, broker.url, stop=asyncio.Event(), until_us=until, clear=True)
    assert sent > 100
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish("apron/marker", b"end", qos=1, retain=True)
    assert list(await heard(broker.port, has("marker"))) == ["apron/marker"]


async def test_it_ends_by_itself_at_its_time(broker: Mosquitto, apron: Apron) -> None:
    async with asyncio.timeout(DEADLINE_S):
        assert await run_rig(apron, broker.url, stop=asyncio.Event(), until_us=wall_clock() + 300_000) > 100


async def test_no_broker_is_said_in_one_line(apron: Apron) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        with pytest.raises(RigError, match=rf"no broker answers at 127.0.0.1:{port}"):
            await run_rig(apron, f"mqtt://127.0.0.1:{port}", stop=asyncio.Event(), patience_s=0.0)


async def test_it_ends_at_once_while_a_broker_does_not_answer(apron: Apron) -> None:
    """One that takes the connection and then says nothing."""
    taken = asyncio.Event()

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readexactly(1)
        taken.set()
        await reader.read()
        writer.close()

    async with await asyncio.start_server(take, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        stop = asyncio.Event()
        task = asyncio.create_task(run_rig(apron, f"mqtt://127.0.0.1:{port}", stop=stop))
        async with asyncio.timeout(DEADLINE_S):
            await taken.wait()
        stop.set()
        async with asyncio.timeout(1.0):
            assert await task == 0


async def test_the_demos_apron_is_served_until_it_is_stopped(broker: Mosquitto, site: Site) -> None:
    stop = asyncio.Event()
    task = asyncio.create_task(serve_apron(broker.url, 1.0, 1, stop, site=site))
    regs = ("ZZ-KAT", "ZZ-OLM", "ZZ-TEV", "ZZ-BRU", "ZZ-SIL", "ZZ-MEA")
    await heard(broker.port, has(*(f"{reg}/airframe/heartbeat" for reg in regs)))
    stop.set()
    async with asyncio.timeout(3.0):
        await task


@pytest.mark.parametrize(
    ("number", "what", "said_of_it"),
    [
        (signal.SIGINT, "feed-loss", "feed-loss: "),
        (signal.SIGTERM, "load --aircraft 10 --rate 100", "10 simulated aircraft (2 alder, "),
    ],
)
async def test_the_command_ends_cleanly_when_told_to(
    broker: Mosquitto, number: int, what: str, said_of_it: str
) -> None:
    code = (
        "import typer; from simulators.cli import register; app = typer.Typer(); "
        "app.callback()(lambda: None); register(app); app()"
    )
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", code, "simulate", *what.split(), "--broker", broker.url),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    try:
        await heard(broker.port, has("/airframe/heartbeat"))
        process.send_signal(number)
        async with asyncio.timeout(3.0):
            out, err = await process.communicate()
    except BaseException:
        process.kill()
        await process.wait()
        raise
    # A machine that is slow does not keep up with a load, and that is said.
    assert process.returncode == 0 or b"NOT KEPT UP" in out
    said = (out + err).decode().splitlines()
    assert said[0].startswith(said_of_it)
    assert not [line for line in said if "Traceback" in line]
