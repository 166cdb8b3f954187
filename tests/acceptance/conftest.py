"""What the acceptance tests share: brokers, running instances, a fresh aircraft for each test.

A broker and the instance on it live as long as the whole run, since a start costs
seconds; a test that stops or kills one starts its own. Each test has an aircraft of its
own, so that none sees another's alerts.
"""

from __future__ import annotations

import itertools
import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.acceptance.clients import Sender
from tests.acceptance.programs import (
    Broker,
    Instance,
    MosquittoBroker,
    NatsBroker,
    running_broker,
    running_instance,
)
from tests.stories import demo_site

_NUMBER = itertools.count(100)


class Live(NamedTuple):
    """A broker with an instance that watches it; ``folder`` is for what a test writes."""

    broker: Broker
    instance: Instance
    folder: Path

    @property
    def url(self) -> str:
        return self.broker.url

    def sender(self, *, clock_s: float = 0.0) -> Sender:
        """Sensors of an aircraft that nobody has heard of yet."""
        return Sender(self.url, f"ZT-{next(_NUMBER)}", clock_s=clock_s)

    def arrived(self, *, clock_s: float = 0.0) -> Sender:
        """An alder at its stand, complete and healthy."""
        sender = self.sender(clock_s=clock_s).arrive(demo_site().types["alder"])
        self.instance.wait_door(sender.reg, "L1", "closed_locked")
        return sender


MakeBroker = Callable[[str], Broker]


@pytest.fixture(scope="session")
def _clients(require_program: Callable[..., str]) -> None:
    require_program("mosquitto_pub")
    require_program("mosquitto_sub")


@pytest.fixture(scope="session")
def make_broker(
    _clients: None, require_program: Callable[..., str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[MakeBroker]:
    """Make brokers of a kind; each is stopped at the end of the run at the latest."""
    made: list[Broker] = []

    def make(kind: str) -> Broker:
        folder = tmp_path_factory.mktemp(kind)
        broker = NatsBroker(folder) if kind == "default" else MosquittoBroker(folder, require_program("mosquitto"))
        made.append(broker)
        return broker

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture(scope="session")
def lives(make_broker: MakeBroker, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], Live]]:
    """A shared broker and instance of each kind that is asked for.

    At the end each instance has to go quietly: exit code 0 and no traceback.
    """
    running: dict[str, Live] = {}
    with ExitStack() as stack:

        def find(kind: str) -> Live:
            if kind not in running:
                folder = tmp_path_factory.mktemp(f"live-{kind}")
                broker = stack.enter_context(running_broker(make_broker(kind)))
                instance = stack.enter_context(running_instance(folder, broker, installed=kind == "mosquitto"))
                running[kind] = Live(broker, instance, folder)
            return running[kind]

        yield find
        for live in running.values():
            code, _ = live.instance.end(signal.SIGTERM)
            assert code == 0
            assert "Traceback" not in live.instance.err


@pytest.fixture(params=["default", "mosquitto"])
def live(request: pytest.FixtureRequest, lives: Callable[[str], Live]) -> Live:
    """The shared instance on the default broker, then on mosquitto."""
    return lives(request.param)


@pytest.fixture
def live_mosquitto(lives: Callable[[str], Live]) -> Live:
    """The shared instance on mosquitto, for what does not depend on the broker."""
    return lives("mosquitto")
