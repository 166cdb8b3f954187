"""One simulated aircraft under somebody's hands: orders in, readings and a picture out.

Owns the simulated aircraft, its weather and its sensors from when somebody begins until it
is taken away, and which part is held by a hand. Pure: the same orders at the same times
give the same bytes; ``now`` (µs) is handed in, and it never knows a broker or a page.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Any, Final

import orjson

from monitor.core.airframe import AirframeType, Site
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, Quality, RejectedValueError, Signal, Value
from monitor.core.times import MILLISECOND, SECOND
from simulators.actor import Actor
from simulators.aircraft import Aircraft
from simulators.feed import Anemometer, Feed
from simulators.models import weather
from simulators.models.air import air_at
from simulators.orders import (
    NEEDS_ACTUATOR,
    NEEDS_SLIDE,
    SCOPES,
    Order,
    OrderError,
    Scope,
    Verb,
    misfit,
    parse_phrase,
)
from simulators.publication import Publication
from simulators.workbench import hands
from simulators.workbench.hands import Part
from simulators.workbench.telling import (
    FAULTS,
    MARKS,
    Broken,
    Document,
    Said,
    describe_aircraft,
    describe_door,
)

TICK: Final = 50 * MILLISECOND
HOLD_FOR: Final = 1_500 * MILLISECOND
"""µs; a hand that is not renewed by then lets go by itself."""
STARTS: Final = ("armed", "closed")
"""Doors shut and slides armed, as just arrived with people aboard; or slides disarmed and nobody aboard."""
WIND_MAX_KT: Final = 100.0

_WEATHER_TICKS: Final = 20
_BEHIND_MAX: Final = 5 * SECOND
"""What time is not made up for beyond this, as after the machine slept."""
_ABOARD: Final = 0.5
_MEND: Final = "mend"


class RefusedError(ValueError):
    """What was asked for cannot be done; the message is one line for a person."""


class Session:
    """The bench's aircraft; ``stand`` is where it stands, and where its wind blows."""

    def __init__(self, site: Site, *, reg: str, type_name: str, stand: str, seed: int, start_us: int) -> None:
        """Raises ``KeyError`` for a type that the site does not have."""
        self.site, self.reg, self.stand = site, reg, stand
        self.airframe: AirframeType = site.types[type_name]
        self._seed = seed
        self._now = start_us // TICK * TICK
        self._ticks = 0
        self._actor: Actor | None = None
        self._wind = _Wind(f"apron/v1/{site.name}/stand/{stand}", random.Random(f"{seed}:wind"), self._now)
        self._said: dict[str, Said] = {}
        self._broken: dict[str, list[Broken]] = {}
        self._held: dict[tuple[str, Part], tuple[float, int]] = {}
        self._speeds: dict[str, float] = {}
        self._taken_back: list[str] = []
        self._ahead_s = 0.0

    # What is asked

    @property
    def begun(self) -> bool:
        """Whether the aircraft stands on the apron."""
        return self._actor is not None

    @property
    def moves(self) -> bool:
        """Whether anything of the aircraft is on its way."""
        return self._actor is not None and not self._actor.plane.still

    @property
    def plane(self) -> Aircraft:
        """The aircraft; raises :class:`RefusedError` where nobody has begun."""
        return self._there().plane

    def _there(self) -> Actor:
        if self._actor is None:
            raise RefusedError(f"{self.reg} is not on the apron; begin first")
        return self._actor

    def picture(self) -> dict[str, Document]:
        """Return the parts of the picture by name; none but the whole's before somebody began."""
        if self._actor is None:
            return {}
        plane = self._actor.plane
        parts = {f"door/{name}": describe_door(plane, name, self._said, self._broken) for name in plane.doors}
        feed = self._actor.feed
        parts["aircraft"] = describe_aircraft(
            plane, self._wind.describe(), self._said, self._broken, silent=feed.silent, clock_ahead_s=self._ahead_s
        )
        return parts

    def withdrawals(self) -> list[Publication]:
        """Return the empty retained messages that withdraw every reading sent so far."""
        if self._actor is None:
            return []
        topics = [*self._actor.feed.retained_topics(), *self._wind.sensor.retained_topics()]
        return [Publication(self._now, topic, b"", retain=True) for topic in topics]

    def owe_picture(self) -> None:
        """Have every sensor send everything again, as after a lost connection."""
        if self._actor is not None:
            self._actor.feed.owe_picture()
            self._wind.sensor.owe_picture()

    # What is done

    def begin(self, start: str, now: int) -> None:
        """Bring the aircraft onto the apron; raises :class:`RefusedError` where it is there."""
        if self._actor is not None:
            raise RefusedError(f"{self.reg} is on the apron already; take it away first")
        rng = random.Random(f"{self._seed}:aircraft:{self.reg}")
        plane = Aircraft(self.reg, self.airframe, self.stand, rng, air_at(self.site.elevation_m))
        armed = start == "armed"
        plane.arm_all(armed=armed)
        plane.put_aboard(round(self.airframe.seats * _ABOARD) if armed else 0)
        prefix = f"apron/v1/{self.site.name}/aircraft/{self.reg}"
        self._actor = Actor(plane, Feed(prefix, bundles=False, first_beat_us=now), rng)
        self._said, self._broken, self._held, self._speeds, self._ahead_s = {}, {}, {}, {}, 0.0
        self._taken_back = []

    def end(self) -> list[Publication]:
        """Take the aircraft away; return what withdraws its readings."""
        withdrawn = self.withdrawals()
        self._there()
        self._actor = None
        return withdrawn

    def order(self, phrase: str, door: str | None, now: int) -> None:
        """Carry out a phrase of the scenario language; raises :class:`RefusedError` where it does not fit."""
        actor = self._there()
        try:
            order = parse_phrase(phrase, door)
        except OrderError as error:
            raise RefusedError(str(error)) from None
        self._check(order)
        if SCOPES[order.verb] is Scope.STAND:
            self._wind.order(order)
            return
        if SCOPES[order.verb] is Scope.READING:
            self.break_sensor(str(order.signal), order.verb.value, order.value, now)
            return
        if order.verb is Verb.SHIFT_CLOCK:
            self._ahead_s = float(order.value or 0.0)
        actor.give(order, now)

    def _check(self, order: Order) -> None:
        airframe = self.airframe
        if order.door is not None:
            kind = airframe.doors.get(order.door)
            if kind is None:
                raise RefusedError(f"{self.reg} has no door {order.door}")
            if order.verb in NEEDS_SLIDE and not kind.slide:
                raise RefusedError(f"door {order.door} has no slide")
            if order.verb in NEEDS_ACTUATOR and not self.plane.doors[order.door].mechanism.powered:
                raise RefusedError(f"door {order.door} has no hydraulics")
        if order.verb in (Verb.START_ENGINE, Verb.STOP_ENGINE) and order.value not in airframe.engines:
            raise RefusedError(f"there is no engine {order.value:g}")

    def _door(self, name: str) -> None:
        if name not in self.plane.doors:
            raise RefusedError(f"{self.reg} has no door {name}")

    def move(self, door: str, part: Part, to: float) -> None:
        """Take a handle or the lever of a door to ``to`` (0 home, 1 fully lifted or armed).

        Raises :class:`RefusedError` where that cannot be.
        """
        self._door(door)
        why = hands.why_not(self.plane.doors[door], part, to)
        if why is not None:
            raise RefusedError(why)
        self.plane.work(door, lambda way: hands.move(way, part, to))

    def hold(self, door: str, part: Part, force: float, now: int) -> None:
        """Have a hand hold a part, for a moment unless it is renewed; with no force it lets go.

        Raises :class:`RefusedError` for a door that there is not.
        """
        self._door(door)
        if force:
            self._held[door, part] = (force, now + HOLD_FOR)
        else:
            self._let_go(door, part)

    def _let_go(self, door: str, part: Part) -> None:
        if self._held.pop((door, part), None) is not None:
            if part is Part.LEAF:
                self._speeds[door] = self.plane.doors[door].door.leaf_rad_per_s
            self.plane.work(door, lambda way: hands.let_go(way, part))

    def blow(self, mean_kt: float, gust_kt: float) -> None:
        """Have another wind blow at the stand."""
        self._there()
        self._wind.become(mean_kt, gust_kt)

    def break_sensor(self, key: str, fault: str, amount: Value | None, now: int) -> None:
        """Give the sensor ``key`` (as in a bundle) a fault, or with ``mend`` none; raises :class:`RefusedError`."""
        actor, signal = self._there(), self._signal(key)
        if fault == _MEND:
            actor.give(Order(Verb.RELEASE_READING, signal=key), now)
            self._broken.pop(key, None)
            # What somebody read and reads no more is withdrawn: no sensor will say otherwise.
            topics = actor.feed.take_back(key)
            self._taken_back += topics
            if topics:
                self._said.pop(key, None)
            return
        order = _fault_order(key, signal, fault, amount)
        unfit = misfit(order, signal)
        if unfit is not None:
            raise RefusedError(unfit)
        actor.give(order, now)
        others = [broken for broken in self._broken.get(key, []) if broken.fault != fault]
        self._broken[key] = [*others, Broken(fault, order.value if order.verb is not Verb.SET_QUALITY else None)]

    def _signal(self, key: str) -> Signal:
        """Return the signal of a sensor that the aircraft has, or of a mark that somebody reads at a door."""
        match key.split("/"):
            case ["airframe", name] if name in self.plane.airframe_readings():
                return AIRFRAME_SIGNALS[name]
            case ["door", door, name] if door in self.airframe.doors:
                if name in self.airframe.doors[door].signals or name in MARKS:
                    return DOOR_SIGNALS[name]
            case _:
                pass
        raise RefusedError(f"{self.reg} has no sensor {key}")

    # What happens by itself

    def advance(self, until_us: int) -> list[Publication]:
        """Let time come to ``until_us`` (µs); return everything sent, in order."""
        self._now = max(self._now, until_us - _BEHIND_MAX)
        sent: list[Publication] = []
        while self._now + TICK <= until_us:
            self._now += TICK
            self._tick(self._now, sent)
        return sent

    def _tick(self, now: int, sent: list[Publication]) -> None:
        self._ticks += 1
        dt_s = TICK / SECOND
        if self._ticks % _WEATHER_TICKS == 0:
            self._wind.step(dt_s * _WEATHER_TICKS)
        actor = self._actor
        if actor is None:
            return
        self._wind.blow_on(actor.plane)
        self._work_doors(actor.plane, now, dt_s)
        actor.step(now, dt_s)
        sent.extend(Publication(now, topic, b"", retain=True) for topic in self._taken_back)
        self._taken_back = []
        published = actor.publish(now)
        for publication in published:
            self._note(publication)
        sent.extend(published)
        sent.extend(self._wind.sensor.publish(now, self._wind.readings()))

    def _work_doors(self, plane: Aircraft, now: int, dt_s: float) -> None:
        for (door, part), (_, until) in list(self._held.items()):
            if now >= until:
                self._let_go(door, part)
        by_door: dict[str, dict[Part, float]] = {}
        for (door, part), (force, _) in self._held.items():
            by_door.setdefault(door, {})[part] = force
        for door, forces in by_door.items():
            plane.work(door, lambda way, forces=forces: hands.hold(way, forces))  # type: ignore[misc]
        for door in plane.doors_out():
            if Part.LEAF in by_door.get(door, {}):
                continue
            way = plane.doors[door]
            moved, speed = hands.swing_free(way, self._speeds.get(door, 0.0), dt_s, plane.breeze_at(door))
            self._speeds[door] = speed
            if moved.door != way.door:
                plane.work(door, lambda _, moved=moved: moved)  # type: ignore[misc]

    def _note(self, publication: Publication) -> None:
        """Keep what a sensor said, read off the very bytes that go out."""
        _, found, key = publication.topic.partition(f"/aircraft/{self.reg}/")
        if found and publication.payload and not key.endswith("/heartbeat"):
            told = orjson.loads(publication.payload)
            self._said[key] = Said(told["value"], told["quality"])


def _fault_order(key: str, signal: Signal, fault: str, amount: Value | None) -> Order:
    if fault not in {entry["fault"] for entry in FAULTS}:
        raise RefusedError(f"{fault!r} is no fault of a sensor; one of {', '.join(entry['fault'] for entry in FAULTS)}")
    if fault == "set":
        try:
            return Order(Verb.SET_READING, None, signal.check(amount), key)
        except RejectedValueError as error:
            raise RefusedError(error.detail) from None
    if fault in (Quality.UNCERTAIN, Quality.BAD):
        return Order(Verb.SET_QUALITY, None, fault, key)
    if fault == Verb.WITHHOLD_READING:
        return Order(Verb.WITHHOLD_READING, None, None, key)
    try:
        return parse_phrase(f"{fault} {key}{'' if amount is None else f' {amount}'}")
    except OrderError as error:
        raise RefusedError(str(error)) from None


class _Wind:
    """The weather at the stand."""

    def __init__(self, prefix: str, rng: random.Random, now: int) -> None:
        self._climate = weather.Climate()
        self._state = weather.first_wind(self._climate)
        self._rng = rng
        self.sensor = Anemometer(prefix, first_us=now)

    def become(self, mean_kt: float, gust_kt: float) -> None:
        self._climate = weather.Climate(mean_kt=mean_kt, gust_kt=gust_kt, spread_kt=0.15 * mean_kt)
        self._state = weather.first_wind(self._climate)
        self.sensor.owe_picture()

    def order(self, order: Order) -> None:
        extra = float(order.value or 0.0) if order.verb is Verb.SQUALL else 0.0
        self._state = weather.ordered(self._state, extra)

    def step(self, dt_s: float) -> None:
        self._state = weather.step(self._climate, self._state, dt_s, self._rng)

    def readings(self) -> Mapping[str, Value]:
        return weather.wind_readings(self._state)

    def blow_on(self, plane: Aircraft) -> None:
        plane.wind = weather.blowing(self._state)

    def describe(self) -> dict[str, Any]:
        shown = self.readings()
        return {
            "mean_kt": self._climate.mean_kt,
            "gust_kt": self._climate.gust_kt,
            "now_kt": shown["wind_kt"],
            "gust_now_kt": shown["gust_kt"],
        }
