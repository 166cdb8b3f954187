"""What the guard lets through, as tables; the running server is asked in the other modules."""

from __future__ import annotations

import pytest
from starlette.datastructures import Headers

from monitor.adapters.web.front import is_loopback_host
from monitor.adapters.web.guard import BODY_MAX, find_objection, is_same_origin


@pytest.mark.parametrize(
    "host", ["localhost", "LOCALHOST:8080", "127.0.0.1", "127.0.0.1:8080", "127.8.9.10:1", "[::1]", "[::1]:8080"]
)
def test_loopback_names_are_answered(host: str) -> None:
    assert is_loopback_host(host)


@pytest.mark.parametrize(
    "host",
    [
        "",
        "apron.example",
        "localhost.apron.example",
        "127.0.0.1.apron.example",
        "10.0.0.1:8080",
        "[2001:db8::1]",
        "localhost:8080@apron.example",
        "127.0.0.1:80:80",
        "::1",
        "2130706433",
    ],
)
def test_other_names_are_not(host: str) -> None:
    assert not is_loopback_host(host)


@pytest.mark.parametrize(
    ("headers", "same"),
    [
        ({}, True),
        ({"sec-fetch-site": "same-origin", "origin": "http://localhost:8080"}, True),
        ({"sec-fetch-site": "none"}, True),
        ({"origin": "http://localhost:8080"}, True),
        ({"sec-fetch-site": "same-site"}, False),
        ({"sec-fetch-site": "cross-site"}, False),
        ({"origin": "null"}, False),
        ({"origin": "http://["}, False),
        ({"origin": "http://localhost:9090"}, False),
        ({"origin": "http://apron.example"}, False),
        ({"sec-fetch-site": "same-origin", "origin": "http://apron.example"}, False),
    ],
)
def test_only_our_own_page_or_no_page_may_act(headers: dict[str, str], same: bool) -> None:
    assert is_same_origin(Headers({"host": "localhost:8080", **headers})) is same


def objection(method: str, path: str, **headers: str) -> str | None:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    found = find_objection(method, path, Headers({"host": "localhost", **named}))
    return None if found is None else found.kind


def test_another_sites_page_may_link_to_us_but_not_read_or_act() -> None:
    cross = {"sec_fetch_site": "cross-site"}
    assert objection("GET", "/", **cross) is None
    assert objection("GET", "/api/v1/aircraft", sec_fetch_mode="navigate", **cross) is None
    assert objection("GET", "/api/v1/stream", sec_fetch_mode="cors", **cross) == "cross-site"
    assert objection("POST", "/api/v1/alerts/x/acknowledge", sec_fetch_mode="navigate", **cross) == "cross-site"


def test_a_body_must_be_json_and_small() -> None:
    assert objection("POST", "/x", content_length="0") is None
    assert objection("POST", "/x", content_length="2", content_type="application/json; charset=utf-8") is None
    assert objection("POST", "/x", content_length="2", content_type="text/plain") == "unsupported-media-type"
    assert objection("POST", "/x", transfer_encoding="chunked") == "unsupported-media-type"
    length = str(BODY_MAX + 1)
    assert objection("POST", "/x", content_length=length, content_type="application/json") == "too-large"
