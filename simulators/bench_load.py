"""The load: a paced stream whose messages are timed, and a push as hard as the other end keeps up with.

Owns the pacing, the in-flight windows and the figures made from the times. It runs in a
process of its own, on one thread and without an event loop; who is measured lives elsewhere.
"""

from __future__ import annotations

import itertools
import math
import select
import statistics
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Protocol

from monitor.core.times import MILLISECOND, format_time
from simulators.bench_traffic import Sent, Traffic
from simulators.bench_wire import Connection

UNACKED_MAX: Final = 1000
"""Publications that the broker has not acknowledged."""

OUTSTANDING_MAX: Final = 3000
"""Publications that the measured end has not processed: its backlog cannot grow past this."""

GENTLE_MAX: Final = 500
"""As many of them where every one is to be taken: fewer than the monitor sheds quantities at."""

ANSWER_S_MAX: Final = 20.0
WAIT_S_MAX: Final = 120.0
_BATCH: Final = 50
_ASK_EVERY_S: Final = 0.005
_IDLE_S: Final = 0.002
_RAMP: Final = 0.1
"""The share of a push that is left out at its beginning."""


Find = Callable[[bytes, bytes], bytes | None]
"""(topic, payload) of a delivery → the name of the sample that it answers, if any."""


class LoadError(RuntimeError):
    """The measured end did not keep up with what it must; the message is one line for a person."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Times in ms: how many, their median and 99th percentile, and the rate that was really sent (messages/s)."""

    samples: int
    median_ms: float
    p99_ms: float
    sent_per_s: float


class Measured(Protocol):
    """Who is pushed at."""

    def processed(self) -> tuple[int, int]:
        """Return how many messages it has ever taken, and left out by rule as more came than it could take."""

    def cpu_s(self) -> float | None:
        """Return the processor time it has used, s; ``None`` where the system does not say."""


@dataclass(frozen=True, slots=True)
class Pushed:
    """What a push came to: messages taken per second, processor time for each that was sent (µs), where it is known.

    ``left_out`` is the share of what was sent that was left out by rule.
    """

    per_s: float
    cpu_us: float | None
    left_out: float = 0.0


def describe_times(times_s: list[float], sent_per_s: float) -> Spread:
    """Make the figures from at least two times in seconds."""
    cuts = statistics.quantiles(times_s, n=100, method="inclusive")
    return Spread(len(times_s), statistics.median(times_s) * 1000, cuts[98] * 1000, sent_per_s)


class Load:
    """A sender and a listener on two connections; close it at the end.

    One thread serves both, so that a delivery is stamped as soon as it is read and never
    waits for another thread.
    """

    def __init__(self, url: str) -> None:
        self._sender = Connection(url, "bench-sender")
        self._listener = Connection(url, "bench-listener", self._hear)
        self._find: Find = _find_nothing
        self._waiting: dict[bytes, float] = {}
        self._times: list[float] = []
        self._heard_at = 0.0
        self._heard = 0

    def __enter__(self) -> Load:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close both connections."""
        self._sender.close()
        self._listener.close()

    def listen(self, name: str, find: Find, *, qos: int = 1) -> None:
        """Listen to ``name``; ``find(topic, payload)`` names the sample that a delivery answers, if any."""
        self._listener.subscribe(name, qos=qos)
        self._find = find

    def _hear(self, topic: bytes, payload: bytes) -> None:
        self._heard += 1
        key = self._find(topic, payload)
        if key is not None:
            sent_at = self._waiting.pop(key, None)
            if sent_at is not None:
                self._times.append(self._heard_at - sent_at)

    def _turn(self, wait_s: float) -> None:
        """Take what arrives, waiting for it up to ``wait_s``."""
        ready, _, _ = select.select((self._sender, self._listener), (), (), max(wait_s, 0.0))
        self._heard_at = time.perf_counter()
        for connection in ready:
            connection.read()

    # -- paced -----------------------------------------------------------------------------

    def pace(
        self, traffic: Traffic, rate: float, count: int, *, key: Callable[[Sent, bytes], bytes | None], warm_up: int = 0
    ) -> Spread:
        """Send ``count`` messages evenly at ``rate`` per second and time those that ``key`` names.

        ``warm_up`` more are sent first and not timed. Raises :class:`LoadError` when an
        answer never comes.
        """
        self._waiting.clear()
        self._times.clear()
        began = due = time.perf_counter()
        for number in range(warm_up + count):
            if number == warm_up:
                began = time.perf_counter()
            while (wait_s := due - time.perf_counter()) > 0:
                self._turn(wait_s)
            sent = traffic.next(rate)
            payload = sent.encode(_stamp())
            name = key(sent, payload) if number >= warm_up else None
            frame = self._sender.encode(sent.topic, payload, retain=sent.retain)
            if name is not None:
                self._waiting[name] = time.perf_counter()
            self._sender.send(frame)
            self._turn(0)
            due += 1.0 / rate
        took_s = time.perf_counter() - began
        # An end that falls behind is late, not silent: its latency is its figure.
        self.wait_until(lambda: not self._waiting, "the answers to what was sent")
        return describe_times(self._times, count / took_s)

    # -- pushed ----------------------------------------------------------------------------

    def push(
        self,
        messages: Iterable[Sent],
        measured: Measured,
        *,
        seconds_max: float = math.inf,
        outstanding_max: int = OUTSTANDING_MAX,
    ) -> Pushed:
        """Send all ``messages`` as fast as they are processed, or as many as go in ``seconds_max``.

        Raises :class:`LoadError` when ``measured`` stands still.
        """
        source, spent_before = iter(messages), measured.cpu_s()
        taken_before, left_out_before = measured.processed()
        sent, done, left_out, ended = 0, 0, 0, False
        asked_at = moved_at = began = time.perf_counter()
        samples = [(asked_at, 0)]
        while not ended or done < sent:
            now = time.perf_counter()
            if now - asked_at >= _ASK_EVERY_S:
                taken, left_out = measured.processed()
                taken, left_out = taken - taken_before, left_out - left_out_before
                samples.append((now, taken))
                asked_at, before, done = now, done, taken + left_out
                if done > before:
                    moved_at = now
                elif now - moved_at > ANSWER_S_MAX:
                    raise LoadError(f"{done} of {sent} messages were processed, then none for {ANSWER_S_MAX:g} s")
            room = min(_BATCH, UNACKED_MAX - self._sender.unacked, outstanding_max - (sent - done))
            if room > 0 and not ended:
                batch = list(itertools.islice(source, room))
                ended = len(batch) < room or now - began > seconds_max
                stamp = _stamp()
                frames = [self._encode(one, stamp) for one in batch]
                self._sender.send(b"".join(frames))
                sent += len(batch)
            self._turn(0 if room > 0 and not ended else _IDLE_S)
        spent = measured.cpu_s()
        cpu_us = None if spent is None or spent_before is None else (spent - spent_before) / sent * 1e6
        return Pushed(_steady_rate(samples, sent), cpu_us, left_out / sent if sent else 0.0)

    def _encode(self, one: Sent, stamp: bytes) -> bytes:
        return self._sender.encode(one.topic, one.encode(stamp), retain=one.retain, qos=one.qos)

    def wait_until(self, condition: Callable[[], bool], what: str) -> None:
        """Keep listening until ``condition`` holds; raises :class:`LoadError` when it does not come."""
        heard, moved_at = self._heard, time.perf_counter()
        began = moved_at
        while not condition():
            now = time.perf_counter()
            if self._heard != heard:
                heard, moved_at = self._heard, now
            elif now - moved_at > ANSWER_S_MAX:
                raise LoadError(f"nothing came for {ANSWER_S_MAX:g} s while waiting for {what}")
            # Something always comes from a monitor that lives; not for ever what is waited for.
            if now - began > WAIT_S_MAX:
                raise LoadError(f"after {WAIT_S_MAX:g} s still waiting for {what}")
            self._turn(_IDLE_S)


def _steady_rate(samples: list[tuple[float, int]], total: int) -> float:
    """Take the rate over the samples (time in s, done so far), from where the beginning is over."""
    end_s, last = samples[-1]
    start_s, first = max((each for each in samples[:-1] if each[1] <= total * _RAMP), key=lambda each: each[0])
    return (last - first) / (end_s - start_s)


def _find_nothing(topic: bytes, payload: bytes) -> bytes | None:
    return None


def _stamp() -> bytes:
    return format_time(time.time_ns() // 1_000_000 * MILLISECOND).encode()
