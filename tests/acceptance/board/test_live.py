"""What a board shows while it is live, and what it says when it is not."""

from __future__ import annotations

import re
import time

import pytest
from playwright.async_api import expect

from monitor.core.effects import PublishActive, PublishDoor
from monitor.core.times import SECOND
from tests.acceptance.board.board_pages import SILENCE_S, Board, until, until_told
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.adapters.web.fake_reader import FakeReader, alert_document, door_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

MARKUP = "<img src=x onerror=alert(1)><b>bold</b>"
TURNED = "\u202egnp.exe\u2066 next"
COVER_MARGIN_S = 3.0


async def test_a_doors_state_arrives_by_the_stream(board: Board, reader: FakeReader) -> None:
    line = board.page.get_by_role("img", name=re.compile("L1"))
    await expect(board.page.get_by_role("link", name=re.compile(r"^L1\b.*armed"))).to_be_visible()
    await expect(board.page.get_by_role("link", name=re.compile(r"^R1\b.*no data"))).to_be_visible()
    reader.tell(PublishDoor("ZZ-KAT", "L1", door_document("ZZ-KAT", "L1", "open")))
    await expect(board.page.get_by_role("link", name=re.compile(r"^L1\b.*open"))).to_be_visible()
    await expect(line).to_be_visible()
    assert board.complaints == []


async def test_a_warning_is_drawn_and_read_out(board: Board, reader: FakeReader) -> None:
    warn(reader)
    await expect(board.page.get_by_text("Stop and keep clear of L1.").first).to_be_visible()
    await expect(board.page.get_by_role("main").get_by_text("The handle was moved").first).to_be_visible()
    await expect(board.page.locator("[aria-live=assertive]")).to_contain_text("Stop and keep clear of L1.")


async def test_every_page_carries_the_cautions(board: Board, reader: FakeReader) -> None:
    for path in ("/", "/aircraft/ZZ-KAT", "/alerts", "/health", "/?wall"):
        await board.go(path)
        footer = board.page.get_by_role("contentinfo")
        await expect(footer).to_contain_text("Advisory only. It does not replace your own look at the door")
        await expect(footer).to_contain_text("“No data” means that a door cannot be judged")


async def test_texts_from_outside_are_shown_as_text(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    warn(reader, text=f"Seen: {MARKUP}", action=f"Look at {MARKUP}.")
    taken = alert_document("ZZ-KAT", "R1", "wind-limit", "caution", state="acknowledged", by="Mia", reason=MARKUP)
    reader.tell(PublishActive("ZZ-KAT", "R1", "wind-limit", taken))
    board = await open_at(stage.url)
    for path in ("/", "/alerts", "/?wall"):
        await board.go(path)
        await expect(board.page.get_by_text(f"Seen: {MARKUP}").first).to_be_attached()
        assert await board.page.locator("img[src=x], main b:text-is('bold')").count() == 0
        assert await board.width_beyond() == []
        assert await board.refused() == []
    assert board.complaints == []


async def test_a_name_that_turns_the_line_around_is_made_visible(board: Board, reader: FakeReader) -> None:
    """Unicode Standard Annex 9: an override or an isolate that is not ended reorders what follows it."""
    warn(reader)
    taken = alert_document(
        "ZZ-KAT", "L1", "armed-handle-moved", "warning", state="acknowledged", by=TURNED, reason=TURNED
    )
    reader.tell(PublishActive("ZZ-KAT", "L1", "armed-handle-moved", taken))
    for path in ("/", "/alerts"):
        await board.go(path)
        shown = board.page.get_by_role("main").get_by_text("gnp.exe").first
        await expect(shown).to_be_visible()
        text = await shown.inner_text()
        assert "\u202e" not in text
        assert "⟨U+202E⟩gnp.exe" in text


async def test_trouble_is_told_on_every_page(board: Board, reader: FakeReader) -> None:
    reader.healthy = {**reader.healthy, "ready": False, "reasons": ["the broker is not connected"]}
    told = "Not to be relied on now: the broker is not connected."
    await expect(board.page.get_by_role("status").filter(has_text=told)).to_be_visible()
    for path in ("/alerts", "/health", "/aircraft/ZZ-KAT", "/?wall"):
        await board.go(path)
        await expect(board.page.get_by_role("status").filter(has_text=told)).to_be_visible()
    reader.healthy = {**reader.healthy, "ready": True, "reasons": []}
    await expect(board.page.get_by_role("status").filter(has_text=told)).to_have_count(0)


async def test_it_covers_itself_when_the_service_goes_and_comes_back_by_itself(
    board: Board, reader: FakeReader, stage: Stage
) -> None:
    await expect(board.page.get_by_role("link", name=re.compile(r"^L1\b.*armed"))).to_be_visible()
    link = board.page.get_by_role("navigation").get_by_role("link", name="Alerts")
    await link.focus()
    began = time.monotonic()
    await stage.stop()
    await expect(board.not_live).to_be_visible(timeout=(SILENCE_S + COVER_MARGIN_S) * 1000)
    assert time.monotonic() - began < SILENCE_S + COVER_MARGIN_S
    await expect(board.not_live).to_contain_text(re.compile(r"NOT LIVE SINCE 10:15:0\d"))
    box = await board.not_live.bounding_box()
    assert box is not None
    assert (box["x"], box["y"], box["width"], box["height"]) == (0, 0, 1280, 900)
    await expect(board.page).to_have_title("NOT LIVE Apron – Sillwatch")
    await expect(board.not_live).to_be_focused()
    await board.page.keyboard.press("Tab")
    await board.page.keyboard.press("Enter")
    assert board.page.url == f"{board.url}/", "nothing can be worked meanwhile"

    reader.doors["ZZ-KAT"]["L1"] = door_document("ZZ-KAT", "L1", "ajar")
    reader.clock += 20 * SECOND
    await stage.start()
    await expect(board.not_live).to_have_count(0, timeout=(SILENCE_S + COVER_MARGIN_S) * 1000)
    await expect(board.page.get_by_role("link", name=re.compile(r"^L1\b.*ajar"))).to_be_visible()
    await expect(link).to_be_focused()
    await expect(board.page).to_have_title("Apron – Sillwatch")


async def test_nothing_moves_under_a_hand(board: Board, reader: FakeReader) -> None:
    await board.go("/aircraft/nobody_s")
    heading = board.page.get_by_role("main").get_by_role("heading").first
    await expect(heading).to_be_visible()
    before = await heading.bounding_box()
    reader.healthy = {**reader.healthy, "ready": False, "reasons": ["the broker is not connected"]}
    warn(reader)
    line = board.page.get_by_role("link", name=re.compile("Stop and keep clear of L1"))
    trouble = board.page.get_by_text("Not to be relied on now")
    at = 0
    while not (await line.is_visible() and await trouble.is_visible()):
        at = (at + 7) % 200
        await board.page.mouse.move(500 + at, 600)
        assert await heading.bounding_box() == before
    await board.page.mouse.move(500, 601)
    assert await heading.bounding_box() == before
    assert before is not None
    top = before["y"]

    async def moved() -> bool:
        after = await heading.bounding_box()
        return after is not None and after["y"] > top + 90

    await until_told(moved, "there is room for both, once the hand rests")


async def test_a_board_that_never_was_live_says_so(stage: Stage, open_at: OpenBoard) -> None:
    board = await open_at(stage.url)
    await board.page.route("**/api/v1/stream*", lambda route: route.abort())
    await board.page.goto(stage.url)
    await expect(board.not_live).to_contain_text("NOT LIVE YET", timeout=(SILENCE_S + COVER_MARGIN_S) * 1000)
    await board.page.unroute("**/api/v1/stream*")
    await board.live()


async def test_a_board_tells_what_it_is_and_which_page_it_shows(board: Board, stage: Stage) -> None:
    await until(
        lambda: [each["page"] for each in stage.word_of_boards()] == ["apron"], lambda: str(stage.word_of_boards())
    )
    assert stage.word_of_boards()[0]["visible"] is True
    await board.page.get_by_role("navigation", name="Pages").get_by_role("link", name="Health").click()
    await until(
        lambda: [each["page"] for each in stage.word_of_boards()] == ["health"], lambda: str(stage.word_of_boards())
    )
    assert board.page.url.endswith("/health")
    await board.page.go_back()
    await until(
        lambda: [each["page"] for each in stage.word_of_boards()] == ["apron"], lambda: str(stage.word_of_boards())
    )


def warn(reader: FakeReader, door: str = "L1", reg: str = "ZZ-KAT", **changes: object) -> str:
    """Raise a warning; returns its id."""
    alert = alert_document(reg, door, "armed-handle-moved", "warning", **changes)
    reader.tell(PublishActive(reg, door, "armed-handle-moved", alert))
    return str(alert["alert_id"])
