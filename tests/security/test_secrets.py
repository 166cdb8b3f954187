"""No secret is ever shown: not in a log, an answer, a metric, an error or what a command says."""

from __future__ import annotations

import httpx
import pytest

from monitor.config import load
from tests.acceptance.programs import until
from tests.security.conftest import Closed
from tests.security.exchanging import exchange, post, request


def held(closed: Closed) -> dict[str, str]:
    """Every secret, by what it is; each token by the half that counts."""
    named = {**closed.secret._asdict(), "webhook": closed.secret.webhook.replace("-", "")}
    return {**named, "token": closed.token.rpartition("_")[2]}


@pytest.fixture(scope="module")
def cookie(closed: Closed) -> str:
    answer = closed.instance.post("/api/v1/session", {"name": "ada", "password": closed.secret.people})
    assert answer.status_code == 200, answer.text
    return answer.headers["set-cookie"].split(";")[0]


def shown(closed: Closed, cookie: str, text: str) -> list[str]:
    named = {**held(closed), "session": cookie.partition("=")[2]}
    return [name for name, secret in named.items() if secret in text]


def test_no_answer_shows_a_secret(closed: Closed, cookie: str) -> None:
    url = str(closed.instance.http.base_url)
    with httpx.Client(base_url=url, headers={"Cookie": cookie}, timeout=30) as client:
        document = client.get("/api/v1/openapi.json").json()
        paths = [path for path in document["paths"] if "{" not in path and path != "/api/v1/stream"]
        assert len(paths) > 10
        told = [client.get(path) for path in [*paths, "/", "/metrics", "/readyz", "/sign-in", "/nowhere"]]
        told += [client.get("/api/v1/sessions"), client.get("/api/v1/people"), client.get("/api/v1/audit")]
    wrong = [
        exchange(
            url, post("/api/v1/session", b'{"name": "ada", "password": "' + closed.secret.people.encode() + b'!"}')
        ).raw,
        exchange(
            url, post("/api/v1/session", b'{"name": 5, "password": "' + closed.secret.people.encode() + b'"}')
        ).raw,
        exchange(url, post("/api/v1/session", b'{"password": ["' + closed.secret.people.encode() + b'"]}')).raw,
        exchange(url, request("GET", "/api/v1/aircraft", f"Authorization: Bearer {closed.token}x")).raw,
        exchange(url, request("GET", "/api/v1/aircraft", f"Cookie: {cookie}; {cookie}")).raw,
    ]
    for answer in told:
        assert shown(closed, cookie, answer.text + str(answer.headers)) == [], answer.url
    for raw in wrong:
        assert shown(closed, cookie, raw.decode("latin-1")) == []


def test_no_log_and_no_command_shows_a_secret(closed: Closed, cookie: str) -> None:
    """The broker refuses, deliveries fail and people mistype meanwhile: that is told, without what they used."""
    until(lambda: "mqtt-retrying" in closed.instance.err, "the log tells that there is no broker")
    assert shown(closed, cookie, closed.instance.err) == []
    assert shown(closed, cookie, closed.told) == []


def test_the_configuration_never_holds_one(closed: Closed, cookie: str) -> None:
    assert shown(closed, cookie, repr(load(closed.config, environment={}))) == []


def test_the_stores_hold_no_password_and_no_token(closed: Closed, cookie: str) -> None:
    """Hashes alone: a copy of the data folder lets nobody in."""
    for path in (closed.folder / "data").rglob("*"):
        if path.is_file():
            assert shown(closed, cookie, path.read_bytes().decode("latin-1")) == [], path
            assert path.stat().st_mode & 0o077 == 0 or path.suffix != ".sqlite3" or "access" not in path.name, path
