"""Programs under test, run as a person runs them: processes, their output, their end.

Owns starting ``sillwatch`` and brokers, waiting for what they say, and making sure that
nothing outlives a test. Asserts nothing about doors.
"""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import itertools
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Coroutine, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import httpx

from monitor.adapters.broker import DefaultBroker

HOST: Final = "127.0.0.1"
DEADLINE_S: Final = 30.0
START_S: Final = 60.0
"""A start imports a web server and a broker client; on a busy machine that takes its time."""

SBIN: Final = ("/usr/local/sbin", "/usr/sbin", "/sbin")
SILLWATCH: Final = str(Path(sys.executable).with_name("sillwatch"))
SITE: Final = "tarnwick"
ROOT: Final = Path(__file__).resolve().parents[2]

_NUMBER = itertools.count(1)

T = TypeVar("T")


def until(
    condition: Callable[[], T], what: str | Callable[[], str], *, deadline_s: float = DEADLINE_S, look_s: float = 0.02
) -> T:
    """Wait until ``condition`` gives something true and return that; fail, saying ``what``, at the deadline."""
    end = time.monotonic() + deadline_s
    while not (found := condition()):
        said = what if isinstance(what, str) else what()
        assert time.monotonic() < end, f"not within {deadline_s:g} s: {said}"
        time.sleep(look_s)
    return found


def free_port() -> int:
    """A port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def plain_environment(**more: str) -> dict[str, str]:
    """The environment without settings of ours, so that a desk's own cannot change a test."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("SILLWATCH_")}
    return {**kept, "COLUMNS": "100", **more}


def children_of(pid: int) -> list[int]:
    """The process ids of every living descendant, from the kernel."""
    found: list[int] = []
    for tasks in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            for child in map(int, tasks.read_text().split()):
                found += [child, *children_of(child)]
    return found


def is_alive(pid: int) -> bool:
    """Tell whether a process runs still; one that ended and was not waited for does not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2][:1]
    except OSError:
        return False
    return state != "Z"


class Program:
    """One process with its output in files, read while it runs.

    With ``arguments`` alone it is ``sillwatch``, forked from the nursery; ``command`` is any other.
    """

    _nursery: subprocess.Popen[bytes] | None = None

    def __init__(
        self,
        folder: Path,
        *,
        arguments: Sequence[str] = (),
        command: Sequence[str] = (),
        environment: Mapping[str, str] | None = None,
        stdin: Path | None = None,
        stdout: Path | None = None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        stem = f"{next(_NUMBER)}"
        self._out, self._err, self._code = (folder / f"{stem}.{suffix}" for suffix in ("out", "err", "code"))
        self._out.touch()
        self._err.touch()
        self._process: subprocess.Popen[bytes] | None = None
        environment = dict(environment) if environment is not None else plain_environment()
        if command:
            with self._out.open("wb") as out, self._err.open("wb") as err:
                self._process = subprocess.Popen(
                    list(command), cwd=folder, stdin=subprocess.DEVNULL, stdout=out, stderr=err, env=environment
                )
            self.pid = self._process.pid
        else:
            files = {
                "in": str(stdin or os.devnull),
                "out": str(stdout or self._out),
                "err": str(self._err),
                "code": str(self._code),
            }
            order = {"arguments": list(arguments), "environment": environment, "folder": str(folder), **files}
            self.pid = self._order(order)

    @classmethod
    def _order(cls, order: Mapping[str, object]) -> int:
        if cls._nursery is None:
            cls._nursery = subprocess.Popen(
                [sys.executable, str(Path(__file__).with_name("nursery.py"))],
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                bufsize=0,
            )
            atexit.register(cls._close_nursery)
        nursery = cls._nursery
        assert nursery.stdin is not None
        assert nursery.stdout is not None
        nursery.stdin.write(json.dumps(order).encode() + b"\n")
        return int(nursery.stdout.readline())

    @classmethod
    def _close_nursery(cls) -> None:
        """End the process that the others are forked from."""
        nursery, cls._nursery = cls._nursery, None
        if nursery is not None:
            assert nursery.stdin is not None
            assert nursery.stdout is not None
            nursery.stdin.close()
            nursery.stdout.close()
            nursery.wait()

    @property
    def out(self) -> str:
        """What it said on stdout so far."""
        return self._out.read_text(encoding="utf-8", errors="replace")

    @property
    def err(self) -> str:
        """What it said on stderr so far."""
        return self._err.read_text(encoding="utf-8", errors="replace")

    @property
    def code(self) -> int | None:
        """The exit code, negative for a signal's number; ``None`` while it runs."""
        if self._process is not None:
            return self._process.poll()
        return int(self._code.read_text()) if self._code.exists() else None

    @property
    def running(self) -> bool:
        return self.code is None

    def wait(self, deadline_s: float = DEADLINE_S) -> int:
        """Wait for its end by itself; returns the exit code."""
        until(lambda: not self.running, lambda: f"the end of the process; stderr: {self.err}", deadline_s=deadline_s)
        code = self.code
        assert code is not None
        return code

    def end(self, number: signal.Signals = signal.SIGTERM, deadline_s: float = DEADLINE_S) -> tuple[int, float]:
        """Send a signal and wait; returns the exit code and how long the end took, in seconds."""
        began = time.monotonic()
        os.kill(self.pid, number)
        return self.wait(deadline_s), time.monotonic() - began

    def close(self) -> None:
        """Leave nothing running, whatever happened."""
        if self.running:
            os.kill(self.pid, signal.SIGKILL)
            self.wait()


def sillwatch(
    folder: Path,
    *arguments: str,
    environment: Mapping[str, str] | None = None,
    stdin: Path | None = None,
    stdout: Path | None = None,
    installed: bool = False,
) -> Program:
    """Start a command; ``installed`` takes the installed script itself, at the price of its imports."""
    if installed:
        return Program(folder, command=[SILLWATCH, *arguments], environment=environment)
    return Program(folder, arguments=arguments, environment=environment, stdin=stdin, stdout=stdout)


class Instance:
    """``sillwatch run`` on one broker and one data folder; started, ended and started again."""

    def __init__(
        self, folder: Path, broker: str, *, config: Path | None = None, port: int = 0, installed: bool = False
    ) -> None:
        self.folder, self.broker, self.config, self.installed = folder, broker, config, installed
        self.port = port
        self.data = folder / "data"
        self.program: Program | None = None
        self.http = httpx.Client(timeout=10)

    def launch(self) -> Program:
        """Start it and wait for nothing."""
        arguments = ["run", "--broker", self.broker, "--http", f"{HOST}:{self.port}", "--data", str(self.data)]
        if self.config is not None:
            arguments += ["--config", str(self.config)]
        self.program = sillwatch(self.folder, *arguments, installed=self.installed)
        return self.program

    def start(self, *, ready: bool = True) -> Instance:
        """Start it and wait for its page; with ``ready`` until it can be trusted too."""
        program = self.launch()
        found = until(
            lambda: re.search(r"^serving (http://\S+)$", program.err, re.MULTILINE) or not program.running,
            lambda: f"the page's address; stderr: {program.err}",
            deadline_s=START_S,
        )
        assert isinstance(found, re.Match), program.err
        self.http.base_url = httpx.URL(found[1])
        if ready:
            self.wait_ready()
        return self

    def wait_ready(self) -> dict[str, Any]:
        """Wait until it says that it can be trusted, and return its answer: what is sent from then on must be heard.

        On a busy machine it says for a moment that it is behind; that is no fault.
        """

        def found() -> dict[str, Any] | None:
            answer = self.get("/readyz")
            return answer.json() if answer.status_code == 200 else None

        return until(found, lambda: f"ready; {self.get('/readyz').text}; {self.err}")

    @property
    def running(self) -> Program:
        assert self.program is not None
        return self.program

    @property
    def err(self) -> str:
        return self.running.err

    def end(self, number: signal.Signals = signal.SIGTERM) -> tuple[int, float]:
        return self.running.end(number)

    def close(self) -> None:
        self.http.close()
        if self.program is not None:
            self.program.close()

    # What it answers

    def get(self, path: str, **query: Any) -> httpx.Response:
        return self.http.get(path, params=query)

    def post(self, path: str, body: Mapping[str, Any] | None = None) -> httpx.Response:
        return self.http.post(path, json=None if body is None else dict(body))

    def ask(self, path: str, **query: Any) -> Any:
        """The JSON of an answer that has to be 200."""
        answer = self.get(path, **query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def list_all(self, path: str, **query: Any) -> list[dict[str, Any]]:
        """Every item of a paged list, page by page."""
        items: list[dict[str, Any]] = []
        after: dict[str, str] = {}
        while True:
            page = self.ask(path, **query, **after)
            items += page["items"]
            if page["next"] is None:
                return items
            after = {"after": page["next"]}

    def alert(self, reg: str, code: str, door: str = "-") -> dict[str, Any] | None:
        """The alert that stands at a place, if one does."""
        alerts = self.list_all("/api/v1/alerts", aircraft=reg)
        return next((a for a in alerts if a["code"] == code and a["door"] == door), None)

    def wait_alert(self, reg: str, code: str, door: str = "-", *, state: str = "unacknowledged") -> dict[str, Any]:
        """Wait until an alert stands in ``state``."""

        def found() -> dict[str, Any] | None:
            alert = self.alert(reg, code, door)
            return alert if alert is not None and alert["state"] == state else None

        def tell() -> str:
            alerts = [(a["code"], a["door"], a["state"]) for a in self.list_all("/api/v1/alerts", aircraft=reg)]
            return f"{code} of {reg}/{door} {state}; there are {alerts}; {self.door(reg, door)}; {self.err[-2000:]}"

        return until(found, tell) or {}

    def told_of(self, alert: Mapping[str, Any]) -> list[dict[str, Any]]:
        """What the history holds of one alert, newest first."""
        rows = self.list_all("/api/v1/history", code=alert["code"])
        return [row for row in rows if row["data"]["alert_id"] == alert["alert_id"]]

    def forget_slow_start(self) -> Instance:
        """End the alert that the broker is lost, where a slow machine has taken more than its 2 s to reach it."""
        self.wait_ready()
        if (alert := self.alert("-", "feed-lost")) is not None:
            self.post(f"/api/v1/alerts/{alert['alert_id']}/acknowledge", {"by": "Ann"})
            until(lambda: self.alert("-", "feed-lost") is None, "the slow start is over")
        return self

    def door(self, reg: str, door: str) -> dict[str, Any]:
        """A door's document, ``{}`` while nobody knows it."""
        answer = self.get(f"/api/v1/aircraft/{reg}")
        return answer.json()["doors"].get(door, {}) if answer.status_code == 200 else {}

    def wait_door(self, reg: str, door: str, state: str) -> dict[str, Any]:
        """Wait until a door is in ``state``."""
        until(
            lambda: self.door(reg, door).get("state") == state, lambda: f"{reg}/{door} {state}: {self.door(reg, door)}"
        )
        return self.door(reg, door)

    def counter(self, name: str, **labels: str) -> float:
        """A counter or gauge from the metrics page; 0 where it has no such series yet."""
        text = self.get("/metrics").text
        for line in text.splitlines():
            series, _, value = line.rpartition(" ")
            head, _, rest = series.partition("{")
            if head == name and dict(re.findall(r'(\w+)="([^"]*)"', rest)) == labels:
                return float(value)
        return 0.0


class Broker:
    """A broker process; ``url`` stays the same over a stop and a start."""

    url = ""

    @property
    def pid(self) -> int:
        raise AssertionError("a broker of no kind")

    def start(self) -> None:
        raise AssertionError("a broker of no kind")

    def stop(self) -> None:
        raise AssertionError("a broker of no kind")


class NatsBroker(Broker):
    """The default broker, as the product starts it."""

    def __init__(self, folder: Path) -> None:
        self._broker = DefaultBroker(folder)

    @property
    def pid(self) -> int:
        pid = self._broker.pid
        assert pid is not None
        return pid

    def start(self) -> None:
        self.url = self._run(self._broker.start())

    def stop(self) -> None:
        self._run(self._broker.stop())

    @staticmethod
    def _run(work: Coroutine[Any, Any, T]) -> T:
        # A loop of its own that is never made the thread's: the test runner keeps one there.
        with asyncio.Runner(loop_factory=asyncio.new_event_loop) as runner:
            return runner.run(work)


class MosquittoBroker(Broker):
    """Mosquitto, set up to keep its sessions and what is retained over an orderly stop."""

    def __init__(self, folder: Path, program: str) -> None:
        self._folder, self._executable = folder, program
        self._port = free_port()
        self._program: Program | None = None
        self.url = f"mqtt://{HOST}:{self._port}"

    @property
    def pid(self) -> int:
        assert self._program is not None
        return self._program.pid

    def start(self) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        config = self._folder / "mosquitto.conf"
        config.write_text(
            f"listener {self._port} {HOST}\nallow_anonymous true\nset_tcp_nodelay true\nmax_queued_messages 0\n"
            f"persistence true\npersistence_location {self._folder}/\n"
            "user root\n"
        )
        program = self._program = Program(self._folder, command=[self._executable, "-c", str(config)])

        def answers() -> bool:
            assert program.running, program.err
            with contextlib.suppress(OSError), socket.create_connection((HOST, self._port), timeout=1):
                return True
            return False

        until(answers, "mosquitto accepts connections", deadline_s=START_S)

    def stop(self) -> None:
        if self._program is not None:
            if self._program.running:
                self._program.end()
            self._program.close()


def find_program(name: str) -> str | None:
    """The path of an installed program."""
    return shutil.which(name, path=os.pathsep.join((os.environ.get("PATH", os.defpath), *SBIN)))


@contextlib.contextmanager
def running_broker(broker: Broker) -> Iterator[Broker]:
    """Start a broker and stop it at the end."""
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


@contextlib.contextmanager
def running_instance(
    folder: Path, broker: Broker, *, config: Path | None = None, installed: bool = False
) -> Iterator[Instance]:
    """A started instance that is ready; whatever is left of it at the end is killed."""
    instance = Instance(folder, broker.url, config=config, installed=installed)
    try:
        yield instance.start()
    finally:
        instance.close()
