"""The bench's HTTP side: what it answers, to whom, and what it refuses."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any, Final

import httpx
import pytest

from monitor.adapters.mqtt_settings import BrokerAddress
from monitor.core.times import SECOND
from simulators.publication import Publication
from simulators.workbench.app import STREAM_PATH, build_app, read_page
from simulators.workbench.bench import OUTBOX_MAX, Bench, Outbox
from simulators.workbench.picture import STREAMS_MAX, Picture
from simulators.workbench.server import PageServer
from simulators.workbench.session import Session
from tests.stories import START, demo_site

NOWHERE: Final = BrokerAddress("127.0.0.1", 9, tls=False, username=None, password=None)
DEADLINE_S: Final = 20.0


class Clock:
    now = START

    def __call__(self) -> int:
        return self.now


@pytest.fixture
def bench() -> Bench:
    session = Session(demo_site(), reg="ZZ-RIG", type_name="alder", stand="S16", seed=1, start_us=START)
    made = Bench(session, NOWHERE, clock=Clock())
    made.show()
    return made


@pytest.fixture
async def client(bench: Bench) -> AsyncIterator[httpx.AsyncClient]:
    server = PageServer(build_app(bench, read_page()), "127.0.0.1", 0)
    url = await server.start()
    async with httpx.AsyncClient(base_url=url, timeout=DEADLINE_S) as client:
        yield client
    bench.picture.end()
    await server.stop()


async def begin(client: httpx.AsyncClient, bench: Bench, start: str = "closed") -> None:
    answer = await client.post("/api/begin", json={"start": start})
    assert answer.status_code == 204, answer.text
    bench.show()


async def test_the_page_comes_with_a_strict_policy_and_says_what_it_is(client: httpx.AsyncClient) -> None:
    page = await client.get("/")
    assert page.status_code == 200
    assert "nothing here is a real aircraft" in page.text
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "<style" not in page.text
    assert "style=" not in page.text
    for name in ("bench.js", "bench.css", "icon.svg", "licences.txt"):
        assert (await client.get(f"/assets/{name}")).status_code == 200, name


async def test_a_whole_round_of_commands(client: httpx.AsyncClient, bench: Bench) -> None:
    state = (await client.get("/api/state")).json()
    assert state["bench"]["begun"] is False
    assert state["bench"]["simulated"] is True
    assert "aircraft" not in state
    await begin(client, bench, "armed")
    orders: list[tuple[str, dict[str, Any]]] = [
        ("orders", {"do": "disarm slide", "door": "L1"}),
        ("orders", {"do": "beacon on"}),
        ("moves", {"door": "L1", "part": "handle", "to": 0.5}),
        ("holds", {"door": "L1", "part": "leaf", "force": -0.5}),
        ("holds", {"door": "L1", "part": "leaf", "force": 0}),
        ("faults", {"reading": "door/L1/closed", "fault": "stick"}),
        ("faults", {"reading": "door/L1/closed", "fault": "mend"}),
        ("wind", {"mean_kt": 20, "gust_kt": 5}),
    ]
    for path, body in orders:
        answer = await client.post(f"/api/{path}", json=body)
        assert answer.status_code == 204, (path, body, answer.text)
    bench.show()
    state = (await client.get("/api/state")).json()
    assert state["aircraft"]["switches"]["beacon"] is True
    assert state["aircraft"]["wind"]["mean_kt"] == 20
    assert (await client.post("/api/end", json={})).status_code == 204
    bench.show()
    state = (await client.get("/api/state")).json()
    assert state["bench"]["begun"] is False
    assert state["aircraft"] is None


@pytest.mark.parametrize(
    ("path", "body", "status", "word"),
    [
        ("orders", {"do": "sing", "door": "L1"}, 422, "refused"),
        ("orders", {"do": "lift handle", "door": "L9"}, 422, "refused"),
        ("orders", {"do": "lift handle", "door": "../L1"}, 422, "invalid"),
        ("orders", {}, 422, "invalid"),
        ("orders", {"do": "beacon on", "more": 1}, 422, "invalid"),
        ("orders", {"do": "beacon on\n"}, 422, "invalid"),
        ("moves", {"door": "L1", "part": "handle", "to": 1.5}, 422, "invalid"),
        ("moves", {"door": "L1", "part": "handle", "to": "1"}, 422, "invalid"),
        ("moves", {"door": "L1", "part": "leaf", "to": 1}, 422, "refused"),
        ("holds", {"door": "L1", "part": "wing", "force": 1}, 422, "invalid"),
        ("holds", {"door": "L9", "part": "leaf", "force": 1}, 422, "refused"),
        ("faults", {"reading": "door/L1/closed", "fault": "set", "amount": "maybe"}, 422, "refused"),
        ("faults", {"reading": "door/L1/closed", "fault": "set", "amount": [1]}, 422, "invalid"),
        ("wind", {"mean_kt": 500, "gust_kt": 0}, 422, "invalid"),
        ("begin", {"start": "flying"}, 422, "invalid"),
        ("begin", {"start": "closed"}, 422, "refused"),
    ],
)
async def test_what_does_not_fit_is_a_problem_with_its_reason(
    client: httpx.AsyncClient, bench: Bench, path: str, body: dict[str, Any], status: int, word: str
) -> None:
    await begin(client, bench)
    answer = await client.post(f"/api/{path}", json=body)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["type"] == f"/api/v1/problems/{word}"
    assert answer.json()["detail"]
    assert (await client.get(answer.json()["type"])).status_code == 200


async def test_orders_before_the_beginning_are_refused(client: httpx.AsyncClient) -> None:
    answer = await client.post("/api/orders", json={"do": "beacon on"})
    assert answer.status_code == 422
    assert "begin first" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"{", "application/json", 400),
        (b"do=x", "application/x-www-form-urlencoded", 415),
        (b"{}", "text/plain", 415),
        (b'{"do": "' + b"x" * 70_000 + b'"}', "application/json", 413),
    ],
)
async def test_bodies_are_bounded_and_are_json(
    client: httpx.AsyncClient, content: bytes, kind: str, status: int
) -> None:
    answer = await client.post("/api/orders", content=content, headers={"Content-Type": kind})
    assert answer.status_code == status, answer.text


@pytest.mark.parametrize("path", ["/nothing", "/assets/nothing.js", "/assets/..%2fapp.py", "/api/v1/problems/nothing"])
async def test_what_there_is_not_is_not_found(client: httpx.AsyncClient, path: str) -> None:
    answer = await client.get(path)
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"


async def test_a_command_is_no_question(client: httpx.AsyncClient) -> None:
    answer = await client.get("/api/orders")
    assert answer.status_code == 405


@pytest.mark.parametrize("host", ["bench.example", "bench.example:8090", "127.0.0.1.bench.example", "10.0.0.7"])
async def test_another_name_for_this_machine_is_not_answered(client: httpx.AsyncClient, host: str) -> None:
    """A page elsewhere may point its own name at 127.0.0.1 (DNS rebinding); it still sends that name."""
    for path in ("/", "/api/state"):
        answer = await client.get(path, headers={"Host": host})
        assert answer.status_code == 421, path
    answer = await client.post("/api/begin", json={}, headers={"Host": host})
    assert answer.status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
async def test_another_sites_page_works_no_door(
    client: httpx.AsyncClient, bench: Bench, headers: dict[str, str]
) -> None:
    answer = await client.post("/api/begin", json={}, headers=headers)
    assert answer.status_code == 403
    assert not bench.session.begun
    assert (await client.get(STREAM_PATH, headers=headers)).status_code == 403


async def test_our_own_page_works_doors(client: httpx.AsyncClient, bench: Bench) -> None:
    origin = str(client.base_url).rstrip("/")
    answer = await client.post("/api/begin", json={}, headers={"Origin": origin, "Sec-Fetch-Site": "same-origin"})
    assert answer.status_code == 204
    assert bench.session.begun


async def test_the_stream_begins_with_the_whole_and_goes_on_with_what_changed(
    client: httpx.AsyncClient, bench: Bench
) -> None:
    await begin(client, bench)
    async with client.stream("GET", STREAM_PATH) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        lines = stream.aiter_lines()
        whole = await next_frame(lines, "picture")
        assert {"bench", "aircraft", "monitor", "door/L1", "door/CF"} <= set(whole)
        bench.session.order("fit barrier", "L1", bench.now())
        bench.show()
        changed = await next_frame(lines, "change")
        assert set(changed) == {"door/L1"}
        assert changed["door/L1"]["mechanism"]["barrier"] is True


async def next_frame(lines: AsyncIterator[str], name: str) -> Any:
    """Read up to the next event of that name."""
    async with asyncio.timeout(DEADLINE_S):
        event = ""
        async for line in lines:
            if line.startswith("event: "):
                event = line.removeprefix("event: ")
            elif line.startswith("data: ") and event == name:
                return json.loads(line.removeprefix("data: "))
    raise AssertionError(f"the stream ended before {name}")


async def test_there_are_only_so_many_streams(client: httpx.AsyncClient, bench: Bench) -> None:
    taken = [bench.picture.follow() for _ in range(STREAMS_MAX)]
    answer = await client.get(STREAM_PATH)
    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "5"
    for frames in taken:
        frames.close()
        frames.close()
    assert bench.picture.open == 0, "never read, and given up all the same"


async def test_a_stream_that_is_left_gives_its_place_up(client: httpx.AsyncClient, bench: Bench) -> None:
    for _ in range(STREAMS_MAX + 2):
        async with client.stream("GET", STREAM_PATH) as stream:
            assert stream.status_code == 200
            assert bench.picture.open >= 1
        async with asyncio.timeout(DEADLINE_S):
            while bench.picture.open:  # noqa: ASYNC110 - the server's own task gives it up
                await asyncio.sleep(0.01)


async def test_what_is_no_page_takes_no_place(client: httpx.AsyncClient, bench: Bench) -> None:
    """Neither a mere look at the headers nor a window that another site's page sent here."""
    head = await client.head(STREAM_PATH)
    assert (head.status_code, head.headers["content-type"].partition(";")[0]) == (200, "text/event-stream")
    sent = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    assert (await client.get(STREAM_PATH, headers=sent)).status_code == 403
    assert bench.picture.open == 0


def test_what_waits_for_the_broker_is_bounded_and_handed_over_once(bench: Bench) -> None:
    outbox = Outbox(bench.session)
    outbox.add([Publication(START, f"t/{number}", b"", retain=False) for number in range(OUTBOX_MAX + 7)])
    waiting = outbox.advance(START)
    assert len(waiting) == OUTBOX_MAX
    assert waiting[0].topic == "t/7", "the oldest go first: they are made up for by the picture"
    assert outbox.advance(START) == []


def test_an_aircraft_taken_away_while_the_broker_is_gone_is_taken_away_there_too(bench: Bench) -> None:
    outbox = Outbox(bench.session)
    bench.session.begin("closed", START)
    sent = bench.session.advance(START + SECOND)
    retained = {publication.topic for publication in sent if publication.retain}
    outbox.withdraw(bench.session.end())
    outbox.advance(START)  # the rig does so while there is no connection: it reaches nobody
    outbox.owe_picture()
    again = outbox.advance(START)
    assert {publication.topic for publication in again} == retained
    assert all(publication.payload == b"" and publication.retain for publication in again)

    bench.session.begin("closed", START)
    bench.session.advance(START + 2 * SECOND)
    outbox.owe_picture()
    assert outbox.advance(START) == [], "what is there again is not withdrawn under its feet"


def test_one_that_is_taken_away_at_the_very_end_is_withdrawn_without_being_asked(bench: Bench) -> None:
    outbox = Outbox(bench.session)
    bench.session.begin("closed", START)
    sent = bench.session.advance(START + SECOND)
    outbox.withdraw(bench.session.end())
    outbox.withdraws = True
    assert {p.topic for p in outbox.withdrawals()} == {p.topic for p in sent if p.retain}


async def test_a_slow_page_is_sent_the_newest_and_no_queue() -> None:
    picture = Picture()
    picture.show({"a": 0, "b": 0})
    frames = aiter(picture.follow())
    await anext(frames)
    for number in range(1, 500):
        picture.show({"a": number, "b": 0})
    assert await anext(frames) == b'event: change\ndata: {"a":499}\n\n'
    picture.show({"b": 0})
    assert await anext(frames) == b'event: change\ndata: {"a":null}\n\n'
    picture.end()
    assert [frame async for frame in frames] == []
