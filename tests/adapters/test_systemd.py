"""What systemd is told, over a real socket, and which trouble lets its watchdog bite."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.systemd import SILENT_S, STUCK_S, ServiceManager, Vigil, serve_manager

DEADLINE_S = 30.0
ALL_IS_WELL: dict[str, Any] = {"ready": True, "reasons": []}


@contextlib.contextmanager
def listening(address: str) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind("\0" + address[1:] if address.startswith("@") else address)
        ear.settimeout(DEADLINE_S)
        yield ear


class Journal:
    def __init__(self) -> None:
        self.healthy = True
        self.depth = 0
        self.failures = 0


class Trouble:
    """A vigil over things that a test sets."""

    def __init__(self) -> None:
        self.journal = Journal()
        self.commits = self.passes = 1
        self.delivers = True
        self.vigil = Vigil(
            journal=self.journal,
            commits=lambda: self.commits,
            passes=lambda: self.passes,
            delivers=lambda: self.delivers,
        )
        self.now = 1000.0
        assert self.vigil.find_fault(self.now) == ""

    def after(self, seconds: float) -> str:
        """Look every 10 s as long; return what it says in the end."""
        for _ in range(round(seconds / 10)):
            self.now += 10
            found = self.vigil.find_fault(self.now)
        return found


# The socket


@pytest.mark.parametrize("name", ["{folder}/notify", "@sillwatch-test-{pid}"])
def test_words_reach_a_real_socket_by_path_and_by_abstract_name(tmp_path: Path, name: str) -> None:
    address = name.format(folder=tmp_path, pid=os.getpid())
    with listening(address) as ear:
        ServiceManager({"NOTIFY_SOCKET": address}).tell("READY=1", "STATUS=fine")
        assert ear.recv(4096) == b"READY=1\nSTATUS=fine"


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "vsock:2:1"}])
def test_without_a_socket_it_is_silent(environment: dict[str, str]) -> None:
    manager = ServiceManager({**environment, "WATCHDOG_USEC": "30000000"})
    assert (manager.listens, manager.pat_every_s) == (False, None)
    manager.tell("READY=1")


def test_a_socket_that_is_gone_harms_nothing(tmp_path: Path) -> None:
    manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "none")})
    manager.tell("READY=1")
    manager.tell("WATCHDOG=1")


def test_a_socket_that_takes_nothing_keeps_nobody_waiting(tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    with listening(address):
        manager = ServiceManager({"NOTIFY_SOCKET": address})
        for _ in range(2000):
            manager.tell("WATCHDOG=1")


@pytest.mark.parametrize(
    ("environment", "every_s"),
    [
        ({"WATCHDOG_USEC": "30000000"}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_it_pats_thrice_in_the_time_that_is_given(environment: dict[str, str], every_s: float | None) -> None:
    assert ServiceManager({"NOTIFY_SOCKET": "/run/notify", **environment}).pat_every_s == every_s


# What is told, and when


class Told:
    """Stands for the socket."""

    def __init__(self, pat_every_s: float | None = 10.0) -> None:
        self.listens = True
        self.pat_every_s = pat_every_s
        self.words: list[tuple[str, ...]] = []

    def tell(self, *words: str) -> None:
        self.words.append(words)

    def pats(self) -> int:
        return sum("WATCHDOG=1" in words for words in self.words)


def serve(
    told: Told, trouble: Trouble, listens: asyncio.Event, health: dict[str, Any] = ALL_IS_WELL
) -> asyncio.Task[None]:
    return asyncio.create_task(serve_manager(told, trouble.vigil, lambda: health, listens))  # type: ignore[arg-type]


async def ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


@pytest.mark.looptime
async def test_ready_is_told_once_the_broker_delivers() -> None:
    told, listens = Told(), asyncio.Event()
    task = serve(told, Trouble(), listens)
    await asyncio.sleep(1)
    assert told.words == []
    listens.set()
    await asyncio.sleep(0.1)
    assert told.words == [("READY=1",), ("STATUS=ready", "WATCHDOG=1")]
    await ended(task)


@pytest.mark.looptime
async def test_ready_is_told_without_a_broker_too_and_the_status_says_so() -> None:
    told = Told()
    health = {"ready": False, "reasons": ["the broker is not connected", "the journal\ncannot be written"]}
    task = serve(told, Trouble(), asyncio.Event(), health)
    await asyncio.sleep(6)
    assert told.words == [
        ("READY=1",),
        ("STATUS=the broker is not connected; the journal cannot be written", "WATCHDOG=1"),
    ]
    await ended(task)


@pytest.mark.looptime
async def test_pats_stop_with_a_fault_and_come_back_without() -> None:
    told, trouble, listens = Told(), Trouble(), asyncio.Event()
    listens.set()
    task = serve(told, trouble, listens)
    await asyncio.sleep(1)
    trouble.journal.depth = 3
    await asyncio.sleep(STUCK_S + 20)
    before = told.pats()
    await asyncio.sleep(60)
    assert told.pats() == before
    assert told.words[-1] == ("STATUS=ready",)
    trouble.commits += 1
    trouble.passes += 1
    await asyncio.sleep(10)
    assert told.pats() > before
    await ended(task)


@pytest.mark.looptime
async def test_without_a_watchdog_only_the_status_is_told() -> None:
    told, listens = Told(pat_every_s=None), asyncio.Event()
    listens.set()
    task = serve(told, Trouble(), listens)
    await asyncio.sleep(60)
    assert told.pats() == 0
    assert len(told.words) > 10
    await ended(task)


def test_a_wedged_loop_stops_the_pats(tmp_path: Path) -> None:
    """A callback that does not come back: no task runs, so nothing is told until it does."""
    address = str(tmp_path / "notify")
    wedge, wedged, loops = threading.Event(), threading.Event(), []

    def hold() -> None:
        wedged.set()
        wedge.wait(DEADLINE_S)

    async def run() -> None:
        loops.append(asyncio.get_running_loop())
        listens = asyncio.Event()
        listens.set()
        manager = ServiceManager({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "3000"})
        trouble = Trouble()
        trouble.passes += 1
        serving = asyncio.create_task(serve_manager(manager, trouble.vigil, lambda: ALL_IS_WELL, listens))
        await stop.wait()
        await ended(serving)

    stop = asyncio.Event()
    with listening(address) as ear:
        thread = threading.Thread(target=lambda: asyncio.run(run()))
        thread.start()
        try:
            assert ear.recv(4096) == b"READY=1"
            assert b"WATCHDOG=1" in ear.recv(4096)
            loops[0].call_soon_threadsafe(hold)
            assert wedged.wait(DEADLINE_S)
            ear.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                while ear.recv(4096):
                    continue
            ear.settimeout(0.3)  # a hundred times as long as from one pat to the next
            with pytest.raises(TimeoutError):
                ear.recv(4096)
            wedge.set()
            ear.settimeout(DEADLINE_S)
            assert b"WATCHDOG=1" in ear.recv(4096)
        finally:
            wedge.set()
            loops[0].call_soon_threadsafe(stop.set)
            thread.join(DEADLINE_S)


# What is worth a restart


def test_a_journal_that_neither_takes_nor_complains_is() -> None:
    trouble = Trouble()
    trouble.journal.depth = 3
    assert trouble.after(STUCK_S) == ""
    assert trouble.after(10).startswith("the journal has taken nothing for 70 s")


def test_a_journal_over_its_bound_that_is_stuck_is_too() -> None:
    trouble = Trouble()
    trouble.journal.depth, trouble.journal.healthy = 300_000, False
    assert "the journal" in trouble.after(STUCK_S + 20)


def test_a_journal_that_is_slow_or_has_nothing_to_do_is_not() -> None:
    trouble = Trouble()
    trouble.journal.depth = 3
    for _ in range(20):
        trouble.commits += 1
        trouble.passes += 1
        assert trouble.after(50) == ""
    trouble.journal.depth = 0
    trouble.delivers = False
    assert trouble.after(3600) == ""


def test_a_full_disk_is_not() -> None:
    """It reports errors, a start would fail, and alerts still go out."""
    trouble = Trouble()
    trouble.journal.depth, trouble.journal.healthy = 3, False
    for _ in range(360):
        trouble.journal.failures += 5
        assert trouble.after(10) == ""


def test_a_broker_that_is_away_is_not() -> None:
    trouble = Trouble()
    trouble.delivers = False
    assert trouble.after(24 * 3600) == ""
    trouble.delivers = True
    assert trouble.after(SILENT_S) == ""


def test_proofs_that_stop_while_everything_seems_well_are() -> None:
    trouble = Trouble()
    assert trouble.after(SILENT_S) == ""
    assert trouble.after(10).startswith("no proof has passed for 130 s")
    trouble.passes += 1
    assert trouble.after(10) == ""


def test_what_never_went_well_in_this_run_is_not() -> None:
    """A broker that will not hand our proofs back, a disk that hung before: a restart has not mended it."""
    trouble = Trouble()
    trouble.commits = trouble.passes = 0
    trouble.journal.depth = 3
    assert trouble.after(3600) == ""
