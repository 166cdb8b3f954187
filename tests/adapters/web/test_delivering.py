"""What is told outside, from the address to the audit and back."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pytest

from monitor.core.effects import RefuseCommand
from monitor.core.events import DeliveryReplayed, DestinationResumed
from tests.adapters.web.fake_outside import FakeOutside, dead_letter, destination
from tests.adapters.web.fake_reader import FakeReader
from tests.adapters.web.http_client import ask

PATH = "/api/v1/deliveries"


@pytest.fixture
def outside(reader: FakeReader) -> FakeOutside:
    reader.outside = FakeOutside()
    return reader.outside


async def test_destinations_and_dead_letters_are_listed_in_pages(url: str, outside: FakeOutside) -> None:
    outside.dead = [dead_letter(number) for number in (5, 4, 3)]
    first = (await ask(url, PATH + "?limit=2")).json()
    assert first["destinations"] == [destination("pager")]
    assert ([each["id"] for each in first["items"]], first["next"]) == (["5", "4"], "4")
    second = (await ask(url, f"{PATH}?limit=2&after={first['next']}")).json()
    assert ([each["id"] for each in second["items"]], second["next"]) == (["3"], None)


@pytest.mark.parametrize("cursor", ["x", "-1", "1.5", "9" * 19, "٣"])
async def test_a_cursor_that_is_not_ours_is_refused(url: str, outside: FakeOutside, cursor: str) -> None:
    answer = await ask(url, f"{PATH}?after={quote(cursor)}")
    assert (answer.status, answer.json()["errors"][0]["pointer"]) == (422, "after")


async def test_a_replay_is_audited_and_done(url: str, reader: FakeReader, outside: FakeOutside) -> None:
    outside.dead = [dead_letter(5), dead_letter(4)]
    answer = await ask(url, PATH + "/5/replay", method="POST", body={"by": "Mia", "reason": "mended"})
    assert answer.status == 200
    assert [each["id"] for each in answer.json()["items"]] == ["4"]
    assert reader.submitted == [DeliveryReplayed("5", "Mia", "mended", "127.0.0.1")]
    assert outside.done == ["replay 5"]


async def test_a_resumption_is_audited_and_done(url: str, reader: FakeReader, outside: FakeOutside) -> None:
    answer = await ask(url, PATH + "/destinations/pager/resume", method="POST")
    assert answer.status == 200
    assert reader.submitted == [DestinationResumed("pager", "unnamed", "", "127.0.0.1")]
    assert outside.done == ["resume pager"]


async def test_what_is_refused_is_not_done(url: str, reader: FakeReader, outside: FakeOutside) -> None:
    outside.dead = [dead_letter(5)]
    reader.effects = [RefuseCommand("refused", "not now")]
    assert (await ask(url, PATH + "/5/replay", method="POST")).status == 422
    assert (await ask(url, PATH + "/destinations/pager/resume", method="POST")).status == 422
    assert outside.done == []


@pytest.mark.parametrize("path", ["/7/replay", "/x/replay", "/destinations/nobody/resume"])
async def test_what_is_not_there_is_not_found_and_not_audited(
    url: str, reader: FakeReader, outside: FakeOutside, path: str
) -> None:
    answer = await ask(url, PATH + path, method="POST")
    assert (answer.status, answer.json()["type"]) == (404, "/api/v1/problems/not-found")
    assert reader.submitted == []


async def test_unknown_members_are_refused(url: str, outside: FakeOutside) -> None:
    outside.dead = [dead_letter(5)]
    body: Any = {"by": "Mia", "all": True}
    assert (await ask(url, PATH + "/5/replay", method="POST", body=body)).status == 422
    assert outside.done == []
