"""Before any route: pages lead to the sign-in page, programs get an answer, streams end with their session."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest

from monitor.adapters.access import AccessStore, tokens
from monitor.adapters.web import Stream, WebServer, gate
from monitor.adapters.web.front import FRONT, Front
from monitor.adapters.web.gate import Sittings
from monitor.core.times import HOUR
from monitor.ports import AccessError, Role, Who
from tests.adapters.access.people_kit import PASSWORD, edit
from tests.adapters.web.conftest import render_nothing, watch_boards
from tests.adapters.web.fake_reader import FakeReader
from tests.adapters.web.http_client import DEADLINE_S
from tests.adapters.web.signed_in import House, problem

BOARD = "https://board.example"


@pytest.fixture
def house(tmp_path: Path, reader: FakeReader) -> Iterator[House]:
    house = House(tmp_path, reader)
    yield house
    house.close()


# Without a session


@pytest.mark.parametrize(
    "address",
    ["/", "/alerts?view=history&code=a%26b", "/aircraft/ZZ-KAT", "/health?x=%0d%0aSet-Cookie:%20a=b", "/?a=//b"],
)
async def test_a_page_leads_to_the_sign_in_page_and_back(house: House, address: str) -> None:
    answer = await house.browser().get(address)
    assert answer.status_code == 303
    assert answer.headers["cache-control"] == "no-store"
    location = urlsplit(answer.headers["location"])
    assert (location.scheme, location.netloc, location.path) == ("", "", "/sign-in")
    assert parse_qs(location.query, strict_parsing=True) == {"next": [address]}
    assert "set-cookie" not in answer.headers


async def test_what_is_needed_to_sign_in_is_open(house: House) -> None:
    browser = house.browser()
    page = await browser.get("/sign-in?next=/alerts")
    assert page.status_code == 200
    for name in {part.split('"')[0] for part in page.text.split('"/assets/')[1:]}:
        assert (await browser.get(f"/assets/{name}")).status_code == 200
    for path in ("/healthz", "/readyz", "/api/v1/session", "/api/v1/problems/sign-in-needed"):
        assert (await browser.get(path)).status_code == 200


async def test_a_program_without_a_token_is_told_how(house: House) -> None:
    answer = await house.browser().get("/api/v1/aircraft")
    assert problem(answer) == (401, "sign-in-needed")
    assert answer.headers["www-authenticate"] == 'Bearer realm="sillwatch"'
    assert "ZZ-KAT" not in answer.text


@pytest.mark.parametrize(
    "authorization", ["Bearer x", "Bearer ", "bearer sillwatch_00000000_" + "0" * 64, "Basic YTpi", "sillwatch", ""]
)
async def test_a_wrong_token_is_not_helped_by_a_cookie_beside_it(house: House, authorization: str) -> None:
    cora = await house.sign_in("Cora")
    answer = await cora.get("/api/v1/aircraft", headers={"authorization": authorization})
    assert problem(answer) == (401, "sign-in-needed")
    assert 'error="invalid_token"' in answer.headers["www-authenticate"]
    assert (await cora.get("/healthz", headers={"authorization": authorization})).status_code == 200


async def test_a_viewer_is_told_who_may(house: House) -> None:
    vera = await house.sign_in("Vera")
    answer = await vera.post("/api/v1/alerts/x/acknowledge")
    assert problem(answer) == (403, "not-allowed")
    assert answer.json()["detail"] == "Only a coordinator may; you are signed in as viewer."
    assert answer.json()["needs"] == "coordinator"
    answer = await house.program(house.token("read")).post("/api/v1/alerts/x/acknowledge")
    assert answer.json()["needs"] == "act"
    assert house.reader.submitted == []


async def test_a_token_is_good_until_it_ends_or_is_removed(house: House) -> None:
    program = house.program(house.token("read", ends_at=house.reader.now() + HOUR))
    answer = await program.get("/api/v1/aircraft")
    assert answer.status_code == 200
    assert "set-cookie" not in answer.headers
    house.reader.clock += HOUR
    assert problem(await program.get("/api/v1/aircraft")) == (401, "sign-in-needed")


async def test_a_store_that_fails_lets_nobody_in(house: House) -> None:
    cora = await house.sign_in("Cora")
    house.store._connection.execute("ALTER TABLE sessions RENAME TO elsewhere")
    answer = await cora.get("/api/v1/aircraft")
    assert problem(answer) == (503, "no-access")
    assert "elsewhere" not in answer.text
    assert (await cora.get("/healthz")).status_code == 200
    assert problem(await cora.post("/api/v1/session", json={"name": "Cora", "password": PASSWORD})) == (
        503,
        "no-access",
    )


async def test_without_sign_in_all_is_as_it_was(reader: FakeReader, url: str) -> None:
    async with httpx.AsyncClient(base_url=url) as client:
        assert (await client.get("/api/v1/session")).json() == {"sign_in": False}
        for path in ("/", "/api/v1/aircraft", "/api/v1/audit", "/metrics"):
            assert (await client.get(path)).status_code == 200
        for method, path in (("POST", "/api/v1/session"), ("GET", "/api/v1/people"), ("GET", "/api/v1/sign-in/oidc")):
            body = {"name": "a", "password": "b"} if method == "POST" else None
            assert problem(await client.request(method, path, json=body)) == (404, "not-found")
        answer = await client.get("/api/v1/aircraft", headers={"authorization": "Bearer anything", "cookie": "a=b"})
        assert answer.status_code == 200


# Metrics


@pytest.mark.parametrize(
    ("peer", "base", "headers", "status"),
    [
        ("127.0.0.1", "http://127.0.0.1", {}, 200),
        ("::1", "http://localhost:8080", {}, 200),
        ("192.0.2.7", "http://127.0.0.1", {}, 401),
        ("127.0.0.1", "http://127.0.0.1", {"x-forwarded-for": "192.0.2.7"}, 401),
        ("127.0.0.1", "http://127.0.0.1", {"forwarded": "for=192.0.2.7"}, 401),
        ("127.0.0.1", "http://127.0.0.1", {"via": "1.1 proxy"}, 401),
    ],
)
async def test_only_this_machine_itself_scrapes_without_a_token(
    house: House, peer: str, base: str, headers: dict[str, str], status: int
) -> None:
    assert (await house.browser(base, peer=peer).get("/metrics", headers=headers)).status_code == status
    token = house.token("metrics")
    assert (await house.program(token, peer=peer).get("/metrics")).status_code == 200


async def test_behind_a_proxy_no_scrape_is_local(tmp_path: Path, reader: FakeReader) -> None:
    house = House(tmp_path, reader, Front(public_url=BOARD))
    answer = await house.browser(peer="127.0.0.1").get("/metrics")
    assert problem(answer) == (401, "sign-in-needed")
    house.close()


# Streams


class Asked:
    """An access whose answers a test gives."""

    def __init__(self) -> None:
        self.ended: set[Who] = set()
        self.fails = False

    async def find_ended(self, whos: set[Who], now: int) -> set[Who]:
        if self.fails:
            raise AccessError("the store cannot be read")
        return self.ended & whos


async def test_a_stream_ends_with_its_session_and_no_other(reader: FakeReader, stream: Stream) -> None:
    access = Asked()
    sittings = Sittings(access, reader.now)  # type: ignore[arg-type]
    whos = [Who("session", name, name, Role.VIEWER, frozenset(), reader.now() + HOUR) for name in ("one", "other")]
    clients = [stream.join(None) for _ in whos]
    for who, client in zip(whos, clients, strict=True):
        sittings.sit(who, client)
    await sittings.look()
    access.ended = {whos[0]}
    await sittings.look()
    assert [client._ended for client in clients] == [True, False]
    access.fails = True
    await sittings.look()
    assert not clients[1]._ended, "a store that cannot be read ends nothing by itself"
    reader.clock += HOUR
    await sittings.look()
    assert clients[1]._ended, "what the clock ends is ended all the same"
    for client in clients:
        client.leave()


@pytest.fixture
async def served(house: House, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[str]:
    """The house on a socket, which looks after its streams often."""
    monkeypatch.setattr(gate, "LOOK_S", 0.05)
    stream = Stream(house.reader, beat_s=0.05)
    watch = watch_boards(house.reader, stream)
    server = WebServer(house.reader, stream, watch, render_nothing, port=0, access=house.office, front=FRONT)
    yield await server.start()
    await server.stop()


@pytest.mark.parametrize("how", ["sign-out", "command line", "token"])
async def test_an_open_stream_ends_within_seconds(house: House, served: str, how: str) -> None:
    async with httpx.AsyncClient(base_url=served, timeout=DEADLINE_S * 4) as client:
        if how == "token":
            client.headers["authorization"] = f"Bearer {house.token('read', name='rig')}"
        else:
            answer = await client.post("/api/v1/session", json={"name": "Cora", "password": PASSWORD})
            assert answer.status_code == 200, answer.text
        async with client.stream("GET", "/api/v1/stream") as stream:
            assert stream.status_code == 200
            lines = stream.aiter_lines()
            async for line in lines:
                if line == "event: beat":
                    break
            if how == "sign-out":
                assert (await client.delete("/api/v1/session")).status_code == 204
            elif how == "token":
                remove(house.store)
            else:
                edit(house.store).sign_out("Cora", house.reader.now())
            async with asyncio.timeout(DEADLINE_S * 4):
                async for _ in lines:  # to its end, which is an orderly one
                    pass
        assert (await client.get("/api/v1/stream")).status_code == 401


def remove(store: AccessStore) -> None:
    """Take the rig's token away, as the command line does."""
    tokens.remove_token(store, "rig", by="shell:tester", origin="command line", now=0)


async def test_a_stream_is_refused_without_a_session(house: House, served: str) -> None:
    async with httpx.AsyncClient(base_url=served) as client:
        assert (await client.get("/api/v1/stream")).status_code == 401
        assert (await client.head("/api/v1/stream")).status_code == 401
