"""A whole apron: several aircraft at once, their weather, and what goes wrong.

Owns the simulated clock and the order in which everything moves and speaks. It is pure:
the same site, cast, seed and start give the same bytes, whatever the pace at which
:meth:`Apron.advance` is called.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.core.airframe import AirframeType, Site
from monitor.core.times import MILLISECOND, SECOND
from simulators.actor import Actor, NextPlan
from simulators.aircraft import Aircraft
from simulators.feed import HEARTBEAT_EVERY, Anemometer, Feed
from simulators.incidents import Director, Happened, Programme
from simulators.models import weather
from simulators.models.air import air_at
from simulators.orders import Order, Verb
from simulators.publication import Publication
from simulators.turnaround import Plan, access_for, plan_night_stop, plan_turnaround, roles_of

TICK: Final = 100 * MILLISECOND
"""µs of simulated time between two looks at the world."""

_WEATHER_TICKS: Final = 10
_SETTLING_S: Final = 90.0

STARTS: Final = ("closed", "armed", "open", "engines running", "turnaround", "night stop")
"""How an aircraft may stand at the beginning."""


@dataclass(frozen=True, slots=True)
class Part:
    """One aircraft of the cast.

    ``mark`` and ``after_s`` say where in its turnaround it is at the beginning (only with
    ``start`` ``turnaround``); ``bundles`` that it sends many readings at once.
    """

    reg: str
    type: str
    stand: str
    start: str = "turnaround"
    mark: str = "landed"
    after_s: float = 0.0
    passengers: int | None = None
    bundles: bool = False


@dataclass(frozen=True, slots=True)
class Cue:
    """An order at a time (s, simulated) to one aircraft, written beforehand."""

    at_s: float
    reg: str
    order: Order


DEMO_CAST: Final = (
    Part("ZZ-KAT", "alder", "S11", mark="armed", after_s=4.0),
    Part("ZZ-OLM", "birch", "S12", mark="disarmed", after_s=2.0),
    Part("ZZ-TEV", "hazel", "S13", mark="boarding", after_s=40.0, bundles=True),
    Part("ZZ-BRU", "cedar", "S14", mark="boarding", after_s=-45.0),
    Part("ZZ-SIL", "larch", "S15", mark="quiet", after_s=4.0, bundles=True),
    Part("ZZ-MEA", "alder", "S16", mark="landed", after_s=30.0),
)

DEMO_PROGRAMME: Final = Programme(calm=frozenset({"ZZ-BRU"}))


class Apron:
    """The apron of ``site`` from ``start_us`` on (µs; whole milliseconds).

    ``speed`` is how many simulated seconds pass in one second of the wire; what is
    sent to stay believed (heartbeat, pressure, weather) keeps the wire's own pace.
    Raises ``KeyError`` where a part names a type that the site does not have.
    """

    def __init__(
        self,
        site: Site,
        seed: int,
        start_us: int,
        *,
        speed: float = 1.0,
        cast: Sequence[Part] = DEMO_CAST,
        cues: Iterable[Cue] = (),
        programme: Programme | None = DEMO_PROGRAMME,
        climate: weather.Climate | None = None,
    ) -> None:
        self.site = site
        self._seed = seed
        self._start = start_us
        self._speed = speed
        self._ticks = 0
        self._climate = climate or weather.Climate()
        self._air = air_at(site.elevation_m)
        root = f"apron/v1/{site.name}"
        self.actors = [self._actor(part, root, index) for index, part in enumerate(cast)]
        stands = sorted({*site.stands, *(part.stand for part in cast)})
        self._winds = {stand: weather.first_wind(self._climate) for stand in stands}
        self._wind_rngs = {stand: self._rng("weather", stand) for stand in stands}
        self._anemometers = {
            stand: Anemometer(f"{root}/stand/{stand}", first_us=start_us + index * 137 * MILLISECOND)
            for index, stand in enumerate(stands)
        }
        self._director = Director(programme, start_us, self._rng("incidents")) if programme else None
        by_reg = {actor.plane.reg: actor for actor in self.actors}
        for cue in cues:
            by_reg[cue.reg].play([(cue.at_s, cue.order)], start_us)

    @property
    def happened(self) -> list[Happened]:
        """The incidents begun so far; an ``at`` is simulated time."""
        return list(self._director.happened) if self._director else []

    def advance(self, until_us: int) -> list[Publication]:
        """Let the wire's time come to ``until_us`` (µs); return everything sent, in order."""
        sent: list[Publication] = []
        while (wire := self._wire(self._ticks)) <= until_us:
            self._tick(self._start + self._ticks * TICK, wire, sent)
            self._ticks += 1
        return sent

    def next_due_us(self) -> int:
        """Return when something may be sent next (µs of the wire)."""
        return self._wire(self._ticks)

    def owe_picture(self) -> None:
        """Have every sensor send everything again, as after a lost connection."""
        for actor in self.actors:
            actor.feed.owe_picture()
        for anemometer in self._anemometers.values():
            anemometer.owe_picture()

    def withdrawals(self) -> list[Publication]:
        """Return the empty retained messages that withdraw every reading sent so far."""
        topics = [topic for actor in self.actors for topic in actor.feed.retained_topics()]
        topics += [topic for anemometer in self._anemometers.values() for topic in anemometer.retained_topics()]
        return [Publication(self.next_due_us(), topic, b"", retain=True) for topic in topics]

    def _wire(self, tick: int) -> int:
        return self._start + round(tick * TICK / self._speed / MILLISECOND) * MILLISECOND

    def _rng(self, *names: str) -> random.Random:
        return random.Random(":".join((str(self._seed), *names)))

    def _tick(self, now: int, wire: int, sent: list[Publication]) -> None:
        dt_s = TICK / SECOND
        if self._director is not None:
            self._director.direct(self.actors, now)
        if self._ticks % _WEATHER_TICKS == 0:
            for stand, wind in self._winds.items():
                self._winds[stand] = weather.step(self._climate, wind, dt_s * _WEATHER_TICKS, self._wind_rngs[stand])
            for plane in (actor.plane for actor in self.actors):
                plane.wind = weather.blowing(self._winds[plane.home_stand]) if plane.stand else None
        for actor in self.actors:
            for order in actor.step(now, dt_s):
                self._order_weather(actor.plane.home_stand, order)
            sent.extend(actor.publish(wire))
        for stand, anemometer in self._anemometers.items():
            if anemometer.due_us <= wire:
                sent.extend(anemometer.publish(wire, weather.wind_readings(self._winds[stand])))

    def _order_weather(self, stand: str, order: Order) -> None:
        extra = float(order.value or 0.0) if order.verb is Verb.SQUALL else 0.0
        self._winds[stand] = weather.ordered(self._winds[stand], extra)

    def _actor(self, part: Part, root: str, index: int) -> Actor:
        rng = self._rng("aircraft", part.reg)
        plane = Aircraft(part.reg, self.site.types[part.type], part.stand, rng, self._air)
        # Heartbeats are spread, so that the aircraft do not all speak in one instant.
        first_beat = self._start + index * HEARTBEAT_EVERY // 8
        feed = Feed(f"{root}/aircraft/{part.reg}", bundles=part.bundles, first_beat_us=first_beat)
        actor = Actor(plane, feed, rng, _next_plan(part))
        _set_scene(actor, part, rng, self._start)
        return actor


def _next_plan(part: Part) -> NextPlan | None:
    if part.start == "turnaround":
        return _plan_next_turnaround
    return _plan_next_night if part.start == "night stop" else None


def _plan_next_turnaround(plane: Aircraft, rng: random.Random) -> Plan:
    return plan_turnaround(plane.airframe, rng, arriving=plane.people.count)


def _plan_next_night(plane: Aircraft, rng: random.Random) -> Plan:
    return plan_night_stop(plane.airframe, rng)


def _set_scene(actor: Actor, part: Part, rng: random.Random, start: int) -> None:
    plane = actor.plane
    usual = round(plane.airframe.seats * 0.8)
    aboard = usual if part.passengers is None else part.passengers
    if part.start == "turnaround":
        plane.arm_all(armed=True)
        plane.put_aboard(aboard)
        plane.run_engines()
        plane.stand = ""
        plane.switches |= {"parking_brake": False, "chocks": False, "beacon": True}
        plane.speed_kt = 60.0
        plan = plan_turnaround(plane.airframe, rng, arriving=aboard)
        into_s = max(0.0, plan.marks[part.mark] + part.after_s)
        actor.follow(plan, start - round(into_s * SECOND))
        actor.rehearse((), start, into_s)
    elif part.start == "night stop":
        actor.follow(plan_night_stop(plane.airframe, rng), start)
    elif part.start == "open":
        plane.put_aboard(part.passengers or 0)
        actor.rehearse(_opening_orders(plane.airframe), start, _SETTLING_S)
    else:
        plane.arm_all(armed=part.start != "closed")
        plane.put_aboard((part.passengers or 0) if part.start == "closed" else aboard)
        if part.start == "engines running":
            plane.run_engines()
            plane.switches |= {"chocks": False, "beacon": True}


def _opening_orders(airframe: AirframeType) -> list[Order]:
    orders: list[Order] = []
    for name in roles_of(airframe).boarding:
        access = access_for(airframe.doors[name], service=False)
        if access is not None:
            orders.append(Order(Verb.DOCK, name, access))
        orders.append(Order(Verb.OPEN, name))
    return orders
