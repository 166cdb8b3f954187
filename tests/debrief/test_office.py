"""Reports over HTTP: made by a process of their own, one at a time, and nobody waits for ever."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from monitor.adapters.web import Boards, BoardWatch, Stream
from monitor.adapters.web.app import build_app
from monitor.adapters.web.ports import ReportRefusedError
from monitor.debrief.office import WAITING_MAX, DebriefOffice
from monitor.debrief.render_html import POLICY
from tests.adapters.web.fake_reader import FakeReader
from tests.debrief.records import NOW, demo_config
from tests.stories import REG

SLEEPER = (sys.executable, "-c", "import time; time.sleep(600)")
STUPID = (sys.executable, "-c", "print('no report')")
ASKED = {"asked": {"aircraft": REG}, "format": "json"}


def office(folder: Path, **more: object) -> DebriefOffice:
    config = demo_config()
    return DebriefOffice(replace(config, data=config.data.model_copy(update={"directory": folder})), **more)  # type: ignore[arg-type]


@pytest.fixture
async def client(record: Path) -> AsyncIterator[httpx.AsyncClient]:
    reader = FakeReader()
    reader.now = lambda: NOW  # type: ignore[method-assign]
    stream = Stream(reader)
    made = office(record)
    boards = BoardWatch(Boards(stream.carries), reader, within=3)
    app = build_app(reader, stream, boards, lambda _: (b"", ""), debriefs=made)
    transport = httpx.ASGITransport(app, client=("127.0.0.1", 1))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1", timeout=100) as found:
        yield found
    await made.close()


async def test_a_report_comes_in_its_form_with_a_policy_of_its_own(client: httpx.AsyncClient) -> None:
    page = await client.get("/api/v1/debrief", params={"aircraft": REG, "format": "html"})
    assert page.status_code == 200, page.text
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert page.headers["content-security-policy"] == POLICY
    assert page.headers["content-disposition"].startswith('inline; filename="sillwatch-debrief-TW-101-')
    assert int(page.headers["content-length"]) == len(page.content)
    assert page.headers["x-content-type-options"] == "nosniff"
    refused = await client.get("/api/v1/debrief", params={"aircraft": "TW-111"})
    assert refused.status_code == 404
    assert "did you mean TW-101?" in refused.json()["detail"]


@pytest.mark.parametrize(
    "params",
    [{"aircraft": "tw 1"}, {"format": "doc"}, {"sinse": "1d"}, {"zone": "../../etc"}, {"since": "x" * 41}],
)
async def test_what_does_not_fit_starts_no_process(client: httpx.AsyncClient, params: dict[str, str]) -> None:
    refused = await client.get("/api/v1/debrief", params=params)
    assert refused.status_code == 422
    assert refused.json()["errors"]


async def test_one_is_made_at_a_time_a_few_wait_and_more_are_refused(tmp_path: Path) -> None:
    made = office(tmp_path, command=SLEEPER)
    waiting = [asyncio.create_task(made.write("debrief", names=True, now=NOW, **ASKED)) for _ in range(WAITING_MAX + 1)]
    await asyncio.sleep(0)  # each takes its place at once
    with pytest.raises(ReportRefusedError) as refused:
        await made.write("debrief", names=True, now=NOW, **ASKED)
    assert refused.value.kind == "busy"
    await made.close()
    ended = await asyncio.gather(*waiting, return_exceptions=True)
    assert [getattr(each, "kind", each) for each in ended] == ["busy"] * (WAITING_MAX + 1)


async def test_one_that_takes_too_long_or_fails_is_given_up(tmp_path: Path) -> None:
    with pytest.raises(ReportRefusedError, match=r"longer than 0\.2 s"):
        await office(tmp_path, command=SLEEPER, seconds_max=0.2).write("debrief", names=True, now=NOW, **ASKED)
    with pytest.raises(ReportRefusedError, match="could not be made") as failed:
        await office(tmp_path, command=STUPID).write("debrief", names=True, now=NOW, **ASKED)
    assert failed.value.kind == "internal"


async def test_one_that_nobody_waits_for_any_more_is_given_up(tmp_path: Path) -> None:
    """A page that was reloaded five times must not keep everybody else from their reports."""
    made, reader = office(tmp_path, command=SLEEPER), FakeReader()
    stream = Stream(reader)
    boards = BoardWatch(Boards(stream.carries), reader, within=3)
    app = build_app(reader, stream, boards, lambda _: (b"", ""), debriefs=made)
    sent: list[dict[str, object]] = []

    async def go_away() -> dict[str, object]:
        return heard.pop(0) if heard else {"type": "http.disconnect"}

    async def send(message: dict[str, object]) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "method": "GET",
        "path": "/api/v1/debrief",
        "query_string": f"aircraft={REG}".encode(),
        "headers": [(b"host", b"127.0.0.1")],
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 80),
    }
    async with asyncio.timeout(30):
        for _ in range(WAITING_MAX + 2):
            heard: list[dict[str, object]] = [{"type": "http.request", "body": b"", "more_body": False}]
            await app(scope, go_away, send)  # type: ignore[arg-type]
    assert {each["status"] for each in sent if each["type"] == "http.response.start"} == {499}
    await made.close()


async def test_without_an_office_there_are_no_reports() -> None:
    reader = FakeReader()
    stream = Stream(reader)
    app = build_app(reader, stream, BoardWatch(Boards(stream.carries), reader, within=3), lambda _: (b"", ""))
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1") as client:
        assert (await client.get("/api/v1/handover")).status_code == 404
