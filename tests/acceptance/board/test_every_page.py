"""What holds on every page of a running instance: no complaint, nothing too wide, nothing that keeps people out."""

from __future__ import annotations

from typing import Final

import pytest
from playwright.async_api import expect

from tests.acceptance.board.board_pages import LOOKS, Board, Look
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
    "wall": "/?wall",
}
"""Every page, and what each can be asked to show."""

NARROW: Final = Look(width=360, height=740)
NARROWEST: Final = Look(width=320, height=640)
COLOURED: Final = ("apron", "aircraft", "alerts", "health")
"""Pages that between them show everything that has a colour; in another look the others differ in nothing else."""
SIGHTS: Final = [
    *((name, look) for name in PAGES for look in (Look(LOOKS[0]), NARROW)),
    *((name, Look(look)) for name in COLOURED for look in LOOKS[1:]),
]


async def visit(board: Board, path: str) -> None:
    """Open a page and wait until what it asks the service for is there."""
    await board.go(path)
    await board.page.wait_for_load_state("load")
    if path == "/health":
        await expect(board.page.get_by_text("As of ").first).to_be_visible()
        await expect(board.page.get_by_role("table", name="How often each role")).to_be_visible()
        await expect(board.page.get_by_role("table", name="Messages that could not be used").last).to_be_visible()
    elif path.startswith(f"/aircraft/{BUSY}"):
        await expect(board.page.get_by_role("main").get_by_text("Stop").first).to_be_visible()
    await board.settled()


@pytest.mark.parametrize("look", [NARROWEST, Look(width=360, height=740, touch=True), Look(width=1024)], ids=str)
async def test_nothing_is_wider_than_the_screen(look: Look, apron: RealApron, open_at: OpenBoard) -> None:
    """WCAG 2.2, 1.4.10: content reflows at 320 CSS pixels; only tables scroll, and inside themselves."""
    board = await open_at(apron.url, look)
    for path in PAGES.values():
        await visit(board, path)
        assert await board.width_beyond() == [], path


@pytest.mark.parametrize(("name", "look"), SIGHTS, ids=str)
async def test_a_page_is_open_to_everybody_and_complains_of_nothing(
    name: str, look: Look, apron: RealApron, open_at: OpenBoard
) -> None:
    """The rules of axe-core: WCAG 2.2 A and AA with its best practices, contrast at AAA (7:1)."""
    board = await open_at(apron.url, look)
    await visit(board, PAGES[name])
    assert await board.refused() == []
    # The browser itself remarks on every answer that is a 404; for an aircraft that nobody knows it is the answer.
    assert [each for each in board.complaints if "404" not in each or NOBODY not in each] == []
    assert await board.width_beyond() == []
    assert await board.violations() == []


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
    for name in ("aircraft", "health"):
        await visit(board, PAGES[name])
        await open_all(board)
        assert await board.violations() == [], name
        assert await board.width_beyond() == [], name


async def open_all(board: Board) -> None:
    """Open every disclosure of the page."""
    await board.page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")


@pytest.mark.parametrize("name", PAGES)
async def test_a_gloved_finger_finds_its_target(name: str, apron: RealApron, open_at: OpenBoard) -> None:
    """14 mm are 53 px at the reference pixel of 1/96 inch (CSS Values and Units 4, 6.2)."""
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


async def test_every_page_can_be_walked_by_keyboard(apron: RealApron, open_at: OpenBoard) -> None:
    """Tab reaches what can be pressed, the focus is to be seen, and it never gets caught."""
    board = await open_at(apron.url)
    for path in PAGES.values():
        await visit(board, path)
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
            assert at == "", path
            seen += 1
        else:
            raise AssertionError(f"{path}: the focus never leaves the page")
        assert seen > 0, path
