"""A steady load of many simulated aircraft, to a broker or into a capture, and what became of it.

Owns the pacing and the figures. It asks for no more than was wanted: what the broker or this
program could not keep up with is not sent later in a rush, but told.
"""

from __future__ import annotations

import asyncio
import itertools
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from monitor.adapters.capture import write_clock, write_line
from monitor.adapters.mqtt_settings import BrokerAddress
from monitor.core.times import MILLISECOND, SECOND, format_time
from monitor.ports import Message
from simulators.load_traffic import LEAST_PER_AIRCRAFT, LoadTraffic
from simulators.load_wire import Sender
from simulators.progress import Progress, ignore_progress
from simulators.rig import wall_clock

AIRCRAFT_MAX: Final = 2000
"""As many as the monitor follows at once."""
RATE_MAX: Final = 100_000.0
KEPT_UP_SHARE: Final = 0.98
"""Of the rate asked for: less is a load that was not kept up."""

_UNACKNOWLEDGED_MAX: Final = 1000
_BATCH: Final = 200
_TICK_S: Final = 0.005
_BEHIND_S_MAX: Final = 0.5
"""What is further behind than this is not made up for: a rush would be another load than was asked for."""
_OVERTIME_S: Final = 0.2
"""How long after the end what is still due may go out."""
_LAST_ANSWERS_S: Final = 0.8
_CLEARING_S_MAX: Final = 1.5


@dataclass(frozen=True, slots=True)
class LoadRun:
    """What one load came to; rates in messages a second. ``left`` readings could not be withdrawn at the end."""

    aircraft: int
    types: dict[str, int]
    seed: int
    asked_per_s: float
    sent: int
    acknowledged: int
    took_s: float
    slowest_per_s: int | None
    waited_s: float
    left: int

    @property
    def achieved_per_s(self) -> float:
        """The rate over the whole run."""
        return self.sent / self.took_s if self.took_s else 0.0

    @property
    def kept_up(self) -> bool:
        """The rate asked for was sent, near enough: one message is always on its way."""
        return self.sent + 1 > KEPT_UP_SHARE * self.asked_per_s * self.took_s


class LoadError(ValueError):
    """The load cannot be as it was asked for; the message says what would be right."""


def check_load(aircraft: int, rate: float) -> None:
    """Raise :class:`LoadError` where so many aircraft, or so many messages a second, cannot be."""
    if not 1 <= aircraft <= AIRCRAFT_MAX:
        raise LoadError(f"--aircraft {aircraft} is out of range; give a number from 1 to {AIRCRAFT_MAX}")
    least = LEAST_PER_AIRCRAFT * aircraft
    if not least <= rate <= RATE_MAX:
        raise LoadError(
            f"--rate {rate:g} is out of range: {aircraft} aircraft need {least:g} messages a second to stay believed; "
            f"give a number from {least:g} to {RATE_MAX:g}"
        )


async def run_load(
    traffic: LoadTraffic,
    rate: float,
    address: BrokerAddress,
    *,
    seed: int,
    stop: asyncio.Event,
    seconds: float | None,
    ca_file: Path | None = None,
    clear: bool = False,
    progress: Progress = ignore_progress,
) -> LoadRun:
    """Send ``traffic`` evenly at ``rate`` until ``stop`` is set or ``seconds`` are over.

    ``clear`` withdraws the readings that the broker keeps. Raises
    :class:`simulators.load_wire.SenderError` where the broker is not there or goes away.
    """
    pace = _Pace(rate)
    sent = acknowledged = left = 0
    sender = await _connect(address, seed, ca_file, stop)
    if sender is not None:
        try:
            await _send(sender, traffic, pace, stop, seconds, progress)
            sent = sender.sent
            await _wait_for_answers(sender)
            acknowledged = sender.acknowledged
            left = await _withdraw(sender, traffic) if clear else 0
        finally:
            await sender.close()
    return LoadRun(
        aircraft=traffic.aircraft,
        types=count_types(traffic),
        seed=seed,
        asked_per_s=rate,
        sent=sent,
        acknowledged=acknowledged,
        took_s=pace.took_s,
        slowest_per_s=pace.slowest_per_s(),
        waited_s=pace.waited_s,
        left=left,
    )


def write_load(path: Path, traffic: LoadTraffic, rate: float, start_us: int, seconds: float) -> int:
    """Write what is sent in ``seconds`` from ``start_us`` (µs) on as a capture; return how many messages.

    Raises ``OSError`` where the file cannot be written.
    """
    end_us = start_us + round(seconds * SECOND / MILLISECOND) * MILLISECOND
    with path.open("wb") as file:
        number = 0
        while (at := start_us + round(number / rate * SECOND / MILLISECOND) * MILLISECOND) <= end_us:
            one = next(traffic)
            payload = one.encode(format_time(at).encode())
            file.write(write_line(at, Message(one.topic.decode(), payload, retained=False)))
            number += 1
        file.write(write_clock(end_us))
    return number


def tell_load(run: LoadRun) -> str:
    """Say in one or two lines what the load came to, and what held it up if anything did."""
    types = ", ".join(f"{count} {name}" for name, count in run.types.items())
    told = (
        f"{run.aircraft} simulated aircraft ({types}): {run.sent:,} messages in {run.took_s:.1f} s, "
        f"{run.achieved_per_s:,.0f} a second of {run.asked_per_s:,.0f} asked for"
    )
    if run.slowest_per_s is not None:
        told += f", {run.slowest_per_s:,} in the slowest second"
    if not run.kept_up:
        share = run.waited_s / run.took_s if run.took_s else 0.0
        told += (
            f"\nNOT KEPT UP: {share:.0%} of the time the broker had {_UNACKNOWLEDGED_MAX:,} messages to acknowledge "
            f"and was waited for; {'the broker' if share > 0.1 else 'this program or its machine'} is too slow for this"
        )
    if run.sent - run.acknowledged:
        told += f"\n{run.sent - run.acknowledged:,} messages were not acknowledged by the end"
    if run.left:
        told += f"\n{run.left:,} readings are left on the broker: there was no time to withdraw them"
    return told


def describe_load(run: LoadRun) -> dict[str, Any]:
    """Return the same as a JSON-ready document."""
    return {
        "simulated": True,
        "aircraft": run.aircraft,
        "types": run.types,
        "seed": run.seed,
        "asked_per_s": run.asked_per_s,
        "achieved_per_s": round(run.achieved_per_s, 1),
        "slowest_per_s": run.slowest_per_s,
        "kept_up": run.kept_up,
        "sent": run.sent,
        "acknowledged": run.acknowledged,
        "took_s": round(run.took_s, 3),
        "waited_for_broker_s": round(run.waited_s, 3),
        "left_on_broker": run.left,
    }


def count_types(traffic: LoadTraffic) -> dict[str, int]:
    """Count the aircraft by type."""
    return dict(sorted(Counter(airframe.name for airframe in traffic.types).items()))


class _Pace:
    """How many messages are due, and how many went in each second; times in s since the beginning."""

    def __init__(self, rate: float) -> None:
        self._rate = rate
        self._forgone = 0
        self._seconds: list[int] = []
        self._last_s = 0.0
        self.sent = 0
        self.took_s = 0.0
        self.waited_s = 0.0

    def due(self, now_s: float) -> int:
        """Return how many messages are due now; what is far behind is given up."""
        due = int(now_s * self._rate) - self.sent - self._forgone
        late = due - max(_BATCH, int(self._rate * _BEHIND_S_MAX))
        if late > 0:
            self._forgone += late
            due -= late
        return due

    def note(self, now_s: float, count: int, *, waited: bool) -> None:
        """Note that ``count`` were sent; ``waited``: more were due, and the broker had too many already."""
        if waited:
            self.waited_s += now_s - self._last_s
        self._last_s = self.took_s = now_s
        self.sent += count
        self._seconds += [0] * (int(now_s) + 1 - len(self._seconds))
        self._seconds[-1] += count

    def slowest_per_s(self) -> int | None:
        """Return the fewest in a whole second, the first one left out; ``None`` where there was none."""
        return min(self._seconds[1:-1], default=None)


async def _connect(address: BrokerAddress, seed: int, ca_file: Path | None, stop: asyncio.Event) -> Sender | None:
    """Connect; ``None`` where ``stop`` was set before the broker let us in."""
    connecting = asyncio.create_task(Sender.connect(address, f"sillwatch-load-{seed}", ca_file=ca_file))
    stopping = asyncio.create_task(stop.wait())
    try:
        await asyncio.wait({connecting, stopping}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        stopping.cancel()
        if not connecting.done():
            connecting.cancel()
            await asyncio.gather(connecting, return_exceptions=True)
    return None if connecting.cancelled() else connecting.result()


async def _send(
    sender: Sender,
    traffic: LoadTraffic,
    pace: _Pace,
    stop: asyncio.Event,
    seconds: float | None,
    progress: Progress,
) -> None:
    loop = asyncio.get_running_loop()
    began, told_at = loop.time(), 0.0
    while not stop.is_set():
        sender.check()
        passed_s = loop.time() - began
        now_s = passed_s if seconds is None else min(passed_s, seconds)
        due = pace.due(now_s)
        room = max(0, min(due, _BATCH, _UNACKNOWLEDGED_MAX - sender.unacknowledged))
        stamp = format_time(wall_clock()).encode()
        for one in itertools.islice(traffic, room):
            sender.publish(one.topic, one.encode(stamp), retain=one.retain)
        waited = room < min(due, _BATCH)
        pace.note(now_s, room, waited=waited)
        if now_s - told_at >= 1.0:
            told_at = now_s
            progress(now_s, f"{pace.sent:,} messages")
        if now_s == seconds and (room == due or passed_s > seconds + _OVERTIME_S):
            return
        await asyncio.sleep(_TICK_S if waited or due <= room else 0)


async def _wait_for_answers(sender: Sender) -> None:
    loop = asyncio.get_running_loop()
    until = loop.time() + _LAST_ANSWERS_S
    while sender.unacknowledged and loop.time() < until:
        sender.check()
        await asyncio.sleep(_TICK_S)


async def _withdraw(sender: Sender, traffic: LoadTraffic) -> int:
    """Empty the readings that the broker keeps; return how many it did not say in time that it had emptied."""
    loop = asyncio.get_running_loop()
    topics = list(traffic.withdrawals())
    until, done = loop.time() + _CLEARING_S_MAX, 0
    while done < len(topics) and loop.time() < until:
        sender.check()
        room = max(0, min(_BATCH, _UNACKNOWLEDGED_MAX - sender.unacknowledged))
        for topic in topics[done : done + room]:
            sender.publish(topic, b"", retain=True)
        done = min(len(topics), done + room)
        await asyncio.sleep(0 if room else _TICK_S)
    # Closed before the broker has answered, what is still in the socket would be lost.
    while sender.unacknowledged and loop.time() < until:
        sender.check()
        await asyncio.sleep(_TICK_S)
    return len(topics) - done + min(done, sender.unacknowledged)
