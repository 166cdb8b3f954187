"""What one aircraft, or one stand, says on the wire: when, in which order, and how falsified.

Owns sequence numbers, on-change sending, the heartbeat, the refreshing of what no heartbeat
vouches for, and faults of the sensors themselves (silence, a false value, a bad quality, and
what :mod:`simulators.models.sensor` does to a true one). It never decides what is true: that
is the models' work.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final

from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, Value
from monitor.core.times import MILLISECOND, SECOND
from simulators.models.sensor import Fault, Sensor
from simulators.publication import Publication, encode_bundle, encode_reading

HEARTBEAT_EVERY: Final = 5 * SECOND
"""µs; the wire contract asks for one at least every 10 s."""
PRESSURE_EVERY: Final = 4 * SECOND
"""µs; no heartbeat vouches for it, and it must be refreshed within 30 s."""
WEATHER_EVERY: Final = 4 * SECOND
PICTURE_EVERY: Final = 20 * SECOND
"""µs between whole pictures of an aircraft that sends bundles: a bundle is not retained."""

_PRESSURE: Final = "airframe/differential_pressure_hpa"

_PACED: Final[Mapping[str, int]] = MappingProxyType(
    {
        "travel": 200 * MILLISECOND,
        "actuator_bar": 500 * MILLISECOND,
        "slide_bottle_bar": 500 * MILLISECOND,
        "assist_bottle_bar": 500 * MILLISECOND,
        "differential_pressure_hpa": SECOND,
        "ground_speed_kt": 500 * MILLISECOND,
        "passengers_aboard": 2 * SECOND,
    }
)
"""µs between two values of what moves smoothly; everything else is sent as it changes."""

_RANK: Final[Mapping[str, int]] = MappingProxyType(
    {"cover_fitted": 1, "travel": 2, "closed": 3, "latched": 4, "locked": 5, "lock_flags": 6, "handle_lifted": -7}
)


def _order(item: tuple[str, Value]) -> tuple[int, str]:
    """Rank changes of one instant so that each message by itself leaves a door that can exist.

    What engages follows what it rests on (leaf, latches, lock); what lets go goes first.
    """
    key, value = item
    rank = _RANK.get(key.rpartition("/")[2], 0)
    return (-rank if value is False else rank, key)


class Feed:
    """The sensors of one aircraft; ``prefix`` is its topic up to and including its registration."""

    def __init__(
        self,
        prefix: str,
        *,
        bundles: bool,
        first_beat_us: int,
        beat_every_us: int = HEARTBEAT_EVERY,
        pressure_every_us: int = PRESSURE_EVERY,
    ) -> None:
        self._prefix = prefix
        self._bundles = bundles
        self._beat_every = beat_every_us
        self._pressure_every = pressure_every_us
        self._seqs: dict[str, int] = {}
        self._sent: dict[str, tuple[Value, str]] = {}
        self._sent_at: dict[str, int] = {}
        self._true: dict[str, Value] = {}
        self._false: dict[str, Value] = {}
        self._qualities: dict[str, str] = {}
        self._withheld: set[str] = set()
        self._ailing: dict[str, Sensor] = {}
        self._said: dict[str, Value] = {}
        self._unread: set[str] = set()
        self._ahead_us = 0
        self._pending: set[str] = set()
        self._beats = 0
        self._next_beat = first_beat_us
        self._next_picture = first_beat_us
        self._now = first_beat_us
        self.silent = False
        self._owes_picture = True

    def falsify(self, key: str, value: Value) -> None:
        """Have a sensor show ``value`` whatever is true, until it is released; ``key`` as in a bundle."""
        self._false[key] = value
        self._pending.add(key)

    def release(self, key: str) -> None:
        """Have a sensor tell the truth again, in good quality."""
        self._false.pop(key, None)
        self._qualities.pop(key, None)
        self._withheld.discard(key)
        self._ailing.pop(key, None)
        self._said.pop(key, None)
        self._unread.discard(key)
        self._pending.add(key)

    def take_back(self, key: str) -> list[str]:
        """Have nobody give ``key`` any more that no sensor gives; return the topics that the broker keeps of it."""
        self.release(key)
        if key in self._true or self._sent.pop(key, None) is None or self._bundles:
            return []
        return [f"{self._prefix}/{key}"]

    def fault_of(self, key: str) -> Fault:
        """Return what ails a sensor now."""
        return self._ailing[key].fault if key in self._ailing else Fault()

    def ail(self, key: str, fault: Fault, chance: random.Random) -> None:
        """Have a sensor suffer ``fault`` until it is released; ``chance`` draws its silent spells.

        Raises ``KeyError`` for a reading that does not exist.
        """
        if key not in self._ailing:
            name = key.rpartition("/")[2]
            signal = (DOOR_SIGNALS if key.startswith("door/") else AIRFRAME_SIGNALS)[name]
            self._ailing[key] = Sensor(signal, chance)
            if key in self._true:
                # What it said last is what it sticks at, and says for a while yet when it is late.
                self._ailing[key].say(self._true[key], self._now)
        self._ailing[key].ail(fault, self._now)

    def mark(self, key: str, quality: str) -> None:
        """Have a sensor send ``quality`` with its readings."""
        self._qualities[key] = quality
        self._pending.add(key)

    def withhold(self, key: str) -> None:
        """Have a sensor send nothing any more, until it is released."""
        self._withheld.add(key)

    def shift_clock(self, ahead_s: float) -> None:
        """Have the gateway's clock run ``ahead_s`` seconds ahead."""
        self._ahead_us = round(ahead_s * SECOND)

    @property
    def disturbed(self) -> bool:
        """Silent, with a clock that is off, or with a sensor that does not tell the truth."""
        wrong = self._false or self._qualities or self._withheld or self._ailing or self._ahead_us
        return self.silent or bool(wrong)

    def fall_silent(self) -> None:
        self.silent = True

    def speak_again(self) -> None:
        self.silent = False
        self._owes_picture = True

    def owe_picture(self) -> None:
        """Send everything again at the next chance, as a gateway does on a new connection."""
        self._owes_picture = True

    def retained_topics(self) -> list[str]:
        """Return every topic that the broker keeps a reading for."""
        return [] if self._bundles else [f"{self._prefix}/{key}" for key in self._sent]

    def next_due_us(self) -> int:
        """Return when something is sent although nothing changes (µs of the wire)."""
        if self._ailing:
            # What ails a sensor goes by time: it has to be asked.
            return self._now
        if self.silent:
            return self._next_beat + self._beat_every
        dues = [self._next_beat]
        if _PRESSURE in self._true:
            dues.append(self._sent_at.get(_PRESSURE, 0) + self._pressure_every)
        return min(dues)

    def publish(self, now: int, readings: Mapping[str, Value]) -> list[Publication]:
        """Take what is newly true and return what is sent at ``now`` (µs of the wire)."""
        for key, value in readings.items():
            if self._true.get(key) != value:
                self._true[key] = value
                self._pending.add(key)
        self._now = now
        if self._ailing:
            self._ask()
        if self.silent:
            # The gateway is down: its counter stands still, and nothing is kept for later.
            self._next_beat = max(self._next_beat, now)
            return []
        if self._rests(now):
            return []
        due = self._due(now)
        sent = self._as_bundle(now, due) if self._bundles else self._one_by_one(now, due)
        if now >= self._next_beat:
            self._beats += 1
            self._next_beat = max(self._next_beat + self._beat_every, now + self._beat_every // 2)
            sent.append(self._reading(now, "airframe/heartbeat", self._beats, "good", retain=False))
        return sent

    def _rests(self, now: int) -> bool:
        """Return true where nothing at all is to be sent: most of the time."""
        owes = self._pending or self._owes_picture or (self._bundles and now >= self._next_picture)
        return not owes and now < self._next_beat and now - self._sent_at.get(_PRESSURE, 0) < self._pressure_every

    def _ask(self) -> None:
        """Hear what the ailing sensors say now."""
        for key, sensor in self._ailing.items():
            if key not in self._true:
                continue
            said = sensor.say(self._true[key], self._now)
            if said is None:
                self._unread.add(key)
            elif said != self._said.get(key) or key in self._unread:
                self._unread.discard(key)
                self._said[key] = said
                self._pending.add(key)

    def _due(self, now: int) -> list[tuple[str, Value]]:
        if self._owes_picture or (self._bundles and now >= self._next_picture):
            self._owes_picture = False
            self._next_picture = now + PICTURE_EVERY
            self._pending.clear()
            # The type goes last: what came before it is then applied together.
            mute = self._withheld | self._unread
            shown = {k: v for k, v in (self._true | self._said | self._false).items() if k not in mute}
            return sorted(shown.items(), key=lambda item: item[0] == "airframe/type")
        if now - self._sent_at.get(_PRESSURE, 0) >= self._pressure_every:
            self._pending.add(_PRESSURE)
        due = [(key, self._shown(key)) for key in self._pending if self._is_due(now, key)]
        self._pending.difference_update(key for key, _ in due)
        return sorted((item for item in due if self._is_news(now, *item)), key=_order)

    def _shown(self, key: str) -> Value:
        if key in self._false:
            return self._false[key]
        return self._said[key] if key in self._said else self._true[key]

    def _is_due(self, now: int, key: str) -> bool:
        if key in self._withheld or key in self._unread or (key not in self._true and key not in self._false):
            return False
        pace = _PACED.get(key.rpartition("/")[2])
        return pace is None or now - self._sent_at.get(key, 0) >= pace or self._shown(key) in (0.0, 1.0)

    def _is_news(self, now: int, key: str, value: Value) -> bool:
        if key == _PRESSURE and now - self._sent_at.get(key, 0) >= self._pressure_every:
            return True
        return self._sent.get(key) != (value, self._qualities.get(key, "good"))

    def _one_by_one(self, now: int, due: Iterable[tuple[str, Value]]) -> list[Publication]:
        return [self._reading(now, key, value, self._note(now, key, value), retain=True) for key, value in due]

    def _as_bundle(self, now: int, due: list[tuple[str, Value]]) -> list[Publication]:
        if not due:
            return []
        readings = {key: (value, self._note(now, key, value)) for key, value in due}
        topic = f"{self._prefix}/bundle"
        return [
            Publication(now, topic, encode_bundle(now + self._ahead_us, self._next_seq(topic), readings), retain=False)
        ]

    def _note(self, now: int, key: str, value: Value) -> str:
        quality = self._qualities.get(key, "good")
        self._sent[key] = (value, quality)
        self._sent_at[key] = now
        return quality

    def _reading(self, now: int, key: str, value: Value, quality: str, *, retain: bool) -> Publication:
        topic = f"{self._prefix}/{key}"
        return Publication(
            now, topic, encode_reading(now + self._ahead_us, self._next_seq(topic), value, quality), retain
        )

    def _next_seq(self, topic: str) -> int:
        seq = self._seqs[topic] = self._seqs.get(topic, 0) + 1
        return seq


class Anemometer:
    """The weather sensors of one stand; ``prefix`` is its topic up to and including its name."""

    def __init__(self, prefix: str, *, first_us: int) -> None:
        self._prefix = prefix
        self._next = first_us
        self._seq = 0

    def owe_picture(self) -> None:
        """Send everything again at the next chance."""
        self._next = 0

    def retained_topics(self) -> list[str]:
        """Return every topic that the broker keeps a reading for."""
        return [f"{self._prefix}/{signal}" for signal in ("wind_kt", "gust_kt", "wind_from_deg")]

    @property
    def due_us(self) -> int:
        """When something is sent next (µs of the wire)."""
        return self._next

    def publish(self, now: int, readings: Mapping[str, Value]) -> list[Publication]:
        """Return what is sent at ``now`` (µs of the wire)."""
        if now < self._next:
            return []
        self._next = now + WEATHER_EVERY
        self._seq += 1
        return [
            Publication(now, f"{self._prefix}/{signal}", encode_reading(now, self._seq, value, "good"), retain=True)
            for signal, value in readings.items()
        ]
