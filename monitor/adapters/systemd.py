"""What systemd is told of us: ready, stopping, how we are, and that we are still there.

Owns the datagrams of ``sd_notify(3)`` and the decision which trouble is worth a restart. Where
no ``NOTIFY_SOCKET`` is set it does nothing at all.

A restart is right only where it can bring warnings back. So the watchdog is left to bite

- when the loop no longer turns: nothing here runs then, and nobody is warned of anything;
- when the journal has neither taken a row nor reported an error for a minute, though rows wait:
  nothing is acknowledged then, and the broker soon delivers nothing more;
- when proofs passed in this run, and none has for two minutes, though the broker delivers and the
  journal is well: something in between is stuck.

It is not left to bite for a broker that is away (we wait and say so), nor for a journal that reports
errors, such as a full disk (alerts still go out; a start would fail). What a restart has not
mended does not cause another: each of the last two needs that it went well once in this run.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable, Mapping
from typing import Final, Protocol

import structlog

from monitor.ports import Readout

STUCK_S: Final = 60.0
SILENT_S: Final = 120.0
TRIED_S: Final = 5.0
"""A start is done once the broker delivers, or after so long: without one the board still shows what is wrong."""
STATUS_S: Final = 5.0

_log: Final = structlog.get_logger(__name__)


class ServiceManager:
    """Speaks to the socket that ``environment`` names, if it names one."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.listens = address.startswith(("/", "@"))
        self._silent = False
        watched = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        limit = environment.get("WATCHDOG_USEC", "")
        self.pat_every_s = int(limit) / 3e6 if self.listens and watched and limit.isdecimal() else None
        """How often it wants to hear of us: thrice in the time after which it acts; ``None`` where it does not."""

    def tell(self, *words: str) -> None:
        """Send assignments such as ``READY=1``; never waits, and what cannot be sent is lost."""
        if not self.listens:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.setblocking(False)
                sender.sendto("\n".join(words).encode(), self._address)
        except OSError as error:
            if not self._silent:
                _log.warning("systemd cannot be told", action="notify-failed", why=str(error))
            self._silent = True


class Journal(Protocol):
    """What is asked of the journal."""

    @property
    def healthy(self) -> bool: ...
    @property
    def depth(self) -> int: ...
    @property
    def failures(self) -> int: ...


class Vigil:
    """Tells whether a restart would be right; asked regularly, with the loop's time in seconds."""

    def __init__(
        self, *, journal: Journal, commits: Callable[[], int], passes: Callable[[], int], delivers: Callable[[], bool]
    ) -> None:
        self._journal = journal
        self._commits = commits
        self._passes = passes
        self._delivers = delivers
        self._moved = (0, 0)
        self._moved_at = 0.0
        self._passed = 0
        self._passed_at = 0.0

    def find_fault(self, now: float) -> str:
        """Say what a restart may mend, if anything."""
        moved = (self._commits(), self._journal.failures)
        if moved != self._moved or self._journal.depth == 0:
            self._moved, self._moved_at = moved, now
        if moved[0] and now - self._moved_at > STUCK_S:
            return f"the journal has taken nothing for {now - self._moved_at:.0f} s and reports no error"
        passes = self._passes()
        if passes != self._passed or not (self._delivers() and self._journal.healthy):
            self._passed, self._passed_at = passes, now
        if passes and now - self._passed_at > SILENT_S:
            return f"no proof has passed for {now - self._passed_at:.0f} s, though the broker delivers"
        return ""


async def serve_manager(
    manager: ServiceManager, vigil: Vigil, health: Callable[[], Readout], listening: asyncio.Event
) -> None:
    """Tell that we are ready once the broker was tried, then how we are and that we are there, until cancelled."""
    if not manager.listens:
        return
    loop = asyncio.get_running_loop()
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(listening.wait(), TRIED_S)
    manager.tell("READY=1")
    every_s = min(STATUS_S, manager.pat_every_s or STATUS_S)
    told = ""
    while True:
        fault = vigil.find_fault(loop.time())
        if fault != told and fault:
            _log.error(f"{fault}; systemd is left to restart this", action="watchdog-left")
        told = fault
        found = health()
        words = [f"STATUS={'; '.join(found['reasons']) or 'ready'}".replace("\n", " ")]
        if manager.pat_every_s is not None and not fault:
            words.append("WATCHDOG=1")
        manager.tell(*words)
        await asyncio.sleep(every_s)
