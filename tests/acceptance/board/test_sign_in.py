"""Signing in, what a role is offered, and the board of a session that has ended: never a stale calm."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
from playwright.async_api import Locator, Page, expect

from monitor.core.effects import PublishActive
from monitor.ports import Role
from tests.acceptance.board.board_pages import LOOKS, STRIP, Board, Look
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.acceptance.board.fake_access import PASSWORD, FakeAccess
from tests.adapters.web.fake_reader import FakeReader, alert_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

DEADLINE_MS = 20_000


@pytest.fixture
def access() -> FakeAccess:
    return FakeAccess(Ann=Role.COORDINATOR, Vic=Role.VIEWER, Ada=Role.ADMINISTRATOR)


@pytest_asyncio.fixture(loop_scope="session")
async def gated(reader: FakeReader, access: FakeAccess) -> AsyncIterator[Stage]:
    made = Stage(reader)
    made.access = access
    await made.start()
    yield made
    await made.stop()


async def sign_in(board: Board, name: str, password: str = PASSWORD) -> None:
    await board.page.get_by_label("Name", exact=True).fill(name)
    await board.page.get_by_label("Password", exact=True).fill(password)
    await board.page.get_by_role("button", name="Sign in").click()


async def opened_as(name: str, stage: Stage, open_at: OpenBoard, path: str = "/") -> Board:
    board = await open_at(stage.url)
    await board.page.goto(stage.url + path)
    await sign_in(board, name)
    await board.live()
    return board


def ended(page: Page) -> Locator:
    return page.get_by_role("alert").filter(has_text="SIGNED OUT")


def raise_warning(reader: FakeReader) -> None:
    alert = alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning")
    reader.tell(PublishActive("ZZ-KAT", "L1", "armed-handle-moved", alert))


async def test_nobody_sees_the_board_before_signing_in_and_everybody_comes_back_to_their_page(
    gated: Stage, open_at: OpenBoard
) -> None:
    board = await open_at(gated.url)
    page = board.page
    await page.goto(gated.url + "/aircraft/ZZ-KAT?door=L1")
    assert page.url.startswith(gated.url + "/sign-in?next=")
    name, password = page.get_by_label("Name", exact=True), page.get_by_label("Password", exact=True)
    await expect(name).to_be_focused()
    await expect(name).to_have_attribute("autocomplete", "username")
    await expect(password).to_have_attribute("autocomplete", "current-password")
    await page.keyboard.press("Enter")
    await expect(page.get_by_role("alert")).to_have_text("Enter your name and your password.")
    await sign_in(board, "Ann", "something else")
    await expect(page.get_by_role("alert")).to_contain_text("do not belong together")
    await expect(password).to_be_focused()
    await expect(password).to_have_value("")
    await password.fill(PASSWORD)
    await page.keyboard.press("Enter")
    await board.live()
    assert page.url == gated.url + "/aircraft/ZZ-KAT?door=L1"
    assert await board.refused() == []
    # Whoever is signed in already is not asked again.
    await page.goto(gated.url + "/sign-in?next=/alerts")
    await page.wait_for_url(gated.url + "/alerts")


async def test_the_settings_say_who_is_signed_in_and_the_way_out(gated: Stage, open_at: OpenBoard) -> None:
    board = await opened_as("Ann", gated, open_at)
    page = board.page
    await page.get_by_role("button", name="Settings").click()
    panel = page.get_by_role("group", name="Settings")
    await expect(panel).to_contain_text("Signed in as Ann: coordinator.")
    own = panel.get_by_role("textbox", name=re.compile("^Your name"))
    await expect(own).to_have_value("Ann")
    await expect(own).not_to_be_editable()
    await panel.get_by_role("button", name="Sign out").click()
    await expect(ended(page)).to_be_visible(timeout=DEADLINE_MS)
    await ended(page).get_by_role("link", name="Sign in again").click()
    await page.wait_for_url(gated.url + "/sign-in?next=%2F")


async def test_a_viewer_is_told_who_acts_and_cannot(gated: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    board = await opened_as("Vic", gated, open_at, "/health")
    page = board.page
    raise_warning(reader)
    line = page.get_by_role("region", name=STRIP)
    button = line.get_by_role("button", name=re.compile("^Acknowledge"))
    await expect(button).to_have_attribute("aria-disabled", "true")
    await button.press("Enter")
    await expect(line).to_contain_text("Coordinators acknowledge and act; as a viewer you look on.")
    assert await board.violations() == []
    await expect(page.get_by_text("Administrators see this.")).to_be_visible()
    await page.goto(gated.url + "/alerts")
    await board.live()
    item = page.get_by_role("listitem").filter(has=page.get_by_role("heading", level=3))
    await expect(item).to_contain_text("Coordinators acknowledge and act")
    await item.get_by_role("button", name=re.compile("^Acknowledge")).press("Enter")
    await expect(page.get_by_role("group", name=re.compile("Acknowledge"))).to_have_count(0)
    await page.get_by_role("link", name="Who did what").click()
    await expect(page.get_by_text("Administrators see this.")).to_be_visible()
    assert reader.submitted == []
    # What the role may not see is not asked for either.
    assert [each for each in board.complaints if "403" in each] == []


async def test_a_board_whose_session_was_ended_is_covered_and_lives_again_with_the_next(
    gated: Stage, access: FakeAccess, open_at: OpenBoard, reader: FakeReader
) -> None:
    board = await opened_as("Ann", gated, open_at)
    page = board.page
    access.sessions.clear()
    await expect(ended(page)).to_be_visible(timeout=DEADLINE_MS)
    await expect(page.locator(".board")).to_have_attribute("inert", "")
    await expect(ended(page)).to_contain_text("Look at the doors yourself.")
    # What happens meanwhile does not bring a look of calm, nor of life.
    raise_warning(reader)
    assert await board.violations() == []
    await ended(page).get_by_role("link", name="Sign in again").click()
    await sign_in(board, "Ann")
    await board.live()
    await expect(page.get_by_role("link", name="L1 armed, warning")).to_be_visible()


async def test_a_lock_out_says_how_long_on_a_phone_in_every_look(
    gated: Stage, access: FakeAccess, open_at: OpenBoard
) -> None:
    access.locked_s, access.oidc = 90, True
    board = await open_at(gated.url, Look(width=360, height=740, touch=True))
    page = board.page
    await page.goto(gated.url + "/sign-in")
    await sign_in(board, "Ann")
    await expect(page.get_by_role("alert")).to_contain_text("Too many attempts.")
    button = page.get_by_role("button", name=re.compile(r"^Again in \d+ s$"))
    await expect(button).to_have_attribute("aria-disabled", "true")
    await expect(page.get_by_role("link", name="Sign in with your organisation's account")).to_be_visible()
    for look in LOOKS:
        await page.evaluate("(look) => (document.documentElement.dataset.theme = look)", look)
        assert await board.violations() == [], look
    assert await board.width_beyond() == []
    await page.get_by_role("combobox", name="Language").select_option("Deutsch")
    await expect(page.get_by_role("heading", name="Anmelden")).to_be_visible()
    await expect(page.get_by_role("alert")).to_contain_text("Zu viele Versuche.")
    await expect(page.locator("html")).to_have_attribute("lang", "de")
    assert await board.width_beyond() == []


async def test_another_providers_refusal_is_told(gated: Stage, access: FakeAccess, open_at: OpenBoard) -> None:
    access.oidc = True
    board = await open_at(gated.url)
    await board.page.goto(gated.url + "/sign-in?next=/alerts")
    await board.page.get_by_role("link", name="Sign in with your organisation's account").click()
    await expect(board.page.get_by_role("alert")).to_contain_text("Your organisation's account did not sign you in.")
    assert await board.refused() == []


async def test_where_nobody_has_to_sign_in_the_page_leads_on(stage: Stage, open_at: OpenBoard) -> None:
    board = await open_at(stage.url)
    await board.page.goto(stage.url + "/sign-in?next=/alerts")
    await board.page.wait_for_url(stage.url + "/alerts")
    await board.live()
    assert board.complaints == []
