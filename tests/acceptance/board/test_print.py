"""On paper: black on white, nothing to press, of which moment the picture is, and the cautions."""

from __future__ import annotations

import re

import pytest
from playwright.async_api import expect

from tests.acceptance.board.board_pages import LOOKS, Board, Look
from tests.acceptance.board.conftest import OpenBoard
from tests.acceptance.board.real_apron import BUSY, RealApron

pytestmark = [pytest.mark.browser, pytest.mark.broker, pytest.mark.asyncio(loop_scope="session")]

PAPER = Look(width=794, height=1123)


@pytest.mark.parametrize("theme", LOOKS)
@pytest.mark.parametrize("path", ["/", f"/aircraft/{BUSY}"])
async def test_a_page_on_paper(path: str, theme: str, apron: RealApron, open_at: OpenBoard) -> None:
    board = await (await open_at(apron.url, PAPER._replace(theme=theme))).go(path)
    note = board.page.get_by_text(re.compile(r"Picture of \d\d:\d\d:\d\d on \d{4}-\d\d-\d\d, not live\."))
    await expect(note).to_be_hidden()
    await expect(board.page.get_by_role("img").first).to_be_visible()
    await board.page.emulate_media(media="print")
    await expect(note).to_be_visible()
    await expect(board.page.get_by_text("Advisory only.")).to_be_visible()
    await expect(board.page.get_by_role("img").first).to_be_visible()
    for role in ("button", "combobox", "textbox", "navigation"):
        await expect(board.page.get_by_role(role)).to_have_count(0)
    assert await tinted(board) == []
    assert await board.width_beyond() == []
    # The browser can lay it out on sheets.
    assert (await board.page.pdf(format="A4")).startswith(b"%PDF")


async def tinted(board: Board) -> list[str]:
    """Every colour of what is to be seen that is not a shade of grey, and every ground under words that is not white."""
    found: list[str] = await board.page.evaluate(
        """() => {
            const grey = (colour) => {
                const [r, g, b, a = 1] = (colour.match(/[\\d.]+/g) ?? [0, 0, 0, 0]).map(Number);
                return a === 0 || colour === "none" || (r === g && g === b);
            };
            const white = (colour) => /rgba\\(.*, 0\\)|rgb\\(255, 255, 255\\)|transparent/.test(colour);
            return [...document.querySelectorAll("body, body *")].filter((each) => each.checkVisibility()).flatMap((each) => {
                const style = getComputedStyle(each);
                const wrong = ["color", "fill", "stroke"].filter((name) => !grey(style[name]) && !style[name].startsWith("url"));
                const bar = each.textContent.trim() === "" && grey(style.backgroundColor);
                if (!(each instanceof SVGElement) && !white(style.backgroundColor) && !bar) wrong.push("backgroundColor");
                return wrong.map((name) => `${each.tagName}.${each.getAttribute("class")} ${name} ${style[name]}`);
            }).slice(0, 10);
        }"""
    )
    return found
