"""The page in a real browser: live, workable by keyboard, and loud when it is not live."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from urllib.parse import urlsplit

import pytest
from playwright.async_api import Browser, Page, async_playwright, expect

from monitor.adapters.web import Stream, WebServer
from monitor.core.effects import PublishActive, PublishDoor
from monitor.core.times import SECOND
from tests.adapters.web.conftest import render_nothing
from tests.adapters.web.fake_reader import FakeReader, alert_document, door_document

pytestmark = pytest.mark.browser

HOSTILE = "<img src=x onerror=alert(1)>"
SILENCE_MS_MAX = 12_000


@pytest.fixture
async def browser(require_program: Callable[..., str]) -> AsyncIterator[Browser]:
    path = require_program("chromium", "chromium-browser", "google-chrome")
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=path,
            args=["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"],
        )
        yield browser
        await browser.close()


@pytest.fixture
def reader() -> FakeReader:
    fake = FakeReader()
    doors = {"L1": door_document("ZZ-KAT", "L1", "armed", "engaged"), "R1": door_document("ZZ-KAT", "R1", "unknown")}
    fake.add_aircraft("ZZ-KAT", doors)
    return fake


@pytest.fixture
async def server(reader: FakeReader) -> AsyncIterator[WebServer]:
    stream = Stream(reader)
    reader.observers.append(stream)
    made = WebServer(reader, stream, render_nothing, port=0)
    yield made
    await made.stop()


@pytest.fixture
async def complaints() -> list[str]:
    """What the browser's console and the page's script complained of."""
    return []


@pytest.fixture
async def page(browser: Browser, server: WebServer, complaints: list[str]) -> AsyncIterator[Page]:
    url = await server.start()
    page = await browser.new_page(viewport={"width": 360, "height": 740})
    page.on(
        "console", lambda message: complaints.append(message.text) if message.type in {"error", "warning"} else None
    )
    page.on("pageerror", lambda error: complaints.append(str(error)))
    await page.goto(url)
    await expect(page.get_by_role("heading", name="S12 · ZZ-KAT")).to_be_visible()
    yield page
    await page.close()


def state_of(door: str) -> str:
    return f"table:has(caption:text('ZZ-KAT')) tr:has(th:text-is('{door}')) .state"


async def test_a_doors_state_arrives_by_the_stream(page: Page, reader: FakeReader, complaints: list[str]) -> None:
    await expect(page.locator(state_of("L1"))).to_have_text("armed")
    await expect(page.locator(state_of("R1"))).to_have_text("no data")
    reader.tell(PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", "open")))
    await expect(page.locator(state_of("L1"))).to_have_text("open")
    assert complaints == []


async def test_an_alert_is_acknowledged_by_keyboard(page: Page, reader: FakeReader, complaints: list[str]) -> None:
    alert = alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning", text=HOSTILE)
    reader.tell(PublishActive("ZZ-KAT", "L1", "armed-handle-moved", alert))
    item = page.get_by_role("listitem").filter(has_text="Nobody has it yet")
    await expect(item.get_by_role("heading")).to_have_text("Warning ZZ-KAT L1 on S12")
    await expect(item.get_by_text(HOSTILE)).to_be_visible()
    await expect(page.locator("[aria-live=assertive]")).to_contain_text("Warning, ZZ-KAT L1")
    await expect(page.locator("svg.mark.warning").first).to_be_visible()

    await page.get_by_label("Your name").focus()
    await page.keyboard.type("Mia")
    await page.keyboard.press("Tab")
    await expect(page.get_by_role("button")).to_be_focused()
    await page.keyboard.press("Enter")
    await expect(page.get_by_text("Acknowledged by Mia.")).to_be_visible()
    await expect(page.get_by_role("button")).to_have_count(0)
    await expect(page.get_by_role("heading", name="Warning ZZ-KAT L1")).to_be_focused()
    [command] = reader.submitted
    assert command[:2] == (alert["alert_id"], "Mia")
    assert complaints == []


async def test_a_refused_acknowledgement_says_why(page: Page, reader: FakeReader) -> None:
    alert = alert_document("ZZ-KAT", "L1", "wind-limit", "caution")
    reader.tell(PublishActive("ZZ-KAT", "L1", "wind-limit", alert))
    await expect(page.get_by_role("button")).to_be_visible()
    reader.active = []
    await page.get_by_role("button").press("Enter")
    await expect(page.get_by_role("listitem").get_by_text("Not acknowledged. No alert")).to_be_visible()
    await expect(page.get_by_role("button")).to_be_enabled()


async def test_trouble_is_told_and_nothing_is_wider_than_a_narrow_screen(page: Page, reader: FakeReader) -> None:
    reader.healthy = {**reader.healthy, "ready": False, "reasons": ["the broker is not connected"]}
    await expect(page.get_by_role("status")).to_have_text("Not to be relied on now: the broker is not connected.")
    alert = alert_document("ZZ-KAT", "L1", "cargo-unlatched-flags", "warning", text="word" * 40)
    reader.tell(PublishActive("ZZ-KAT", "L1", "cargo-unlatched-flags", alert))
    door = door_document("ZZ-KAT", "L1", "armed_unlocked", "disengaged")
    reader.tell(PublishDoor("ZZ-KAT", "L1", door))
    await expect(page.get_by_role("button")).to_be_visible()
    await expect(page.locator(state_of("L1"))).to_have_text("unlocked, armed")
    reader.clock += 60 * SECOND
    await expect(page.get_by_text("data 60 s old")).to_be_visible()
    assert await page.evaluate("document.documentElement.scrollWidth") <= 360


async def test_it_covers_itself_when_the_stream_falls_silent_and_comes_back_by_itself(
    page: Page, reader: FakeReader, server: WebServer
) -> None:
    notice = page.locator("#notlive")
    await expect(notice).to_be_hidden()
    port = urlsplit(page.url).port or 0
    await server.stop()
    await expect(notice).to_be_visible(timeout=SILENCE_MS_MAX)
    await expect(notice).to_contain_text("NOT LIVE SINCE 10:15:00")
    box = await notice.bounding_box()
    assert box is not None
    assert (box["width"], box["height"]) == (360, 740)
    assert await page.evaluate("document.getElementById('live').inert")

    reader.doors["ZZ-KAT"]["L1"] = door_document("ZZ-KAT", "L1", "ajar")
    again = WebServer(reader, Stream(reader), render_nothing, port=port)
    await again.start()
    try:
        await expect(page.locator(state_of("L1"))).to_have_text("ajar", timeout=SILENCE_MS_MAX)
        await expect(notice).to_be_hidden()
        assert not await page.evaluate("document.getElementById('live').inert")
    finally:
        await again.stop()
