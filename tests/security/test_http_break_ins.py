"""Breaking in over HTTP where nobody has to sign in: targets, headers, bodies, origins, connections.

Whatever is sent, the answer is one refusal in the form of the rest, nothing of the machine is
shown, and the service goes on.
"""

from __future__ import annotations

import itertools
import json
import socket
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.acceptance.programs import until
from tests.security.conftest import Open
from tests.security.exchanging import Answers, exchange, post, request

pytestmark = pytest.mark.broker

OURS = {
    "allow", "cache-control", "connection", "content-encoding", "content-length", "content-security-policy",
    "content-type", "cross-origin-opener-policy", "cross-origin-resource-policy", "date", "etag", "location",
    "referrer-policy", "retry-after", "transfer-encoding", "vary", "x-content-type-options", "x-frame-options",
}  # fmt: skip


@pytest.fixture
def url(unguarded: Open) -> str:
    return str(unguarded.instance.http.base_url)


def refused(answers: Answers, *statuses: int) -> bool:
    """One answer, of one of these statuses, with no header that is not ours and nothing of the machine in it."""
    assert len(answers.statuses) == 1, answers.raw[:600]
    assert answers.status in statuses, answers.raw[:600]
    assert answers.header_names <= OURS, answers.header_names - OURS
    assert not any(word in answers.raw for word in (b"Traceback", b"root:", b"site-packages", b"[project]"))
    return True


TRAVERSALS = [
    "/assets/../app.py",
    "/assets/../../../../../../etc/passwd",
    "/assets/%2e%2e/%2e%2e/app.py",
    "/assets/..%2f..%2fapp.py",
    "/assets/..%5c..%5capp.py",
    "/assets/..\\..\\app.py",
    "/assets/%252e%252e%252fapp.py",
    "/assets/....//....//app.py",
    "/assets/..;/app.py",
    "/assets/%c0%ae%c0%ae/app.py",
    "/assets/%00board.js",
    "/assets/board.html%00.js",
    "/assets//etc/passwd",
    "/assets/",
    "/assets",
    "//etc/passwd",
    "/../pyproject.toml",
    "/static/board.html",
    "/api/v1/aircraft/..%2f..%2fmetrics",
    "/api/v1/aircraft/%2e%2e/%2e%2e/metrics",
    "/api/v1/aircraft/../../../etc/passwd",
    "/api/v1/aircraft/ZT-SEC%2fdoors",
    "/api/v1/aircraft/ZT-SEC%00",
    "/api/v1/aircraft/ZT-SEC%0d%0aX-Injected:%20yes",
    "/api/v1/aircraft/%F0%9F%9B%AB",
    "/api/v1/aircraft/%ff%fe",
    "/api/v1/aircraft/" + "A" * 8000,
    "/api/v1/problems/..%2f..%2fsecret",
    "/api/v1/alerts/%2e%2e%2fpermits",
]


def test_no_target_leads_out_of_what_is_served(url: str) -> None:
    assert all(refused(exchange(url, request("GET", target)), 400, 404, 405, 422) for target in TRAVERSALS)


def test_nothing_in_an_address_becomes_a_header(url: str) -> None:
    for target in (
        "/sign-in?next=%0d%0aX-Injected:%20yes",
        "/sign-in?next=//evil.example/",
        "/?a=%0d%0aSet-Cookie:%20x=1",
        "/%0d%0aX-Injected:%20yes",
        "/api/v1/history?code=%0d%0aX-Injected:%20yes",
        "/api/v1/stream%0d%0aX-Injected:%20yes",
    ):
        answers = exchange(url, request("GET", target))
        assert answers.status in (200, 303, 404, 422), answers.raw[:300]
        assert answers.header_names <= OURS, target


SMUGGLED = b"GET /smuggled HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
CHUNKED = b"0\r\n\r\n" + SMUGGLED
SMUGGLING = {
    "length and chunks": request("POST", "/api/v1/permits", "Content-Length: 4", "Transfer-Encoding: chunked", body=CHUNKED),
    "two lengths": request("POST", "/api/v1/permits", "Content-Length: 0", f"Content-Length: {len(SMUGGLED)}", body=SMUGGLED),
    "a list of lengths": request("POST", "/api/v1/permits", "Content-Length: 0, 45", body=SMUGGLED),
    "a length with a sign": request("POST", "/api/v1/permits", "Content-Length: +5", body=b"hello"),
    "a negative length": request("POST", "/api/v1/permits", "Content-Length: -1", body=SMUGGLED),
    "an unknown coding": request("POST", "/api/v1/permits", "Transfer-Encoding: xchunked", body=CHUNKED),
    "two codings": request("POST", "/api/v1/permits", "Transfer-Encoding: chunked, identity", body=CHUNKED),
    "a coding behind a tab": request("POST", "/api/v1/permits", "Transfer-Encoding:\x0bchunked", body=CHUNKED),
    "a space before the colon": request("POST", "/api/v1/permits", "Transfer-Encoding : chunked", body=CHUNKED),
    "a folded line": request("POST", "/api/v1/permits", "X: y\r\n Transfer-Encoding: chunked", "Content-Length : 0", body=CHUNKED),
    "a chunk of no length": request("POST", "/api/v1/permits", "Transfer-Encoding: chunked", body=b"zz\r\n" + CHUNKED),
    "a chunk far too long": request("POST", "/api/v1/permits", "Transfer-Encoding: chunked", body=b"f" * 17 + b"\r\n" + CHUNKED),
    "a header without a colon": request("GET", "/healthz", "nonsense"),
    "a null in a header": request("GET", "/healthz", b"X: a\0b"),
    "a line end in a header": request("GET", "/healthz", b"X: a\nX-Injected: yes\0"),
    "no host": request("GET", "/healthz", host=""),
    "two hosts": request("GET", "/healthz", "Host: evil.example"),
    "an old version with two lines": b"GET /healthz\r\n\r\n",
    "TLS on a plain port": b"\x16\x03\x01\x00\xa5\x01\x00\x00\xa1\x03\x03" + b"\0" * 160 + b"\r\n\r\n",
    "another protocol": b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    "a header of 1 MB": request("GET", "/healthz", "X: " + "y" * 1_000_000),
    "forty thousand headers": request("GET", "/healthz", *[f"X-{number}: y" for number in range(40_000)]),
    "a target of 1 MB": request("GET", "/" + "a" * 1_000_000),
}  # fmt: skip


@pytest.mark.parametrize("shape", SMUGGLING)
def test_a_request_that_two_readers_would_read_differently_is_one_refusal(url: str, shape: str) -> None:
    answers = exchange(url, SMUGGLING[shape])
    assert len(answers.statuses) <= 1, answers.raw[:1000]
    assert answers.status in (None, 400, 413, 415, 421, 431), answers.raw[:300]
    assert b"smuggled" not in answers.raw


def test_garbage_behind_a_request_ends_the_connection_and_nothing_else(url: str) -> None:
    """What is no HTTP, while an answer is under way: no second answer into it, and no fault in the log (see the fixture)."""
    for method, target in (
        ("GET", "/healthz"),
        ("HEAD", "/healthz"),
        ("GET", "/api/v1/openapi.json"),
    ):
        whole = b"%s %s HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" % (method.encode(), target.encode())
        answers = exchange(url, whole + b"\0\0garbage\r\n\r\n")
        assert answers.statuses[:1] in ([], [200], [400]), answers.raw[:300]
        assert len(answers.statuses) <= 2
    assert exchange(url, request("GET", "/healthz")).status == 200


def bodies(alert: str) -> dict[str, tuple[str, bytes]]:
    acknowledge = f"/api/v1/alerts/{alert}/acknowledge"
    shelve = f"/api/v1/alerts/{alert}/shelve"
    deep = b"[" * 30_000 + b"]" * 30_000
    return {
        "deep": (acknowledge, deep),
        "deep in a field": (acknowledge, b'{"by": "a", "reason": ' + deep + b"}"),
        "a bomb of objects": (acknowledge, b'{"a":' * 10_000 + b"1" + b"}" * 10_000),
        "NaN": (shelve, b'{"by": "a", "reason": "b", "minutes": NaN}'),
        "infinity": (shelve, b'{"by": "a", "reason": "b", "minutes": 1e999}'),
        "five thousand digits": (shelve, b'{"by": "a", "reason": "b", "minutes": ' + b"9" * 5000 + b"}"),
        "not whole": (shelve, b'{"by": "a", "reason": "b", "minutes": 5.5}'),
        "text for a number": (shelve, b'{"by": "a", "reason": "b", "minutes": "5"}'),
        "line ends": (acknowledge, json.dumps({"by": "a\r\nX-Injected: yes", "reason": "b"}).encode()),
        "line ends in a reason": (acknowledge, json.dumps({"by": "a", "reason": "b\r\nX-Injected: yes"}).encode()),
        "a null in a name": (acknowledge, b'{"by": "a\\u0000", "reason": "b"}'),
        "text that runs backwards": (acknowledge, '{"by": "\u202eada", "reason": "b"}'.encode()),
        "half a surrogate pair": (acknowledge, b'{"by": "\\ud800", "reason": "b"}'),
        "not UTF-8": (acknowledge, b'{"by": "\xff", "reason": "b"}'),
        "an unknown key": (acknowledge, b'{"by": "a", "reason": "b", "__proto__": {"admin": true}}'),
        "a list": (acknowledge, b"[]"),
        "nothing": (acknowledge, b""),
        "a huge reason": (acknowledge, json.dumps({"by": "a", "reason": "b" * 60_000}).encode()),
        "more than is taken": (acknowledge, b'{"by": "' + b"a" * 70_000 + b'"}'),
    }


def test_no_body_does_anything_that_it_should_not(unguarded: Open, url: str, alert: str) -> None:
    for name, (target, body) in bodies(alert).items():
        if name != "nothing":
            assert refused(exchange(url, post(target, body)), 400, 413, 415, 422), name
    assert unguarded.instance.alert("ZT-SEC", "armed-handle-moved", "L1")["state"] == "unacknowledged"  # type: ignore[index]


def test_of_a_key_that_stands_twice_the_record_shows_the_one_that_counted(
    unguarded: Open, url: str, alert: str
) -> None:
    body = b'{"by": "first", "by": "second", "reason": "twice"}'
    answers = exchange(url, post(f"/api/v1/alerts/{alert}/acknowledge", body))
    assert answers.status in (200, 400, 422)
    told = unguarded.instance.ask("/api/v1/audit", limit=50)["items"]
    assert [row["by"] for row in told if row.get("reason") == "twice"] == ["second"] * (answers.status == 200)
    if answers.status == 200:
        again = exchange(url, post(f"/api/v1/alerts/{alert}/unacknowledge", b'{"by": "first", "reason": "anew"}'))
        assert again.status == 200


def test_another_page_may_nothing(unguarded: Open, url: str, alert: str) -> None:
    acknowledge = f"/api/v1/alerts/{alert}/acknowledge"
    body = b'{"by": "a", "reason": "b"}'
    here = urlsplit(url).netloc
    for headers in (
        ["Origin: http://evil.example"],
        ["Origin: null"],
        [f"Origin: http://{here}.evil.example"],
        [f"Origin: http://evil.example/{here}"],
        ["Origin: http://127.0.0.1"],
        ["Origin: http://localhost:1"],
        ["Sec-Fetch-Site: cross-site"],
        ["Sec-Fetch-Site: same-site"],
    ):
        assert refused(exchange(url, post(acknowledge, body, *headers, host=here)), 403), headers
        assert refused(exchange(url, request("GET", "/api/v1/aircraft", *headers, host=here)), 403), headers
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "", "application/jsonx"):
        assert refused(exchange(url, post(acknowledge, body, kind=kind)), 415), kind
    asked = exchange(
        url, request("OPTIONS", acknowledge, "Origin: http://evil.example", "Access-Control-Request-Method: POST")
    )
    assert not any(name.startswith("access-control") for name in asked.header_names)
    assert asked.status in (403, 405)


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example", "127.0.0.1@evil.example", "0.0.0.0",
             "[::]", "169.254.169.254", "127.0.0.1:80:80", "a b", ""],
)  # fmt: skip
def test_only_a_name_of_this_machine_is_answered(url: str, host: str) -> None:
    """A page of another site that points its name here (DNS rebinding) sends that name."""
    data = b"GET /api/v1/aircraft HTTP/1.1\r\nConnection: close\r\nHost: " + host.encode() + b"\r\n\r\n"
    assert refused(exchange(url, data), 400, 421)


def test_no_header_changes_what_is_asked(unguarded: Open, url: str, alert: str) -> None:
    acknowledge = f"/api/v1/alerts/{alert}/acknowledge"
    for header in (
        "X-HTTP-Method-Override: POST",
        "X-Method-Override: POST",
        "X-HTTP-Method: POST",
        "X-Original-URL: /metrics",
    ):
        assert refused(exchange(url, request("GET", acknowledge, header)), 404, 405)
    for method in ("PUT", "PATCH", "DELETE", "TRACE", "CONNECT", "PROPFIND", "post", "GET\x0bPOST"):
        answers = exchange(url, request(method, acknowledge))
        assert answers.status in (400, 404, 405), (method, answers.raw[:200])
    assert unguarded.instance.alert("ZT-SEC", "armed-handle-moved", "L1")["state"] == "unacknowledged"  # type: ignore[index]


def test_streams_beyond_their_number_are_refused_and_all_else_goes_on(unguarded: Open, url: str) -> None:
    parts = urlsplit(url)
    lines: list[socket.socket] = []
    told: list[bytes] = []
    try:
        for _ in range(600):
            line = socket.create_connection((parts.hostname, parts.port), timeout=30)
            lines.append(line)
            line.sendall(b"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            try:
                told.append(line.recv(12))
            except OSError:
                told.append(b"")
            if told[-1] != b"HTTP/1.1 200":
                break
        assert told[-1] in (b"HTTP/1.1 503", b"HTTP/1.1 429", b""), "600 streams of one address were taken"
        assert told.count(b"HTTP/1.1 200") >= 50
    finally:
        for line in lines:
            line.close()
    until(lambda: exchange(url, request("GET", "/readyz")).status == 200, "ready again")
    until(lambda: unguarded.instance.counter("sillwatch_stream_clients") == 0, "no stream is left")


def test_connections_that_say_nothing_or_half_keep_nobody_out(unguarded: Open, url: str) -> None:
    parts = urlsplit(url)
    halves = (b"", b"G", b"GET / HTTP/1.1\r\nHost: 127", b"POST /api/v1/permits HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: "
              b"application/json\r\nContent-Length: 60000\r\n\r\n{")  # fmt: skip
    lines = []
    try:
        for half in itertools.islice(itertools.cycle(halves), 80):
            line = socket.create_connection((parts.hostname, parts.port), timeout=30)
            line.sendall(half)
            lines.append(line)
        assert exchange(url, request("GET", "/healthz")).status == 200
        assert unguarded.instance.ask("/api/v1/aircraft")["items"]
    finally:
        for line in lines:
            line.close()


def test_a_stored_script_is_text_wherever_it_is_told(unguarded: Open, alert: str) -> None:
    script = "<script>alert(1)</script><img src=x onerror=alert(2)>"
    answer = unguarded.instance.post(f"/api/v1/alerts/{alert}/acknowledge", {"by": script, "reason": script})
    assert answer.status_code == 200, answer.text
    lists: list[Any] = [unguarded.instance.get(path) for path in ("/api/v1/alerts", "/api/v1/audit", "/api/v1/history")]
    assert any(script in json.loads(told.text)["items"].__repr__() for told in lists)
    for told in lists:
        assert told.headers["content-type"].startswith("application/json")
        assert told.headers["x-content-type-options"] == "nosniff"
        assert "script-src 'self'" in told.headers["content-security-policy"]
