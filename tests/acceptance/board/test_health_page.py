"""The health page: figures as the service gives them, renewed while it is open, and sensible where there are none."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.async_api import Locator, expect

from monitor.core import alarm_health
from monitor.core.alarm_health import Annunciation
from monitor.core.times import HOUR, MINUTE, SECOND, format_time
from tests.acceptance.board.board_pages import Board
from tests.adapters.web.fake_reader import START, FakeReader, alert_document, door_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

TURNED = "\u202egnp.exe"
RENEWED_MS_MAX = 9_000


class Recorded(FakeReader):
    """A reader with a record: what rang in the last hours, and what could not be used."""

    def __init__(self) -> None:
        super().__init__()
        self.rang: list[Annunciation] = []
        self.first = START - 24 * HOUR
        self.refused: list[dict[str, Any]] = []

    async def alarm_health(self, **asked: Any) -> dict[str, Any]:
        """As the desk does it, from a list."""
        await super().alarm_health(**asked)
        since, until = max(asked["since"], self.first), asked["until"]
        return {
            **alarm_health.measure(self.rang, since=since, until=until, roles=("coordinator", "door team")),
            "recorded_from": format_time(self.first),
            "stale": alarm_health.list_stale(self.active, self.clock),
            "floods_now": {"all": None, "coordinator": None, "door team": None},
        }

    async def quarantine(self, **asked: Any) -> dict[str, Any]:
        """A page of what was refused; a cursor is a position."""
        await super().quarantine(**asked)
        begin = int(asked["before"] or 0)
        end = begin + asked["limit"]
        return {"items": self.refused[begin:end], "next": str(end) if end < len(self.refused) else None}


@pytest.fixture
def reader() -> Recorded:
    fake = Recorded()
    fake.add_aircraft("ZZ-KAT", {"L1": door_document("ZZ-KAT", "L1", "armed", "engaged")})
    return fake


def ring(at: int, code: str = "wind-limit", role: str = "coordinator", priority: str = "caution") -> Annunciation:
    return Annunciation(at, "ZZ-KAT", "L1", code, role, priority)


def table(board: Board, name: str) -> Locator:
    return board.page.get_by_role("table", name=name)


async def test_a_calm_day_says_so_in_words(board: Board) -> None:
    await board.go("/health")
    main = board.page.get_by_role("main")
    for text in (
        "No alarm in this period.",
        "No flood now.",
        "No alarm chattered in this period.",
        "No alarm has stood for more than 24 hours.",
        "Nothing was rejected since the start.",
        "No message is in quarantine.",
    ):
        await expect(main.get_by_text(text).first).to_be_visible()
    rates = table(board, "How often each role was asked for attention")
    await expect(rates.get_by_role("row", name=re.compile("^ramp coordinator"))).to_contain_text("acceptable")
    assert board.complaints == []


async def test_a_period_without_a_record_says_so(board: Board, reader: Recorded) -> None:
    reader.recorded_from = START + HOUR
    await board.go("/health")
    await expect(board.page.get_by_role("main")).to_contain_text("No newer figures: Nothing is known of that period.")


async def test_what_is_on_record_for_a_moment_is_too_early_to_judge(board: Board, reader: Recorded) -> None:
    """One alarm in the first eighteen seconds is no rate of thirty-three in ten minutes."""
    reader.first = START - 18 * SECOND
    reader.rang = [ring(START - 9 * SECOND)]
    await board.go("/health")
    row = table(board, "How often each role was asked for attention").get_by_role(
        "row", name=re.compile("^ramp coordinator")
    )
    await expect(row.get_by_role("cell").nth(0)).to_have_text("1")
    await expect(row.get_by_role("cell").nth(1)).to_have_text("too early to tell")
    await expect(row.get_by_role("cell").nth(2)).to_have_text("too early to tell")
    await expect(row).not_to_contain_text("manageable")


async def test_rates_stand_beside_the_published_bands(board: Board, reader: Recorded) -> None:
    """IEC 62682 and ANSI/ISA-18.2 for one operator: 1 and 2 in 10 minutes, 6 and 12 an hour, 150 and 300 a day."""
    reader.rang = [ring(START - 24 * HOUR + number * 4 * MINUTE) for number in range(360)]
    reader.rang += [ring(START - 20 * MINUTE + number * SECOND, "lock-disagree", "door team") for number in range(3)]
    await board.go("/health")
    rates = table(board, "How often each role was asked for attention")
    coordinator = rates.get_by_role("row", name=re.compile("^ramp coordinator")).get_by_role("cell")
    # 360 in 144 spans of ten minutes.
    await expect(coordinator.nth(1)).to_have_text("2.5")
    await expect(coordinator.nth(2)).to_have_text("above manageable")
    await expect(coordinator.nth(5)).to_have_text("360")
    await expect(rates.get_by_role("row", name=re.compile("^door team"))).to_contain_text("acceptable")
    note = board.page.get_by_text("Published bands for one person")
    await expect(note).to_contain_text("in 10 minutes 1 acceptable, 2 manageable; an hour 6 and 12; a day 150 and 300")
    await expect(
        table(board, "The worst, by episodes").get_by_role("row", name=re.compile("lock-disagree"))
    ).to_be_visible()
    worst = table(board, "The most frequent alarms").get_by_role("row")
    await expect(worst).to_have_count(3)
    await expect(worst.nth(1)).to_contain_text("wind-limit")
    priorities = table(board, re.compile("^How the alarms were spread"))
    await expect(priorities.get_by_role("row", name=re.compile("^Caution"))).to_contain_text("100%")


async def test_what_stands_for_days_is_listed(board: Board, reader: Recorded) -> None:
    stale = alert_document("ZZ-KAT", "L1", "bottle-low", "advisory", raised_at=format_time(START - 25 * HOUR))
    reader.active = [{**stale, "role": "maintenance"}]
    await board.go("/health")
    row = table(board, "The longest standing first").get_by_role("row", name=re.compile("bottle-low"))
    await expect(row).to_contain_text("maintenance")
    await row.get_by_role("link", name="ZZ-KAT").click()
    await expect(board.page).to_have_url(re.compile(r"/aircraft/ZZ-KAT\?door=L1$"))


async def test_another_period_is_asked_for(board: Board, reader: Recorded) -> None:
    await board.go("/health")
    await board.page.get_by_role("combobox", name="Period").select_option("last hour")
    await expect(board.page.get_by_role("main")).to_contain_text("over 1 h 00 min on record")
    asked = [question for name, question in reader.asked if name == "alarm-health"][-1]
    assert asked["until"] - asked["since"] <= HOUR + MINUTE


async def test_messages_senders_and_boards(board: Board, reader: Recorded) -> None:
    reader.measured = {**reader.measured, "rejected": {"not-json": 7, "another reason": 1}}
    await board.go("/health")
    await expect(table(board, "What came in and what was told, a second").get_by_role("row").nth(1)).to_contain_text(
        "1.5"
    )
    times = table(board, "How long it took over the last 10 minutes").get_by_role("row", name=re.compile("^judging"))
    await expect(times).to_contain_text("0.9 ms")
    refused = table(board, "Messages and readings that could not be used, since the start")
    await expect(refused.get_by_role("row").nth(1)).to_contain_text("not JSON")
    await expect(refused.get_by_role("row").nth(2)).to_contain_text("another reason")
    await expect(table(board, re.compile("^Readings in good form")).get_by_role("row").nth(1)).to_contain_text(
        "repeated"
    )
    sender = table(board, re.compile("^Each aircraft's sender")).get_by_role("row", name=re.compile("ZZ-KAT"))
    await expect(sender).to_contain_text("0.05 s behind")
    await expect(sender).to_contain_text("17, 0.5 s ago")
    await expect(sender).to_contain_text("not known")
    watching = table(board, "Open pages and what they really show").get_by_role("row", name=re.compile("this one"))
    await expect(watching).to_contain_text("Health")
    await expect(board.page.get_by_text("1 listen to the stream")).to_be_visible()


async def test_figures_are_renewed_while_the_page_is_open(board: Board, reader: Recorded) -> None:
    await board.go("/health")
    await expect(board.page.get_by_text("Nothing was rejected since the start.")).to_be_visible()
    reader.measured = {**reader.measured, "rejected": {"not-json": 7}}
    refused = table(board, "Messages and readings that could not be used, since the start")
    await expect(refused.get_by_role("row").nth(1)).to_contain_text("7", timeout=RENEWED_MS_MAX)


async def test_a_service_that_cannot_be_relied_on_says_so_here_too(board: Board, reader: Recorded) -> None:
    reader.healthy = {**reader.healthy, "ready": False, "reasons": ["the journal cannot be written: disk full"]}
    await board.go("/health")
    section = board.page.get_by_role("region", name="Service")
    await expect(section).to_contain_text("Not to be relied on now: the journal cannot be written: disk full.")


async def test_the_quarantine_is_read_a_page_at_a_time_as_text(board: Board, reader: Recorded) -> None:
    reader.refused = [
        {
            "at": format_time(START - number * SECOND),
            "reason": "not-json",
            "topic": f"apron/v1/tarnwick/{number}",
            "detail": f"not JSON {TURNED}",
            "size": 12,
            "payload": f"<b>{number}</b>{TURNED}",
        }
        for number in range(14)
    ]
    await board.go("/health")
    quarantine = board.page.get_by_role("region", name="Quarantine")
    rows = table(board, "Messages that could not be used, the newest first").get_by_role("row")
    await expect(rows).to_have_count(11)
    await expect(quarantine.get_by_role("button", name="Newer")).to_be_disabled()
    await rows.nth(1).get_by_text("12 bytes").click()
    await expect(rows.nth(1)).to_contain_text("<b>0</b>⟨U+202E⟩gnp.exe")
    await quarantine.get_by_role("button", name="Older").click()
    await expect(rows).to_have_count(5)
    await expect(quarantine.get_by_role("button", name="Older")).to_be_disabled()
    await quarantine.get_by_role("button", name="Newer").click()
    await expect(rows).to_have_count(11)
    assert board.complaints == []
