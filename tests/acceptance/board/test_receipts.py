"""What a board tells of the warnings that it shows: only what is really on the screen."""

from __future__ import annotations

import time

import pytest
from playwright.async_api import expect

from monitor.core.effects import PublishActive
from tests.acceptance.board.board_pages import STRIP, Board, Look, until
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.adapters.web.fake_reader import FakeReader, alert_document, door_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

PROMPT_S = 1.0
CROWD = 12
NARROW = Look(width=360, height=740)

# Nothing hides a page in a headless browser, so its own word for it is put in its place.
HIDE = """
  Object.defineProperty(document, "visibilityState", { configurable: true, get: () => "%s" });
  document.dispatchEvent(new Event("visibilitychange"));
"""


def warn(reader: FakeReader, reg: str = "ZZ-KAT", door: str = "L1", **changes: object) -> str:
    """Raise a warning; returns its id."""
    alert = alert_document(reg, door, "armed-handle-moved", "warning", **changes)
    reader.tell(PublishActive(reg, door, "armed-handle-moved", alert))
    return str(alert["alert_id"])


def crowd(reader: FakeReader) -> list[str]:
    """An apron full of warnings: more than a phone can show; returns their ids."""
    for number in range(CROWD):
        reg = f"ZZ-{number:03}"
        reader.add_aircraft(reg, {"L1": door_document(reg, "L1", "armed", "engaged")}, stand=f"S{number:02}")
    return [warn(reader, f"ZZ-{number:03}") for number in range(CROWD)]


async def test_a_warning_that_is_drawn_is_told_within_a_second(board: Board, stage: Stage, reader: FakeReader) -> None:
    await until(lambda: len(stage.word_of_boards()) == 1, lambda: str(stage.word_of_boards()))
    began = time.monotonic()
    alert_id = warn(reader)
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
    assert time.monotonic() - began < PROMPT_S
    assert stage.word_of_boards()[0]["drawn"] == 1


async def test_a_caution_and_an_acknowledged_warning_are_not_asked_for(
    board: Board, stage: Stage, reader: FakeReader
) -> None:
    alert_id = warn(reader)
    caution = alert_document("ZZ-KAT", "R1", "wind-limit", "caution")
    reader.tell(PublishActive("ZZ-KAT", "R1", "wind-limit", caution))
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
    warn(reader, state="acknowledged", by="Mia")
    await until(lambda: stage.drawn() == set(), lambda: str(stage.drawn()))


async def test_what_is_scrolled_out_of_view_is_not_told(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    ids = set(crowd(reader))
    board = await (await open_at(stage.url, NARROW)).go("/alerts")
    await until(lambda: len(stage.drawn()) > 0, lambda: "some are drawn")
    first = stage.drawn()
    assert first < ids, "a phone does not show twelve warnings at once"

    place = await board.page.locator("[data-place]").last.get_attribute("data-place")
    last = f"{str(place).replace('|', '-')}-1"
    assert last in ids - first
    await board.page.get_by_role("main").get_by_text("The handle was moved").last.scroll_into_view_if_needed()
    await until(lambda: last in stage.drawn(), lambda: f"the last is drawn; {stage.drawn()}")
    assert stage.drawn() < ids
    await board.page.evaluate("window.scrollTo(0, 0)")
    await until(lambda: last not in stage.drawn(), lambda: f"the last is out of view again; {stage.drawn()}")
    assert stage.drawn() < ids


async def test_a_hidden_page_shows_nothing(board: Board, stage: Stage, reader: FakeReader) -> None:
    alert_id = warn(reader)
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
    await board.page.evaluate(HIDE % "hidden")
    await until(lambda: stage.word_of_boards()[0]["visible"] is False, lambda: str(stage.word_of_boards()))
    assert stage.drawn() == set()
    assert stage.word_of_boards()[0]["drawn"] == 0
    await board.page.evaluate(HIDE % "visible")
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))


async def test_a_page_that_is_not_live_shows_nothing(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    """It can still say so, where the stream alone is dead."""
    alert_id = warn(reader)
    board = await (await open_at(stage.url)).go("/")
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
    await board.page.route("**/api/v1/stream*", lambda route: route.abort())
    await board.page.reload()
    await expect(board.not_live).to_be_visible(timeout=15_000)
    await until(
        lambda: any(not each["visible"] and each["drawn"] == 0 for each in stage.word_of_boards()),
        lambda: str(stage.word_of_boards()),
    )


async def test_a_service_that_started_anew_is_told_with_the_first_picture(
    board: Board, stage: Stage, reader: FakeReader
) -> None:
    """And not by the next sign of life: nothing changed on the screen, and nothing has to."""
    alert_id = warn(reader)
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
    told: list[float] = []
    board.page.on("requestfinished", lambda asked: told.append(time.monotonic()) if asked.method == "PUT" else None)
    await until(lambda: bool(told), lambda: "a sign of life has just been given")
    await stage.stop()
    await stage.start()
    await until(lambda: stage.stream.clients == 1, lambda: "the page has found it")
    began = time.monotonic()
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
    assert time.monotonic() - began < PROMPT_S


async def test_a_warning_below_the_settings_is_told_by_its_line_alone(
    board: Board, stage: Stage, reader: FakeReader
) -> None:
    alert_id = warn(reader)
    strip = board.page.get_by_role("region", name=STRIP).get_by_role("listitem")
    told = board.page.get_by_role("main").get_by_text("Stop and keep clear of L1.").first
    await expect(told).to_be_visible()
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
    await expect(strip).to_have_count(0)
    await board.page.get_by_role("button", name="Settings").click()
    await expect(strip).to_contain_text("Stop and keep clear of L1.")
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
    await board.page.keyboard.press("Escape")
    await expect(strip).to_have_count(0)


async def test_the_wall_names_what_is_out_of_sight_with_nothing_to_press(
    stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    crowd(reader)
    board = await (await open_at(stage.url)).go("/?wall")
    strip = board.page.get_by_role("region", name=STRIP)
    await expect(strip.get_by_role("listitem").first).to_contain_text("Stop and keep clear of L1.")
    assert await strip.get_by_role("button").count() + await strip.get_by_role("link").count() == 0
    size = await strip.locator("[lang=en]").first.evaluate("(each) => parseFloat(getComputedStyle(each).fontSize)")
    assert size >= 0.024 * 1280, "29 mm on a screen of 1.2 m"


async def test_the_health_page_tells_it_by_the_line_at_the_top(board: Board, stage: Stage, reader: FakeReader) -> None:
    await board.go("/health")
    alert_id = warn(reader)
    await expect(board.page.get_by_role("region", name=STRIP)).to_be_visible()
    await until(lambda: stage.drawn() == {alert_id}, lambda: str(stage.drawn()))
