"""An open board in a real browser, as a person has it before them.

Owns how a page is opened (its look, its size, what the browser remembers), what it
complains of, and the questions that are asked of any page. Knows roles and names, and as
little as it can of the page's markup.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from playwright.async_api import Browser, BrowserContext, Locator, Page, Route, expect

ROOT: Final = Path(__file__).resolve().parents[3]
AXE: Final = ROOT / "monitor/adapters/web/board/node_modules/axe-core/axe.min.js"
MADE: Final = ROOT / "tests/board/debrief_made.json"
DEADLINE_S: Final = 10.0
SILENCE_S: Final = 6.0
"""So long without a word from the service, and the page says that it is not live."""
STRIP: Final = "Warnings that are out of sight"
"""The name of the lines at the top of every page."""
LOOKS: Final = ("light", "dark", "contrast")

_WATCH: Final = """
  window.refusedByPolicy = [];
  document.addEventListener("securitypolicyviolation", (event) =>
    window.refusedByPolicy.push(`${event.effectiveDirective} ${event.blockedURI} ${event.sample}`));
"""

_SILENT_UNTIL_TOUCHED: Final = "The AudioContext was not allowed to start"
"""Chromium's own remark where a warning would sound and nobody has touched the page yet; the page says so itself."""

_AXE_OPTIONS: Final = {
    "resultTypes": ["violations"],
    # What our own promises go beyond: text 7:1, targets of a finger's size.
    "rules": {"color-contrast-enhanced": {"enabled": True}, "target-size": {"enabled": True}},
}


class Look(NamedTuple):
    """How a board is opened."""

    theme: str = "light"
    width: int = 1280
    height: int = 900
    touch: bool = False

    def __str__(self) -> str:
        return f"{self.theme}-{self.width}{'-touch' if self.touch else ''}"


class Board:
    """One open page; what it complained of so far is in ``complaints``."""

    def __init__(self, page: Page, url: str) -> None:
        self.page = page
        self.url = url
        self.complaints: list[str] = []
        page.on("console", self._on_console)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _on_console(self, message: Any) -> None:
        if message.type in {"error", "warning"} and _SILENT_UNTIL_TOUCHED not in message.text:
            self.complaints.append(f"{message.type}: {message.text} {message.location.get('url')}")

    async def go(self, path: str) -> Board:
        """Open an address of the board and wait until it is live."""
        await self.page.goto(self.url + path)
        await self.live()
        return self

    async def live(self) -> None:
        """Wait until the first picture is drawn."""
        await expect(self.page.get_by_role("heading", level=1)).to_have_text("Tarnwick apron")
        await expect(self.not_live).to_have_count(0)

    async def settled(self) -> None:
        """Wait until the page has made room for the lines of warnings, which are there at once and over it."""
        await self.page.wait_for_function(
            """(name) => {
                const lines = document.querySelector(`section[aria-label="${name}"] > ul`);
                const below = document.querySelector("main").getBoundingClientRect().top;
                return lines === null || lines.getBoundingClientRect().bottom <= below + 1;
            }""",
            arg=STRIP,
        )

    @property
    def not_live(self) -> Locator:
        """What covers the page while it is not live."""
        return self.page.get_by_role("alert").filter(has_text="NOT LIVE")

    async def refused(self) -> list[str]:
        """What the page's own policy refused it."""
        found: list[str] = await self.page.evaluate("window.refusedByPolicy")
        return found

    async def width_beyond(self) -> list[str]:
        """The elements that make the page wider than the screen, the whole page first; empty where none does."""
        found: list[str] = await self.page.evaluate(
            """() => {
                const room = document.documentElement.clientWidth;
                if (document.documentElement.scrollWidth <= room) return [];
                const wide = [...document.querySelectorAll("body *")].filter((each) => {
                    const box = each.getBoundingClientRect();
                    return box.width > 0 && box.right > room + 0.5;
                });
                return [`the page: ${document.documentElement.scrollWidth} of ${room}`,
                    ...wide.slice(0, 8).map((each) => `${each.tagName}.${each.className}: ${each.textContent.slice(0, 40)}`)];
            }"""
        )
        return found

    async def violations(self) -> list[str]:
        """What axe-core finds wrong with the page as it is now, one line each."""
        # Asked by way of the debugger, which no policy of the page binds; `refused` is not asked afterwards.
        if not await self.page.evaluate("'axe' in window"):
            await self.page.evaluate(AXE.read_text("utf-8"))
        found = await self.page.evaluate(f"axe.run(document, {json.dumps(_AXE_OPTIONS)})")
        return [
            f"{rule['id']} ({rule['impact']}): {node['target']} {node['html'][:160]} {_why(node)}"
            for rule in found["violations"]
            for node in rule["nodes"][:4]
        ]


def _why(node: Mapping[str, Any]) -> str:
    return "; ".join(str(check["message"]) for check in [*node["any"], *node["all"], *node["none"]])[:200]


def answer_with(document: Any, status: int = 200) -> Callable[[Route], Awaitable[None]]:
    """Make what answers every request with a document."""

    async def answer(route: Route) -> None:
        await route.fulfill(status=status, json=document)

    return answer


async def fill_in_reports(board: Board) -> None:
    """Have the service's reports answered with those of the board's own tests: something of everything is in them."""
    made = json.loads(MADE.read_text("utf-8"))
    for address, name in (("debrief?", "debrief"), ("handover", "handover"), ("drills", "drills")):
        await board.page.route(re.compile(rf"/api/v1/{re.escape(address)}"), answer_with(made[name]))


Remembered = Mapping[str, str]


async def open_board(
    browser: Browser, url: str, look: Look | None = None, remembered: Remembered | None = None
) -> tuple[BrowserContext, Board]:
    """Open an empty page in a context of its own; ``remembered`` is what this browser kept from before."""
    look = look or Look()
    kept = {"theme": look.theme, "language": "en", **(remembered or {})}
    context = await browser.new_context(
        viewport={"width": look.width, "height": look.height},
        has_touch=look.touch,
        locale="en-GB",
        storage_state={
            "origins": [
                {
                    "origin": url,
                    "localStorage": [{"name": f"sillwatch.{name}", "value": text} for name, text in kept.items()],
                }
            ]
        },
    )
    await context.add_init_script(_WATCH)
    return context, Board(await context.new_page(), url)


async def until(condition: Callable[[], bool], what: Callable[[], str], *, deadline_s: float = DEADLINE_S) -> None:
    """Let the loop turn until the condition holds."""
    try:
        async with asyncio.timeout(deadline_s):
            while not condition():  # noqa: ASYNC110 - what is waited for sets no event
                await asyncio.sleep(0.01)
    except TimeoutError:
        raise AssertionError(f"not within {deadline_s:g} s: {what()}") from None


async def until_told(ask: Callable[[], Awaitable[bool]], what: str, *, deadline_s: float = DEADLINE_S) -> None:
    """Ask again and again until the answer is yes."""
    try:
        async with asyncio.timeout(deadline_s):
            while not await ask():  # noqa: ASYNC110 - as above
                await asyncio.sleep(0.02)
    except TimeoutError:
        raise AssertionError(f"not within {deadline_s:g} s: {what}") from None
