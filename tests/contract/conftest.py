"""Fixtures that start brokers; a missing one fails where ``CI`` is ``true`` and is a loud skip elsewhere."""

from __future__ import annotations

import itertools
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.contract.brokers import AmqttBench, Bench, MemoryBench, MosquittoBench, NatsBench, Rig, require_broker

_COUNTER = itertools.count(1)


@pytest.fixture(scope="session")
def _amqtt_host() -> Iterator[None]:
    """Started by the first test that needs it."""
    yield
    if AmqttBench.host is not None:
        AmqttBench.host.end()
        AmqttBench.host = None


@pytest.fixture(
    params=[
        pytest.param(NatsBench, id="nats-server", marks=pytest.mark.broker),
        pytest.param(MosquittoBench, id="mosquitto", marks=pytest.mark.broker),
        pytest.param(AmqttBench, id="amqtt", marks=pytest.mark.broker),
        pytest.param(MemoryBench, id="memory"),
    ]
)
async def bench(request: pytest.FixtureRequest, tmp_path: Path, _amqtt_host: None) -> AsyncIterator[Bench]:
    """A started broker, stopped afterwards."""
    require_broker(request.param)
    bench = request.param(tmp_path)
    await bench.start()
    try:
        yield bench
    finally:
        await bench.stop()


@pytest.fixture
def make_rig(bench: Bench) -> Callable[..., Rig]:
    """Make feeds for the broker; each under an instance name of its own unless one is given."""

    def make(instance: str = "", **options: Any) -> Rig:
        return Rig(bench, instance or f"i{next(_COUNTER)}", **options)

    return make
