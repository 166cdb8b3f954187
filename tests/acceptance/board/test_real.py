"""A board on a running instance: what is published is seen, and what goes away is told."""

from __future__ import annotations

import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.async_api import expect

from tests.acceptance.board.board_pages import SILENCE_S, STRIP
from tests.acceptance.board.conftest import OpenBoard
from tests.acceptance.board.real_apron import CALM, MARKUP, RealApron, arrive, lift
from tests.acceptance.conftest import MakeBroker
from tests.acceptance.programs import Broker, Instance, running_broker, running_instance
from tests.stories import ARMED

pytestmark = [pytest.mark.browser, pytest.mark.broker, pytest.mark.asyncio(loop_scope="session")]

COVER_MARGIN_S = 4.0
SEEN_MS_MAX = 5_000
BACK_MS_MAX = 20_000


@pytest.fixture
def broker(make_broker: MakeBroker) -> Iterator[Broker]:
    with running_broker(make_broker("mosquitto")) as broker:
        yield broker


@pytest.fixture
def instance(broker: Broker, tmp_path: Path) -> Iterator[Instance]:
    """An instance of the test's own, to be stopped."""
    with running_instance(tmp_path, broker) as instance:
        yield instance


async def test_a_published_reading_is_seen(apron: RealApron, open_at: OpenBoard) -> None:
    sender = arrive(apron.instance, apron.broker, "ZX-SEEN", "S15")
    board = await (await open_at(apron.url)).go("/aircraft/ZX-SEEN")
    door = board.page.get_by_role("link", name=re.compile(r"^L2\b.*locked")).first
    await expect(door).to_be_visible()
    sender.at_door("L2", **ARMED)
    await expect(board.page.get_by_role("link", name=re.compile(r"^L2\b.*armed")).first).to_be_visible(
        timeout=SEEN_MS_MAX
    )
    sender.send("door/L2/handle_lifted", True)
    await expect(board.page.get_by_text("Stop").first).to_be_visible(timeout=SEEN_MS_MAX)
    assert board.complaints == []


async def test_a_warning_that_a_board_draws_is_known_to_be_on_a_screen(apron: RealApron, open_at: OpenBoard) -> None:
    sender = arrive(apron.instance, apron.broker, "ZX-DRAWN", "S16")
    board = await (await open_at(apron.url)).go(f"/aircraft/{sender.reg}")
    lift(apron.instance, sender, "L1")
    await expect(board.page.get_by_role("main").get_by_text("Stop").first).to_be_visible(timeout=SEEN_MS_MAX)

    def shown() -> bool:
        boards = apron.instance.ask("/api/v1/boards")["items"]
        return any(each["page"] == "aircraft" and each["visible"] and each["drawn"] > 0 for each in boards)

    end = time.monotonic() + SEEN_MS_MAX / 1000
    while not shown():
        assert time.monotonic() < end, apron.instance.ask("/api/v1/boards")
        await board.page.wait_for_function("true")


async def test_what_a_person_wrote_is_shown_as_text(apron: RealApron, open_at: OpenBoard) -> None:
    board = await open_at(apron.url)
    for path in ("/alerts", f"/aircraft/{CALM}", "/alerts?view=audit", "/alerts?view=history"):
        await board.go(path)
        await expect(board.page.get_by_role("main").get_by_text(MARKUP).first).to_be_attached()
        assert await board.page.locator("img[src=x]").count() == 0
        assert await board.refused() == []
    await board.go("/health")
    quarantined = board.page.get_by_role("region", name="Quarantine")
    await expect(quarantined.get_by_text(MARKUP + "⟨U+202E⟩gnp.exe⟨U+2066⟩ next").first).to_be_attached()
    assert board.complaints == []


async def test_a_service_that_ends_is_told_and_comes_back_by_itself(
    instance: Instance, broker: Broker, open_at: OpenBoard
) -> None:
    url = str(instance.http.base_url).rstrip("/")
    sender = arrive(instance, broker, "ZX-BACK", "S15")
    board = await (await open_at(url)).go("/")
    await expect(board.page.get_by_role("link", name=re.compile(r"^L2\b.*locked"))).to_be_visible()
    instance.port = urlsplit(url).port or 0
    instance.end(signal.SIGKILL)
    began = time.monotonic()
    await expect(board.not_live).to_be_visible(timeout=(SILENCE_S + COVER_MARGIN_S) * 1000)
    assert time.monotonic() - began < SILENCE_S + COVER_MARGIN_S
    await expect(board.not_live).to_contain_text(re.compile(r"NOT LIVE SINCE \d\d:\d\d:\d\d"))

    instance.start()
    sender.at_door("L2", **ARMED)
    sender.beat()
    await expect(board.not_live).to_have_count(0, timeout=BACK_MS_MAX)
    await expect(board.page.get_by_role("link", name=re.compile(r"^L2\b.*armed"))).to_be_visible(timeout=BACK_MS_MAX)


async def test_a_broker_that_goes_is_told(instance: Instance, broker: Broker, open_at: OpenBoard) -> None:
    url = str(instance.http.base_url).rstrip("/")
    arrive(instance, broker, "ZX-GONE", "S15")
    board = await (await open_at(url)).go("/health")
    told = board.page.get_by_role("status").filter(has_text="Not to be relied on now: the broker is not connected")
    await expect(told).to_have_count(0)
    broker.stop()
    await expect(told).to_be_visible(timeout=BACK_MS_MAX)
    # The loss of the broker is a warning of the site, and on the screen whatever page is open.
    await expect(board.page.get_by_role("region", name=STRIP)).to_be_visible(timeout=BACK_MS_MAX)
    await expect(board.not_live).to_have_count(0)
    broker.start()
    await expect(told).to_have_count(0, timeout=BACK_MS_MAX)
