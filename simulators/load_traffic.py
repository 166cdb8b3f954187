"""What many simulated aircraft of a site's types send at an even rate.

Owns the mix: the whole picture of each aircraft first, then heartbeats, cabin pressure, doors
that are worked at the pace of people, now and then a handle lifted on an armed door, and for
the rest quantities that are sampled faster. It is pure: one seed gives one stream, in any
process. Every message says that it is simulated, and the wire contract refuses none.
"""

from __future__ import annotations

import heapq
import random
from collections import deque
from collections.abc import Iterator, Mapping
from typing import Final

import orjson

from monitor.core.airframe import AirframeType, DoorKind, Site
from monitor.core.signals import Value
from monitor.core.times import SECOND
from simulators.aircraft import Aircraft
from simulators.bench_traffic import HEARTBEAT_S, LIFTED_S, Sent, Step, work_steps
from simulators.feed import PRESSURE_EVERY

PRESSURE_S: Final = PRESSURE_EVERY / SECOND
WORK_STEP_S: Final = 0.5
"""Between two readings of a door that is being worked: quicker would be a sensor that flaps."""

LIFT_EVERY_S: Final = 600.0
"""How often a handle is lifted on an armed door of one aircraft, about."""

LEAST_PER_AIRCRAFT: Final = 0.5
"""Messages a second that each aircraft needs to stay believed: heartbeat and cabin pressure."""

_WORKED: Final = (DoorKind.CARGO, DoorKind.BULK, DoorKind.HATCH, DoorKind.MAIN_DECK)
_HELD_SHARE: Final = 1.25
"""Of the least pressure that holds a leaf: what the actuators of worked doors show."""

Picture = dict[str, Value]


class LoadTraffic:
    """The stream of ``aircraft`` aircraft, types in turn, at ``rate`` messages a second."""

    def __init__(self, site: Site, aircraft: int, rate: float, seed: int) -> None:
        self.aircraft = aircraft
        self.types = _types_of(site, aircraft)
        self._rate = rate
        self._prefix = f"apron/v1/{site.name}/aircraft/"
        self._chance = random.Random(f"load:{seed}")
        self._scripts = {name: _scripts(airframe) for name, airframe in site.types.items()}
        # Drawn beforehand: a model of every door takes its time, and the stream is to be even.
        pictures = [draw_picture(airframe, number, seed) for number, airframe in enumerate(self.types)]
        self._quantities = [list(_quantities(picture)) for picture in pictures]
        self._pictures = deque(map(orjson.dumps, pictures))
        self._seqs: dict[str, int] = {}
        self._beats = [0] * aircraft
        self._dues: list[tuple[float, int, str]] = []
        self._returns: deque[tuple[float, int, str]] = deque()
        self._armed = deque(self._armed_doors())
        lifting = len({number for number, _ in self._armed})
        self._lift_every_s = LIFT_EVERY_S / lifting if lifting else 0.0
        self._next_lift_s = self._lift_every_s / 2
        self._workers = self._hire()
        self._filled = 0
        self._sent = 0

    def __iter__(self) -> Iterator[Sent]:
        return self

    def __next__(self) -> Sent:
        """Return the next message; the stream never ends."""
        number, self._sent = self._sent, self._sent + 1
        now = number / self._rate
        if number < self.aircraft:
            return self._picture(number, now)
        if self._returns and self._returns[0][0] <= now:
            _, number, door = self._returns.popleft()
            self._armed.append((number, door))
            return self._reading(number, f"door/{door}/handle_lifted", False)
        if self._armed and now >= self._next_lift_s:
            self._next_lift_s += self._lift_every_s
            number, door = self._armed.popleft()
            self._returns.append((now + LIFTED_S, number, door))
            return self._reading(number, f"door/{door}/handle_lifted", True)
        if self._dues[0][0] <= now:
            return self._due(*heapq.heappop(self._dues))
        return self._sample()

    def withdrawals(self) -> Iterator[bytes]:
        """Yield every topic that a broker keeps a reading of."""
        for key in self._seqs:
            if not key.endswith(("/bundle", "/heartbeat")):
                yield f"{self._prefix}{key}".encode()

    def _armed_doors(self) -> Iterator[tuple[int, str]]:
        """List the armed doors so that those of one aircraft are far apart."""
        doors = {
            airframe.name: [d.name for d in airframe.doors.values() if d.slide and d.kind is DoorKind.CABIN]
            for airframe in self.types
        }
        for turn in range(max(map(len, doors.values()), default=0)):
            for number, airframe in enumerate(self.types):
                if turn < len(doors[airframe.name]):
                    yield number, doors[airframe.name][turn]

    def _hire(self) -> list[Iterator[tuple[int, str, Step]]]:
        """Have as many doors worked at once as the rate has room for, each worker with aircraft of its own."""
        room = self._rate - LEAST_PER_AIRCRAFT * self.aircraft
        able = [number for number in range(self.aircraft) if self._scripts[self.types[number].name]]
        count = min(len(able), int(room * WORK_STEP_S))
        return [self._shift(able[worker::count]) for worker in range(count)]

    def _shift(self, numbers: list[int]) -> Iterator[tuple[int, str, Step]]:
        turn = 0
        while True:
            for number in numbers:
                scripts = self._scripts[self.types[number].name]
                door, steps = scripts[turn % len(scripts)]
                for step in steps:
                    yield number, door, step
            turn += 1

    def _picture(self, number: int, now: float) -> Sent:
        for every_s, what in ((HEARTBEAT_S, "heartbeat"), (PRESSURE_S, "pressure")):
            heapq.heappush(self._dues, (now + self._chance.uniform(0.0, every_s), number, what))
        if number == self.aircraft - 1:
            for worker in range(len(self._workers)):
                due = now + self._chance.uniform(0.0, WORK_STEP_S)
                heapq.heappush(self._dues, (due, worker, "work"))
        topic = f"{registration(number)}/bundle"
        self._seqs[topic] = 1
        body = b'"seq":1,"simulated":true,"readings":%b}' % self._pictures.popleft()
        return Sent(f"{self._prefix}{topic}".encode(), body, False)

    def _due(self, due: float, number: int, what: str) -> Sent:
        every_s = {"heartbeat": HEARTBEAT_S, "pressure": PRESSURE_S, "work": WORK_STEP_S}[what]
        heapq.heappush(self._dues, (due + every_s, number, what))
        if what == "heartbeat":
            self._beats[number] += 1
            return self._reading(number, "airframe/heartbeat", self._beats[number], retain=False)
        if what == "pressure":
            return self._reading(number, "airframe/differential_pressure_hpa", self._pressure())
        number, door, (signal, value) = next(self._workers[number])
        return self._reading(number, f"door/{door}/{signal}", value)

    def _sample(self) -> Sent:
        """Return a quantity that is sampled faster than it needs to be."""
        number = self._filled % self.aircraft
        quantities = self._quantities[number]
        which = self._filled // self.aircraft % (len(quantities) + 1)
        self._filled += 1
        if which == len(quantities):
            return self._reading(number, "airframe/differential_pressure_hpa", self._pressure())
        path, usual = quantities[which]
        return self._reading(number, path, round(usual + self._chance.uniform(-0.4, 0.4), 1))

    def _pressure(self) -> float:
        return round(self._chance.uniform(0.0, 0.4), 2)

    def _reading(self, number: int, path: str, value: Value, *, retain: bool = True) -> Sent:
        key = f"{registration(number)}/{path}"
        seq = self._seqs[key] = self._seqs.get(key, 0) + 1
        body = b'"seq":%d,"simulated":true,"value":%b}' % (seq, orjson.dumps(value))
        return Sent(f"{self._prefix}{key}".encode(), body, retain)


def draw_picture(airframe: AirframeType, number: int, seed: int) -> Picture:
    """Draw every reading of a parked aircraft with people aboard and slides engaged, keyed as in a bundle."""
    reg = registration(number)
    chance = random.Random(f"load:{seed}:{reg}")
    # One stand each: two aircraft on one would be a conflict of identities, and judged no further.
    plane = Aircraft(reg, airframe, f"L{number:04d}", chance)
    plane.arm_all(armed=True)
    plane.put_aboard(round(airframe.seats * chance.uniform(0.3, 0.95)))
    shown: Picture = {f"airframe/{signal}": value for signal, value in plane.airframe_readings().items()}
    for name, door in airframe.doors.items():
        shown |= {f"door/{name}/{signal}": value for signal, value in sorted(plane.door_readings(name).items())}
        if f"door/{name}/actuator_bar" in shown:
            shown[f"door/{name}/actuator_bar"] = round(_HELD_SHARE * (door.actuator_bar_min or 120.0), 1)
    return shown


def registration(number: int) -> str:
    """Name an aircraft."""
    return f"ZZ-L{number:04d}"


def _types_of(site: Site, aircraft: int) -> list[AirframeType]:
    types = [site.types[name] for name in sorted(site.types)]
    return [types[number % len(types)] for number in range(aircraft)]


def _scripts(airframe: AirframeType) -> list[tuple[str, tuple[Step, ...]]]:
    return [(door.name, work_steps(door.signals)) for door in airframe.doors.values() if door.kind in _WORKED]


def _quantities(picture: Mapping[str, Value]) -> Iterator[tuple[str, float]]:
    """Yield what may be sampled as fast as one likes: path, and the value that it is about."""
    for path, value in picture.items():
        if path.endswith("_bar") and isinstance(value, float):
            yield path, value
