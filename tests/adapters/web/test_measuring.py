"""The addresses that sum up a period, asked over a socket."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pytest

from monitor.core.times import HOUR, format_time, parse_time
from tests.adapters.web.fake_reader import START, FakeReader
from tests.adapters.web.http_client import ask
from tests.adapters.web.test_reading import assert_problem

DAY = 24 * HOUR
HEALTH = "/api/v1/alarm-health"
WATCHED = "/api/v1/aircraft/ZZ-KAT/watched"
ADDRESSES = pytest.mark.parametrize("path", [HEALTH, WATCHED])


def asked(reader: FakeReader) -> dict[str, Any]:
    (_, question) = reader.asked[-1]
    return question


@ADDRESSES
async def test_the_last_day_is_summed_up_by_default(url: str, reader: FakeReader, path: str) -> None:
    answer = await ask(url, path)
    assert answer.status == 200
    assert (asked(reader)["since"], asked(reader)["until"]) == (START - DAY, START)


@ADDRESSES
async def test_a_period_is_asked_as_it_is_given(url: str, reader: FakeReader, path: str) -> None:
    await ask(url, path + "?since=2026-02-01T00:00:00Z&until=2026-02-08T01:00:00%2B01:00")
    since, until = (parse_time(f"2026-02-{day}T00:00:00Z") for day in ("01", "08"))
    assert (asked(reader)["since"], asked(reader)["until"]) == (since, until)


@ADDRESSES
async def test_what_is_to_come_belongs_to_no_period(url: str, reader: FakeReader, path: str) -> None:
    await ask(url, path + f"?since={format_time(START - HOUR)}&until={format_time(START + HOUR)}")
    assert (asked(reader)["since"], asked(reader)["until"]) == (START - HOUR, START)


@ADDRESSES
async def test_a_period_is_a_year_at_most(url: str, reader: FakeReader, path: str) -> None:
    longest = START - 366 * DAY
    assert (await ask(url, path + f"?since={format_time(longest)}")).status == 200
    assert asked(reader)["since"] == longest
    document = assert_problem(await ask(url, path + f"?since={format_time(longest - 1000)}"), 422, "invalid")
    assert document["detail"] == "a period is 366 days at most"


@ADDRESSES
@pytest.mark.parametrize(
    "query",
    [
        f"since={format_time(START)}",
        f"since={format_time(START - HOUR)}&until={format_time(START - HOUR)}",
        f"since={format_time(START - HOUR)}&until={format_time(START - 2 * HOUR)}",
        f"since={format_time(START + HOUR)}&until={format_time(START + 2 * HOUR)}",
        "since=yesterday",
        "form=2026-03-01T10:00:00Z",
    ],
)
async def test_a_period_that_does_not_fit_is_refused(url: str, reader: FakeReader, path: str, query: str) -> None:
    assert_problem(await ask(url, f"{path}?{query}"), 422, "invalid")
    assert reader.asked == []


async def test_one_door_may_be_asked_for(url: str, reader: FakeReader) -> None:
    for door in ("L1", "-"):
        assert (await ask(url, f"{WATCHED}?door={quote(door)}")).json() == {"aircraft": "ZZ-KAT", "doors": {}}
        assert asked(reader)["door"] == door
    await ask(url, WATCHED)
    assert asked(reader)["door"] is None


async def test_what_nobody_knows_is_not_found(url: str, reader: FakeReader) -> None:
    assert_problem(await ask(url, "/api/v1/aircraft/ZZ-NIL/watched"), 404, "not-found")
    reader.recorded_from = START
    document = assert_problem(await ask(url, HEALTH), 404, "not-found")
    assert document["detail"] == "Nothing is known of that period."


async def test_both_are_described(url: str) -> None:
    document = (await ask(url, "/api/v1/openapi.json")).json()
    for path, model in ((HEALTH, "AlarmHealthDocument"), ("/api/v1/aircraft/{reg}/watched", "WatchedDocument")):
        operation = document["paths"][path]["get"]
        reference = operation["responses"]["200"]["content"]["application/json"]["schema"]["$ref"]
        assert reference == f"#/components/schemas/{model}"
        names = {parameter["name"] for parameter in operation["parameters"] if parameter["in"] == "query"}
        assert names == ({"since", "until"} if path == HEALTH else {"since", "until", "door"})
    schemas = document["components"]["schemas"]
    assert schemas["HazardWatch"]["required"] == ["watched_minutes", "deaf_minutes", "not_known_minutes", "reasons"]
