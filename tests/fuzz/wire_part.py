"""Topics and payloads into the wire codec; stories of an aircraft into codec and core.

Owns their forms as bytes, and what has to hold of an answer. Sources of the valid ones are
the simulated apron and the demo's types.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from typing import Any, Final

from monitor.adapters.wire import REASONS, Wire
from monitor.core.effects import Effect, PublishEvent, RejectInput
from monitor.core.events import ReadingsArrived, StandReadingArrived
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, STAND_SIGNALS
from monitor.core.system import System
from monitor.core.times import MILLISECOND, SECOND, format_time
from monitor.engine import FAULT, let_time_pass, take_message
from monitor.ports import Message
from tests.fuzz.mutation import TOKENS, damage
from tests.stories import ARMED, DISARMED, LOCKED, OUT, START, UNLOCKED, demo_site, healthy_airframe, healthy_door

_ROOT: Final = f"apron/v1/{demo_site().name}"
_VALUES: Final[tuple[Any, ...]] = (
    True, False, None, 0, 1, -1, 0.5, 1.0, 0.98, 3.4, 250.0, 1e308, -1e308, 2**63, "", "on", "off", "none", "bridge",
    "alder", "birch", "hazel", "cedar", "larch", "S11", "S12", "S99", "open", "locked", [], {}, [1], {"value": True},
)  # fmt: skip
_QUALITIES: Final = ("good", "good", "good", "uncertain", "bad", "superb", None)


def pack(message: Message) -> bytes:
    """Write a message as bytes: the retain flag, the topic's length, the topic, the payload."""
    topic = message.topic.encode("utf-8", "backslashreplace")[:65_535]
    return bytes([message.retained]) + len(topic).to_bytes(2, "big") + topic + message.payload


def unpack(data: bytes) -> Message:
    """Read any bytes as a message, as the broker's client would hand it over."""
    length = int.from_bytes(data[1:3], "big")
    topic = data[3 : 3 + length].decode("utf-8", "backslashreplace")
    return Message(topic, data[3 + length :], bool(data[:1] and data[0] & 1))


def any_message(rng: random.Random, reg: str, at: int) -> Message:
    """A message of an aircraft or a stand that is mostly in good form, with values that may be anything."""
    kind = rng.randrange(12)
    time: Any = format_time(at) if rng.random() < 0.9 else at / SECOND
    envelope: dict[str, Any] = {"time": time}
    if rng.random() < 0.3:
        envelope["seq"] = rng.choice((0, 1, rng.randrange(100), 2**62, -1))
    if kind == 0:
        signal = rng.choice([*STAND_SIGNALS])
        return Message(f"{_ROOT}/stand/S1{rng.randrange(9)}/{signal}", _body(envelope | _reading(rng)), True)
    if kind == 1:
        return Message(f"{_ROOT}/aircraft/{reg}/{_path(rng)}", b"", rng.random() < 0.5)
    if kind < 5:
        readings = {_path(rng): _value(rng) for _ in range(rng.randrange(8))}
        return Message(f"{_ROOT}/aircraft/{reg}/bundle", _body(envelope | {"readings": readings}), False)
    if kind < 8:
        readings = {f"door/{rng.choice(('L1', 'R2'))}/{name}": value for name, value in rng.choice(_MOVES).items()}
        return Message(f"{_ROOT}/aircraft/{reg}/bundle", _body(envelope | {"readings": readings}), False)
    return Message(f"{_ROOT}/aircraft/{reg}/{_path(rng)}", _body(envelope | _reading(rng)), rng.random() < 0.7)


_MOVES: Final = (ARMED, DISARMED, LOCKED, UNLOCKED, OUT)


def _body(document: dict[str, Any]) -> bytes:
    return json.dumps(document).encode()


def _path(rng: random.Random) -> str:
    if rng.random() < 0.3:
        return f"airframe/{rng.choice([*AIRFRAME_SIGNALS])}"
    door = rng.choice(("L1", "R1", "L2", "OL1", "WL", "CF", "CB", "H1", "MD", "-", "X9"))
    return f"door/{door}/{rng.choice([*DOOR_SIGNALS])}"


def _value(rng: random.Random) -> Any:
    value = rng.choice(_VALUES)
    return {"value": value, "quality": rng.choice(_QUALITIES)} if rng.random() < 0.2 else value


def _reading(rng: random.Random) -> dict[str, Any]:
    reading: dict[str, Any] = {"value": rng.choice(_VALUES)}
    if rng.random() < 0.2:
        reading["quality"] = rng.choice(_QUALITIES)
    return reading


class WirePart:
    """The codec: it reads a message or says why not, and never raises."""

    name = "wire"

    def __init__(self) -> None:
        site = demo_site()
        self._wire = Wire(site.name, "fuzz", frozenset(site.types))

    def make(self, rng: random.Random) -> bytes:
        """A message in good form, a damaged one, or noise."""
        if rng.random() < 0.05:
            topic = rng.choice((_ROOT, f"{_ROOT}/aircraft/ZZ-FUZ/door/L1/closed", rng.choice(TOKENS).decode("latin-1")))
            return pack(Message(topic, rng.randbytes(rng.randrange(200)), False))
        data = pack(any_message(rng, "ZZ-FUZ", START + rng.randrange(10**10)))
        return damage(data, rng) if rng.random() < 0.9 else data

    def take(self, data: bytes) -> None:
        """Decode, and look at what comes of it."""
        decoded = self._wire.decode(unpack(data))
        for part in decoded if isinstance(decoded, list) else (decoded,):
            if isinstance(part, RejectInput):
                assert part.reason in REASONS, part
                assert part.detail, part
                assert len(part.topic) < 1000, part
                assert "\n" not in part.detail, part
                json.dumps(part).encode("ascii")
            else:
                assert isinstance(part, ReadingsArrived | StandReadingArrived), part

    def close(self) -> None:
        """Nothing is held."""


class StoryPart:
    """Codec and core together: whatever is sent, an event is judged or set aside, and never by a fault of ours."""

    name = "story"

    def __init__(self) -> None:
        site = demo_site()
        self._site = site
        self._wire = Wire(site.name, "fuzz", frozenset(site.types))

    def make(self, rng: random.Random) -> bytes:
        """An aircraft that arrives, then some dozens of messages with time between them."""
        reg, at = "ZZ-FUZ", START
        airframe = rng.choice([*self._site.types.values()])
        readings: dict[str, Any] = {"airframe/type": airframe.name, "airframe/stand": "S11"}
        readings |= {f"airframe/{name}": value for name, value in healthy_airframe(airframe).items()}
        for door in airframe.doors.values():
            readings |= {f"door/{door.name}/{name}": value for name, value in healthy_door(door).items()}
        arrival = Message(
            f"{_ROOT}/aircraft/{reg}/bundle", _body({"time": format_time(at), "readings": readings}), False
        )
        lines = [self._line(at, arrival)]
        for _ in range(rng.randrange(5, 40)):
            at += rng.choice((0, MILLISECOND, 200 * MILLISECOND, SECOND, 7 * SECOND, 40 * SECOND, 700 * SECOND))
            stamp = at + rng.choice((0, 0, 0, 0, -SECOND, -60 * SECOND, 90 * SECOND, -(10**13), 10**16))
            message = any_message(rng, reg, stamp)
            if rng.random() < 0.15:
                message = unpack(damage(pack(message), rng))
            lines.append(self._line(at, message))
        return b"".join(lines)

    @staticmethod
    def _line(at: int, message: Message) -> bytes:
        packed = pack(message)
        return at.to_bytes(8, "big") + len(packed).to_bytes(4, "big") + packed

    @staticmethod
    def _lines(data: bytes) -> Iterator[tuple[int, Message]]:
        while len(data) > 12:
            end = 12 + int.from_bytes(data[8:12], "big")
            yield int.from_bytes(data[:8], "big"), unpack(data[12:end])
            data = data[end:]

    def take(self, data: bytes) -> None:
        """Live through the story, and let ten minutes pass after it."""
        system = System(self._site)
        at = START
        for moment, message in self._lines(data):
            at = max(at, moment)
            self._look(let_time_pass(system, at, 10))
            self._look(take_message(system, self._wire, message, at)[1])
        for _ in range(10):
            at += 60 * SECOND
            self._look(let_time_pass(system, at, 10))

    def _look(self, effects: list[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, RejectInput):
                assert effect.reason != FAULT, effect.detail
            elif isinstance(effect, PublishEvent):
                json.dumps(self._wire.envelope(effect))
            self._wire.encode(effect)

    def close(self) -> None:
        """Nothing is held."""
