"""The bench's page in a real browser, with a real broker and a monitor that listens to it.

A whole opening is done by hand on the page and the monitor's answers are read off its strip.
It stands with the board's tests to share their browser.
"""

from __future__ import annotations

import re
import signal
from collections.abc import Iterator
from typing import Final, NamedTuple

import pytest
from playwright.async_api import Locator, Page, expect

from tests.acceptance.board.board_pages import Board, Look
from tests.acceptance.board.conftest import OpenBoard
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.programs import START_S, Instance, running_broker, running_instance, sillwatch, until

pytestmark = [pytest.mark.browser, pytest.mark.broker, pytest.mark.asyncio(loop_scope="session")]

DEADLINE_MS: Final = 40_000
"""For what takes a door its own time, on a machine that is busy."""
PHONE: Final = Look("dark", width=360, height=740, touch=True)
NARROWEST: Final = Look("contrast", width=320, height=640)


class Bench(NamedTuple):
    """A running bench and the monitor that hears it."""

    url: str
    instance: Instance


@pytest.fixture(scope="module")
def bench(make_broker: MakeBroker, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("bench")
    with running_broker(make_broker("mosquitto")) as broker, running_instance(folder, broker) as instance:
        program = sillwatch(folder, "bench", "--broker", broker.url, "--http", "127.0.0.1:0", "--clear")
        try:
            found = until(
                lambda: re.search(r"^bench: (http://\S+)/ ", program.err, re.MULTILINE) or not program.running,
                lambda: f"the bench's address; {program.err}",
                deadline_s=START_S,
            )
            assert isinstance(found, re.Match), program.err
            yield Bench(found[1], instance)
            code, _ = program.end(signal.SIGTERM)
            assert code == 0
            assert "Traceback" not in program.err
        finally:
            program.close()


async def open_page(bench: Bench, open_at: OpenBoard, look: Look | None = None) -> Board:
    """Open the bench's page, with nothing on the apron."""
    look = look or Look()
    board = await open_at(bench.url, look, **{"bench.theme": look.theme, "bench.language": "en"})
    await board.page.goto(bench.url)
    await expect(board.page.get_by_role("heading", level=1)).to_contain_text("ZZ-RIG")
    # Another test may have left its aircraft.
    for button in await board.page.get_by_role("button", name="Take ZZ-RIG away").all():
        await button.click()
    await expect(board.page.get_by_role("heading", name="Bring ZZ-RIG onto the apron")).to_be_visible()
    return board


async def begin(page: Page, slides: str) -> None:
    await page.get_by_role("button", name=f"Begin, slides {slides}", exact=True).click()
    await expect(page.get_by_role("img", name="Door L1 in section")).to_be_visible()


def strip(page: Page) -> Locator:
    """What the monitor answers."""
    return page.get_by_role("region", name="What the monitor answers")


async def slide_to(page: Page, name: str, key: str) -> None:
    slider = page.get_by_role("slider", name=name)
    await slider.focus()
    await slider.press(key)


async def test_a_door_is_opened_by_hand_and_the_monitor_says_open(bench: Bench, open_at: OpenBoard) -> None:
    board = await open_page(bench, open_at)
    page = board.page
    await expect(page.get_by_role("region", name="What this page is")).to_have_text(
        "SIMULATION: nothing here is a real aircraft."
    )
    assert bench.instance.list_all("/api/v1/aircraft") == [], "nothing is published before somebody begins"

    await expect(page.get_by_text("Publishes to 127.0.0.1:")).to_be_visible(timeout=DEADLINE_MS)

    await begin(page, "armed")
    takes = strip(page).get_by_text("It takes L1 to be:")
    await expect(takes).to_contain_text("armed", timeout=DEADLINE_MS)
    await page.get_by_role("button", name="Dock stairs").click()
    await slide_to(page, "Lever, towards armed", "Home")
    await expect(takes).to_contain_text("locked", timeout=DEADLINE_MS)
    await page.get_by_role("switch", name="Safety pin in").click()
    await slide_to(page, "Inside handle lifted", "End")
    await expect(takes).to_contain_text("unlocked", timeout=DEADLINE_MS)
    await expect(page.get_by_text("Handle fully lifted.")).to_be_visible(timeout=DEADLINE_MS)

    # Held by the keyboard: it moves as long as the key is down, and no longer.
    push = page.get_by_role("button", name="Hold to push open")
    await push.focus()
    await page.keyboard.down(" ")
    await expect(push).to_have_attribute("aria-pressed", "true")
    await expect(takes).to_contain_text("ajar", timeout=DEADLINE_MS)
    await expect(takes).to_contain_text("open", timeout=DEADLINE_MS)
    await page.keyboard.up(" ")
    await expect(push).to_have_attribute("aria-pressed", "false")
    await expect(page.get_by_text("Leaf fully open, held by its lock.")).to_be_visible()
    assert bench.instance.door("ZZ-RIG", "L1")["state"] == "open"
    [row] = bench.instance.list_all("/api/v1/aircraft")
    assert row["simulated"] is True
    assert await board.refused() == []
    assert board.complaints == []


async def test_an_armed_handle_that_is_lifted_raises_the_warning_on_the_strip(bench: Bench, open_at: OpenBoard) -> None:
    board = await open_page(bench, open_at)
    page = board.page
    await begin(page, "armed")
    await expect(strip(page).get_by_text("It takes L1 to be:")).to_contain_text("armed", timeout=DEADLINE_MS)
    lift = page.get_by_role("button", name="Hold to lift")
    await lift.hover()
    await page.mouse.down()
    warning = strip(page).get_by_role("listitem").filter(has_text="moved with the slide engaged").first
    await expect(warning).to_contain_text("Warning", timeout=DEADLINE_MS)
    await page.mouse.up()
    alert = bench.instance.alert("ZZ-RIG", "armed-handle-moved", "L1")
    assert alert is not None
    assert alert["simulated"] is True


async def test_a_broken_sensor_is_seen_beside_what_is_true(bench: Bench, open_at: OpenBoard) -> None:
    board = await open_page(bench, open_at)
    page = board.page
    await begin(page, "disarmed")
    row = page.get_by_role("row").filter(has=page.get_by_role("rowheader", name="closed", exact=True))
    await expect(row.get_by_role("cell")).to_have_text(["yes", "yes", "break"], timeout=DEADLINE_MS)
    await row.get_by_role("button", name="break: closed").click()
    await page.get_by_role("button", name="Break it so").click()
    await expect(row).to_contain_text("differs from what is true", timeout=DEADLINE_MS)
    await page.get_by_role("button", name="Mend it").click()
    await expect(row.get_by_role("cell")).to_have_text(["yes", "yes", "break"], timeout=DEADLINE_MS)


@pytest.mark.parametrize("look", [Look(), PHONE, NARROWEST], ids=str)
async def test_the_page_is_open_to_everybody(look: Look, bench: Bench, open_at: OpenBoard) -> None:
    """The rules of axe-core as for the board, reflow at 320 CSS pixels, and targets for a gloved finger."""
    board = await open_page(bench, open_at, look)
    page = board.page
    sights = [await board.violations()]
    await begin(page, "armed")
    await expect(strip(page)).to_contain_text("armed", timeout=DEADLINE_MS)
    await page.get_by_role("button", name="break: closed").click()
    sights.append(await board.violations())
    assert await board.width_beyond() == []
    if look.touch:
        assert await too_small(page) == []
    await page.get_by_role("button", name="The whole aircraft").click()
    await expect(page.get_by_role("heading", name="Wind at the stand")).to_be_visible()
    sights.append(await board.violations())
    assert await board.width_beyond() == []
    assert sights == [[], [], []]
    assert board.complaints == []


async def too_small(page: Page) -> list[str]:
    """What can be pressed and is smaller than 14 mm, 53 px at the reference pixel, either way."""
    found: list[str] = await page.evaluate(
        """() => [...document.querySelectorAll("button, select, summary, input, .reach")]
            .filter((each) => each.checkVisibility())
            .map((each) => [each, each.getBoundingClientRect()])
            .filter(([, box]) => box.width > 0 && (box.height < 53 || box.width < 53))
            .map(([each, box]) => `${each.tagName} ${each.textContent.slice(0, 40)} ${Math.round(box.width)} x ${Math.round(box.height)}`)"""
    )
    return found
