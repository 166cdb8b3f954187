"""Raw bytes into the HTTP side, as a connection of any client could send them.

Owns an application on an invented apron and a connection without a socket: what the server
would read is handed to its protocol, what it would send is kept. Says what no answer may be.
"""

from __future__ import annotations

import asyncio
import logging
import random
import re
from typing import Any, Final

import uvicorn
from uvicorn.server import ServerState

from monitor.adapters.web.app import build_app
from monitor.adapters.web.connections import Places, bound_protocol
from monitor.adapters.web.stream import Stream
from tests.adapters.web.conftest import render_nothing, watch_boards
from tests.adapters.web.fake_reader import FakeReader, alert_document, door_document
from tests.fuzz.mutation import TOKENS, damage

_TURNS: Final = 60
_PATHS: Final = (
    "/", "/aircraft/ZZ-KAT", "/alerts", "/assets/x.js", "/healthz", "/readyz", "/metrics", "/sign-in?next=/alerts",
    "/api/v1/aircraft", "/api/v1/aircraft/ZZ-KAT", "/api/v1/aircraft/ZZ-KAT/doors/L1/look-ahead",
    "/api/v1/alerts?state=unacknowledged&priority=warning,caution&aircraft=ZZ-KAT", "/api/v1/history?since=2026-03-01T10:00:00Z&limit=5",
    "/api/v1/alarm-health", "/api/v1/catalogue", "/api/v1/quarantine?limit=3&after=WyJhIl0", "/api/v1/permits",
    "/api/v1/audit", "/api/v1/problems/invalid", "/api/v1/stream?after=run-1&board=0123456789abcdef", "/api/v1/openapi.json",
    "/api/v1/aircraft/ZZ-KAT/timeline", "/api/v1/aircraft/ZZ-KAT/watched?door=L1", "/api/v1/session", "/api/v1/people",
)  # fmt: skip
_POSTS: Final = (
    ("/api/v1/alerts/ZZ-KAT-L1-armed-handle-moved-1/acknowledge", '{"by": "Ada", "reason": "seen"}'),
    ("/api/v1/alerts/ZZ-KAT-L1-armed-handle-moved-1/shelve", '{"by": "Ada", "reason": "later", "minutes": 30}'),
    ("/api/v1/aircraft/ZZ-KAT/doors/L1/reset", '{"by": "Ada", "reason": "done"}'),
    ("/api/v1/aircraft/ZZ-KAT/doors/L1/report", '{"by": "Ada", "sees": {"lock_indicator": "unlocked"}}'),
    ("/api/v1/aircraft/ZZ-KAT/presence", '{"presence": "away", "by": "Ada"}'),
    ("/api/v1/permits", '{"kind": "maintenance", "aircraft": "ZZ-KAT", "codes": ["wind-limit"], "reason": "x", "by": "A", "minutes": 5}'),
    ("/api/v1/boards/0123456789abcdef", '{"name": "wall", "page": "board", "visible": true, "sound": true, "drawn": []}'),
    ("/api/v1/session", '{"name": "ada", "password": "not the right one"}'),
)  # fmt: skip
_HEADERS: Final = (
    b"Content-Length: 0", b"Content-Length: 5", b"Content-Length: -1", b"Content-Length: 99999999999", b"Content-Length: 1e3",
    b"Transfer-Encoding: chunked", b"Transfer-Encoding: chunked, identity", b"Transfer-Encoding : chunked",
    b"Transfer-Encoding: \x0bchunked", b"Expect: 100-continue", b"Connection: close", b"Connection: Upgrade\r\nUpgrade: websocket",
    b"Upgrade: h2c", b"Host: evil.example", b"Host: 127.0.0.1:80@evil.example", b"Host:", b"X-Forwarded-Host: evil.example",
    b"X-HTTP-Method-Override: DELETE", b"Origin: http://evil.example", b"Origin: null", b"Sec-Fetch-Site: cross-site",
    b"Cookie: sillwatch_session=a; sillwatch_session=b", b"Cookie: \xff=\xfe", b"Authorization: Bearer sillwatch_x_y",
    b"Authorization: Bearer", b"Authorization: Basic !!!", b"Last-Event-ID: run-1", b"Last-Event-ID: \xff", b"Accept: " + b"a," * 900,
    b"Range: bytes=0-,-1", b"If-None-Match: *", b"If-None-Match: W/\"x\", \"", b"Content-Type: application/json; charset=utf-16",
    b"Content-Type: text/plain", b"Accept-Encoding: gzip;q=nan", b" folded: x", b"X: " + b"y" * 20_000,
)  # fmt: skip
_ANSWER_HEADERS: Final = {
    "allow", "cache-control", "connection", "content-encoding", "content-length", "content-security-policy",
    "content-type", "cross-origin-opener-policy", "cross-origin-resource-policy", "date", "etag", "location",
    "referrer-policy", "retry-after", "server", "set-cookie", "strict-transport-security", "transfer-encoding",
    "vary", "www-authenticate", "x-accel-buffering", "x-content-type-options", "x-frame-options",
    "permissions-policy", "last-modified", "accept-ranges", "clear-site-data",
}  # fmt: skip
_BY_DESIGN: Final = frozenset({503, 504})
"""Not ready, and not durable in time: answers that the contract has, not faults."""


class _Kept(logging.Handler):
    """Keeps the errors that the server logs: each is an exception in the application."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.errors: list[BaseException | str] = []

    def emit(self, record: logging.LogRecord) -> None:
        error = record.exc_info[1] if record.exc_info else None
        self.errors.append(error if error is not None else record.getMessage())


class _Line(asyncio.Transport):
    """The server's end of a connection: what it writes is kept."""

    def __init__(self) -> None:
        super().__init__({"peername": ("127.0.0.1", 50_000), "sockname": ("127.0.0.1", 8080)})
        self.sent = bytearray()
        self.protocol: asyncio.Protocol
        self._closing = False

    def write(self, data: Any) -> None:
        self.sent += data

    def is_closing(self) -> bool:
        return self._closing

    def close(self) -> None:
        if not self._closing:
            self._closing = True
            asyncio.get_running_loop().call_soon(self.protocol.connection_lost, None)

    def abort(self) -> None:
        self.close()

    def pause_reading(self) -> None: ...

    def resume_reading(self) -> None: ...


class HttpPart:
    """The server's protocol and the whole application behind it."""

    name = "http"

    def __init__(self) -> None:
        self._runner = asyncio.Runner(loop_factory=asyncio.new_event_loop)
        reader = FakeReader()
        reader.add_aircraft("ZZ-KAT", {"L1": door_document("ZZ-KAT", "L1", "armed", "engaged")})
        reader.active = [alert_document("ZZ-KAT", "L1", "armed-handle-moved", "warning")]
        reader.rules = [{"code": "wind-limit", "priority": "caution"}]
        stream = Stream(reader, run="run", clients_max=8)
        app = build_app(reader, stream, watch_boards(reader, stream), render_nothing)
        self._config = uvicorn.Config(
            app, http="h11", ws="none", lifespan="off", log_config=None, access_log=False, server_header=False
        )
        self._config.load()
        self._protocol = bound_protocol(Places(8))
        self._kept = _Kept()
        self._log = logging.getLogger("uvicorn.error")
        self._level, self._propagates = self._log.level, self._log.propagate
        self._log.addHandler(self._kept)
        self._log.setLevel(logging.ERROR)
        self._log.propagate = False
        self._reader = reader

    def make(self, rng: random.Random) -> bytes:
        """One or two requests, mostly damaged; strange headers in many."""
        data = b"".join(self._request(rng) for _ in range(rng.choice((1, 1, 1, 2))))
        return damage(data, rng) if rng.random() < 0.6 else data

    def _request(self, rng: random.Random) -> bytes:
        headers = [b"Host: 127.0.0.1:8080"]
        body = b""
        if rng.random() < 0.6:
            method, target = rng.choice(("GET", "GET", "GET", "HEAD", "OPTIONS", "TRACE", "DELETE")), rng.choice(_PATHS)
        else:
            method = "POST"
            target, text = rng.choice(_POSTS)
            body = damage(text.encode(), rng) if rng.random() < 0.7 else text.encode()
            headers += [b"Content-Type: application/json", b"Content-Length: %d" % len(body)]
        raw = target.encode()
        if rng.random() < 0.4:
            at = rng.randrange(len(raw) + 1)
            raw = raw[:at] + _quoted(rng.choice(TOKENS), rng) + raw[at:]
        if rng.random() < 0.4:
            headers.insert(rng.randrange(len(headers) + 1), rng.choice(_HEADERS))
        return b"%s %s HTTP/1.1\r\n%s\r\n\r\n%s" % (method.encode(), raw, b"\r\n".join(headers), body)

    def take(self, data: bytes) -> None:
        """Hand the bytes to a new connection, and look at what was answered."""
        self._kept.errors.clear()
        self._reader.submitted.clear()
        self._reader.asked.clear()
        sent = self._runner.run(self._feed(data))
        for error in self._kept.errors:
            raise error if isinstance(error, BaseException) else AssertionError(error)
        if sent:
            head = sent.partition(b"\r\n\r\n")[0].split(b"\r\n")
            status = re.fullmatch(rb"HTTP/1\.1 ([1-5]\d\d) ?[ -~]*", head[0])
            assert status is not None, head[0]
            assert int(status[1]) < 500 or int(status[1]) in _BY_DESIGN, head[0]
            names = {line.partition(b":")[0].decode("ascii").lower() for line in head[1:]}
            assert names <= _ANSWER_HEADERS, names - _ANSWER_HEADERS

    async def _feed(self, data: bytes) -> bytes:
        line, state = _Line(), ServerState()
        protocol = self._protocol(self._config, state, {}, asyncio.get_running_loop())
        line.protocol = protocol
        protocol.connection_made(line)
        if data:  # a loop never hands over nothing
            protocol.data_received(data)
        for _ in range(_TURNS):
            await asyncio.sleep(0)
            if line.is_closing() or not state.tasks:
                break
        line.close()
        tasks = set(state.tasks)
        if tasks:
            _, waiting = await asyncio.wait(tasks, timeout=20)
            assert not waiting, "a request outlived its connection"
        await asyncio.sleep(0)
        return bytes(line.sent)

    def close(self) -> None:
        """Give the log back, and end the loop."""
        self._log.removeHandler(self._kept)
        self._log.setLevel(self._level)
        self._log.propagate = self._propagates
        self._runner.close()


def _quoted(token: bytes, rng: random.Random) -> bytes:
    way = rng.randrange(3)
    if way == 0:
        return token
    percent = b"".join(b"%%%02X" % byte for byte in token[:60])
    return percent if way == 1 else percent.replace(b"%", b"%25")
