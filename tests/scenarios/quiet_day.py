"""A simulated day on the apron in which nobody does anything wrong: who is there and what is sent.

Owns the aircraft's days (turnarounds of every length, flights between them), the weather at
their stands, and the playing of all of it into the core, in virtual time and through the real
codec. It judges nothing.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Final

from monitor.adapters.wire import Wire
from monitor.core.airframe import Site
from monitor.core.effects import CountDropped, CountImplausible, Effect, PublishDoor, PublishEvent, RejectInput
from monitor.core.events import BrokerConnected, MonitorStarted
from monitor.core.state import SiteRecord
from monitor.core.system import System
from monitor.core.times import MILLISECOND, SECOND
from monitor.engine import take_message
from monitor.ports import Message
from simulators.actor import Actor
from simulators.aircraft import Aircraft
from simulators.feed import Feed
from simulators.models import weather
from simulators.orders import Order
from simulators.publication import Publication, encode_reading
from simulators.turnaround import Plan, Timed, plan_turnaround
from tests.scenarios.quiet_noise import Delivery, Line

START: Final = 1_772_359_200_000_000
BEAT_EVERY: Final = 9 * SECOND
PRESSURE_EVERY: Final = 13 * SECOND
WEATHER_EVERY: Final = 24 * SECOND
_DOOR_STEP: Final = 250 * MILLISECOND
_STEP: Final = SECOND


class Alarms(System):
    """The core as it judges hazards; neither answers nor procedures are asked for, which saves most of the time."""

    def __init__(self, site: Site, record: SiteRecord | None = None) -> None:
        super().__init__(replace(site, procedures={}), record, answering=False)


@dataclass
class Heard:
    """What the core made of what it was sent."""

    messages: int = 0
    events: list[PublishEvent] = field(default_factory=list)
    odd: list[Effect] = field(default_factory=list)
    states: set[str] = field(default_factory=set)

    def alarms(self) -> list[tuple[str, str, str, str, str, str]]:
        """Every warning and caution that was raised: when, where, what."""
        return self._raised("warning", "caution")

    def advisories(self) -> list[tuple[str, str, str, str, str, str]]:
        return self._raised("advisory")

    def _raised(self, *priorities: str) -> list[tuple[str, str, str, str, str, str]]:
        return [
            (f"{(e.time - START) / SECOND:.3f}", e.aircraft, e.door, e.code, e.type, e.data["text"])
            for e in self.events
            if e.type in ("raised", "reraised", "reprioritised") and e.data["priority"] in priorities
        ]


def listen(site: Site, deliveries: Iterable[Delivery], *, until: int, system: System | None = None) -> Heard:
    """Play deliveries into the core and let time pass up to ``until`` (µs)."""
    heard = Heard()
    wire = Wire(site.name, "quiet", frozenset(site.types))
    if system is None:
        system = Alarms(site)
        system.step(MonitorStarted(), START)
        system.step(BrokerConnected(), START)
    for at, topic, payload in deliveries:
        heard.messages += 1
        _, effects = take_message(system, wire, Message(topic, payload, False), at)
        _keep(heard, effects)
    _keep(heard, system.advance(until))
    return heard


def _keep(heard: Heard, effects: Iterable[Effect]) -> None:
    for effect in effects:
        if isinstance(effect, PublishEvent):
            heard.events.append(effect)
        elif isinstance(effect, PublishDoor) and effect.document is not None:
            heard.states.add(effect.document["state"])
        elif isinstance(effect, (RejectInput, CountImplausible, CountDropped)):
            heard.odd.append(effect)


def shift(plan: Plan, mark: str, later_s: float) -> Plan:
    """Put off what comes after ``mark`` in ``plan``."""
    at = plan.marks[mark]
    return replace(
        plan,
        actions=tuple(a._replace(at_s=a.at_s + later_s) if a.at_s > at else a for a in plan.actions),
        marks={name: moment + later_s if moment > at else moment for name, moment in plan.marks.items()},
        length_s=plan.length_s + later_s,
    )


@dataclass
class Day:
    """One aircraft's day: it turns round, flies, and comes back, over and over."""

    site: Site
    type: str
    reg: str
    stand: str
    seed: int
    turnarounds: int = 0

    def sent(self, hours: float) -> Iterator[Publication]:
        """Yield everything that its sensors send in ``hours`` from the start."""
        rng = random.Random(f"{self.seed}:{self.reg}")
        plane = Aircraft(self.reg, self.site.types[self.type], self.stand, rng)
        plane.arm_all(armed=True)
        plane.put_aboard(round(plane.airframe.seats * 0.8))
        plane.run_engines()
        plane.stand = ""
        plane.switches |= {"parking_brake": False, "chocks": False, "beacon": True}
        plane.speed_kt = 60.0
        root = f"apron/v1/{self.site.name}/aircraft/{self.reg}"
        first = START + round(rng.uniform(0.5, 60.0) * SECOND) // MILLISECOND * MILLISECOND
        feed = Feed(
            root, bundles=False, first_beat_us=first, beat_every_us=BEAT_EVERY, pressure_every_us=PRESSURE_EVERY
        )
        actor = Actor(plane, feed, rng, self._next_plan)
        actor.follow(self._next_plan(plane, rng), first)
        return live(actor, first, START + round(hours * 3600 * SECOND))

    def _next_plan(self, plane: Aircraft, rng: random.Random) -> Plan:
        self.turnarounds += 1
        plan = plan_turnaround(plane.airframe, rng, arriving=plane.people.count)
        # Some wait with everything open, all of them fly for a while.
        plan = shift(plan, "boarding", rng.uniform(0.0, 600.0))
        return shift(plan, "away", rng.uniform(2000.0, 4200.0))


def live(actor: Actor, now: int, end: int) -> Iterator[Publication]:
    """Yield what an aircraft sends up to ``end`` (µs), in small steps while anything moves and none else."""
    step = _DOOR_STEP
    while now < end:
        actor.step(now, step / SECOND)
        yield from actor.publish(now)
        if actor.plane.still:
            # What is ordered next begins then: the rest before it is no time for a part to move in.
            step, now = _DOOR_STEP, max(now + _DOOR_STEP, actor.next_due_us(now))
        else:
            step = _DOOR_STEP if actor.plane.doors_move else _STEP
            now += step


def weather_sent(site: Site, stand: str, seed: int, hours: float) -> Iterator[Publication]:
    """Yield what a stand's anemometer sends."""
    rng = random.Random(f"{seed}:{stand}")
    climate = weather.Climate()
    wind = weather.first_wind(climate)
    root = f"apron/v1/{site.name}/stand/{stand}"
    for at in range(START + rng.randrange(WEATHER_EVERY), START + round(hours * 3600 * SECOND), WEATHER_EVERY):
        wind = weather.step(climate, wind, WEATHER_EVERY / SECOND, rng)
        for signal, value in weather.wind_readings(wind).items():
            if signal != "wind_from_deg" or rng.random() < 0.1:
                yield Publication(at, f"{root}/{signal}", encode_reading(at, 0, value, "good"), True)


def apron_day(site: Site, days: Iterable[Day], seed: int, hours: float) -> Iterator[Delivery]:
    """Yield everything that is delivered while ``days`` are lived at once, in the order of delivery."""
    lines: list[Iterable[Delivery]] = []
    for day in days:
        lines.append(Line(random.Random(f"{seed}:{day.reg}:line")).carry(day.sent(hours)))
        wind = weather_sent(site, day.stand, seed, hours)
        lines.append(Line(random.Random(f"{seed}:{day.stand}:line")).carry(wind))
    return heapq.merge(*lines, key=lambda delivery: delivery.at)


def follow(site: Site, type_name: str, plan: Plan, *, seed: int, reg: str = "ZZ-QUI", stand: str = "S11") -> Actor:
    """Put an aircraft on its stand, all shut, slides disengaged and nobody aboard, with ``plan`` to follow."""
    rng = random.Random(f"{seed}:{reg}:{type_name}")
    feed = Feed(f"apron/v1/{site.name}/aircraft/{reg}", bundles=False, first_beat_us=START)
    actor = Actor(Aircraft(reg, site.types[type_name], stand, rng), feed, rng)
    actor.follow(plan, START)
    return actor


def plan_of(*orders: tuple[float, Order]) -> Plan:
    """Write a plan of orders at seconds."""
    return Plan(tuple(Timed(at_s, order) for at_s, order in orders), {}, orders[-1][0])
