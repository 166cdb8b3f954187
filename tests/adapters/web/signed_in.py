"""The whole HTTP side with sign-in on: people, their browsers and their tokens.

Owns a house with Vera (viewer), Cora (coordinator) and Ada (administrator), whose clock is
the fake reader's. A browser here is an HTTP client that keeps its cookies.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
from starlette.types import ASGIApp

from monitor.adapters.access import ACCESS_FILE, AccessOffice, AccessStore, tokens
from monitor.adapters.web import Stream
from monitor.adapters.web.app import build_app
from monitor.adapters.web.front import FRONT, Front
from monitor.core.times import SECOND
from tests.adapters.access.people_kit import PASSWORD, CountingHasher, make_office, make_store
from tests.adapters.web.conftest import render_nothing, watch_boards
from tests.adapters.web.fake_reader import FakeReader

HERE = "http://127.0.0.1"


class House:
    """An application that asks who is there; ``store`` is opened as the command line does."""

    def __init__(self, folder: Path, reader: FakeReader, front: Front = FRONT) -> None:
        make_store(folder).close()
        self.reader = reader
        self._tokens = 0
        self.hasher = CountingHasher()
        self.office: AccessOffice = make_office(AccessStore(folder / ACCESS_FILE), self.hasher)
        self.store = AccessStore(folder / ACCESS_FILE)
        self.stream = Stream(reader)
        self.boards = watch_boards(reader, self.stream)
        self.front = front
        self.app: ASGIApp = build_app(
            reader, self.stream, self.boards, render_nothing, access=self.office, front=front, submit_timeout_s=0.5
        )

    def browser(self, base: str = HERE, *, peer: str = "192.0.2.7", **headers: str) -> httpx.AsyncClient:
        """A browser of nobody's yet; an address that is not loopback, unless told otherwise."""
        transport = httpx.ASGITransport(app=self.app, client=(peer, 40_000))
        return httpx.AsyncClient(transport=transport, base_url=base, headers=headers)

    async def sign_in(self, name: str, browser: httpx.AsyncClient | None = None) -> httpx.AsyncClient:
        """A browser of somebody's."""
        browser = browser or self.browser()
        self.reader.clock += SECOND  # so that sessions have an order
        answer = await browser.post("/api/v1/session", json={"name": name, "password": PASSWORD})
        assert answer.status_code == 200, answer.text
        return browser

    def token(self, *scopes: str, ends_at: int | None = None, name: str = "") -> str:
        """A token with these scopes."""
        self._tokens += 1
        name = name or f"rig {self._tokens}"
        return tokens.add_token(
            self.store, name, scopes, ends_at, by="shell:tester", origin="command line", now=self.reader.now()
        )

    def program(self, token: str, **more: Any) -> httpx.AsyncClient:
        """A program with a token."""
        return self.browser(authorization=f"Bearer {token}", **more)

    def close(self) -> None:
        self.office.close()
        self.store.close()


def problem(answer: httpx.Response) -> tuple[int, str]:
    """An error as its status and its word."""
    assert answer.headers["content-type"] == "application/problem+json", answer.text
    return answer.status_code, answer.json()["type"].rpartition("/")[2]
