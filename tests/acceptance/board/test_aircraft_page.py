"""The page of one aircraft, and the record: what was missed is never drawn over, and no address reaches another."""

from __future__ import annotations

import asyncio
import re
from typing import Any
from urllib.parse import quote, urlsplit

import pytest
from playwright.async_api import Route, expect

from monitor.core.times import SECOND, format_time
from tests.acceptance.board.board_pages import SILENCE_S, Board, Look, until
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.acceptance.board.real_apron import CALM, RealApron
from tests.adapters.web.fake_reader import START, FakeReader

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

COVER_MARGIN_S = 3.0
OUTSIDE = "L1/../../../../alerts/abc/shelve?x="
"""A door that, put into an address as it is, makes another address of it."""


async def come_back(board: Board, stage: Stage) -> None:
    """Start the service again, and let the page try at once."""
    await stage.start()
    await board.page.evaluate("window.dispatchEvent(new Event('online'))")


async def test_the_timeline_does_not_draw_across_an_outage(
    board: Board, reader: FakeReader, stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The door was opened and armed again while the page heard nothing: only the record knows."""
    moments = [{"at": format_time(START - 60 * SECOND), "state": "armed", "slide": "engaged"}]
    answering = asyncio.Event()
    answering.set()

    async def timeline(reg: str, *, since: int, until: int) -> dict[str, Any]:
        await answering.wait()
        return {
            "aircraft": reg,
            "since": format_time(since),
            "until": format_time(until),
            "recorded_from": format_time(since),
            "cut": None,
            "doors": {"L1": moments},
            "alerts": [],
            "monitor_not_running": [],
        }

    monkeypatch.setattr(reader, "timeline", timeline)
    await board.go("/aircraft/ZZ-KAT")
    lane = board.page.get_by_role("slider", name="L1, line of time", exact=True, include_hidden=True)
    await expect(lane).to_have_attribute("aria-valuetext", re.compile("armed since"))

    await stage.stop()
    await expect(board.not_live).to_be_visible(timeout=(SILENCE_S + COVER_MARGIN_S) * 1000)
    answering.clear()
    reader.clock += 20 * SECOND
    moments += [
        {"at": format_time(START + 4 * SECOND), "state": "open", "slide": "disengaged"},
        {"at": format_time(START + 15 * SECOND), "state": "armed", "slide": "engaged"},
    ]
    await come_back(board, stage)
    await expect(board.not_live).to_have_count(0)
    await expect(lane).to_have_attribute("aria-valuetext", re.compile("not recorded$"))
    answering.set()
    await expect(lane).to_have_attribute("aria-valuetext", re.compile("armed since 10:15:15"))
    await board.page.get_by_text("The same as a table").first.click()
    await expect(board.page.get_by_role("row", name=re.compile(r"^L1 open 10:15:04 11 s"))).to_be_visible()


@pytest.mark.parametrize("kind", ["", None])
async def test_a_type_that_is_not_known_is_said_to_be_unknown(
    kind: str | None, stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    reader.add_aircraft("ZZ-KAT", {}, type=kind)
    board = await open_at(stage.url)
    await board.page.route("**/api/v1/aircraft/ZZ-KAT", lambda route: route.fulfill(status=503, json={"detail": "No."}))
    await board.go("/aircraft/ZZ-KAT")
    told = board.page.locator(".craft-facts div").filter(has=board.page.get_by_text("Type", exact=True))
    await expect(told.get_by_role("definition")).to_have_text("type not known")


@pytest.mark.parametrize(
    ("view", "empty"),
    [("history", "Nothing is recorded that meets the filter."), ("audit", "Nobody has done anything yet.")],
)
async def test_the_record_is_asked_for_again_after_a_break(
    view: str, empty: str, board: Board, reader: FakeReader, stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = 0

    async def nothing(**_: Any) -> dict[str, Any]:
        nonlocal asked
        asked += 1
        return {"items": [], "next": None}

    monkeypatch.setattr(reader, view, nothing)
    await board.go(f"/alerts?view={view}")
    await expect(board.page.get_by_text(empty)).to_be_visible()
    before = asked
    await stage.stop()
    await come_back(board, stage)
    await until(lambda: asked > before, lambda: f"asked {asked} times, {before} before")


@pytest.mark.broker
async def test_a_door_that_the_aircraft_has_not_got_reaches_no_other_address(
    apron: RealApron, open_at: OpenBoard
) -> None:
    board = await open_at(apron.url, person="Mia")
    asked: list[str] = []
    posted: list[str] = []

    async def note(route: Route) -> None:
        asked.append(urlsplit(route.request.url).path)
        if route.request.method != "POST" or "/boards/" in asked[-1]:
            await route.continue_()
            return
        posted.append(asked[-1])
        await route.fulfill(status=409, json={"detail": "Not taken."})

    await board.page.route("**/api/v1/**", note)
    await board.go(f"/aircraft/{CALM}?door={quote(OUTSIDE, safe='')}")
    await board.page.get_by_role("button", name=re.compile(r"^What would happen at \w+\?")).click()
    await expect(board.page.locator("#look-ahead").get_by_text("min ahead, from")).to_be_visible()
    report = board.page.locator("#report")
    send = report.get_by_role("button", name="Report it")
    await expect(send).to_have_attribute("aria-disabled", "true")
    await report.get_by_role("combobox", name="leaf in its frame").select_option(index=1)
    await send.focus()
    await board.page.keyboard.press("Enter")
    await expect(report.get_by_text("Not taken.")).to_be_visible()
    await expect(send).to_be_focused()
    assert re.fullmatch(rf"/api/v1/aircraft/{CALM}/doors/\w+/report", posted[0]), posted
    assert len(posted) == 1
    assert [path for path in asked if "abc" in path or ".." in path] == []


@pytest.mark.broker
async def test_german_fits_the_narrowest_screen_without_breaking_words(apron: RealApron, open_at: OpenBoard) -> None:
    """WCAG 2.2, 1.4.10: content reflows at 320 CSS pixels."""
    board = await open_at(apron.url, Look(width=320, height=640), language="de")
    await board.page.goto(f"{apron.url}/aircraft/{CALM}?door=L1")
    await expect(board.page.get_by_text("nichts gesehen, was dagegen spricht").first).to_be_visible()
    assert await board.width_beyond() == []
