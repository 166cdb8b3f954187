"""The apron's rows: what cannot be judged is never calm, what leaves moves nothing, the wall cuts nothing, paper has all."""

from __future__ import annotations

import re

import pytest
from playwright.async_api import Locator, Page, expect

from monitor.core.effects import PublishActive
from tests.acceptance.board.board_pages import Look, until_told
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.adapters.web.fake_reader import FakeReader, alert_document, door_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

NOTHING = {"verdict": "nothing seen against it", "reasons": [], "notes": []}
CROWD = 14
WALL = Look(width=1920, height=1080)
PHONE = Look(width=390, height=844, touch=True)
UNDER_HAND_PX = 1.5


def fill(reader: FakeReader, count: int, *, warned: int = 0) -> list[str]:
    """Put calm aircraft that are judged on the apron, the first of them with a warning."""
    names = [f"ZZ-A{number:02}" for number in range(count)]
    reader.rows.clear()
    for number, reg in enumerate(names):
        doors = {each["door"]: door_document(reg, each["door"], "open") for each in reader.kinds["alder"]["doors"]}
        reader.add_aircraft(reg, doors, stand=f"S{number + 1}", engines_running=[], refuelling=False)
        reader.answers[reg] = {
            "aircraft": reg,
            "stand": f"S{number + 1}",
            "doors": {},
            **dict.fromkeys(("leave", "board", "refuel"), NOTHING),
            "exits": {"usable": [], "unknown": [], "seats_usable": 0, "short": None},
            "pressure": {"below_limit": True, "trend": None},
        }
        if number < warned:
            warn(reader, reg, f"S{number + 1}")
    return names


def warn(reader: FakeReader, reg: str, stand: str) -> None:
    """Raise a warning that nobody has."""
    document = alert_document(reg, "L1", "armed-handle-moved", "warning", stand=stand, role="ops", active=True)
    reader.tell(PublishActive(reg, "L1", "armed-handle-moved", document))


def row_of(page: Page, reg: str) -> Locator:
    """The aircraft's row."""
    return page.get_by_role("main").get_by_role("listitem").filter(has=page.get_by_text(reg, exact=True))


async def top_of(row: Locator) -> float:
    """Where the row begins on the screen, px."""
    box = await row.bounding_box()
    assert box is not None
    return box["y"]


async def test_an_aircraft_of_no_known_type_is_not_calm(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    fill(reader, 2)
    reader.add_aircraft("ZZ-UNK", {}, type="", stand="S30", engines_running=None, refuelling=None)
    board = await (await open_at(stage.url)).go("/")
    row = row_of(board.page, "ZZ-UNK")
    why = "its type is not known: no door can be judged"
    await expect(row.get_by_role("img", name=why)).to_be_visible()
    for words in (why, re.compile(r"^type not known, "), "engines not known", "refuelling not known"):
        await expect(row.get_by_text(words)).to_be_visible()
    await expect(board.page.get_by_text("1 needs you now, 0 being dealt with, 2 quiet.")).to_be_visible()
    assert await top_of(row) < await top_of(row_of(board.page, "ZZ-A00")), "it stands before the calm ones"
    await board.go("/?wall")
    await expect(board.page.get_by_role("img", name=why)).to_be_visible()


async def test_on_paper_every_row_is_drawn(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    names = fill(reader, CROWD)
    board = await (await open_at(stage.url)).go("/")
    lines = board.page.locator(".rows").get_by_role("img", name=re.compile(r"\bopen\b"))
    await expect(row_of(board.page, names[0]).get_by_role("img")).to_be_visible()
    assert await lines.count() < CROWD, "on the screen what is far off is not drawn"
    await board.page.emulate_media(media="print")
    await expect(lines).to_have_count(CROWD)
    await expect(board.page.get_by_text("Hollow and torn")).to_be_visible()
    await board.page.emulate_media(media="screen")
    await expect(board.page.get_by_text("Hollow and torn")).to_be_hidden()


async def test_the_wall_shows_whole_rows_and_names_every_warning(
    stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    fill(reader, CROWD + 2, warned=CROWD)
    board = await (await open_at(stage.url, WALL)).go("/?wall")
    rows = board.page.locator(".wall-rows")
    await expect(rows.get_by_role("listitem").first).to_be_visible()

    async def measured() -> bool:
        return await cut(rows) == []

    await until_told(measured, "no row of the wall is cut")
    assert await board.page.get_by_role("main").get_by_role("button").count() == 0
    text = await rows.inner_text()
    named = set(re.findall(r"\bS\d+\b", text))
    assert {f"S{number}" for number in range(1, CROWD + 1)} <= named
    assert re.search(r"\b\d+ more aircraft with a warning: S", text)
    assert board.complaints == []


async def cut(rows: Locator) -> list[str]:
    """What of the wall's rows does not lie wholly inside the wall; a word while there is no row."""
    found: list[str] = await rows.evaluate(
        """(list) => {
            const room = list.getBoundingClientRect();
            const items = [...list.children];
            const out = items.filter((each) => each.getBoundingClientRect().bottom > room.bottom + 1);
            return items.some((each) => each.querySelector("svg[role=img]")) ? out.map((each) => each.innerText) : ["no row"];
        }"""
    )
    return found


async def test_nothing_moves_under_a_finger(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    names = fill(reader, 5)
    board = await (await open_at(stage.url, PHONE)).go("/")
    hand = row_of(board.page, names[3])
    await hand.scroll_into_view_if_needed()
    await expect(hand.get_by_role("img")).to_be_visible()
    # A hand on the row that leads nowhere: the order is held.
    await hand.dispatch_event("pointerdown")
    before = await top_of(hand)
    above = row_of(board.page, names[2])
    high = (await above.bounding_box() or {})["height"]
    warn(reader, names[2], "S3")
    await expect(above.get_by_text("Nobody has it yet.")).to_be_attached()
    grown = (await above.bounding_box() or {})["height"]
    assert grown > high
    await until_told(lambda: _near(hand, before), "the row under the hand stays where it was")
    del reader.rows[names[1]]
    reader.tell()
    await hand.dispatch_event("pointerdown")
    await expect(row_of(board.page, names[1]).get_by_text("no longer on the board")).to_be_attached()
    await until_told(lambda: _near(hand, before), "one that leaves keeps its place")


async def _near(row: Locator, top: float) -> bool:
    return abs(await top_of(row) - top) <= UNDER_HAND_PX
