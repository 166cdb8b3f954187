"""What the monitor makes of the simulated aircraft: nothing when all is well, the right code when not."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.adapters.wire import Wire
from monitor.core.airframe import Site
from monitor.core.effects import CountDropped, CountImplausible, Effect, PublishEvent, RejectInput
from monitor.core.events import BrokerConnected, MonitorStarted
from monitor.core.rules import CATALOGUE
from monitor.core.rules.rule import Scope
from monitor.core.system import System
from monitor.ports import Message
from simulators.apron import Apron, Part
from simulators.scenario import find_scenario, load_scenario

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


RAISED = {
    "armed-handle": {("L1", "armed-handle-moved")},
    "access-withdrawn": {("L1", "access-withdrawn")},
    "engine-running": {("CF", "open-engine-running")},
    "pressure": {("CB", "residual-pressure"), ("-", "pressure-rising")},
    "feed-loss": {("-", "feed-lost")},
    "slide-deployed": {("R1", "slide-deployed")},
    "slide-stuck": {("L2", "armed-leaf-moving"), ("L2", "slide-not-released")},
    "bad-sensor": {("L1", "signal-bad"), ("R2", "lock-disagree")},
    "evacuation": {("R4", "slide-deployed"), ("-", "evacuation-in-progress")},
    "slide-faults": {
        ("L1", "slide-slow"),
        ("L3", "bottle-low"),
        ("L4", "indicator-disagree"),
        ("R1", "girt-disagree"),
        ("R2", "pin-left-in"),
        ("R3", "outside-opening-armed"),
        ("R4", "emergency-open-slow"),
    },
    "doorway": {("L1", "unguarded-drop"), ("L1", "pin-missing"), ("CB", "unlocked-lingering")},
    "hold-doors": {
        ("CF", "unsecured-leaf"),
        ("CF", "cargo-uncommanded"),
        ("CF", "cargo-pressure-low"),
        ("M1", "cargo-unlatched-flags"),
    },
    "departure": {
        ("R1", "not-armed-departure"),
        ("CB", "moving-not-secure"),
        ("CB", "unlocked-pressurised"),
        ("-", "exit-capacity-short"),
    },
    "arrival": {("R2", "still-armed-arrival")},
    "refuelling": {("-", "refuel-exits-short")},
    "squall": {("L1", "wind-limit")},
    "overwing": {("OL1", "overwing-disturbed")},
    "senders": {
        ("-", "signal-stale"),
        ("L1", "signal-chatter"),
        ("R2", "implausible-jump"),
        ("-", "identity-conflict"),
        ("-", "clock-skew"),
    },
    "worn-damper": {("L1", "transit-slow")},
}
"""Scenario → what it is about: the doors and the codes that are raised there."""


@pytest.mark.parametrize("scenario", sorted(RAISED))
def test_a_shipped_scenario_raises_what_it_is_about(
    listen: Callable[[Apron, float], Heard], site: Site, start_us: int, scenario: str
) -> None:
    played = load_scenario(find_scenario(scenario), site)
    events, _ = listen(played.apron(site, start_us), played.end_s or 60.0)
    raised = [event for event in events if event.type == "raised"]
    assert {(event.door, event.code) for event in raised} >= RAISED[scenario]
    assert all(event.data["simulated"] is True for event in raised)


def test_every_hazard_of_the_catalogue_is_in_a_shipped_scenario() -> None:
    # What stands for the site alone is the monitor's own trouble, which no sensor can bring about.
    hazards = {rule.code for rule in CATALOGUE if rule.scope is not Scope.SITE}
    assert {code for raised in RAISED.values() for _, code in raised} == hazards
