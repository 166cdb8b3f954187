"""A trainee's label through a whole service: nothing but its own file and the list of drills ever holds it."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, Final

import pytest

from monitor.adapters.desk import Desk, Identity
from monitor.adapters.drill_labels import DAY, LABELS_FILE, DrillLabels
from monitor.adapters.gauges import EngineGauges
from monitor.adapters.journal import SqliteJournal
from monitor.adapters.tape import Tape
from monitor.adapters.vitals import Vitals
from monitor.adapters.web import Boards, BoardWatch, Stream, WebServer
from monitor.core.times import SECOND, format_time
from monitor.engine import Engine, restore
from monitor.ports import Message, Outgoing
from tests.adapters.test_desk_records import Feed
from tests.adapters.web.http_client import ask
from tests.engine_bench import Hand, arrival
from tests.stories import REG, START, codec, demo_site

LABEL: Final = "Trainee Number Four"
BODY: Final[dict[str, Any]] = {
    "kind": "drill", "aircraft": REG, "doors": ["L1"], "reason": "training", "by": "Mia", "minutes": 10,
    "name": "night", "procedure": "open-inside", "trainee": LABEL,
}  # fmt: skip
Service = Callable[[float], Any]


class Small:
    """A service without a broker: engine, journal, desk and HTTP side on one folder."""

    def __init__(self, folder: Path, keep_days: float) -> None:
        self.folder = folder
        self.clock = Hand()
        self.sent: list[Outgoing] = []
        self.journal = SqliteJournal(folder / "journal.sqlite3")
        self.labels = DrillLabels(folder, keep_days)
        self.url = ""

    async def start(self) -> Small:
        self.journal.open()
        restored = restore(demo_site(), self.journal, codec())
        self.journal.start()
        self.engine = Engine(
            restored=restored, codec=codec(), clock=self.clock, journal=self.journal, publisher=self, observers=[]
        )
        desk = Desk(
            engine=self.engine, clock=self.clock, feed=Feed(), records=self.journal, lag_s=lambda: 0.0,
            floods=lambda now: {}, vitals=Vitals(START), tape=Tape(EngineGauges(self.engine, self.clock), START),
            identity=Identity("one", "0", format_time(START), "tarnwick", "UTC"), labels=self.labels,
        )  # fmt: skip
        stream = Stream(desk)
        self.engine.add_observer(stream)
        boards = BoardWatch(Boards(stream.carries), desk, within=3 * SECOND)
        self.web = WebServer(desk, stream, boards, lambda accept: (b"", "text/plain"), host="127.0.0.1", port=0)
        self.url = await self.web.start()
        self.engine.start()
        self.engine.receive(arrival(), lambda: None)
        return self

    def publish(self, outgoing: Outgoing) -> None:
        self.sent.append(outgoing)

    async def stop(self) -> None:
        await self.web.stop()
        self.engine.stop()
        await self.journal.close(60)

    def move(self, seconds: float, path: str, value: str) -> None:
        self.clock.at += round(seconds * SECOND)
        body = f'{{"value": {value}, "time": {self.clock.at / SECOND}}}'.encode()
        topic = f"apron/v1/{demo_site().name}/aircraft/{REG}/{path}"
        self.engine.receive(Message(topic, body, False), lambda: None)

    def holders(self) -> set[str]:
        """Where the label is found: a file of the folder, or what was sent."""
        found = {path.name for path in self.folder.iterdir() if LABEL.encode() in path.read_bytes()}
        return found | {sent.topic for sent in self.sent if LABEL.encode() in sent.payload}


@pytest.fixture
async def serve(tmp_path: Path) -> AsyncIterator[Service]:
    running: list[Small] = []

    async def begin(keep_days: float) -> Small:
        running.append(await Small(tmp_path, keep_days).start())
        return running[0]

    yield begin
    for each in running:
        await each.stop()


async def test_a_label_that_is_refused_is_found_nowhere(serve: Service, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    service = await serve(0)
    answer = await ask(service.url, "/api/v1/permits", method="POST", body=BODY)
    assert answer.status == 422
    assert LABEL not in answer.body.decode()
    assert service.engine.system.record.permits == {}
    assert service.holders() == set()
    assert LABEL not in caplog.text


async def test_a_label_is_told_with_its_drill_alone_and_gone_after_its_end(
    serve: Service, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG)
    service = await serve(1)
    granted = await ask(service.url, "/api/v1/permits", method="POST", body=BODY)
    assert granted.status == 201, granted.body
    service.move(2, "door/L1/handle_lifted", "true")
    service.move(2, "door/L1/hold_open", "true")
    async with asyncio.timeout(60):
        while service.journal.depth:  # noqa: ASYNC110 - a condition of the disk
            await asyncio.sleep(0.01)
    [drill] = (await ask(service.url, "/api/v1/drills")).json()["items"]
    assert (drill["trainee"], drill["name"], drill["procedure"], drill["ended_at"]) == (
        LABEL,
        "night",
        "open-inside",
        None,
    )
    assert len(drill["runs"]) == 1
    others = (
        f"/api/v1/aircraft/{REG}",
        "/api/v1/permits",
        "/api/v1/procedure-runs",
        "/api/v1/audit",
        "/api/v1/history",
    )
    for path in others:
        answer = await ask(service.url, path)
        assert answer.status == 200, path
        assert LABEL not in answer.body.decode(), path
    service.engine.save_snapshot()
    assert service.holders() == {LABELS_FILE}
    service.clock.at += 2 * DAY
    [drill] = (await ask(service.url, "/api/v1/drills")).json()["items"]
    assert "trainee" not in drill
    service.labels.prune(service.clock.at)
    assert service.holders() == set()
    out, err = capfd.readouterr()
    assert LABEL not in caplog.text + out + err
