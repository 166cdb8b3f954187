"""What is measured, each in a process of its own: a broker, a monitor, an empty subscriber.

Owns starting them, asking them how far they are, and their end: none outlives its block.
It never measures.
"""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import json
import os
import select
import shutil
import socket
import sqlite3
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from monitor.adapters.broker import HOST, BrokerError, DefaultBroker, find_executable
from simulators.bench_wire import Connection, WireError

START_S_MAX: Final = 20.0
STOP_S_MAX: Final = 5.0
_LOOK_S: Final = 0.02
_PATH: Final = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"])


class ProcessError(RuntimeError):
    """One of the parts cannot be started; the message is one line for a person."""


# -- brokers ---------------------------------------------------------------------------------


@contextlib.contextmanager
def default_broker(folder: Path) -> Iterator[str]:
    """Run the default broker as the product runs it; yields its address."""
    broker = DefaultBroker(folder)
    try:
        url = asyncio.run(broker.start())
    except BrokerError as error:
        raise ProcessError(str(error)) from None
    try:
        yield url
    finally:
        asyncio.run(broker.stop())


@contextlib.contextmanager
def mosquitto(folder: Path) -> Iterator[str]:
    """Run mosquitto with its windows as wide as the default broker's; yields its address."""
    executable = _find_mosquitto()
    folder.mkdir(parents=True, exist_ok=True)
    port = _free_port()
    config = folder / "mosquitto.conf"
    config.write_text(
        f"listener {port} {HOST}\n"
        "allow_anonymous true\n"
        "set_tcp_nodelay true\n"
        "max_inflight_messages 1000\n"
        "max_queued_messages 0\n"
        f"user {getpass.getuser()}\n"
    )
    with _running([executable, "-c", str(config)], folder / "mosquitto.log") as process:
        url = f"mqtt://{HOST}:{port}"
        deadline = time.monotonic() + START_S_MAX
        while True:
            try:
                Connection(url, "bench-try").close()
                break
            except (OSError, WireError) as error:
                if process.poll() is not None or time.monotonic() > deadline:
                    raise ProcessError(f"mosquitto does not answer: {error}") from None
                time.sleep(_LOOK_S)
        yield url


BROKERS: Final = {"nats-server": default_broker, "mosquitto": mosquitto}


def broker_version(name: str) -> str:
    """Ask a broker's executable what it is; raises :class:`ProcessError` where there is none."""
    if name == "mosquitto":
        command = [_find_mosquitto(), "-h"]
    else:
        try:
            command = [str(find_executable()), "--version"]
        except BrokerError as error:
            raise ProcessError(str(error)) from None
    said = subprocess.run(command, capture_output=True, text=True, check=False).stdout  # noqa: S603 - found above
    return (said.splitlines() or [name])[0]


def _find_mosquitto() -> str:
    found = shutil.which("mosquitto", path=_PATH)
    if found is None:
        raise ProcessError("mosquitto is not installed")
    return found


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


# -- the monitor -----------------------------------------------------------------------------


class Monitor:
    """A ``sillwatch run`` of its own, as its journal and the kernel see it."""

    def __init__(self, process: subprocess.Popen[bytes], journal: Path) -> None:
        self._process = process
        self._journal = sqlite3.connect(f"{journal.as_uri()}?mode=ro", uri=True, isolation_level=None)
        self._position = 0
        self._messages = 0
        self._reported = 0
        self._left_out = 0

    def processed(self) -> tuple[int, int]:
        """Return how many messages are judged and on disk, and how many were left out: the journal counts them."""
        count, last = self._journal.execute(
            "SELECT count(*), max(position) FROM inputs WHERE position > ? AND kind IS NULL", (self._position,)
        ).fetchone()
        self._messages += count
        self._position = last or self._position
        reports = self._journal.execute(
            "SELECT position, payload FROM inputs WHERE position > ? AND kind = 'readings-shed'", (self._reported,)
        )
        for self._reported, report in reports:
            self._left_out += sum(number for _, number in json.loads(report)["counts"])
        return self._messages, self._left_out

    def resident_kb(self) -> int:
        """Return its resident memory, kB."""
        said = subprocess.run(  # noqa: S603 - a fixed command and a number
            ["ps", "-o", "rss=", "-p", str(self._process.pid)],  # noqa: S607 - the system's own
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        return int(said)

    def cpu_s(self) -> float | None:
        """Return the processor time it has used, s; ``None`` where the system does not say."""
        return _cpu_s(self._process.pid)

    def close(self) -> None:
        """Let go of its journal."""
        self._journal.close()


@contextlib.contextmanager
def monitor(url: str, folder: Path) -> Iterator[Monitor]:
    """Run the monitor with the demo's config and its journal below ``folder``; yields it once it listens."""
    executable = Path(sysconfig.get_path("scripts")) / "sillwatch"
    command = [str(executable), "run", "--broker", url, "--http", f"{HOST}:0", "--data", str(folder)]
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / "monitor.log"
    states: list[bytes] = []
    with Connection(url, "bench-watch", lambda _topic, payload: states.append(payload)) as watch:
        watch.subscribe("sillwatch/v1/status/+")
        with _running(command, log) as process:
            deadline = time.monotonic() + START_S_MAX
            while not any(b'"online"' in state for state in states):  # said once it has subscribed
                if process.poll() is not None or time.monotonic() > deadline:
                    raise ProcessError(f"sillwatch run does not come up: {_last_line(log)}")
                if select.select((watch,), (), (), _LOOK_S)[0]:
                    watch.read()
            watched = Monitor(process, folder / "journal.sqlite3")
            try:
                yield watched
            finally:
                watched.close()


# -- the empty subscriber ----------------------------------------------------------------------


class Subscriber:
    """The empty subscriber, as it counts."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        if process.stdout is None:
            raise ProcessError("the subscriber has no output")
        self._process = process
        self._output = process.stdout.fileno()
        self._rest = b""
        self._count = 0
        while not self._lines():
            if process.poll() is not None:
                raise ProcessError("the empty subscriber ended at once")
        os.set_blocking(self._output, False)

    def processed(self) -> tuple[int, int]:
        """Return how many messages it has taken; it leaves none out."""
        lines = self._lines()
        if lines:
            self._count = int(lines[-1])
        return self._count, 0

    def cpu_s(self) -> float | None:
        """Return the processor time it has used, s; ``None`` where the system does not say."""
        return _cpu_s(self._process.pid)

    def _lines(self) -> list[bytes]:
        try:
            self._rest += os.read(self._output, 65_536)
        except BlockingIOError:
            return []
        *lines, self._rest = self._rest.split(b"\n")
        return lines


@contextlib.contextmanager
def empty_subscriber(url: str, name: str, folder: Path) -> Iterator[Subscriber]:
    """Run an aiomqtt subscriber that only counts; yields it once it listens."""
    command = [sys.executable, "-m", "simulators.bench_subscriber", url, name]
    with _running(command, folder / "subscriber.log", heard=True) as process:
        yield Subscriber(process)


# -- children --------------------------------------------------------------------------------


@contextlib.contextmanager
def _running(command: list[str], log: Path, *, heard: bool = False) -> Iterator[subprocess.Popen[bytes]]:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("SILLWATCH_")}
    with log.open("wb") as output:
        try:
            process = subprocess.Popen(  # noqa: S603 - the commands are put together here
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE if heard else output,
                stderr=output,
                env=environment,
            )
        except OSError as error:
            raise ProcessError(f"{command[0]} cannot be run: {error.strerror}") from None
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(STOP_S_MAX)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()


def _cpu_s(pid: int) -> float | None:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return None
    # utime and stime are fields 14 and 15; the second ends with the bracket (proc(5)).
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _last_line(log: Path) -> str:
    lines = log.read_text(encoding="utf-8", errors="replace").splitlines()
    return lines[-1] if lines else f"see {log}"
