"""What an apron's sensors send, as an endless stream of single readings at a given rate.

Owns the mix: every aircraft's heartbeat each 5 s, its cabin pressure each second, now and
then a handle lifted on an armed door, and for the rest doors that are being worked:
discretes on change and travel at every step. Pure; a seed gives the same stream. It never
sends what the wire contract would reject.
"""

from __future__ import annotations

import heapq
import random
from collections import deque
from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

import orjson

from monitor.core.airframe import AirframeType, DoorKind
from monitor.core.signals import Value

HEARTBEAT_S: Final = 5.0
PRESSURE_S: Final = 1.0
LIFTED_S: Final = 1.0
RAMP_STEPS: Final = 20

ARMED: Final = ("L1", "L2", "R2")
"""Doors whose slides stay engaged: their handles are the ones that are lifted."""

WORKED: Final = ("CF", "R1", "CA", "CB", "H1", "H4")
"""Doors that are opened and closed over and over, one after another."""

_FIXED: Final[dict[str, Value]] = {
    "closed": True, "latched": True, "locked": True, "lock_flags": True, "cover_fitted": True, "handle_lifted": False,
    "outside_handle_lifted": False, "flap_pressed": False, "hold_open": False, "travel": 0.0, "slide_released": False,
    "slide_erect": False, "selector": "neutral", "hand_pump": False, "access": "none", "barrier": False,
}  # fmt: skip

Step = tuple[str, Value]


class Sent(NamedTuple):
    """One message to send, lacking only its stamp; ``lifted`` names the door whose handle it lifts."""

    topic: bytes
    rest: bytes
    retain: bool
    qos: int = 1
    lifted: bytes | None = None

    def encode(self, stamp: bytes) -> bytes:
        """Write the payload with its sender's time (RFC 3339)."""
        return b'{"time":"%b",%b' % (stamp, self.rest)


def draw_picture(airframe: AirframeType, number: int, chance: random.Random) -> dict[str, Value]:
    """Draw every reading of a parked aircraft, each with a value of its own where it has a range.

    Keys are as in a bundle. The cabin doors in ``ARMED`` are armed, the others disarmed.
    """
    picture: dict[str, Value] = {
        "airframe/type": airframe.name,
        # One each: two aircraft on one stand would be a conflict of identities, and judged no further.
        "airframe/stand": f"S{number + 11}",
        "airframe/power": "on",
        **{f"airframe/engine_{engine}_running": False for engine in airframe.engines},
        "airframe/differential_pressure_hpa": round(chance.uniform(0.0, 0.4), 2),
        "airframe/weight_on_wheels": True,
        "airframe/ground_speed_kt": 0.0,
        "airframe/parking_brake": True,
        "airframe/beacon": False,
        "airframe/chocks": True,
        "airframe/passengers_aboard": chance.randrange(1, airframe.seats),
        "airframe/refuelling": False,
        "airframe/emergency": False,
    }
    for door in airframe.doors.values():
        for signal in sorted(door.signals):
            picture[f"door/{door.name}/{signal}"] = _draw(signal, door.name, door.kind, chance)
    return picture


def _draw(signal: str, door: str, kind: DoorKind, chance: random.Random) -> Value:
    if signal in ("lever_armed", "girt_left", "girt_right"):
        return door in ARMED
    if signal == "pin_fitted":
        return door not in ARMED
    if signal == "access" and kind is DoorKind.CABIN:
        return "bridge" if door == "L1" else "none"
    if signal == "slide_bottle_bar":
        return round(chance.uniform(180.0, 230.0), 1)
    if signal == "assist_bottle_bar":
        return round(chance.uniform(100.0, 130.0), 1)
    if signal == "actuator_bar":
        return round(chance.uniform(150.0, 210.0), 1)
    return _FIXED[signal]


def work_steps(signals: frozenset[str]) -> tuple[Step, ...]:
    """List one opening and closing of a door with these signals, in the order in which its sensors see it."""
    ramp = [("travel", round(step / RAMP_STEPS, 2)) for step in range(RAMP_STEPS + 1)]
    steps: list[Step] = [
        ("access", "loader"),
        ("selector", "open"),
        ("handle_lifted", True),
        ("lock_flags", False),
        ("locked", False),
        ("latched", False),
        ("closed", False),
        *ramp[1:],
        ("hold_open", True),
        ("selector", "close"),
        ("hold_open", False),
        *ramp[-2::-1],
        ("closed", True),
        ("latched", True),
        ("locked", True),
        ("lock_flags", True),
        ("handle_lifted", False),
        ("selector", "neutral"),
        ("access", "none"),
    ]
    return tuple(step for step in steps if step[0] in signals)


class Traffic:
    """The sensors of many aircraft of one type at one site.

    ``lifts_per_s`` handles are lifted, spread over all armed doors in turn.
    """

    def __init__(self, airframe: AirframeType, site: str, *, lifts_per_s: float, seed: int = 1) -> None:
        self._airframe = airframe
        self._prefix = f"apron/v1/{site}/aircraft/"
        self._lift_every_s = 1.0 / lifts_per_s
        self._next_lift_s = 0.0
        self._chance = random.Random(seed)
        self._seqs: dict[str, int] = {}
        self._beats: list[int] = []
        self._work: list[Iterator[tuple[str, str, Value]]] = []
        self._dues: list[tuple[float, int, str]] = []
        self._returns: deque[tuple[float, int, str]] = deque()
        self._armed: deque[tuple[int, str]] = deque()
        self._worked = 0
        self._now_s = 0.0

    @property
    def aircraft(self) -> int:
        """How many aircraft send."""
        return len(self._beats)

    def add(self, count: int) -> list[Sent]:
        """Let ``count`` more aircraft send; return their first pictures, one bundle each."""
        pictures = []
        numbers = range(self.aircraft, self.aircraft + count)
        # Doors never lifted go first; those of one aircraft are far apart.
        self._armed.extendleft((number, door) for door in ARMED for number in numbers)
        for number in numbers:
            self._beats.append(0)
            self._work.append(self._cycle())
            heapq.heappush(self._dues, (self._now_s + self._chance.uniform(0, HEARTBEAT_S), number, "heartbeat"))
            heapq.heappush(self._dues, (self._now_s + self._chance.uniform(0, PRESSURE_S), number, "pressure"))
            readings = draw_picture(self._airframe, number, self._chance)
            readings["airframe/heartbeat"] = 0
            topic = f"{self._prefix}{registration(number)}/bundle".encode()
            pictures.append(Sent(topic, b'"seq":0,"readings":%b}' % orjson.dumps(readings), False))
        return pictures

    def _cycle(self) -> Iterator[tuple[str, str, Value]]:
        scripts = [(name, work_steps(frozenset(self._airframe.doors[name].signals))) for name in WORKED]
        first = self._chance.randrange(len(scripts))
        while True:
            for name, script in scripts[first:] + scripts[:first]:
                for signal, value in script:
                    yield name, signal, value

    def next(self, rate: float) -> Sent:
        """Return the next message of a stream of ``rate`` messages per second."""
        self._now_s += 1.0 / rate
        now = self._now_s
        if self._returns and self._returns[0][0] <= now:
            _, number, door = self._returns.popleft()
            self._armed.append((number, door))
            return self._reading(number, f"door/{door}/handle_lifted", False)
        if self._armed and now >= self._next_lift_s:
            self._next_lift_s = max(self._next_lift_s + self._lift_every_s, now)
            return self._lift(now, *self._armed.popleft())
        if self._dues[0][0] <= now:
            due, number, what = heapq.heappop(self._dues)
            every = HEARTBEAT_S if what == "heartbeat" else PRESSURE_S
            heapq.heappush(self._dues, (due + every, number, what))
            if what == "heartbeat":
                self._beats[number] += 1
                return self._reading(number, "airframe/heartbeat", self._beats[number], retain=False)
            pressure = round(self._chance.uniform(0.0, 0.4), 2)
            return self._reading(number, "airframe/differential_pressure_hpa", pressure)
        number = self._worked = (self._worked + 1) % self.aircraft
        door, signal, value = next(self._work[number])
        return self._reading(number, f"door/{door}/{signal}", value)

    def _lift(self, now: float, number: int, door: str) -> Sent:
        self._returns.append((now + LIFTED_S, number, door))
        lifted = f"{registration(number)}/{door}".encode()
        return self._reading(number, f"door/{door}/handle_lifted", True)._replace(lifted=lifted)

    def _reading(self, number: int, path: str, value: Value, *, retain: bool = True) -> Sent:
        key = f"{registration(number)}/{path}"
        seq = self._seqs[key] = self._seqs.get(key, 0) + 1
        rest = b'"seq":%d,"value":%b}' % (seq, orjson.dumps(value))
        return Sent(f"{self._prefix}{key}".encode(), rest, retain)


def park(
    airframe: AirframeType, site: str, aircraft: int, clock: Callable[[], float], *, seed: int = 1
) -> Iterator[Sent]:
    """Send every reading of many parked aircraft once, each in a message of its own and at QoS 0, the type last.

    The monitor holds the readings until the type comes and then publishes each door once,
    so that a broker's disk does not set the pace. Those already sent keep their heartbeats
    meanwhile, by ``clock`` (s).
    """
    chance = random.Random(seed)
    prefix = f"apron/v1/{site}/aircraft/"
    beat, beat_at = 1, clock()
    for number in range(aircraft):
        picture = draw_picture(airframe, number, chance)
        picture["airframe/type"] = picture.pop("airframe/type")
        picture = {"airframe/heartbeat": beat, **picture}
        for path, value in picture.items():
            seq = beat if path == "airframe/heartbeat" else 1
            yield _loose(f"{prefix}{registration(number)}/{path}", seq, value)
        if clock() - beat_at >= HEARTBEAT_S:
            beat, beat_at = beat + 1, clock()
            for other in range(number + 1):
                yield _loose(f"{prefix}{registration(other)}/airframe/heartbeat", beat, beat)


def _loose(topic: str, seq: int, value: Value) -> Sent:
    return Sent(topic.encode(), b'"seq":%d,"value":%b}' % (seq, orjson.dumps(value)), False, 0)


def registration(number: int) -> str:
    """Name an aircraft."""
    return f"B-{number:04d}"
