"""Ten times what can be taken, over a real connection: no word of a door is lost, and what goes is counted."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from monitor.adapters.clock import SystemClock
from monitor.adapters.intake import Intake
from monitor.adapters.journal import SqliteJournal
from monitor.adapters.mqtt import MqttFeed
from monitor.core.events import ReadingsShed
from monitor.core.times import SECOND
from monitor.engine import Engine, restore, take_entry
from monitor.ports import Entry, Message, Outgoing, Step
from tests.acceptance.programs import free_port
from tests.adapters.test_mqtt_feed import make_feed
from tests.stories import REG, alder, codec, demo_site

ROOT: Final = f"apron/v1/{demo_site().name}/aircraft/{REG}"
DEADLINE_S: Final = 60.0
WINDOW: Final = 512
QUANTITIES: Final = (
    *(f"door/{door}/travel" for door in ("L1", "R1", "L2", "R2", "CF", "CA")),
    "door/L1/slide_bottle_bar", "door/R1/slide_bottle_bar", "door/CF/actuator_bar",
)  # fmt: skip


class StormBroker:
    """A broker of a few lines that sends as fast as the socket takes it, at most ``WINDOW`` unanswered.

    What is sent at QoS 0 is not held back by the window.
    """

    def __init__(self) -> None:
        self.port = free_port()
        self.listening = asyncio.Event()
        self.acknowledged: Counter[int] = Counter()
        self._writer: asyncio.StreamWriter | None = None
        self._window = asyncio.Semaphore(WINDOW)
        self._mid = 0
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)

    async def close(self) -> None:
        assert self._server is not None
        self._server.close()
        if self._writer is not None:
            self._writer.close()
        await self._server.wait_closed()

    async def send(self, message: Message, *, qos: int = 1) -> None:
        """Send one message once the window has room; the socket takes what it takes."""
        writer = self._writer
        assert writer is not None
        topic = message.topic.encode()
        body = len(topic).to_bytes(2, "big") + topic
        if qos:
            await self._window.acquire()
            self._mid = self._mid % 65_535 + 1
            body += self._mid.to_bytes(2, "big")
        body += message.payload
        writer.write(bytes([0x30 | qos << 1]) + _length(len(body)) + body)
        await writer.drain()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writer = writer
        while head := await reader.read(1):
            size = shift = 0
            while True:
                [byte] = await reader.readexactly(1)
                size |= (byte & 0x7F) << shift
                shift += 7
                if byte < 0x80:
                    break
            self._answer(head[0] >> 4, await reader.readexactly(size), writer)

    def _answer(self, kind: int, body: bytes, writer: asyncio.StreamWriter) -> None:
        if kind == 1:
            writer.write(b"\x20\x02\x00\x00")
        elif kind == 8:
            filters, at = 0, 2
            while at < len(body):
                at += 3 + int.from_bytes(body[at : at + 2], "big")
                filters += 1
            writer.write(bytes([0x90, 2 + filters]) + body[:2] + bytes(filters))
            if b"apron/" in body:
                self.listening.set()
        elif kind == 10:
            writer.write(b"\xb0\x02" + body[:2])
        elif kind == 12:
            writer.write(b"\xd0\x00")
        elif kind == 3:
            end = 2 + int.from_bytes(body[:2], "big")
            writer.write(b"\x40\x02" + body[end : end + 2])
        elif kind == 4:
            self.acknowledged[int.from_bytes(body, "big")] += 1
            self._window.release()


def _length(size: int) -> bytes:
    out = b""
    while True:
        size, byte = divmod(size, 128)
        out += bytes([byte | (0x80 if size else 0)])
        if not size:
            return out


class Service:
    """Feed, intake, engine and a journal on disk, put together as the service has them."""

    def __init__(self, folder: Path, broker: StormBroker) -> None:
        wire = codec()
        self.journal = SqliteJournal(folder / "journal.sqlite3")
        self.journal.start()
        self.out: list[Outgoing] = []
        self.shed: list[ReadingsShed] = []
        self.faults: list[Exception] = []
        self.engine = Engine(
            restored=restore(demo_site(), self.journal, wire),
            codec=wire,
            clock=SystemClock(),
            journal=self.journal,
            publisher=self,
            observers=[self],
        )
        self.intake = Intake(
            wire.find_target, wire, self.engine, self.journal, window=WINDOW, on_fault=self.faults.append
        )

        self.feed: MqttFeed = make_feed(
            f"mqtt://127.0.0.1:{broker.port}",
            {
                "on_message": self.intake.offer,
                "on_connected": lambda _present: self.engine.note_connected(),
                "on_disconnected": self.engine.note_disconnected,
                "is_full": lambda: self.intake.is_full,
            },
            inputs=(f"apron/v1/{demo_site().name}/#",),
        )

    def publish(self, outgoing: Outgoing) -> None:
        self.out.append(outgoing)

    def observe(self, step: Step) -> None:
        if isinstance(step.event, ReadingsShed):
            self.shed.append(step.event)

    @property
    def counts(self) -> Counter[str]:
        """How many were left out, by reason, as the core was told."""
        counts: Counter[str] = Counter()
        for event in self.shed:
            counts.update(dict(event.counts))
        return counts

    def told(self, code: str) -> list[str]:
        events = [json.loads(o.payload) for o in self.out if "/event/" in o.topic and o.topic.endswith(code)]
        return [event["type"].rpartition(".")[2] for event in events]


async def until(condition: Callable[[], object], what: str) -> None:
    try:
        async with asyncio.timeout(DEADLINE_S):
            while not condition():  # noqa: ASYNC110 - sockets and a thread bring it about
                await asyncio.sleep(0.005)
    except TimeoutError:
        raise AssertionError(what) from None


class Storm:
    """One aircraft's sensors gone wild; what each topic said is kept, in order."""

    def __init__(self, broker: StormBroker, service: Service) -> None:
        self.broker, self.service = broker, service
        self.said: dict[str, list[bytes]] = {}
        self.at = service.engine.system.record.at / SECOND

    async def say(self, path: str, value: Any, *, qos: int = 1) -> None:
        self.at += 0.001
        payload = json.dumps({"time": round(self.at, 3), "value": value}).encode()
        self.said.setdefault(path, []).append(payload)
        await self.broker.send(Message(f"{ROOT}/{path}", payload, False), qos=qos)

    async def rage(self, rounds: int, *, qos: int) -> None:
        """So many rounds of every quantity at ``qos``, a handle that goes up and down among them at QoS 1."""
        for number in range(rounds):
            for path in QUANTITIES:
                await self.say(path, round(number % 97 / 97, 3), qos=qos)
            if number % 10 == 0:
                await self.say("door/L1/handle_lifted", number % 20 == 0)
            if number % 50 == 0:
                await self.say("airframe/heartbeat", number)

    def stored(self, entries: list[Entry], path: str) -> list[bytes]:
        return [entry.payload for entry in entries if entry.topic == f"{ROOT}/{path}"]


async def test_a_storm_at_either_qos_costs_no_word_and_is_told_with_its_numbers(tmp_path: Path) -> None:
    broker = StormBroker()
    await broker.start()
    service = Service(tmp_path, broker)
    running = asyncio.create_task(service.feed.run())
    service.engine.start()
    try:
        await asyncio.wait_for(broker.listening.wait(), DEADLINE_S)
        storm = Storm(broker, service)
        await storm.say("airframe/type", "alder")
        await storm.rage(300, qos=0)
        await storm.rage(60, qos=1)
        await storm.say("door/L1/handle_lifted", True)
        total = sum(map(len, storm.said.values()))
        await until(
            lambda: service.engine.received + service.intake.shed == total and not service.journal.depth,
            f"all {total} taken or counted",
        )
        await until(lambda: service.counts.total() == service.intake.shed, "every one that was left out was told")
        assert service.intake.shed > 0
        assert not service.faults
        await until(lambda: not service.journal.depth, "all of it on disk")
        entries = list(service.journal.entries_after(0))
        for path in ("airframe/type", "door/L1/handle_lifted"):
            assert storm.stored(entries, path) == storm.said[path], "every word, in order, once"
        for path in QUANTITIES:
            stored = storm.stored(entries, path)
            assert stored == [payload for payload in storm.said[path] if payload in set(stored)], "in order"
        assert set(broker.acknowledged.values()) == {1}, "each acknowledged once"
        await until(lambda: broker._window._value == WINDOW, "nothing at QoS 1 is left unanswered")
        assert service.told("overload") == ["raised"]
        assert service.told("feed-lost") == []
        await until(lambda: not service.journal.depth, "the last report on disk")
        replayed = restore(demo_site(), service.journal, codec()).system.record
        assert replayed.overload == service.engine.system.record.overload, "replay = live"
        assert replayed.aircraft[REG] == service.engine.system.record.aircraft[REG]
    finally:
        service.intake.close()
        await service.feed.stop()
        await running
        service.engine.stop()
        await service.journal.close(30.0)
        await broker.close()


async def test_a_word_gets_through_while_the_disk_writes_nothing(tmp_path: Path) -> None:
    """Quantities are acknowledged for what overtook them, so that the broker's window stays open for a door."""
    broker = StormBroker()
    await broker.start()
    service = Service(tmp_path, broker)
    running = asyncio.create_task(service.feed.run())
    service.engine.start()
    other = None
    try:
        await asyncio.wait_for(broker.listening.wait(), DEADLINE_S)
        storm = Storm(broker, service)
        await storm.say("airframe/type", "alder")
        await until(lambda: service.engine.received == 1 and not service.journal.depth, "on disk")
        other = sqlite3.connect(tmp_path / "journal.sqlite3", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        async with asyncio.timeout(DEADLINE_S):
            for number in range(2 * WINDOW):
                for path in QUANTITIES[:2]:
                    await storm.say(path, round(number % 97 / 97, 3))
        await until(lambda: REG in service.engine.system.record.aircraft, "taken")
        await storm.say("door/L1/locked", False)
        door = service.engine.system.record.aircraft[REG].doors["L1"]
        await until(lambda: "locked" in door.readings, "a word that comes behind four windows of numbers")
        assert service.journal.depth >= WINDOW // 16
        assert set(service.counts) <= {"superseded"}
        other.execute("ROLLBACK")
        await until(lambda: not service.journal.depth and not service.intake.waiting, "on disk")
        await until(lambda: broker._window._value == WINDOW, "nothing is left unanswered")
    finally:
        if other is not None:
            other.close()
        service.intake.close()
        await service.feed.stop()
        await running
        service.engine.stop()
        await service.journal.close(30.0)
        await broker.close()


def test_replaying_the_report_takes_the_same_way() -> None:
    """A report is one more input of the journal: read back it marks what it marked."""

    story = alder()
    event = ReadingsShed((("analogue", 1),), ((REG, "L1", "travel"),), (), (REG,), 3)
    kind, body = codec().encode_event(event)
    take_entry(story.system, codec(), Entry(1, story.now, kind, "", body, False))
    assert story.system.record.aircraft[REG].doors["L1"].readings["travel"].quality == "uncertain"
