"""The bench's page in a real browser, with a real broker and a monitor that listens to it.

A whole opening is done by hand on the page and the monitor's answers are read off its strip.
It stands with the board's tests to share their browser. A page is opened twice only, since that
costs seconds: a wide one, narrowed later on, and a phone's; on both, whatever is looked at is
looked at as everybody has to be able to use it.
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


async def open_page(bench: Bench, open_at: OpenBoard, look: Look) -> Board:
    """Open the bench's page, with nothing on the apron."""
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


async def taken_to_be(page: Page, state: str) -> None:
    """Wait until the monitor takes the door in front to be ``state``; what is true may stand beside it."""
    said = strip(page).locator("p", has_text="It takes L1 to be:").locator("strong")
    await expect(said).to_have_text(state, timeout=DEADLINE_MS)


async def slide_to(page: Page, name: str, key: str) -> None:
    slider = page.get_by_role("slider", name=name)
    await slider.focus()
    await slider.press(key)


async def test_a_door_is_opened_by_hand_and_the_monitor_says_open(bench: Bench, open_at: OpenBoard) -> None:
    board = await open_page(bench, open_at, Look())
    page = board.page
    await expect(page.get_by_role("region", name="What this page is")).to_have_text(
        "SIMULATION: nothing here is a real aircraft."
    )
    assert await board.violations() == []
    assert bench.instance.list_all("/api/v1/aircraft") == [], "nothing is published before somebody begins"
    await expect(page.get_by_text("Publishes to 127.0.0.1:")).to_be_visible(timeout=DEADLINE_MS)

    await begin(page, "armed")
    await taken_to_be(page, "armed")
    await page.get_by_role("button", name="Dock stairs").click()
    await slide_to(page, "Lever, towards armed", "Home")
    await taken_to_be(page, "locked")
    await page.get_by_role("switch", name="Safety pin in").click()
    await slide_to(page, "Inside handle lifted", "End")
    await taken_to_be(page, "unlocked")
    await expect(page.get_by_text("Handle fully lifted.")).to_be_visible(timeout=DEADLINE_MS)
    await expect(strip(page)).to_contain_text("Opening from inside, goes on")
    await expect(strip(page)).to_contain_text("Due: Push the door out of its frame")

    # Held by the keyboard: it moves as long as the key is down, and no longer.
    push = page.get_by_role("button", name="Hold to push open")
    await push.focus()
    await page.keyboard.down(" ")
    await expect(push).to_have_attribute("aria-pressed", "true")
    await taken_to_be(page, "ajar")
    await taken_to_be(page, "open")
    await page.keyboard.up(" ")
    await expect(push).to_have_attribute("aria-pressed", "false")
    await expect(page.get_by_text("Leaf fully open, held by its lock.")).to_be_visible()
    assert bench.instance.door("ZZ-RIG", "L1")["state"] == "open"
    [row] = bench.instance.list_all("/api/v1/aircraft")
    assert row["simulated"] is True

    await break_a_sensor(page)
    assert await board.violations() == []
    await in_high_contrast_and_narrow(board)
    assert await board.refused() == []
    assert board.complaints == []


async def break_a_sensor(page: Page) -> None:
    """What a broken sensor says is seen beside what is true."""
    row = page.get_by_role("row").filter(has=page.get_by_role("rowheader", name="closed", exact=True))
    await expect(row.get_by_role("cell")).to_have_text(["no", "no", "break"])
    await row.get_by_role("button", name="break: closed").click()
    await page.get_by_role("button", name="Break it so").click()
    await expect(row).to_contain_text("differs from what is true", timeout=DEADLINE_MS)
    await page.get_by_role("button", name="Mend it").click()
    await expect(row.get_by_role("cell")).to_have_text(["no", "no", "break"], timeout=DEADLINE_MS)


async def in_high_contrast_and_narrow(board: Board) -> None:
    """Everything fits into 320 CSS pixels, the door and the whole aircraft."""
    page = board.page
    await page.get_by_label("Look").select_option("high contrast")
    await page.set_viewport_size({"width": 320, "height": 640})
    assert await board.width_beyond() == []
    await page.get_by_role("button", name="The whole aircraft").click()
    await expect(page.get_by_role("switch", name="Outflow valve open")).to_be_visible()
    assert await board.width_beyond() == []
    assert await board.violations() == []


async def test_an_armed_handle_that_is_lifted_raises_the_warning_on_the_strip(bench: Bench, open_at: OpenBoard) -> None:
    board = await open_page(bench, open_at, PHONE)
    page = board.page
    await begin(page, "armed")
    await taken_to_be(page, "armed")
    lift = page.get_by_role("button", name="Hold to lift")
    await lift.hover()
    await page.mouse.down()
    warning = strip(page).get_by_role("listitem").filter(has_text="moved with the slide engaged").first
    await expect(warning).to_contain_text("Warning", timeout=DEADLINE_MS)
    await page.mouse.up()
    await expect(strip(page)).to_contain_text("Skipped: Arming lever at disarmed")
    alert = bench.instance.alert("ZZ-RIG", "armed-handle-moved", "L1")
    assert alert is not None
    assert alert["simulated"] is True

    mark = page.get_by_role("group", name="Lock mark")
    await mark.get_by_role("button", name="reads unlocked").click()
    await mark.get_by_role("button", name="nobody reads it").click()
    await expect(mark.get_by_role("button")).to_have_count(2)
    assert await board.violations() == []
    assert await board.width_beyond() == []
    assert await too_small(page) == []
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
