"""What a board does about what it cannot draw, and about a service that was exchanged under it."""

from __future__ import annotations

import contextlib

import pytest
from playwright.async_api import Error, expect

from monitor.core.effects import PublishDoor
from tests.acceptance.board.board_pages import Board, until_told
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.adapters.web.fake_reader import FakeReader, door_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

UNDRAWN = "ZZ-KAT cannot be drawn. Look at the doors yourself."
BACK_MS = 15_000


def senseless(door: str = "L1") -> dict[str, object]:
    """A door's document as no page understands it."""
    return {**door_document("ZZ-KAT", door, "armed", "engaged"), "deaf_to": 5}


@pytest.mark.parametrize("path", ["/", "/?wall"])
async def test_a_row_that_cannot_be_drawn_says_so_and_takes_nothing_along(
    path: str, stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    board = await (await open_at(stage.url)).go(path)
    await expect(board.page.get_by_text("ZZ-KAT").first).to_be_visible()
    reader.tell(PublishDoor("ZZ-KAT", "L1", {**senseless(), "evidence": 5, "state": 5}))
    rows = board.page.get_by_role("main").get_by_role("listitem").filter(has_text=UNDRAWN)
    await expect(rows).to_be_visible()
    reader.add_aircraft("ZZ-NEW", {"L1": door_document("ZZ-NEW", "L1", "closed_locked")}, stand="S14")
    reader.tell(PublishDoor("ZZ-NEW", "L1", reader.doors["ZZ-NEW"]["L1"]))
    await expect(board.page.get_by_text("ZZ-NEW").first).to_be_visible()
    await expect(board.not_live).to_have_count(0)

    reader.tell(PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", "armed", "engaged")))
    await expect(rows).to_have_count(0, timeout=BACK_MS)
    await expect(board.page.get_by_text("ZZ-KAT")).to_have_count(1)


async def test_what_cannot_be_understood_covers_the_page_until_it_was_loaded_anew(
    stage: Stage, open_at: OpenBoard
) -> None:
    board = await open_at(stage.url)
    frame = "event: snapshot\ndata: null\n\n"
    answer = {"content_type": "text/event-stream", "body": frame}
    await board.page.route("**/api/v1/stream*", lambda route: route.fulfill(**answer))
    await board.page.goto(stage.url)
    cover = board.page.get_by_role("alert").filter(has_text="This page was told something that it cannot show.")
    await expect(cover).to_contain_text("Look at the doors yourself.")
    await board.page.unroute("**/api/v1/stream*")
    await expect(cover).to_have_count(0, timeout=BACK_MS)
    await board.live()


async def test_an_upgraded_service_brings_its_own_page(board: Board, stage: Stage, reader: FakeReader) -> None:
    await board.page.evaluate("window.before = true")
    reader.healthy = {**reader.healthy, "version": "0.2.0"}
    await stage.stop()
    await stage.start()

    async def fresh() -> bool:
        with contextlib.suppress(Error):
            return bool(await board.page.evaluate("window.before === undefined"))
        return False

    await until_told(fresh, "the page was loaded anew", deadline_s=BACK_MS / 1000)
    await board.live()


async def test_an_address_is_read_as_it_is_typed_and_an_unknown_one_says_so(board: Board) -> None:
    await board.go("/aircraft/zz-kat")
    await expect(board.page).to_have_title("ZZ-KAT – Sillwatch")
    none = board.page.get_by_role("heading", name="No such page")
    await expect(none).to_have_count(0)
    await board.go("/aircraft/ZZ_KAT")
    await expect(none).to_be_visible()
    await board.page.get_by_role("link", name="To the apron").click()
    await expect(board.page).to_have_title("Apron – Sillwatch")
