"""What the board says of the service's proofs, of the record of actions and of what is sent elsewhere."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.async_api import Route, expect

from monitor.core.effects import PublishActive
from monitor.core.times import SECOND, format_time
from tests.acceptance.board.board_pages import Board
from tests.adapters.web.fake_reader import FakeReader, alert_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

DESTINATION: dict[str, Any] = {
    "name": "gate-office",
    "kind": "webhook",
    "state": "retrying",
    "waiting": 3,
    "dead": 1,
    "last_delivered_at": "2026-03-01T09:00:00.000Z",
    "last_error": "no answer within 10 s",
}


async def test_the_apron_says_when_a_lifted_handle_was_last_seen_to_get_through(
    board: Board, reader: FakeReader
) -> None:
    page = board.page
    passed = format_time(reader.clock - 3 * SECOND)
    reader.healthy = {**reader.healthy, "proof": {"at": passed, "took_ms": 41.4, "age_s": 3.0, "missed": 2}}
    await expect(page.get_by_text(re.compile(r"^Proved \d+ s ago, 41 ms$"))).to_be_visible(timeout=20_000)
    alert = alert_document("-", "-", "proof-missed", "warning", stand="-")
    reader.tell(PublishActive("-", "-", "proof-missed", {**alert, "active": True}))
    await expect(page.get_by_text(re.compile(r"^NOT proved for \d+ s$"))).to_be_visible(timeout=20_000)
    await board.go("/health")
    await expect(page.get_by_text("2 missed since the start.")).to_be_visible()


async def test_the_health_page_tells_of_a_record_that_was_altered_and_of_what_does_not_arrive(board: Board) -> None:
    async def answer(route: Route) -> None:
        await route.fulfill(json={"destinations": [DESTINATION], "items": [], "next": None})

    page = board.page
    await page.route("**/api/v1/deliveries", answer)
    await board.go("/health")
    section = page.get_by_role("region", name="Kept and sent")
    await expect(section).to_contain_text("NOT whole: altered or missing at entry 3.")
    await expect(section).to_contain_text("gate-office: NOT reached, tried again, 3 waiting, 1 given up.")
    await expect(section).to_contain_text("Last at 2026-03-01 09:00:00. no answer within 10 s")
    assert await board.violations() == []


async def test_the_record_of_actions_tells_of_a_configuration_that_was_changed(
    board: Board, reader: FakeReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = {
        "time": format_time(reader.clock),
        "by": "-",
        "action": "configuration-changed",
        "reason": "",
        "origin": "start",
    }
    changed = {**row, "subject": "broker.key_file", "before": "", "after": "my_key.pem"}

    async def rows(**_: Any) -> dict[str, Any]:
        return {"items": [changed], "next": None}

    monkeypatch.setattr(reader, "audit", rows)
    await board.go("/alerts?view=audit")
    told = board.page.get_by_role("listitem").filter(has_text="broker.key_file")
    await expect(told).to_contain_text("Somebody at the machine changed the setting broker.key_file")
    await expect(told).to_contain_text("nothing became my_key.pem. Seen when the service started.")
    await expect(told.get_by_role("link")).to_have_count(0)
