"""What the monitor makes of simulated aircraft when all is well: nothing. Mishaps are in ``tests/scenarios``."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.adapters.wire import Wire
from monitor.core.airframe import Site
from monitor.core.effects import CountDropped, CountImplausible, Effect, PublishEvent, RejectInput
from monitor.core.events import BrokerConnected, MonitorStarted
from monitor.core.system import System
from monitor.ports import Message
from simulators.apron import Apron, Part

Heard = tuple[list[PublishEvent], list[Effect]]


@pytest.fixture
def listen(site: Site, start_us: int, after: Callable[[float], int]) -> Callable[[Apron, float], Heard]:
    """Run an apron through the codec and the core; return the events, and what was refused or implausible."""

    def run(apron: Apron, seconds: float) -> Heard:
        system, wire = System(site, answering=False), Wire(site.name, "test", frozenset(site.types))
        told = [*system.step(MonitorStarted(), start_us), *system.step(BrokerConnected(), start_us)]
        for sent in apron.advance(after(seconds)):
            while (due := system.next_deadline()) is not None and due <= sent.at_us:
                told += system.advance(due)
            decoded = wire.decode(Message(sent.topic, sent.payload, False))
            for event in decoded if isinstance(decoded, list) else [decoded]:
                told += [event] if isinstance(event, RejectInput) else system.step(event, sent.at_us)
        refused = (RejectInput, CountDropped, CountImplausible)
        return [e for e in told if isinstance(e, PublishEvent)], [e for e in told if isinstance(e, refused)]

    return run


@pytest.mark.parametrize("name", ["alder", "birch", "hazel", "cedar", "larch"])
def test_a_whole_turnaround_raises_nothing(
    listen: Callable[[Apron, float], Heard], site: Site, start_us: int, name: str
) -> None:
    part = Part("ZZ-TST", name, "S11", mark="landed", after_s=0.0, bundles=name == "larch")
    events, odd = listen(Apron(site, 2, start_us, cast=(part,), programme=None), 900.0)
    assert [(e.time, e.door, e.code, e.type) for e in events] == []
    assert odd == []


@pytest.mark.parametrize("speed", [0.5, 20.0])
def test_a_quiet_apron_stays_quiet_at_any_speed(
    listen: Callable[[Apron, float], Heard], site: Site, start_us: int, speed: float
) -> None:
    events, odd = listen(Apron(site, 3, start_us, speed=speed, programme=None), 60.0)
    assert [(e.time, e.aircraft, e.door, e.code, e.type) for e in events] == []
    assert odd == []
