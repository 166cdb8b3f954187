"""One browser for all tests of the board, and a board on an invented apron for each.

The browser and what it talks to live in one event loop for the whole run, since a start
costs seconds. A test gets a browser context of its own, so that none remembers another's.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from typing import Any

import pytest
import pytest_asyncio
from playwright.async_api import Browser, BrowserContext, async_playwright

from monitor.adapters.web import Boards, BoardWatch, Stream, WebServer
from monitor.core import readout
from monitor.core.system import System
from monitor.core.times import SECOND
from monitor.ports import Access
from tests.acceptance.board.board_pages import Board, Look, open_board
from tests.acceptance.board.real_apron import RealApron, running_apron
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.pixels import CHROMIUM_FLAGS
from tests.acceptance.programs import running_broker
from tests.adapters.web.conftest import render_nothing
from tests.adapters.web.fake_reader import FakeReader, door_document
from tests.stories import demo_site


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def browser(require_program: Callable[..., str]) -> AsyncIterator[Browser]:
    path = require_program("chromium", "chromium-browser", "google-chrome")
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=path, args=list(CHROMIUM_FLAGS))
        yield browser
        await browser.close()


OpenBoard = Callable[..., Awaitable[Board]]


@pytest_asyncio.fixture(loop_scope="session")
async def open_at(browser: Browser) -> AsyncIterator[OpenBoard]:
    """Open boards at any service; each is closed at the end of the test."""
    opened: list[BrowserContext] = []

    async def open_it(url: str, look: Look | None = None, **remembered: str) -> Board:
        context, board = await open_board(browser, url, look, remembered)
        opened.append(context)
        return board

    yield open_it
    for context in opened:
        await context.close()


class Stage:
    """A board's service on an apron that the test plays: started, stopped and started again at one address."""

    def __init__(self, reader: FakeReader) -> None:
        self.reader = reader
        self.access: Access | None = None
        """Who may use the service; nobody has to sign in where nothing is set before the start."""
        self.boards: Boards
        self.stream: Stream
        self._port = 0
        self._server: WebServer | None = None
        self.url = ""

    async def start(self) -> None:
        """Serve; nobody who was connected before is known any more."""
        self.stream = stream = Stream(self.reader)
        self.boards = Boards(stream.carries)
        watch = BoardWatch(self.boards, self.reader, within=3 * SECOND)
        watch.take_up()
        self.reader.observers[:] = [stream, watch]
        self._server = WebServer(self.reader, stream, watch, render_nothing, port=self._port, access=self.access)
        self.url = await self._server.start()
        self._port = int(self.url.rpartition(":")[2])

    async def stop(self) -> None:
        """Go away, as a service does that is ended."""
        if self._server is not None:
            await self._server.stop()
        self._server = None

    def word_of_boards(self) -> list[dict[str, Any]]:
        """What every open board says of itself."""
        return self.boards.describe(self.reader.now())

    def drawn(self) -> set[str]:
        """The warnings that some visible board shows."""
        return self.boards.drawn({alert["alert_id"] for alert in self.reader.active}, self.reader.now())


@pytest.fixture
def reader() -> FakeReader:
    fake = FakeReader()
    fake.kinds = readout.list_types(System(demo_site()))
    doors = {name: door_document("ZZ-KAT", name, "closed_locked") for name in fake_doors(fake)}
    doors["L1"] = door_document("ZZ-KAT", "L1", "armed", "engaged")
    doors["R1"] = door_document("ZZ-KAT", "R1", "unknown")
    fake.add_aircraft("ZZ-KAT", doors)
    return fake


def fake_doors(fake: FakeReader) -> list[str]:
    """The doors of an alder, in station order."""
    return [door["door"] for door in fake.kinds["alder"]["doors"]]


@pytest_asyncio.fixture(loop_scope="session")
async def stage(reader: FakeReader) -> AsyncIterator[Stage]:
    made = Stage(reader)
    await made.start()
    yield made
    await made.stop()


@pytest_asyncio.fixture(loop_scope="session")
async def board(stage: Stage, open_at: OpenBoard) -> Board:
    """A board open on the apron, wide and light."""
    return await (await open_at(stage.url)).go("/")


@pytest.fixture(scope="session")
def apron(make_broker: MakeBroker, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealApron]:
    """A running instance with a little of everything; tests that change it take the aircraft of another."""
    with (
        running_broker(make_broker("mosquitto")) as broker,
        running_apron(tmp_path_factory.mktemp("apron"), broker) as made,
    ):
        yield made
