"""What honest sensors and a network do to what is true: bounce, noise, delay, repeats, a refresh that is missed.

Owns the way from a simulated aircraft's messages to what a broker delivers. Everything stays
within what the wire contract lets a sender do, and below what counts as chattering. All
chance comes from one generator that is handed in.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final, NamedTuple

import orjson

from monitor.core.times import SECOND, format_time
from simulators.publication import Publication

_NOISE: Final[Mapping[str, tuple[float, float]]] = {
    "differential_pressure_hpa": (0.04, -1200.0),
    "slide_bottle_bar": (0.4, 0.0),
    "assist_bottle_bar": (0.3, 0.0),
    "slide_bottle_temp_c": (0.1, -80.0),
    "assist_bottle_temp_c": (0.1, -80.0),
    "actuator_bar": (1.0, 0.0),
    "travel": (0.004, 0.0),
    "wind_kt": (0.3, 0.0),
    "gust_kt": (0.3, 0.0),
}
"""Signal → (standard deviation, least value) in the signal's unit."""

_MISSABLE: Final = ("heartbeat", "differential_pressure_hpa")
_LATENCY_S: Final = 0.012
_JITTER_S: Final = 0.03
_STALL_S: Final = 1.5
_REPEATED_AFTER_S: Final = 4.0


class Delivery(NamedTuple):
    """One message as the monitor gets it; ``at`` on its clock (µs)."""

    at: int
    topic: str
    payload: bytes


class Line:
    """One sender's way to the monitor: in order, late by a little, and now and then twice."""

    def __init__(self, rng: random.Random, *, bounces: bool = True) -> None:
        self._rng = rng
        self._bounces = bounces
        self._seqs: dict[str, int] = {}
        self._values: dict[str, Any] = {}
        self._missed: dict[str, bool] = {}
        self._at = 0
        self._repeats: list[Delivery] = []

    def carry(self, sent: Iterable[Publication]) -> Iterator[Delivery]:
        """Deliver ``sent``, in the order of delivery."""
        for publication in sent:
            body = orjson.loads(publication.payload)
            signal = publication.topic.rpartition("/")[2]
            if self._misses(publication.topic, signal):
                continue
            for stamp, value in self._shown(publication, signal, body["value"]):
                yield from self._deliver(publication.topic, stamp, body, value)

    def _misses(self, topic: str, signal: str) -> bool:
        """A refresh is missed now and then, never two in a row."""
        missed = signal in _MISSABLE and not self._missed.get(topic, True) and self._rng.random() < 0.03
        self._missed[topic] = missed
        return missed

    def _shown(self, publication: Publication, signal: str, true: Any) -> list[tuple[int, Any]]:
        last = self._values.get(publication.topic)
        self._values[publication.topic] = true
        if isinstance(true, bool):
            if self._bounces and last is not None and last is not true and self._rng.random() < 0.15:
                # A contact bounces once as it closes or opens: three changes where there was one.
                first, second = sorted(self._rng.uniform(0.002, 0.04) for _ in range(2))
                later = (0.0, first, second)
                return [
                    (publication.at_us + round(s * SECOND), v) for s, v in zip(later, (true, last, true), strict=True)
                ]
        elif signal in _NOISE:
            spread, least = _NOISE[signal]
            noisy = round(max(least, true + self._rng.gauss(0.0, spread)), 3)
            return [(publication.at_us, min(noisy, 1.0) if signal == "travel" else noisy)]
        return [(publication.at_us, true)]

    def _deliver(self, topic: str, stamp: int, body: Mapping[str, Any], value: Any) -> Iterator[Delivery]:
        rng = self._rng
        delay_s = _LATENCY_S + rng.expovariate(1.0 / _JITTER_S)
        if rng.random() < 0.002:
            delay_s += rng.uniform(0.2, _STALL_S)
        self._at = max(self._at, stamp + round(delay_s * SECOND))
        while self._repeats and self._repeats[0].at <= self._at:
            yield heapq.heappop(self._repeats)
        seq = self._seqs[topic] = self._seqs.get(topic, 0) + 1
        payload = orjson.dumps({**body, "time": format_time(stamp), "seq": seq, "value": value})
        delivery = Delivery(self._at, topic, payload)
        yield delivery
        if rng.random() < 0.01:
            again = self._at + round(rng.uniform(0.001, _REPEATED_AFTER_S) * SECOND)
            heapq.heappush(self._repeats, delivery._replace(at=again))
