"""An aircraft's line of time, asked over a socket."""

from __future__ import annotations

import pytest

from monitor.core.times import HOUR, MINUTE, format_time
from tests.adapters.web.fake_reader import START, FakeReader
from tests.adapters.web.http_client import ask
from tests.adapters.web.test_reading import assert_problem

TIMELINE = "/api/v1/aircraft/ZZ-KAT/timeline"


def asked(reader: FakeReader) -> tuple[str, int, int]:
    name, question = reader.asked[-1]
    return name, question["since"], question["until"]


async def test_the_last_half_hour_is_told_by_default(url: str, reader: FakeReader) -> None:
    answer = await ask(url, TIMELINE)
    assert answer.status == 200
    assert answer.json() == {"aircraft": "ZZ-KAT", "doors": {}, "alerts": []}
    assert asked(reader) == ("timeline ZZ-KAT", START - 30 * MINUTE, START)


async def test_a_while_is_a_day_at_most(url: str, reader: FakeReader) -> None:
    longest = START - 24 * HOUR
    assert (await ask(url, f"{TIMELINE}?since={format_time(longest)}")).status == 200
    assert asked(reader) == ("timeline ZZ-KAT", longest, START)
    document = assert_problem(await ask(url, f"{TIMELINE}?since={format_time(longest - 1000)}"), 422, "invalid")
    assert document["detail"] == "a period is 24 h at most"


async def test_a_while_may_lie_in_the_past_and_never_ahead(url: str, reader: FakeReader) -> None:
    since, until = START - 300 * HOUR, START - 290 * HOUR
    await ask(url, f"{TIMELINE}?since={format_time(since)}&until={format_time(until)}")
    assert asked(reader) == ("timeline ZZ-KAT", since, until)
    await ask(url, f"{TIMELINE}?until={format_time(START + HOUR)}")
    assert asked(reader) == ("timeline ZZ-KAT", START - 30 * MINUTE, START)


@pytest.mark.parametrize("query", [f"since={format_time(START)}", "since=yesterday", "from=1"])
async def test_a_while_that_does_not_fit_is_refused(url: str, reader: FakeReader, query: str) -> None:
    assert_problem(await ask(url, f"{TIMELINE}?{query}"), 422, "invalid")
    assert reader.asked == []


async def test_an_aircraft_nobody_heard_of_is_not_found(url: str) -> None:
    document = assert_problem(await ask(url, "/api/v1/aircraft/ZZ-NIL/timeline"), 404, "not-found")
    assert "ZZ-NIL" in document["detail"]
