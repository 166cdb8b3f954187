"""Who speaks: an aircraft's unit with its clock, its counts and its values, over a network that fails.

Owns how readings become messages, and what the network does to them. What is worked and when is
the story's (:mod:`tests.simulation.story`).
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from monitor.core.airframe import AirframeType, DoorType
from monitor.core.times import SECOND, format_time
from tests.simulation.site import sim_site
from tests.simulation.world import World
from tests.stories import healthy_airframe, healthy_door

SITE: Final = sim_site().name
ROOT: Final = f"apron/v1/{SITE}"
PRESSURE: Final = "airframe/differential_pressure_hpa"

Readings = Mapping[str, Any]
Steps = Sequence[tuple[float, Readings]]


@dataclass(frozen=True)
class Network:
    """What happens to a message on its way to the broker, each by chance."""

    drop: float = 0.0
    delay: float = 0.0
    repeat: float = 0.0
    delays_s: tuple[float, ...] = (0.05,)


@dataclass
class Sender:
    """One aircraft's unit; ``skew_s`` is how far its clock is ahead of the true time."""

    world: World
    rng: random.Random
    network: Network
    reg: str
    type: str
    stand: str
    doors: tuple[str, ...]
    style: str = "bundle"
    retain: bool = True
    numbered: bool = True
    skew_s: float = 0.0
    beating: bool = True
    beats: int = 0
    door_beats: tuple[str, ...] = ()
    values: dict[str, Any] = field(default_factory=dict)
    _seqs: dict[str, int] = field(default_factory=dict)
    _sent: int = 0

    @property
    def airframe(self) -> AirframeType:
        return sim_site().types[self.type]

    def spec(self, door: str) -> DoorType:
        return self.airframe.doors[door]

    def start_over(self) -> None:
        """Boot again: every count begins anew."""
        self._seqs.clear()
        self.beats = 0

    def arrive(self, *, armed: Sequence[str] = ()) -> None:
        """Say who and where it is, and how everything stands."""
        readings: dict[str, Any] = {"airframe/type": self.type, "airframe/stand": self.stand}
        readings.update({f"airframe/{name}": value for name, value in healthy_airframe(self.airframe).items()})
        for door in self.doors:
            readings.update({f"door/{door}/{name}": value for name, value in healthy_door(self.spec(door)).items()})
        for door in armed:
            readings.update(self.at(door, ARMED))
        # One by one takes a core as many times as long: few do it.
        self.send(readings, style=self.style if self.rng.random() < 0.1 else "bundle")
        self.beat()

    def at(self, door: str, readings: Readings) -> dict[str, Any]:
        """The readings of one door, as far as its type fits them."""
        spec = self.spec(door)
        return {f"door/{door}/{signal}": value for signal, value in readings.items() if signal in spec.signals}

    def send(self, readings: Readings, *, style: str | None = None) -> None:
        """Send readings together or one by one."""
        self.values.update(readings)
        if not readings:
            return
        style = style or self.style
        if style == "mixed":
            style = self.rng.choice(("bundle", "single"))
        if style == "bundle":
            self._put("bundle", {"readings": dict(readings)}, retain=False)
            return
        places = list(readings.items())
        self.rng.shuffle(places)
        for place, value in places:
            body = dict(value) if isinstance(value, dict) else {"value": value}
            self._put(place, body, retain=self.retain)

    def refresh(self) -> None:
        """Say again what is not vouched for by the heartbeat."""
        if PRESSURE in self.values:
            self.send({PRESSURE: self.values[PRESSURE]}, style="single")

    def say_all(self) -> None:
        """Say again how everything stands."""
        self.send(dict(self.values), style="bundle")

    def beat(self) -> None:
        self.beats += 1
        self._put("airframe/heartbeat", {"value": self.beats}, retain=False)
        for door in self.door_beats:
            self._put(f"door/{door}/heartbeat", {"value": self.beats}, retain=False)

    def withdraw(self, place: str) -> None:
        self.values.pop(place, None)
        self._over_the_network(f"{ROOT}/aircraft/{self.reg}/{place}", b"", retain=self.retain)

    def mumble(self) -> None:
        """Send something that nobody can use."""
        place, payload = self.rng.choice(
            (
                ("airframe/beacon", b"{"),
                (f"door/{self.doors[0]}/closed", b'{"time": 1772359200, "value": "maybe"}'),
                (f"door/{self.doors[0]}/sparkle", b'{"time": 1772359200, "value": true}'),
                ("bundle", b'{"time": 1772359200, "readings": {}}'),
                (f"door/{self.doors[0]}/travel", b'{"time": 1772359200, "value": 1e999}'),
                ("airframe/type", b"\xff\xfe"),
            )
        )
        self._over_the_network(f"{ROOT}/aircraft/{self.reg}/{place}", payload, retain=False)

    def _put(self, place: str, body: dict[str, Any], *, retain: bool) -> None:
        at = self.world.true_us + round(self.skew_s * SECOND)
        at -= at % 1000
        body["time"] = format_time(at)
        topic = f"{ROOT}/aircraft/{self.reg}/{place}"
        if self.numbered:
            body["seq"] = self._seqs[topic] = self._seqs.get(topic, -1) + 1
        self._over_the_network(topic, json.dumps(body).encode(), retain=retain)

    def _over_the_network(self, topic: str, payload: bytes, *, retain: bool) -> None:
        rng, network = self.rng, self.network
        if rng.random() < network.drop:
            return
        for _ in range(2 if rng.random() < network.repeat else 1):
            if rng.random() < network.delay:
                wait_s = rng.choice(network.delays_s)
                self.world.loop.call_later(wait_s, lambda: self.world.send(topic, payload, retain=retain))
            else:
                self.world.send(topic, payload, retain=retain)


ARMED: Final = {"lever_armed": True, "girt_left": True, "girt_right": True, "pin_fitted": False}
DISARMED: Final = {"lever_armed": False, "girt_left": False, "girt_right": False, "pin_fitted": True}


def ways_to_work(rng: random.Random, sender: Sender, door: str) -> Iterator[tuple[float, Readings]]:
    """One drawn way of working a door: seconds since the step before, and what then reads otherwise."""
    spec = sender.spec(door)
    kind = str(spec.kind)
    way = rng.choice(_WAYS[kind] if kind in _WAYS else _WAYS["other"])
    for gap_s, readings in way:
        if rng.random() < 0.06:
            return  # left as it is
        if rng.random() < 0.05:
            continue  # a step that no sensor saw
        yield gap_s * rng.choice((0.1, 0.5, 1.0, 1.0, 2.0)), sender.at(door, readings)


_LIFT: Final = (1.0, {"handle_lifted": True, "latched": False, "locked": False})
_OUT: Final = (1.0, {"closed": False, "travel": 0.1})
_FULL: Final = (3.0, {"travel": 1.0, "hold_open": True})
_BACK: Final = (2.0, {"hold_open": False, "travel": 0.4})
_SHUT: Final = (3.0, {"closed": True, "travel": 0.0, "handle_lifted": False, "latched": True, "locked": True})
_HOME: Final = (2.0, {"handle_lifted": False, "latched": True, "locked": True})
_DOCK: Final = (1.0, {"access": "stairs"})
_UNDOCK: Final = (5.0, {"access": "none"})
_OPEN: Final = (_LIFT, _OUT, (2.0, {"travel": 0.5}), _FULL)
_RELEASE: Final = (0.5, {"slide_released": True})
_ERECT: Final = (4.0, {"slide_erect": True})
_STOW: Final = (5.0, {"slide_released": False, "slide_erect": False, "lever_armed": False, "girt_left": False})
_WAYS: Final[Mapping[str, tuple[Steps, ...]]] = {
    "cabin": (
        ((1.0, DISARMED), _DOCK, *_OPEN, (20.0, {}), _BACK, _SHUT, _UNDOCK),
        ((1.0, DISARMED), *_OPEN, (8.0, {"barrier": True}), (20.0, {"barrier": False}), _BACK, _SHUT),
        ((1.0, ARMED), _LIFT, _HOME),
        ((1.0, ARMED), (1.0, {"outside_handle_lifted": True}), (0.2, DISARMED), (2.0, {"outside_handle_lifted": False})),
        ((1.0, ARMED), _LIFT, _OUT, _RELEASE, _ERECT, _FULL, (20.0, {}), _STOW, _BACK, _SHUT),
        ((1.0, ARMED), _LIFT, _OUT, (12.0, {}), _FULL, _BACK, _SHUT),
        ((1.0, {"lever_armed": True}), (2.5, {"girt_left": True}), (3.0, {"girt_right": True}), (6.0, {"pin_fitted": False})),
        (_RELEASE, (12.0, {}), _ERECT, _STOW),
        (_LIFT, (70.0, {}), _HOME),
        ((1.0, {"locked": True, "latched": False}), (2.0, {"latched": True})),
        (_DOCK, *_OPEN, (3.0, {"access": "none"}), (8.0, {"access": "bridge"}), _BACK, _SHUT),
    ),
    "overwing": (
        ((1.0, {"cover_fitted": False}), (1.0, {"handle_lifted": True}), (1.0, {"closed": False}), _RELEASE, _ERECT),
        ((1.0, {"cover_fitted": False}), (5.0, {"cover_fitted": True})),
        (_RELEASE, (12.0, {}), (3.0, {"slide_released": False})),
    ),
    "cargo": (
        (_LIFT, (1.0, {"selector": "open", "lock_flags": False}), _OUT, _FULL, (2.0, {"selector": "neutral"})),
        (_LIFT, (1.0, {"selector": "open"}), _OUT, (1.0, {"selector": "neutral", "travel": 0.5}), (4.0, {"travel": 0.3})),
        ((1.0, {"selector": "close"}), _BACK, _SHUT, (1.0, {"selector": "neutral"}), (7.0, {"lock_flags": True})),
        ((1.0, {"lock_flags": False}), (7.0, {"lock_flags": True})),
    ),
    "other": (
        (*_OPEN, (10.0, {}), _BACK, _SHUT),
        (_LIFT, (5.0, {}), _HOME),
        ((1.0, {"locked": False}), (65.0, {}), (1.0, {"locked": True})),
        ((1.0, {"closed": False}), (3.0, {"closed": True})),
    ),
}  # fmt: skip


def odd_reading(rng: random.Random, sender: Sender) -> Readings:
    """One reading that nothing led up to, or one that is not good."""
    door = rng.choice(sender.doors)
    spec = sender.spec(door)
    place = f"door/{door}/{rng.choice(sorted(spec.signals))}"
    if place not in sender.values:
        return {}
    value = sender.values[place]
    value = value["value"] if isinstance(value, dict) else value
    if rng.random() < 0.4:
        return {place: {"value": value, "quality": rng.choice(("bad", "uncertain"))}}
    if isinstance(value, bool):
        return {place: not value}
    if place.endswith("travel"):
        return {place: rng.choice((0.0, 0.3, 0.7, 1.0))}
    return {place: value}


def airframe_change(rng: random.Random, sender: Sender) -> Readings:
    """Something about the aircraft as a whole."""
    engine = rng.choice(sorted(sender.airframe.engines))
    changes: tuple[Readings, ...] = (
        {f"airframe/engine_{engine}_running": True},
        {f"airframe/engine_{number}_running": False for number in sender.airframe.engines},
        {"airframe/beacon": True},
        {"airframe/beacon": False},
        {PRESSURE: rng.choice((0.0, 1.2, 4.0, 15.0))},
        {PRESSURE: 0.0},
        {"airframe/ground_speed_kt": 6.0},
        {"airframe/ground_speed_kt": 0.0},
        {"airframe/parking_brake": False, "airframe/chocks": False},
        {"airframe/parking_brake": True, "airframe/chocks": True},
        {"airframe/passengers_aboard": rng.choice((0, 20, 90))},
        {"airframe/refuelling": rng.random() < 0.6},
        {"airframe/emergency": rng.random() < 0.5},
        {"airframe/weight_on_wheels": rng.random() < 0.7},
        {"airframe/power": "off" if rng.random() < 0.3 else "on"},
    )
    return rng.choice(changes)
