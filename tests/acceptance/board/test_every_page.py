"""What holds on every page of a running instance: no complaint, nothing too wide, nothing that keeps people out."""

from __future__ import annotations

from typing import Final

import pytest
from playwright.async_api import expect

from tests.acceptance.board.board_pages import LOOKS, Board, Look, fill_in_reports
from tests.acceptance.board.conftest import OpenBoard
from tests.acceptance.board.real_apron import BUSY, CALM, RealApron

pytestmark = [pytest.mark.browser, pytest.mark.broker, pytest.mark.asyncio(loop_scope="session")]

NOBODY: Final = "ZX-0"
PAGES: Final = {
    "apron": "/",
    "aircraft": f"/aircraft/{BUSY}",
    "door": f"/aircraft/{CALM}?door=CA",
    "nobody": f"/aircraft/{NOBODY}",
    "alerts": "/alerts",
    "history": "/alerts?view=history",
    "audit": "/alerts?view=audit",
    "health": "/health",
    "debrief": "/debrief?drill=277b02608cbd8a3122c59b26",
    "handover": "/handover",
    "wall": "/?wall",
}
"""Every page, and what each can be asked to show."""

WIDE: Final = (1280, 900)
NARROW: Final = (360, 740)
WIDTHS: Final = ((1024, 900), (320, 640))
"""Beside the two that are looked at whole: widths at which nothing may stick out."""
COLOURED: Final = ("apron", "aircraft", "alerts", "health")
"""Pages that between them show everything that has a colour; in another look the others differ in nothing else."""


async def visit(board: Board, path: str) -> None:
    """Open a page and wait until what it asks the service for is there."""
    if path.startswith(("/debrief", "/handover")):
        # With something of everything in it, and without the wait for one that is made of the record.
        await fill_in_reports(board)
    await board.go(path)
    await board.page.wait_for_load_state("load")
    if path == "/health":
        await expect(board.page.get_by_text("As of ").first).to_be_visible()
        await expect(board.page.get_by_role("table", name="How often each role")).to_be_visible()
        await expect(board.page.get_by_role("table", name="Messages that could not be used").last).to_be_visible()
    elif path.startswith(("/debrief", "/handover")):
        await expect(board.page.get_by_role("article").first).to_be_visible()
    elif path.startswith(f"/aircraft/{BUSY}"):
        await expect(board.page.get_by_role("main").get_by_text("Stop").first).to_be_visible()
    await board.settled()


async def resize(board: Board, width: int, height: int) -> None:
    """Give an open page another size, and let it be laid out anew."""
    await board.page.set_viewport_size({"width": width, "height": height})
    await board.page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


@pytest.mark.parametrize("name", PAGES)
async def test_a_page_is_open_to_everybody_and_complains_of_nothing(
    name: str, apron: RealApron, open_at: OpenBoard
) -> None:
    """The rules of axe-core: WCAG 2.2 A and AA with its best practices, contrast at AAA (7:1).

    And WCAG 2.2, 1.4.10: content reflows at 320 CSS pixels; only tables scroll, and inside themselves.
    """
    board = await open_at(apron.url)
    await visit(board, PAGES[name])
    assert await board.refused() == []
    # The browser itself remarks on every answer that is a 404; for an aircraft that nobody knows it is the answer.
    assert [each for each in board.complaints if "404" not in each or NOBODY not in each] == []
    assert await board.width_beyond() == []
    assert await board.violations() == []
    for size in (*WIDTHS, NARROW):
        await resize(board, *size)
        assert await board.width_beyond() == [], size
    await resize(board, *WIDE)
    await walk(board)
    await resize(board, *NARROW)
    await visit(board, PAGES[name])
    assert await board.refused() == []
    assert await board.width_beyond() == [], "opened at that width"
    assert await board.violations() == [], "opened at that width"
    if name in ("aircraft", "health", "debrief"):
        await open_all(board)
        if name == "aircraft":
            await board.page.get_by_role("button", name="Start a drill …").click()
            await expect(board.page.get_by_role("group", name="Doors; none marked")).to_be_visible()
        assert await board.violations() == [], "with everything open"
        assert await board.width_beyond() == [], "with everything open"


@pytest.mark.parametrize("theme", LOOKS[1:])
async def test_another_look_is_open_to_everybody_too(theme: str, apron: RealApron, open_at: OpenBoard) -> None:
    board = await open_at(apron.url, Look(theme))
    for name in COLOURED:
        await visit(board, PAGES[name])
        assert await board.refused() == []
        assert await board.width_beyond() == [], name
        assert await board.violations() == [], name
    assert board.complaints == []


async def test_axe_finds_nothing_in_what_opens(apron: RealApron, open_at: OpenBoard) -> None:
    """Settings, the choice of a reason, everything that a disclosure hides."""
    board = await open_at(apron.url)
    await visit(board, "/alerts")
    await board.page.get_by_role("button", name="Settings").click()
    await expect(board.page.get_by_role("combobox", name="Look")).to_be_visible()
    await board.page.get_by_role("button", name="Acknowledge").last.click()
    await expect(board.page.get_by_role("group", name="Acknowledge").last).to_be_visible()
    await open_all(board)
    assert await board.violations() == []


async def open_all(board: Board) -> None:
    """Open every disclosure of the page."""
    await board.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")


@pytest.mark.parametrize("name", PAGES)
async def test_a_gloved_finger_finds_its_target(name: str, apron: RealApron, open_at: OpenBoard) -> None:
    """14 mm are 53 px at the reference pixel of 1/96 inch (CSS Values and Units 4, 6.2); and nothing sticks out."""
    board = await open_at(apron.url, Look(width=800, height=1000, touch=True))
    await visit(board, PAGES[name])
    small = await board.page.evaluate(
        """() => [...document.querySelectorAll("button, select, summary, input, textarea")]
            .filter((each) => each.checkVisibility())
            .map((each) => (each.closest("label") && each.matches("[type=radio], [type=checkbox]")) ? each.closest("label") : each)
            .map((each) => [each, each.getBoundingClientRect()])
            .filter(([, box]) => box.width > 0 && box.height > 0 && (box.height < 53 || box.width < 53))
            .map(([each, box]) => `${each.tagName} ${each.textContent.slice(0, 40)} ${Math.round(box.width)} x ${Math.round(box.height)}`)"""
    )
    assert small == []
    await resize(board, *NARROW)
    assert await board.width_beyond() == []


async def walk(board: Board) -> None:
    """Go through a page by keyboard: Tab reaches what can be pressed, the focus is to be seen, and never gets caught."""
    wanted = await board.page.evaluate(
        """() => [...document.querySelectorAll("a[href], button, select, input, summary, textarea")]
            .filter((each) => each.checkVisibility() && !each.disabled && each.tabIndex >= 0).length"""
    )
    seen = 0
    for _ in range(3 * wanted + 10):
        await board.page.keyboard.press("Tab")
        at = await board.page.evaluate(
            """() => {
                const at = document.activeElement;
                if (at === document.body) return "end";
                // A link that its whole row stands for draws its focus around the row.
                const outlined = [null, "::after"].some((part) => getComputedStyle(at, part).outlineStyle !== "none");
                return outlined ? "" : `no focus to see: ${at.outerHTML.slice(0, 120)}`;
            }"""
        )
        if at == "end":
            break
        assert at == ""
        seen += 1
    else:
        raise AssertionError("the focus never leaves the page")
    assert seen > 0
