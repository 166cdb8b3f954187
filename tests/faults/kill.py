"""A monitor that is killed at random moments under load, and what is then left of the truth.

    python -m tests.faults.kill --cycles 200 --seed 7 [--broker mosquitto]

One broker and one sender stay up throughout; the monitor on them is killed with ``kill -9``
and started again, cycle after cycle. In the end three records are held against what was
sent: the journal, what a subscriber heard, and how the doors and alerts stand. Owns the
cycles and the comparison.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import httpx

from monitor.adapters.journal_rows import AGAIN
from monitor.adapters.journal_store import JOURNAL_FILE
from monitor.core.times import format_time
from tests.acceptance.programs import (
    SITE,
    START_S,
    Broker,
    Instance,
    MosquittoBroker,
    NatsBroker,
    find_program,
    running_broker,
    until,
)
from tests.faults.load import AIRCRAFT, Load, Recorder
from tests.faults.uninterrupted import Picture, run_through

CODES: Final = ("armed-handle-moved", "lock-disagree")
"""What the load leads to: one judged at once and over at once, one that needs its delay and holds."""

IN_FLIGHT_MAX: Final = 20_000
"""More than ever waits here, so that nothing is left out as overtaken: what comes after an outage is all taken."""
RATE: Final = 15.0
LIFTS_A_CYCLE: Final = 12
AFTER_READY: Final = 120
"""Up to this many messages after it is ready, some seconds, the kill comes; or after the page is up, or the fork."""

SETTLE_S: Final = 3 * START_S
"""The time in which a busy machine takes in what an outage left."""

IDLE_S_MAX: Final = 12.0
"""By then a life takes something in before it is killed: who takes nothing for 30 s has lost its feeds, by the contract,
and tells by another cause what it then finds."""

CLEAN_EVERY: Final = 8
"""Every so many cycles the end is an orderly one, which leaves a snapshot to start from."""

SHOWN: Final = 5

KINDS: Final = ("mosquitto", "nats-server")


@dataclass
class Figures:
    """What a run of kills came to; ``faults`` says what was not as it has to be."""

    seed: int
    cycles: int = 0
    messages: int = 0
    lifts: int = 0
    events: int = 0
    repeats: int = 0
    left_out: int = 0
    again: int = 0
    faults: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        return (
            f"seed {self.seed}: {self.cycles} kills, {self.messages} messages acknowledged to their sender,"
            f" {self.left_out} beats and quantities left out as overtaken,"
            f" {self.again} first taken when delivered again,"
            f" {self.lifts} handles lifted, {self.events} events due, {self.repeats} told again,"
            f" {len(self.faults)} faults"
        )


def kill_and_compare(broker: Broker, folder: Path, *, cycles: int, seed: int) -> Figures:
    """Kill a monitor on a running broker so many times; returns what that came to."""
    chance = random.Random(seed)
    figures = Figures(seed)
    instance = Instance(folder, broker.url, config=_write_config(folder))
    instance.http.close()
    # No connection outlives its question: the next one may be for another process on the same port.
    instance.http = httpx.Client(timeout=START_S, limits=httpx.Limits(max_keepalive_connections=0))
    with contextlib.ExitStack() as stack:
        stack.callback(instance.close)
        recorder: Recorder = stack.enter_context(Recorder(broker.url))
        load: Load = stack.enter_context(Load(broker.url, seed=seed, rate=RATE))
        instance.start()
        load.arrive()
        load.start()
        progress = Progress(instance.data / JOURNAL_FILE)
        while figures.cycles < cycles:
            load.allow_lifts(LIFTS_A_CYCLE)
            load.wait_sent(chance.randint(1, AFTER_READY))
            progress.await_some(instance)
            figures.cycles += 1
            _end(instance, signal.SIGTERM if figures.cycles % CLEAN_EVERY == 0 else signal.SIGKILL)
            _start(instance, load, chance)
        _end(instance, signal.SIGKILL)
        instance.start(ready=False)
        _compare(instance, load, recorder, figures)
    return figures


def _write_config(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    config = folder / "site.yaml"
    site = f"site: {{name: {SITE}, elevation_m: 210, stands: [S11]}}\n"
    config.write_text(f"{site}broker: {{in_flight_max: {IN_FLIGHT_MAX}}}\n", encoding="utf-8")
    return config


class Progress:
    """Up to where a journal has taken deliveries in, and since when it stands there."""

    def __init__(self, journal: Path) -> None:
        self._journal = journal
        self._position = 0
        self._since = time.monotonic()

    def _has_grown(self) -> bool:
        with contextlib.closing(sqlite3.connect(f"file:{self._journal}?mode=ro", uri=True)) as connection:
            row = connection.execute("SELECT max(position) FROM inputs WHERE kind IS NULL").fetchone()
        grown = int(row[0] or 0) > self._position
        if grown:
            self._position, self._since = int(row[0]), time.monotonic()
        return grown

    def await_some(self, instance: Instance) -> None:
        """Wait for a delivery to be taken in where none was for a while."""
        if not self._has_grown() and time.monotonic() > self._since + IDLE_S_MAX:
            program = instance.running
            until(self._has_grown, lambda: f"something taken in: {program.err}", deadline_s=SETTLE_S)


def _start(instance: Instance, load: Load, chance: random.Random) -> None:
    """Start it, and once in four times kill it while it still starts."""
    while chance.random() < 0.25:
        load.wait_sent(chance.randint(1, 40))
        instance.launch()
        load.wait_sent(chance.randint(1, AFTER_READY))
        _end(instance, signal.SIGKILL)
    program = instance.launch()
    word = "broker connected" if chance.random() < 0.75 else "serving http"
    until(lambda: word in program.err or not program.running, lambda: f"{word}: {program.err}", deadline_s=SETTLE_S)


def _end(instance: Instance, number: signal.Signals) -> None:
    program = instance.running
    assert program.running, f"it ended by itself: {program.err}"
    program.end(number)


def _compare(instance: Instance, load: Load, recorder: Recorder, figures: Figures) -> None:
    """Hold the journal, the subscriber's record and the standing picture against what was sent."""
    faults = figures.faults
    sent = load.calm()
    due = run_through(sent, AIRCRAFT)
    due_ids = due.ids(CODES)
    figures.messages, figures.lifts, figures.events = len(sent), load.lifts, len(due_ids)
    journal = instance.data / JOURNAL_FILE
    everything = {(each.topic, each.payload) for each in sent}
    wanted = {(each.topic, each.payload) for each in sent if not each.may_be_left_out}
    assert len(everything) == len(sent), "no two messages are the same"

    def settled() -> bool:
        return wanted <= _inputs(journal).keys() and due_ids <= _event_ids(journal) and due_ids <= recorder.ids(CODES)

    with contextlib.suppress(AssertionError):  # what is missing is told below, one record after the other
        until(settled, "everything on record", deadline_s=SETTLE_S, look_s=0.25)
    inputs = _inputs(journal)
    _tell(faults, "messages that are not in the journal", len([key for key in wanted if key not in inputs]))
    _tell(faults, "messages more than once in the journal", len([key for key in everything if inputs[key] > 1]))
    figures.again = _count_again(journal)
    figures.left_out = len([key for key in everything if key not in inputs])
    held, heard = _event_ids(journal), recorder.ids(CODES)
    _tell(faults, "events due but not in the journal", len(due_ids - held))
    for event in [event for event in due.events if event.id in due_ids - held][:SHOWN]:
        faults.append(f"  such as {event.type} {event.aircraft}/{event.door}/{event.code} of {format_time(event.time)}")
    _tell(faults, "events in the journal that were not due", len(held - due_ids))
    _tell(faults, "events due but never heard", len(due_ids - heard))
    _tell(faults, "events heard that were not due", len(heard - due_ids))
    count = Counter(event["id"] for event in recorder.events if event["data"]["code"] in CODES)
    figures.repeats = sum(count.values()) - len(count)
    found = _picture(instance)
    _tell_differences(faults, "door", found.doors, due.end.doors)
    # Not the feed, an overload, what lingers by the clock: no word of what was sent.
    was, should = (
        {place: each[place] for place in each if place[-1] in CODES} for each in (found.alerts, due.end.alerts)
    )
    _tell_differences(faults, "alert", was, should)


def _tell_differences(faults: list[str], what: str, was: Mapping[Any, object], should: Mapping[Any, object]) -> None:
    faults += [
        f"{what} {'/'.join(place)}: {was.get(place)}, uninterrupted {should.get(place)}"
        for place in sorted(was.keys() | should.keys())
        if was.get(place) != should.get(place)
    ]


def _tell(faults: list[str], what: str, count: int) -> None:
    if count:
        faults.append(f"{what}: {count}")


def _inputs(journal: Path) -> Counter[tuple[str, bytes]]:
    """How often each delivery stands in the journal."""
    with contextlib.closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as connection:
        rows = connection.execute(
            "SELECT name, payload FROM inputs JOIN topics ON topics.id = inputs.topic WHERE kind IS NULL"
        )
        return Counter((str(topic), bytes(payload)) for topic, payload in rows)


def _count_again(journal: Path) -> int:
    """How many deliveries say that they were made before, and are on record all the same: we never had them."""
    with contextlib.closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as connection:
        return int(connection.execute("SELECT count(*) FROM inputs WHERE retained = ?", (AGAIN,)).fetchone()[0])


def _event_ids(journal: Path) -> set[str]:
    with contextlib.closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as connection:
        rows = connection.execute("SELECT id, code FROM events WHERE type <> 'reraised'")
        return {str(identity) for identity, code in rows if code in CODES}


def _picture(instance: Instance) -> Picture:
    """How it stands by the monitor's own answers."""
    doors = {
        (reg, name): (document["state"], document["slide"])
        for reg in AIRCRAFT
        for name, document in instance.ask(f"/api/v1/aircraft/{reg}")["doors"].items()
    }
    alerts = {
        (alert["aircraft"], alert["door"], alert["code"]): (alert["alert_id"], alert["state"], alert["priority"])
        for alert in instance.list_all("/api/v1/alerts")
    }
    return Picture(doors, alerts)


def make_broker(kind: str, folder: Path) -> Broker:
    """A broker by its program's name; raises ``LookupError`` where it is not installed."""
    if kind == "nats-server":
        return NatsBroker(folder)
    program = find_program(kind)
    if program is None:
        raise LookupError(f"{kind} is not installed")
    return MosquittoBroker(folder, program)


def main(arguments: list[str] | None = None) -> int:
    """Run the cycles on each broker in turn; 1 where anything was lost, doubled or changed."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.kill", description=__doc__.splitlines()[0])
    parser.add_argument("--cycles", type=int, default=200, help="kills on all brokers together")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--broker", choices=KINDS, help="only this one")
    chosen = parser.parse_args(arguments)
    kinds = (chosen.broker,) if chosen.broker else KINDS
    failed = False
    for number, kind in enumerate(kinds):
        cycles = (chosen.cycles + len(kinds) - 1 - number) // len(kinds)
        with tempfile.TemporaryDirectory(prefix="sillwatch-kill-") as name:
            folder = Path(name)
            with running_broker(make_broker(kind, folder / "broker")) as broker:
                figures = kill_and_compare(broker, folder / "monitor", cycles=cycles, seed=chosen.seed)
        print(f"kill {kind}: {figures}", flush=True)
        for fault in figures.faults:
            print(f"  {fault}", flush=True)
        failed = failed or bool(figures.faults)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
