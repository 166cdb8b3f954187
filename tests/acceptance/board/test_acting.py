"""What a person does to an alert at the board: by mouse, by keyboard alone, and refused with the reason."""

from __future__ import annotations

import contextlib
import re

import pytest
from playwright.async_api import Error, Locator, expect

from monitor.core.effects import PublishActive
from tests.acceptance.board.board_pages import STRIP, Board, until_told
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.adapters.web.fake_reader import FakeReader, alert_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

PLACE = "L1 of ZZ-KAT on S12"
TABS_MAX = 60


def warn(reader: FakeReader) -> str:
    """Raise a warning at L1; returns its id."""
    alert = alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning")
    reader.tell(PublishActive("ZZ-KAT", "L1", "armed-handle-moved", alert))
    return str(alert["alert_id"])


def acknowledge(board: Board, landmark: str = "main") -> Locator:
    """The button in the alert's own item, or in its line at the top."""
    within = board.page.get_by_role("main") if landmark == "main" else board.page.get_by_role("region", name=landmark)
    return within.get_by_role("button", name=re.compile(f"^Acknowledge: {PLACE}"))


def choice_of(board: Board) -> Locator:
    return board.page.get_by_role("group", name=f"Acknowledge {PLACE}: why?")


async def press_until_gone(choice: Locator, press: str | Locator, board: Board) -> None:
    """Choose, again if need be: for its first moment a choice takes a press for a finger that bounced."""

    async def gone() -> bool:
        with contextlib.suppress(Error):
            if isinstance(press, Locator):
                await press.click(timeout=500)
            elif await choice.count() > 0:
                await board.page.keyboard.press(press)
        return await choice.count() == 0

    await until_told(gone, "the choice was made")


async def tab_to(board: Board, wanted: Locator) -> None:
    """Walk by the Tab key alone."""
    target = await wanted.element_handle()
    for _ in range(TABS_MAX):
        await board.page.keyboard.press("Tab")
        if await board.page.evaluate("(target) => document.activeElement === target", target):
            return
    raise AssertionError(f"not within {TABS_MAX} steps of the Tab key")


async def test_by_mouse_in_two_taps(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    alert_id = warn(reader)
    board = await (await open_at(stage.url, person="Mia")).go("/alerts")
    await acknowledge(board).click()
    await expect(choice_of(board)).to_be_visible()
    await press_until_gone(choice_of(board), choice_of(board).get_by_role("button", name="being dealt with"), board)
    await expect(board.page.get_by_role("main").get_by_text("Mia has it")).to_be_visible()
    [command] = reader.submitted
    assert command[:3] == (alert_id, "Mia", "being dealt with")
    await expect(acknowledge(board)).to_have_count(0)
    assert board.complaints == []


async def test_by_keyboard_alone_with_the_name_asked_once(board: Board, reader: FakeReader) -> None:
    alert_id = warn(reader)
    await board.go("/alerts")
    await tab_to(board, acknowledge(board))
    await board.page.keyboard.press("Enter")
    await expect(choice_of(board).get_by_role("button").first).to_be_focused()
    await board.page.keyboard.press("Shift+Tab")
    await board.page.keyboard.type("Mia")
    await board.page.keyboard.press("Enter")
    await expect(choice_of(board).get_by_role("button").first).to_be_focused()
    await press_until_gone(choice_of(board), "Enter", board)
    await expect(board.page.get_by_role("main").get_by_text("Mia has it")).to_be_visible()
    [command] = reader.submitted
    assert command[:2] == (alert_id, "Mia")
    assert await board.page.evaluate("document.activeElement !== document.body"), "the focus is not lost"
    await expect(board.page.locator("[aria-live=polite]")).to_contain_text(f"Acknowledged: {PLACE}.")


async def test_escape_takes_the_choice_back(board: Board, reader: FakeReader) -> None:
    warn(reader)
    await board.go("/alerts")
    await acknowledge(board).press("Enter")
    await expect(choice_of(board)).to_be_visible()
    await board.page.keyboard.press("Escape")
    await expect(choice_of(board)).to_have_count(0)
    await expect(acknowledge(board)).to_be_focused()
    assert reader.submitted == []


async def test_from_any_page_by_the_line_at_the_top(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    warn(reader)
    board = await (await open_at(stage.url, person="Mia")).go("/health")
    button = acknowledge(board, STRIP)
    await button.click()
    await press_until_gone(choice_of(board), choice_of(board).get_by_role("button").first, board)
    await expect(button).to_have_count(0)
    assert len(reader.submitted) == 1


async def test_a_refusal_at_the_top_is_shown_there_and_the_choice_stays(
    stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    alert_id = warn(reader)
    board = await (await open_at(stage.url, person="Mia")).go("/health")
    await acknowledge(board, STRIP).click()
    standing, reader.active = reader.active, []
    told = board.page.get_by_role("region", name=STRIP).get_by_text(re.compile("Acknowledge: not done"))

    async def refused() -> bool:
        await choice_of(board).get_by_role("button").first.click(timeout=500)
        return await told.is_visible()

    await until_told(refused, "the refusal is shown")
    reader.active = standing
    await press_until_gone(choice_of(board), choice_of(board).get_by_role("button").first, board)
    await expect(acknowledge(board, STRIP)).to_have_count(0)
    assert {command.alert_id for command in reader.submitted} == {alert_id}


async def test_a_refusal_says_why_and_stays(board: Board, reader: FakeReader) -> None:
    warn(reader)
    await board.go("/alerts")
    reader.active = []
    await acknowledge(board).click()
    await press_until_gone(choice_of(board), choice_of(board).get_by_role("button").first, board)
    await expect(
        board.page.get_by_role("main").get_by_text(re.compile(r"Acknowledge: not done\. No alert .* is active\."))
    ).to_be_visible()
    await expect(acknowledge(board)).to_be_enabled()
