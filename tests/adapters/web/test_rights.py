"""Who may ask for what: every route of the application, for everybody.

The table below says it a second time, by hand: a right that is widened by mistake is found
here. A route that has no right yet fails the first test.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import httpx
import pytest
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from starlette.types import Receive, Scope, Send

from monitor.adapters.web import Stream
from monitor.adapters.web.app import build_app
from monitor.adapters.web.front import FRONT
from monitor.adapters.web.gate import Gate, Sittings
from monitor.adapters.web.rights import RIGHTS, Right, find_rights, name_holder
from tests.adapters.web.conftest import render_nothing, watch_boards
from tests.adapters.web.fake_reader import FakeReader
from tests.adapters.web.signed_in import HERE, House

EVERYBODY = ("nobody", "viewer", "coordinator", "administrator", "metrics", "read", "act", "admin")
"""Nobody, the three roles, and a token of each scope alone."""

MAY = {
    Right.OPEN: set(EVERYBODY),
    Right.SCRAPE: {"viewer", "coordinator", "administrator", "metrics", "read"},
    Right.READ: {"viewer", "coordinator", "administrator", "read"},
    Right.SHOW: {"viewer", "coordinator", "administrator", "act"},
    Right.OWN: {"viewer", "coordinator", "administrator", "admin"},
    Right.ACT: {"coordinator", "administrator", "act"},
    Right.ADMINISTER: {"administrator", "admin"},
}
OPEN = {
    *(("GET", path) for path in ("/sign-in", "/assets/{name}", "/healthz", "/readyz", "/api/v1/problems/{word}")),
    *((method, "/api/v1/session") for method in ("GET", "POST", "DELETE")),
    *(("GET", path) for path in ("/api/v1/sign-in/oidc", "/api/v1/sign-in/oidc/return")),
}
"""All that is open; whatever else is, is a mistake."""
SAMPLES = {"reg": "ZZ-KAT", "door": "L1", "board": "board-1234567890", "name": "board.css", "word": "conflict"}


def list_routes(app: FastAPI) -> set[tuple[str, str]]:
    """Every method and path that the application answers."""
    found = set()
    for route in iter_route_contexts(app.routes):
        methods = set(route.methods or ())
        assert route.path, "a route without a path cannot be given a right"
        found |= {(method, route.path) for method in methods - ({"HEAD"} if "GET" in methods else set())}
    return found


def application(reader: FakeReader) -> FastAPI:
    stream = Stream(reader)
    guard = build_app(reader, stream, watch_boards(reader, stream), render_nothing)
    app: FastAPI = guard._app._app  # type: ignore[attr-defined]
    return app


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    house = House(tmp_path_factory.mktemp("house"), FakeReader())
    yield house
    house.close()


async def reached(scope: Scope, receive: Receive, send: Send) -> None:
    """What stands behind the gate: says that somebody got through."""
    await send({"type": "http.response.start", "status": 204, "headers": []})
    await send({"type": "http.response.body", "body": b""})


@pytest.fixture
async def everybody(house: House) -> dict[str, dict[str, str]]:
    """What each of :data:`EVERYBODY` sends along to say who they are."""
    sent: dict[str, dict[str, str]] = {"nobody": {}}
    for name, role in (("Vera", "viewer"), ("Cora", "coordinator"), ("Ada", "administrator")):
        browser = await house.sign_in(name)
        sent[role] = {"cookie": f"sillwatch_session={browser.cookies['sillwatch_session']}"}
    for scope in ("metrics", "read", "act", "admin"):
        sent[scope] = {"authorization": f"Bearer {house.token(scope)}"}
    return sent


def test_every_route_has_a_right(reader: FakeReader) -> None:
    routes = list_routes(application(reader))
    assert len(routes) > 40
    assert routes - set(RIGHTS) == set(), "give each of these a right in monitor/adapters/web/rights.py"


def test_no_right_is_left_over(reader: FakeReader) -> None:
    assert set(RIGHTS) - list_routes(application(reader)) == set()


def test_nothing_is_open_but_what_has_to_be() -> None:
    assert {route for route, right in RIGHTS.items() if right is Right.OPEN} == OPEN


def test_whatever_changes_something_takes_more_than_reading() -> None:
    changing = {route: right for route, right in RIGHTS.items() if route[0] != "GET"}
    assert {right for route, right in changing.items() if route not in OPEN} == {
        *(Right.ACT, Right.SHOW, Right.OWN, Right.ADMINISTER),
    }


def fill(path: str) -> str:
    return re.sub(r"\{(\w+)(?::\w+)?\}", lambda match: SAMPLES.get(match[1], "0a1b"), path)


async def test_everybody_may_what_they_may_and_no_more(house: House, everybody: dict[str, dict[str, str]]) -> None:
    gate = Gate(reached, house.office, Sittings(house.office, house.reader.now), front=FRONT, now=house.reader.now)
    wrong = []
    transport = httpx.ASGITransport(app=gate, client=("192.0.2.7", 40_000))
    async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
        for (method, path), right in RIGHTS.items():
            for who, headers in everybody.items():
                answer = await client.request(method, fill(path), headers=headers)
                if who in MAY[right]:
                    expected = 204
                elif who != "nobody":
                    expected = 403
                else:
                    expected = 401 if path.startswith("/api/") or path == "/metrics" else 303
                if answer.status_code != expected:
                    wrong.append((method, path, who, answer.status_code, expected))
    assert wrong == []


async def test_a_route_that_was_forgotten_is_nobodys(house: House, everybody: dict[str, dict[str, str]]) -> None:
    gate = Gate(reached, house.office, Sittings(house.office, house.reader.now), front=FRONT, now=house.reader.now)
    transport = httpx.ASGITransport(app=gate, client=("192.0.2.7", 40_000))
    async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
        for headers in everybody.values():
            for method in ("GET", "POST", "DELETE"):
                for path in ("/api/v1/planted", "/planted", "/api/v1/alerts/planted/", "//api/v1/alerts"):
                    assert (await client.request(method, path, headers=headers)).status_code in (401, 404)
        for method in ("POST", "PUT", "DELETE", "PATCH"):
            answer = await client.request(method, "/api/v1/audit", headers=everybody["administrator"])
            assert (answer.status_code, answer.headers["allow"]) == (405, "GET, HEAD")


def test_of_two_entries_that_fit_the_stricter_holds() -> None:
    for path in ("/api/v1/alerts/a/acknowledge", "/api/v1/alerts/a/b/acknowledge"):
        assert find_rights(path) == {"POST": Right.ACT}
    assert find_rights("/metrics") == {"GET": Right.SCRAPE, "HEAD": Right.SCRAPE}
    assert find_rights("/api/v1/metrics") == {}


def test_whoever_is_refused_is_told_who_may() -> None:
    assert name_holder(Right.ACT) == ("coordinator", "act")
    assert name_holder(Right.READ) == ("viewer", "read")
    assert name_holder(Right.ADMINISTER) == ("administrator", "admin")
    assert name_holder(Right.SCRAPE) == ("viewer", "metrics")
