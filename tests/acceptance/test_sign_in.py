"""Sign-in as people meet it: set up on a terminal, served beyond loopback, acted, refused, revoked.

One story with the real program. No broker runs: that it is lost is the alert that somebody
acknowledges.
"""

from __future__ import annotations

import os
import pty
import socket
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, closing, suppress
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.acceptance.programs import (
    DEADLINE_S,
    SILLWATCH,
    START_S,
    Program,
    free_port,
    plain_environment,
    sillwatch,
    until,
)

PASSWORDS = {"Ada": "seven wet geese on a stand", "Cora": "nine cold crows by a gate", "Vera": "two tall terns at sea"}
ROLES = {"Ada": "administrator", "Cora": "coordinator", "Vera": "viewer"}


class Post:
    """A folder with a service that runs, or is about to."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.left = ExitStack()

    def command(self, *arguments: str, code: int = 0) -> Program:
        """Run a command to its end."""
        program = sillwatch(self.folder, *arguments, "--data", "data", environment=plain_environment())
        self.left.callback(program.close)
        assert program.wait(START_S) == code, program.err
        return program

    def add_on_a_terminal(self, name: str) -> str:
        """Add a person by typing the password twice; returns what the terminal showed."""
        ours, theirs = pty.openpty()
        arguments = [SILLWATCH, "user", "add", name, "--role", ROLES[name], "--data", "data"]
        process = subprocess.Popen(
            arguments, cwd=self.folder, env=plain_environment(), stdin=theirs, stdout=theirs, stderr=theirs
        )
        os.close(theirs)
        shown = ""
        for prompt in ("Password: ", "Again: "):
            while not shown.endswith(prompt):
                shown += os.read(ours, 1000).decode()
            os.write(ours, PASSWORDS[name].encode() + b"\n")
        with suppress(OSError):  # that is how a terminal says that the other end has closed
            while more := os.read(ours, 1000):
                shown += more.decode()
        os.close(ours)
        assert process.wait(DEADLINE_S) == 0, shown
        return shown

    def add(self, name: str) -> None:
        file = self.folder / "password"
        file.write_text(PASSWORDS[name] + "\n")
        self.command("user", "add", name, "--role", ROLES[name], "--password-file", str(file))

    def run(self) -> Program:
        """Start the service on every address of this machine, and wait until it answers."""
        nowhere = f"mqtt://127.0.0.1:{free_port()}"
        where = ("--http", f"0.0.0.0:{self.port}", "--broker", nowhere, "--data", "data")
        program = sillwatch(self.folder, "run", *where, environment=plain_environment())
        self.left.callback(program.close)

        def answers() -> bool:
            assert program.running, program.err
            with suppress(httpx.TransportError):
                return httpx.get(f"{self.url}/healthz").status_code == 200
            return False

        until(answers, "the service answers", deadline_s=START_S)
        return program

    def client(self, url: str = "", **headers: str) -> httpx.Client:
        return self.left.enter_context(httpx.Client(base_url=url or self.url, timeout=DEADLINE_S, headers=headers))

    def sign_in(self, name: str, url: str = "") -> httpx.Client:
        client = self.client(url)
        answer = client.post("/api/v1/session", json={"name": name, "password": PASSWORDS[name]})
        assert answer.status_code == 200, answer.text
        assert answer.json()["role"] == ROLES[name]
        return client


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Post]:
    post = Post(tmp_path)
    with post.left:
        yield post


def own_address() -> str:
    """An address of this machine that is not loopback, else a loopback one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, suppress(OSError):
        probe.connect(("192.0.2.1", 9))  # sends nothing
        return str(probe.getsockname()[0])
    return "127.0.0.1"


def find_alert(client: httpx.Client) -> dict[str, Any]:
    """The alert of the broker that is not there."""

    def found() -> dict[str, Any] | None:
        return next((a for a in client.get("/api/v1/alerts").json()["items"] if a["code"] == "feed-lost"), None)

    alert = until(found, "feed-lost")
    assert alert is not None
    return alert


@pytest.mark.timeout(400)
def test_from_nobody_to_revoked(post: Post) -> None:
    refused = post.command("run", "--http", f"0.0.0.0:{post.port}", code=1)
    [line] = refused.err.splitlines()
    assert "`sillwatch user add NAME --role administrator --data data`" in line

    shown = post.add_on_a_terminal("Ada")
    assert "added Ada, administrator" in shown
    assert PASSWORDS["Ada"] not in shown
    for name in ("Cora", "Vera"):
        post.add(name)
    token = post.command("token", "add", "rig", "--scope", "read").out.strip()

    service = post.run()
    assert f"serving http://0.0.0.0:{post.port}" in service.err

    outside = post.client(f"http://{own_address()}:{post.port}")
    assert outside.get("/").headers["location"] == "/sign-in?next=/"
    assert outside.get("/api/v1/alerts").status_code == 401
    assert post.client(Host="board.elsewhere.example").get("/healthz").status_code == 421

    ada, cora, vera = (post.sign_in(name, str(outside.base_url)) for name in PASSWORDS)
    alert = find_alert(cora)
    acknowledge = f"/api/v1/alerts/{alert['alert_id']}/acknowledge"
    assert vera.post(acknowledge).json()["needs"] == "coordinator"
    assert cora.post(acknowledge, json={"by": "Ada"}).status_code == 409
    done = cora.post(acknowledge, json={"reason": "on my way"})
    assert (done.status_code, done.json()["state"]) == (200, "acknowledged"), done.text
    rig = post.client(Authorization=f"Bearer {token}")
    assert rig.get("/api/v1/alerts").json()["items"][0]["state"] == "acknowledged"
    assert rig.post(acknowledge).status_code == 403

    [session] = cora.get("/api/v1/sessions").json()["items"]
    [audited] = ada.get("/api/v1/audit").json()["items"]
    assert (audited["by"], audited["action"]) == ("Cora", "acknowledge")
    assert audited["origin"].endswith(f" session {session['id']}")
    assert cora.get("/api/v1/audit").status_code == 403

    for client, revoke in (
        (cora, ("user", "sign-out", "Cora")),
        (rig, ("token", "remove", "rig")),
    ):
        with client.stream("GET", "/api/v1/stream") as stream:
            assert stream.status_code == 200
            lines = stream.iter_lines()
            assert any(line == "event: snapshot" for line in lines)
            post.command(*revoke)
            assert all(line is not None for line in lines)  # to its end, which comes by itself
        assert client.get("/api/v1/alerts").status_code == 401
    assert ada.get("/api/v1/alerts").status_code == 200

    code, _ = service.end()
    assert code == 0
    kept = b"".join(path.read_bytes() for path in (post.folder / "data").iterdir())
    secrets = [*PASSWORDS.values(), token, *(client.cookies["sillwatch_session"] for client in (ada, cora, vera))]
    for secret in secrets:
        assert secret not in service.err
        assert secret.encode() not in kept
    with closing(sqlite3.connect(post.folder / "data" / "access.sqlite3")) as store:
        actions = [action for (action,) in store.execute("SELECT action FROM audit ORDER BY seq")]
    assert actions[:4] == ["person-added"] * 3 + ["token-added"]
    assert actions[4:7] == ["session-begun"] * 3
    assert actions[7:] == ["session-ended", "token-removed"]
