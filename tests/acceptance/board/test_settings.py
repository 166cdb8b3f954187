"""What a person may set at a board, and that the browser keeps it."""

from __future__ import annotations

import re

import pytest
from playwright.async_api import Locator, expect

from monitor.core.effects import PublishActive
from tests.acceptance.board.board_pages import STRIP, Board, Look, until
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.adapters.web.fake_reader import FakeReader, alert_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]


async def opened(board: Board) -> Locator:
    """Open the settings by keyboard; returns their panel."""
    button = board.page.get_by_role("button", name="Settings")
    await button.press("Enter")
    await expect(button).to_have_attribute("aria-expanded", "true")
    panel = board.page.get_by_role("group", name="Settings")
    # Its fields are fetched once the first picture stands.
    await expect(panel.get_by_role("combobox").first).to_be_visible()
    return panel


async def test_escape_closes_them_and_gives_the_focus_back(board: Board) -> None:
    panel = await opened(board)
    await board.page.keyboard.press("Tab")
    await expect(panel.get_by_role("combobox", name="Look")).to_be_focused()
    await board.page.keyboard.press("Escape")
    await expect(panel).to_be_hidden()
    await expect(board.page.get_by_role("button", name="Settings")).to_be_focused()


async def test_a_press_elsewhere_closes_them(board: Board) -> None:
    panel = await opened(board)
    await board.page.get_by_role("contentinfo").click()
    await expect(panel).to_be_hidden()


@pytest.mark.parametrize("look", ["light", "dark", "high contrast"])
async def test_a_look_is_taken_and_kept(look: str, board: Board) -> None:
    before = await background(board)
    await (await opened(board)).get_by_role("combobox", name="Look").select_option(look)
    grounds = {"light": "rgb(241, 241, 239)", "dark": "rgb(18, 21, 23)", "high contrast": "rgb(255, 255, 255)"}
    assert await background(board) == grounds[look]
    await board.page.reload()
    await board.live()
    assert await background(board) == grounds[look]
    assert before == grounds["light"]


async def background(board: Board) -> str:
    return str(await board.page.evaluate("getComputedStyle(document.documentElement).backgroundColor"))


async def test_another_language_is_taken_at_once_and_kept(board: Board) -> None:
    await (await opened(board)).get_by_role("combobox", name="Language").select_option("Deutsch")
    await expect(board.page.get_by_role("navigation", name="Seiten")).to_be_visible()
    await expect(board.page.locator("html")).to_have_attribute("lang", "de")
    await board.page.reload()
    await expect(board.page.get_by_role("navigation", name="Seiten")).to_be_visible()
    assert board.complaints == []


async def test_names_are_kept_and_the_boards_own_is_told(board: Board, stage: Stage) -> None:
    panel = await opened(board)
    await panel.get_by_role("textbox", name=re.compile("^Your name")).fill("Mia")
    await panel.get_by_role("textbox", name=re.compile("^This board's name")).fill("Gate wall")
    await until(
        lambda: [each["name"] for each in stage.word_of_boards()] == ["Gate wall"], lambda: str(stage.word_of_boards())
    )
    await board.page.reload()
    await board.live()
    panel = await opened(board)
    await expect(panel.get_by_role("textbox", name=re.compile("^Your name"))).to_have_value("Mia")
    await board.go("/health")
    await expect(board.page.get_by_role("rowheader", name="Gate wall (this one)")).to_be_visible()


async def test_the_wall_the_licences_and_the_version_are_named(board: Board) -> None:
    panel = await opened(board)
    await expect(panel).to_contain_text("Version 0.1.0")
    address = await panel.get_by_role("link", name="Licences").get_attribute("href")
    answer = await board.page.request.get(board.url + str(address))
    assert answer.status == 200
    assert "preact" in await answer.text()
    await panel.get_by_role("link", name="Wall screen").click()
    await expect(board.page.get_by_role("navigation")).to_have_count(0)
    await expect(board.page.get_by_role("button", name="Settings")).to_have_count(0)


@pytest.mark.parametrize("look", [Look(), Look(width=360, height=740)], ids=str)
async def test_they_cover_neither_a_warning_nor_the_word_that_it_is_not_live(
    look: Look, stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    board = await (await open_at(stage.url, look)).go("/health")
    panel = await opened(board)
    alert = alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning")
    reader.tell(PublishActive("ZZ-KAT", "L1", "armed-handle-moved", alert))
    line = board.page.get_by_role("region", name=STRIP).get_by_role("button").first
    await expect(panel).to_be_visible()
    await line.click(trial=True)
    await stage.stop()
    await expect(board.not_live).to_be_visible(timeout=15_000)
    top = await board.page.evaluate(
        """() => document.elementFromPoint(innerWidth / 2, innerHeight / 2).closest("[role=alert]") !== null"""
    )
    assert top


async def test_another_language_says_what_to_do_and_keeps_the_services_own_text(
    stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    alert = alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning")
    reader.tell(PublishActive("ZZ-KAT", "L1", "armed-handle-moved", alert))
    board = await (await open_at(stage.url)).go("/alerts")
    await (await opened(board)).get_by_role("combobox", name="Language").select_option("Deutsch")
    main = board.page.get_by_role("main")
    await expect(main.get_by_text("Von der Tür wegbleiben, innen und außen.")).to_be_visible()
    await expect(main.locator("[lang=en]").get_by_text("Stop and keep clear of L1.")).to_be_visible()
    await expect(main.get_by_role("button", name=re.compile("^Quittieren: L1 von ZZ-KAT auf S12"))).to_be_visible()
