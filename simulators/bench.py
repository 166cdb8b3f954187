"""``make bench``: how fast the monitor is beside the least that a broker and a client can do.

Owns the phases, the aims and the table. Everything is measured in one run, each figure
right after the one that it is held against, so that the ratios hold where the machine's
speed does not. It ends with 0 whether the aims are met or not: that is for a reader.
"""

from __future__ import annotations

import gc
import logging
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from itertools import repeat
from pathlib import Path
from typing import Annotated, Final

import structlog
import typer

from monitor.adapters.broker import BrokerError
from monitor.config import default_config_path, load
from monitor.core.airframe import Site
from simulators.bench_load import GENTLE_MAX, Load, LoadError, Pushed, Spread
from simulators.bench_processes import (
    BROKERS,
    Monitor,
    ProcessError,
    broker_version,
    empty_subscriber,
    monitor,
)
from simulators.bench_traffic import Sent, Traffic, park
from simulators.bench_wire import WireError

LATER_MS_MAX: Final = 3.0
"""Aim: the 99th percentile from sensor to alert is at most this much above the bare echo's."""

ECHO_MS_MAX: Final = 50.0
"""A bare echo slower than this is a broker that falls behind: what is added to it then tells nothing."""

BUSY_MIN: Final = 0.5
"""Of a core: an empty subscriber less busy than this was kept waiting, by the broker or by other programs."""

RATE_SHARE_MIN: Final = 0.5
"""Aim: at least this share of the empty subscriber's rate."""

DOOR_KB_MAX: Final = 8.0
"""Aim: at most this much resident memory for a door."""

ECHO_SITE: Final = "benchecho"
LIFTS_PER_S: Final = 20.0
"""With 40 aircraft, once in 6 s at a door: more would be reported as chatter, and then no longer clear."""


MEMORY_FOLDER: Final = Path("/dev/shm")  # noqa: S108 - only a default, for temporary folders made safely inside


class Broker(StrEnum):
    """The brokers that the bench can start."""

    NATS_SERVER = "nats-server"
    MOSQUITTO = "mosquitto"


@dataclass(frozen=True, slots=True)
class Size:
    """How much is measured: (messages/s, aircraft) per paced phase, then seconds, messages and aircraft."""

    paces: tuple[tuple[int, int], ...]
    echo_s: float
    alerts_s: float
    warm_up_s: float
    pushed: int
    push_s: float
    rounds: int
    parked: int


FULL: Final = Size(((500, 50), (2000, 200)), 4.0, 16.0, 2.0, 10_000, 6.0, 2, 667)
QUICK: Final = Size(((500, 10), (2000, 15)), 0.2, 0.5, 0.1, 500, 2.0, 1, 20)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table; ``met`` is ``None`` where there is no aim, or nothing to tell."""

    what: str
    figure: str
    beside: str = ""
    aim: str = ""
    met: bool | None = None
    why_untold: str = ""


class Bench:
    """One run on one broker; ``tell`` hears what is going on."""

    def __init__(
        self, size: Size, site: Site, folder: Path, store: Path, broker: Broker, tell: Callable[[str], None]
    ) -> None:
        self._size = size
        self._site = site
        self._alder = site.types["alder"]
        self._folder = folder
        self._store = store
        self._broker = BROKERS[broker.value]
        self._tell = tell

    def run(self) -> list[Row]:
        """Measure everything; raises what its parts raise."""
        size = self._size
        rows: list[Row] = []
        with self._broker(self._store / "broker") as url, monitor(url, self._folder / "data") as watched:
            traffic = Traffic(self._alder, self._site.name, lifts_per_s=LIFTS_PER_S)
            for rate, aircraft in size.paces:
                self._tell(f"{rate} messages/s: bare echo")
                echo = self._time_echo(url, rate, aircraft)
                self._tell(f"{rate} messages/s: sensor to alert")
                alert = self._time_alerts(url, watched, traffic, rate, aircraft)
                rows += _latency_rows(rate, aircraft, echo, alert)
            rows += self._find_rates(url, watched, traffic, size.paces[-1][0])
        with self._broker(self._store / "broker-2") as url, monitor(url, self._folder / "data-2") as watched:
            self._tell(f"memory: {size.parked} aircraft")
            rows.append(self._weigh(url, watched))
        return rows

    def _time_echo(self, url: str, rate: int, aircraft: int) -> Spread:
        """Time the same traffic from a sender to a listener, with nothing but the broker between them."""
        traffic = Traffic(self._alder, ECHO_SITE, lifts_per_s=LIFTS_PER_S, seed=2)
        traffic.add(aircraft)
        with Load(url) as load:
            load.listen(f"apron/v1/{ECHO_SITE}/#", lambda topic, payload: topic + payload)
            return load.pace(
                traffic,
                rate,
                round(rate * self._size.echo_s),
                key=lambda sent, payload: sent.topic + payload,
                warm_up=round(rate * self._size.warm_up_s),
            )

    def _time_alerts(self, url: str, watched: Monitor, traffic: Traffic, rate: int, aircraft: int) -> Spread:
        """Time a lifted handle from its publication to the alert's event."""
        with Load(url) as load:
            load.push(traffic.add(aircraft - traffic.aircraft), watched)
            load.listen(f"sillwatch/v1/event/{self._site.name}/+/+/armed-handle-moved", _find_raised)
            return load.pace(
                traffic,
                rate,
                round(rate * self._size.alerts_s),
                key=lambda sent, _payload: sent.lifted,
                warm_up=round(rate * self._size.warm_up_s),
            )

    def _find_rates(self, url: str, watched: Monitor, traffic: Traffic, rate: int) -> list[Row]:
        """Push at the empty subscriber and at the monitor in turn."""
        size = self._size
        empty: list[Pushed] = []
        own: list[Pushed] = []
        plain = Traffic(self._alder, ECHO_SITE, lifts_per_s=LIFTS_PER_S, seed=3)
        plain.add(traffic.aircraft)
        for turn in range(1, size.rounds + 1):
            self._tell(f"highest rate, round {turn} of {size.rounds}: empty subscriber")
            with empty_subscriber(url, f"apron/v1/{ECHO_SITE}/#", self._folder) as subscriber, Load(url) as load:
                load.push(_take(plain, rate, size.pushed // 10), subscriber)
                empty.append(load.push(_take(plain, rate, size.pushed), subscriber, seconds_max=size.push_s))
            self._tell(f"highest rate, round {turn} of {size.rounds}: Sillwatch")
            with Load(url) as load:
                load.push(_take(traffic, rate, size.pushed // 10), watched)
                own.append(load.push(_take(traffic, rate, size.pushed), watched, seconds_max=size.push_s))
        share = _mean(each.per_s for each in own) / _mean(each.per_s for each in empty)
        limit = _find_limit(empty)
        return [
            Row("empty aiomqtt subscriber, highest rate", _show_rate(empty), _show_cpu(empty)),
            Row(
                "Sillwatch, highest rate",
                _show_rate(own),
                f"{share:.2f} of the empty subscriber's; {_show_cpu(own)}{_show_left_out(own)}",
                f"at least {RATE_SHARE_MIN:g} of the empty subscriber's",
                share >= RATE_SHARE_MIN if not limit else None,
                limit,
            ),
        ]

    def _weigh(self, url: str, watched: Monitor) -> Row:
        """Weigh the monitor before and after it knows every reading of every door."""
        doors = self._size.parked * len(self._alder.doors)
        states: dict[bytes, bool] = {}

        def note(topic: bytes, payload: bytes) -> None:
            states[topic] = b'"state":"unknown"' not in payload

        with Load(url) as load:
            load.listen(f"sillwatch/v1/door/{self._site.name}/#", note, qos=0)
            before = watched.resident_kb()
            load.push(
                park(self._alder, self._site.name, self._size.parked, time.perf_counter),
                watched,
                outstanding_max=GENTLE_MAX,
            )
            load.wait_until(lambda: len(states) == doors and all(states.values()), f"{doors} doors' documents")
            after = watched.resident_kb()
        kb = (after - before) / doors
        return Row(
            f"resident memory a door, {doors:,} doors",
            f"{kb:.1f} kB",
            f"{before / 1024:.0f} to {after / 1024:.0f} MB",
            f"at most {DOOR_KB_MAX:g} kB",
            kb <= DOOR_KB_MAX,
        )


def _take(traffic: Traffic, rate: int, count: int) -> list[Sent]:
    """Make the messages beforehand, so that the sender has only to stamp them."""
    return [traffic.next(each) for each in repeat(rate, count)]


def _mean(numbers: Iterable[float]) -> float:
    known = list(numbers)
    return sum(known) / len(known)


def _show_rate(rounds: list[Pushed]) -> str:
    return f"{_mean(each.per_s for each in rounds):,.0f} messages/s"


def _show_cpu(rounds: list[Pushed]) -> str:
    """Say what a message costs, and how much of one core that was at this rate."""
    known = [(each.cpu_us, each.per_s) for each in rounds if each.cpu_us is not None]
    if not known:
        return "processor time unknown"
    cost_us = _mean(cpu_us for cpu_us, _ in known)
    busy = _mean(cpu_us * per_s for cpu_us, per_s in known) / 1e6
    return f"{cost_us:.0f} µs of processor time each, {busy:.0%} of a core"


def _show_left_out(rounds: list[Pushed]) -> str:
    """Say what share was overtaken by newer readings while it waited, or had to go, and so is not in the rate."""
    share = _mean(each.left_out for each in rounds)
    return f"; {share:.0%} left out by rule beside these" if share else ""


def _find_limit(rounds: list[Pushed]) -> str:
    """Tell whether the yardstick was held back by something else than itself: its share then tells nothing."""
    busy = [each.cpu_us * each.per_s / 1e6 for each in rounds if each.cpu_us is not None]
    return "" if not busy or _mean(busy) >= BUSY_MIN else "the empty subscriber was kept waiting"


def _find_raised(topic: bytes, payload: bytes) -> bytes | None:
    """Name the door of an event that raises its alert, for the first time or again."""
    if b'"sillwatch.alert.raised"' in payload or b'"sillwatch.alert.reraised"' in payload:
        return b"/".join(topic.split(b"/")[4:6])
    return None


def _latency_rows(rate: int, aircraft: int, echo: Spread, alert: Spread) -> list[Row]:
    holds = echo.p99_ms <= ECHO_MS_MAX
    later_ms = alert.p99_ms - echo.p99_ms
    ratios = f"{alert.median_ms / echo.median_ms:.1f} and {alert.p99_ms / echo.p99_ms:.1f} times"
    return [
        Row(f"bare echo at {rate:,} messages/s", _show(echo), f"{echo.samples:,} samples"),
        Row(
            f"sensor to alert at {rate:,} messages/s, {aircraft} aircraft",
            _show(alert),
            f"{alert.samples:,} samples; p99 {later_ms:+.2f} ms, {ratios} the echo's",
            f"p99 within {LATER_MS_MAX:g} ms of the echo's",
            later_ms <= LATER_MS_MAX if holds else None,
            "" if holds else "the broker alone falls behind",
        ),
    ]


def _show(spread: Spread) -> str:
    return f"median {spread.median_ms:.2f} ms, p99 {spread.p99_ms:.2f} ms ({spread.sent_per_s:,.0f}/s sent)"


def write_table(rows: list[Row]) -> str:
    """Write the rows under one another, in columns as wide as they need."""
    lines = [("what", "figure", "beside it", "aim", "")]
    words = {True: "met", False: "not met"}
    lines += [
        (row.what, row.figure, row.beside, row.aim, row.why_untold if row.met is None else words[row.met])
        for row in rows
    ]
    widths = [max(len(line[column]) for line in lines) for column in range(5)]
    return "\n".join(
        "  ".join(f"{cell:<{width}}" for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines
    )


def bench(
    quick: Annotated[
        bool, typer.Option("--quick", help="Small counts: tries the bench itself, measures little.")
    ] = False,
    store: Annotated[
        Path | None,
        typer.Option(
            help="The folder for the broker's messages. Default: one in memory where the system has it, so that "
            "the broker's disk is not what is measured; the journal is on the disk in any case."
        ),
    ] = None,
    broker: Annotated[Broker, typer.Option(help="The broker to start and measure over.")] = Broker.NATS_SERVER,
) -> None:
    """Measure messages per second, the time from message to alert, and memory, beside a bare broker and client."""
    began = time.monotonic()
    if store is None and os.access(MEMORY_FOLDER, os.W_OK):
        store = MEMORY_FOLDER
    site = load(default_config_path(), environment={}).site
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    # The collector would stop the sender at times of its own choosing.
    gc.disable()
    try:
        print(
            f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, "
            f"{platform.python_implementation()} {platform.python_version()}, {broker_version(broker.value)} "
            f"with its store in {store or tempfile.gettempdir()}, "
            f"load {os.getloadavg()[0]:.1f} before the start",
            flush=True,
        )
        with (
            tempfile.TemporaryDirectory(prefix="sillwatch-bench-") as folder,
            tempfile.TemporaryDirectory(prefix="sillwatch-bench-", dir=store) as kept,
        ):
            rows = Bench(QUICK if quick else FULL, site, Path(folder), Path(kept), broker, _tell).run()
    except (BrokerError, LoadError, ProcessError, WireError, OSError) as error:
        print(f"bench: {error}", file=sys.stderr)
        raise typer.Exit(1) from None
    print(write_table(rows))
    print(f"measured in {time.monotonic() - began:.0f} s")


def _tell(what: str) -> None:
    print(f"  {what} …", file=sys.stderr, flush=True)


if __name__ == "__main__":
    typer.run(bench)
