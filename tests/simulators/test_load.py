"""A load of many aircraft: what is in it, that one seed gives one stream, and honest figures."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import subprocess
import sys
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path

import orjson
import pytest

from monitor.adapters.capture import read_capture
from monitor.adapters.mqtt_settings import BrokerAddress
from monitor.adapters.wire import Wire
from monitor.core.airframe import Site
from monitor.core.effects import CountDropped, CountImplausible, Effect, PublishEvent, RejectInput
from monitor.core.system import System
from monitor.engine import take_message
from simulators.load import LoadError, LoadRun, check_load, describe_load, run_load, tell_load, write_load
from simulators.load_traffic import LoadTraffic
from simulators.load_wire import SenderError

AIRCRAFT = 10
RATE = 60.0
CONNACK = b"\x20\x02\x00\x00"


def effects_of(path: Path, site: Site) -> list[Effect]:
    system, wire = System(site, answering=False), Wire(site.name, "load", frozenset(site.types))
    told: list[Effect] = []
    for line in read_capture(path):
        told += system.advance(line.at)
        if line.message is not None:
            told += take_message(system, wire, line.message, line.at)[1]
    return told


def test_the_monitor_takes_all_of_it_and_raises_the_lifted_handles_alone(
    tmp_path: Path, site: Site, start_us: int
) -> None:
    path = tmp_path / "load.jsonl"
    count = write_load(path, LoadTraffic(site, AIRCRAFT, RATE, 1), RATE, start_us, 45.0)
    assert count == 45 * RATE + 1
    told = effects_of(path, site)
    assert [effect for effect in told if isinstance(effect, (RejectInput, CountDropped, CountImplausible))] == []
    events = [effect for effect in told if isinstance(effect, PublishEvent)]
    assert {event.code for event in events} == {"armed-handle-moved"}
    assert all(event.data["simulated"] is True for event in events)


def test_the_mix_is_of_every_type_and_each_message_says_that_it_is_simulated(
    tmp_path: Path, site: Site, start_us: int
) -> None:
    path = tmp_path / "load.jsonl"
    write_load(path, LoadTraffic(site, AIRCRAFT, RATE, 1), RATE, start_us, 30.0)
    messages = [line.message for line in read_capture(path) if line.message is not None]
    bodies = [orjson.loads(message.payload) for message in messages]
    assert all(body["simulated"] is True for body in bodies)
    types = Counter(body["readings"]["airframe/type"] for body in bodies if "readings" in body)
    assert types == dict.fromkeys(site.types, 2)
    endings = Counter(message.topic.rpartition("/")[2] for message in messages)
    assert endings["bundle"] == AIRCRAFT
    assert endings["heartbeat"] == pytest.approx(AIRCRAFT * 6, abs=AIRCRAFT)
    assert endings["travel"] > 50
    assert endings["closed"] > 10
    assert endings["slide_bottle_bar"] > 50


def test_a_low_rate_keeps_every_aircraft_believed(tmp_path: Path, site: Site, start_us: int) -> None:
    path = tmp_path / "low.jsonl"
    write_load(path, LoadTraffic(site, 20, 10.0, 1), 10.0, start_us, 90.0)
    told = {effect.code for effect in effects_of(path, site) if isinstance(effect, PublishEvent)}
    assert told <= {"armed-handle-moved"}


def test_one_seed_writes_the_same_captures_in_any_process(tmp_path: Path) -> None:
    """What hangs on the order of a set differs from process to process."""
    code = (
        "import typer, sys; from simulators.cli import register; app = typer.Typer(); "
        "app.callback()(lambda: None); register(app)\n"
        "for arguments in sys.argv[1:]: app(['simulate', *arguments.split()], standalone_mode=False)"
    )
    digests = []
    for hashing in ("1", "2"):
        files = [tmp_path / f"{name}-{hashing}.jsonl" for name in ("load", "apron", "other")]
        commands = (
            f"load --aircraft 10 --rate 60 --seed 4 --duration 10s --capture {files[0]}",
            f"apron --seed 4 --duration 10s --capture {files[1]}",
            f"load --aircraft 10 --rate 60 --seed 5 --duration 10s --capture {files[2]}",
        )
        environment = {**os.environ, "PYTHONHASHSEED": hashing, "PYTHONPATH": str(Path(__file__).parents[2])}
        subprocess.run([sys.executable, "-c", code, *commands], check=True, timeout=300, env=environment)
        digests.append([hashlib.sha256(file.read_bytes()).hexdigest() for file in files])
    assert digests[0] == digests[1]
    assert len(set(digests[0])) == 3


@pytest.mark.parametrize(
    ("aircraft", "rate", "said"),
    [
        (0, 10.0, "--aircraft 0 is out of range; give a number from 1 to 2000"),
        (2001, 5000.0, "--aircraft 2001 is out of range"),
        (500, 100.0, "500 aircraft need 250 messages a second to stay believed; give a number from 250 to"),
        (5, float("nan"), "--rate nan is out of range"),
        (5, 1e9, "out of range"),
    ],
)
def test_a_load_that_cannot_be(aircraft: int, rate: float, said: str) -> None:
    with pytest.raises(LoadError, match=said):
        check_load(aircraft, rate)


# Sent


class Broker:
    """The broker's side of a connection: it lets in, and acknowledges unless told not to."""

    def __init__(
        self, *, welcome: bytes = CONNACK, acknowledges: bool = True, hangs_up_after: int = 0, slow_s: float = 0.0
    ) -> None:
        self._welcome = welcome
        self._slow_s = slow_s
        self._acknowledges = acknowledges
        self._hangs_up_after = hangs_up_after
        self.connect = b""
        self.taken: list[tuple[str, bytes, bool]] = []
        self.called = asyncio.Event()
        self.heard = asyncio.Event()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            self.connect = (await self._packet(reader))[1]
            self.called.set()
            writer.write(self._welcome)
            while True:
                head, body = await self._packet(reader)
                if head == 0xE0:
                    break
                length = int.from_bytes(body[:2], "big")
                packet_id, payload = body[2 + length : 4 + length], body[4 + length :]
                self.taken.append((body[2 : 2 + length].decode(), payload, bool(head & 1)))
                self.heard.set()
                if self._slow_s and not payload:
                    await asyncio.sleep(self._slow_s)
                if self._acknowledges:
                    writer.write(b"\x40\x02" + packet_id)
                if len(self.taken) == self._hangs_up_after:
                    break
        writer.close()

    @staticmethod
    async def _packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
        head, length, shift = (await reader.readexactly(1))[0], 0, 0
        while True:
            byte = (await reader.readexactly(1))[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return head, await reader.readexactly(length)


@contextlib.asynccontextmanager
async def listening(broker: Broker) -> AsyncIterator[BrokerAddress]:
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    async with server:
        yield BrokerAddress("127.0.0.1", server.sockets[0].getsockname()[1], False, "ramp", "sesame")


async def load(
    site: Site,
    address: BrokerAddress,
    *,
    rate: float = 400.0,
    seconds: float | None = 0.5,
    stop: asyncio.Event | None = None,
    clear: bool = False,
) -> LoadRun:
    traffic = LoadTraffic(site, AIRCRAFT, rate, 1)
    async with asyncio.timeout(30.0):
        return await run_load(
            traffic, rate, address, seed=1, stop=stop or asyncio.Event(), seconds=seconds, clear=clear
        )


async def test_a_load_is_sent_evenly_and_told(site: Site) -> None:
    broker = Broker()
    async with listening(broker) as address:
        run = await load(site, address)
    assert b"ramp" in broker.connect
    assert b"sesame" in broker.connect
    assert run.sent == run.acknowledged == len(broker.taken)
    assert run.sent <= 200
    assert (run.took_s, run.types) == (0.5, dict.fromkeys(sorted(site.types), 2))
    assert all(orjson.loads(payload)["simulated"] is True for _, payload, _ in broker.taken)
    assert all(retain is not topic.endswith(("/bundle", "/heartbeat")) for topic, _, retain in broker.taken)
    assert tell_load(run).startswith("10 simulated aircraft (2 alder, 2 birch, 2 cedar, 2 hazel, 2 larch): ")
    document = describe_load(run)
    assert (document["simulated"], document["sent"], document["asked_per_s"]) == (True, run.sent, 400.0)


async def test_what_is_kept_is_withdrawn_where_that_is_wanted(site: Site) -> None:
    broker = Broker()
    async with listening(broker) as address:
        run = await load(site, address, clear=True)
    kept = {topic: payload for topic, payload, retain in broker.taken if retain}
    assert run.left == 0
    assert len(kept) > 20
    assert set(kept.values()) == {b""}


async def test_a_broker_that_does_not_keep_up_is_named(site: Site) -> None:
    async with listening(Broker(acknowledges=False)) as address:
        run = await load(site, address, rate=20_000.0)
    assert (run.sent, run.acknowledged, run.kept_up) == (1000, 0, False)
    told = tell_load(run)
    assert "NOT KEPT UP" in told
    assert "the broker is too slow for this" in told
    assert "1,000 messages were not acknowledged by the end" in told
    assert describe_load(run)["kept_up"] is False


async def test_it_ends_when_it_is_told_to_even_where_the_broker_says_nothing(site: Site) -> None:
    broker, stop = Broker(acknowledges=False), asyncio.Event()
    async with listening(broker) as address:
        running = asyncio.create_task(load(site, address, rate=5000.0, seconds=None, stop=stop))
        async with asyncio.timeout(20.0):
            await broker.heard.wait()
            stop.set()
            run = await running
    assert run.sent >= len(broker.taken) > 0


async def test_it_ends_when_it_is_told_to_before_the_broker_lets_it_in(site: Site) -> None:
    broker, stop = Broker(welcome=b""), asyncio.Event()
    async with listening(broker) as address:
        running = asyncio.create_task(load(site, address, seconds=None, stop=stop))
        async with asyncio.timeout(20.0):
            await broker.called.wait()
        asked_at = asyncio.get_running_loop().time()
        stop.set()
        run = await running
        assert asyncio.get_running_loop().time() - asked_at < 3.0
    assert (run.sent, run.kept_up) == (0, True)


async def test_readings_that_the_broker_never_said_it_emptied_are_told(site: Site) -> None:
    broker = Broker(acknowledges=False)
    async with listening(broker) as address:
        run = await load(site, address, clear=True)
    assert run.left > 20
    assert "readings are left on the broker" in tell_load(run)


async def test_a_withdrawal_is_taken_by_the_broker_before_the_connection_is_cut(site: Site) -> None:
    broker = Broker(slow_s=0.002)
    async with listening(broker) as address:
        run = await load(site, address, clear=True)
    kept = {topic: payload for topic, payload, retain in broker.taken if retain}
    assert run.left == 0
    assert set(kept.values()) == {b""}


@pytest.mark.parametrize(
    ("broker", "said"),
    [
        (Broker(welcome=b"\x20\x02\x00\x05"), "refuses the connection \\(the user may not connect\\)"),
        (Broker(welcome=b"HTTP"), "does not speak MQTT 3.1.1"),
        (Broker(hangs_up_after=20), "closed the connection"),
    ],
)
async def test_a_broker_that_will_not_have_it_is_said_in_one_line(site: Site, broker: Broker, said: str) -> None:
    async with listening(broker) as address:
        with pytest.raises(SenderError, match=said):
            await load(site, address, seconds=20.0)


async def test_no_broker_is_said_in_one_line(site: Site) -> None:
    async with listening(Broker()) as address:
        pass
    with pytest.raises(SenderError, match=f"no broker answers at 127.0.0.1:{address.port}"):
        await load(site, address)
