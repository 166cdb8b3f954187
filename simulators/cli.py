"""The ``simulate`` command.

Owns the flags, the exit codes (0 done, 1 failed, 2 wrong use) and what is said on
stdout and stderr. Everything else is done by the modules it calls.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from typing import Annotated, Any, Final, NamedTuple, TypeVar

import orjson
import typer

from monitor.adapters.capture import write_clock, write_line
from monitor.adapters.mqtt_settings import BrokerAddress
from monitor.config import Config, ConfigError, default_config_path, load
from monitor.core.airframe import Site
from monitor.core.times import SECOND
from monitor.ports import Message
from simulators.durations import parse_duration
from simulators.expectation_play import START, length_of, play_expected
from simulators.expectation_table import describe_played, tell_played
from simulators.load import LoadRun, check_load, describe_load, run_load, tell_load, write_load
from simulators.load_traffic import LoadTraffic
from simulators.load_wire import SenderError
from simulators.progress import follow
from simulators.rig import RigError, broker_address, run_rig, wall_clock, wire_end
from simulators.scenario import Scenario, find_scenario, load_scenario, shipped_scenarios
from simulators.scenario_list import describe_scenario, list_scenarios

SPEED_MIN: Final = 0.5
SPEED_MAX: Final = 60.0

LOAD: Final = "load"
"""The word that stands for many aircraft at a steady rate, where a scenario's name would stand."""

_CAPTURE_DEFAULT_S: Final = 600.0
_LOAD_CAPTURE_DEFAULT_S: Final = 60.0
_AIRCRAFT_DEFAULT: Final = 100
_RATE_DEFAULT: Final = 500.0
_SEED_DEFAULT: Final = 1
_PATIENCE_S: Final = 10.0


Result = TypeVar("Result")


class _Asked(NamedTuple):
    """Everything that was asked for on the command line."""

    scenario: str | None
    broker: str | None
    speed: float
    seed: int | None
    seconds: float | None
    capture: Path | None
    clear: bool
    expect: bool
    json: bool
    aircraft: int | None
    rate: float | None


def register(app: typer.Typer) -> None:
    """Add ``simulate`` to ``app``."""
    app.command("simulate")(simulate)


def simulate(
    scenario: Annotated[
        str | None,
        typer.Argument(help="A shipped scenario's name, the path of a file, or 'load' for many aircraft at a rate."),
    ] = None,
    broker: Annotated[
        str | None, typer.Option("--broker", help="The broker's address; default: the configuration's.")
    ] = None,
    speed: Annotated[
        float,
        typer.Option("--speed", envvar="SILLWATCH_SPEED", help="Simulated seconds in a second of real time."),
    ] = 1.0,
    seed: Annotated[
        int | None, typer.Option("--seed", envvar="SILLWATCH_SEED", min=0, help="Where all chance comes from.")
    ] = None,
    duration: Annotated[
        str | None, typer.Option("--duration", help="End after this much simulated time, such as 90s or 10min.")
    ] = None,
    capture: Annotated[
        Path | None, typer.Option("--capture", help="Write a capture to this file instead of publishing.")
    ] = None,
    config: Annotated[
        Path | None, typer.Option("--config", envvar="SILLWATCH_CONFIG", help="The site; default: the demo's.")
    ] = None,
    clear: Annotated[bool, typer.Option("--clear", help="Withdraw every retained reading at the end.")] = False,
    expect: Annotated[
        bool,
        typer.Option("--expect", help="Play it offline through the monitor's core and say what was raised in time."),
    ] = False,
    aircraft: Annotated[
        int | None, typer.Option("--aircraft", help=f"With load: how many; default: {_AIRCRAFT_DEFAULT}.")
    ] = None,
    rate: Annotated[
        float | None, typer.Option("--rate", help=f"With load: messages a second; default: {_RATE_DEFAULT:g}.")
    ] = None,
    listing: Annotated[bool, typer.Option("--list", help="List the shipped scenarios and end.")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="With --list, --expect or load: write JSON instead of text.")
    ] = False,
) -> None:
    """Play simulated aircraft to a broker, hold the monitor to what a scenario expects, or write a capture."""
    try:
        settings = load(config or default_config_path(), overrides={"broker": broker})
        if listing:
            _list(settings.site, as_json=as_json)
            return
        seconds = None if duration is None else parse_duration(duration)
        asked = _Asked(scenario, broker, speed, seed, seconds, capture, clear, expect, as_json, aircraft, rate)
        act = _decide(asked, settings)
    except ConfigError as error:
        raise _failed(str(error), 2) from None
    except ValueError as error:
        raise _failed(f"simulate: {error}", 2) from None
    act()


class _UsageError(ValueError):
    """The command was not used as it should be."""


def _failed(message: str, code: int) -> typer.Exit:
    typer.echo(message, err=True)
    return typer.Exit(code)


def _decide(asked: _Asked, settings: Config) -> Callable[[], None]:
    """Check what was asked for and return what does it."""
    if not SPEED_MIN <= asked.speed <= SPEED_MAX:
        raise _UsageError(f"--speed {asked.speed:g} is out of range; give a number from {SPEED_MIN:g} to {SPEED_MAX:g}")
    if asked.scenario == LOAD:
        return _decide_load(asked, settings)
    for flag, given in (("--aircraft", asked.aircraft), ("--rate", asked.rate)):
        if given is not None:
            raise _UsageError(f"{flag} goes with load; write simulate load {flag} {given:g}")
    if asked.scenario is None:
        raise _UsageError("says no scenario; give a shipped one's name (--list shows them) or a file's path")
    played = load_scenario(find_scenario(asked.scenario), settings.site)
    if asked.expect:
        return _decide_expect(asked, played, settings.site)
    if asked.json:
        raise _UsageError("--json goes with --list, --expect or load; add one of them or leave it out")
    end_s = played.end_s if asked.seconds is None else asked.seconds
    if asked.capture is not None:
        path, length_s = asked.capture, _CAPTURE_DEFAULT_S if end_s is None else end_s
        return lambda: _write_capture(path, played, settings.site, asked.seed, asked.speed, length_s)
    take = _Take(
        *(broker_address(settings.broker), settings.broker.ca_file, played, settings.site),
        *(asked.seed, asked.speed, end_s, asked.clear),
    )
    return lambda: _publish(take)


def _list(site: Site, *, as_json: bool) -> None:
    scenarios = [load_scenario(path, site) for path in shipped_scenarios()]
    if as_json:
        _write_json([describe_scenario(scenario) for scenario in scenarios])
        return
    for line in list_scenarios(scenarios):
        typer.echo(line)


def _write_json(document: object) -> None:
    typer.echo(orjson.dumps(document, option=orjson.OPT_INDENT_2).decode())


# Held to what it expects


def _decide_expect(asked: _Asked, played: Scenario, site: Site) -> Callable[[], None]:
    spoilt = {
        "--broker": asked.broker,
        "--capture": asked.capture,
        "--clear": asked.clear,
        "--duration": asked.seconds,
        "--speed": asked.speed != 1.0,
    }
    for flag, given in spoilt.items():
        if given not in (None, False):
            raise _UsageError(f"--expect plays the whole scenario offline, at no pace; leave out {flag}")
    if not played.expectations.some:
        raise _UsageError(f"{played.name} expects nothing; add expect: with an alert, or only_expected: true")
    return lambda: _expect(played, site, asked.seed, as_json=asked.json)


def _expect(played: Scenario, site: Site, seed: int | None, *, as_json: bool) -> None:
    with follow(played.name, length_of(played)) as progress:
        outcome = play_expected(played, site, seed=seed, progress=progress)
    if as_json:
        _write_json(describe_played(outcome))
    else:
        typer.echo(tell_played(outcome))
    if not outcome.judgement.passed:
        raise typer.Exit(1)


# Played


def _write_capture(path: Path, played: Scenario, site: Site, seed: int | None, speed: float, end_s: float) -> None:
    end_us = wire_end(START, end_s, speed)
    apron = played.apron(site, START, seed=seed, speed=speed)
    with _writing(path), path.open("wb") as file, follow(path.name, end_s / speed) as progress:
        for at in range(START, end_us + SECOND, SECOND):
            progress((at - START) / SECOND, "")
            for sent in apron.advance(min(at, end_us)):
                # As a subscriber receives it that was there all along: without the retain flag.
                file.write(write_line(sent.at_us, Message(sent.topic, sent.payload, retained=False)))
        file.write(write_clock(end_us))


@contextlib.contextmanager
def _writing(path: Path) -> Iterator[None]:
    """Say in one line why a file is not written, or not to its end."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    except OSError as error:
        raise _failed(f"{path}: cannot be written ({error.strerror or error}); give another path", 1) from None
    except KeyboardInterrupt:
        typer.echo(f"{path}: stopped before its end; what it holds can be replayed", err=True)
        raise
    finally:
        signal.signal(signal.SIGTERM, before)


class _Take(NamedTuple):
    """Everything that one run needs."""

    address: BrokerAddress
    ca_file: Path | None
    played: Scenario
    site: Site
    seed: int | None
    speed: float
    end_s: float | None
    clear: bool


def _publish(take: _Take) -> None:
    try:
        _run_until_signal(lambda stop: _play(take, stop))
    except RigError as error:
        raise _failed(f"simulate: {error}; start a broker there, or give another with --broker", 1) from None


def _run_until_signal(serve: Callable[[asyncio.Event], Coroutine[Any, Any, Result]]) -> Result:
    async def run() -> Result:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop.set)
        return await serve(stop)

    return asyncio.run(run())


async def _play(take: _Take, stop: asyncio.Event) -> None:
    start, played = wall_clock(), take.played
    apron = played.apron(take.site, start, seed=take.seed, speed=take.speed)
    end = None if take.end_s is None else wire_end(start, take.end_s, take.speed)
    seed = played.seed if take.seed is None else take.seed
    typer.echo(f"{played.name}: {played.about} (seed {seed})", err=True)
    sent = await run_rig(
        apron,
        take.address,
        stop=stop,
        ca_file=take.ca_file,
        until_us=end,
        clear=take.clear,
        patience_s=_PATIENCE_S,
    )
    typer.echo(f"{sent} messages sent", err=True)


# Load


def _decide_load(asked: _Asked, settings: Config) -> Callable[[], None]:
    if asked.expect:
        raise _UsageError("a load expects nothing; leave out --expect")
    if asked.speed != 1.0:
        raise _UsageError("a load has a rate instead of a speed; leave out --speed and give --rate")
    aircraft = _AIRCRAFT_DEFAULT if asked.aircraft is None else asked.aircraft
    rate = _RATE_DEFAULT if asked.rate is None else asked.rate
    check_load(aircraft, rate)
    seed = _SEED_DEFAULT if asked.seed is None else asked.seed
    if asked.capture is not None:
        path = asked.capture
        seconds = _LOAD_CAPTURE_DEFAULT_S if asked.seconds is None else asked.seconds
        return lambda: _write_load(path, LoadTraffic(settings.site, aircraft, rate, seed), rate, seconds)
    address = broker_address(settings.broker)
    return lambda: _load(asked, settings, address, LoadTraffic(settings.site, aircraft, rate, seed), rate, seed)


def _write_load(path: Path, traffic: LoadTraffic, rate: float, seconds: float) -> None:
    with _writing(path):
        written = write_load(path, traffic, rate, START, seconds)
    typer.echo(f"{written:,} messages of {traffic.aircraft} simulated aircraft written to {path}", err=True)


def _load(
    asked: _Asked, settings: Config, address: BrokerAddress, traffic: LoadTraffic, rate: float, seed: int
) -> None:
    async def serve(stop: asyncio.Event) -> LoadRun:
        with follow(f"{traffic.aircraft} simulated aircraft", asked.seconds) as progress:
            return await run_load(
                traffic,
                rate,
                address,
                seed=seed,
                stop=stop,
                seconds=asked.seconds,
                ca_file=settings.broker.ca_file,
                clear=asked.clear,
                progress=progress,
            )

    try:
        run = _run_until_signal(serve)
    except SenderError as error:
        raise _failed(f"simulate load: {error}; start a broker there, or give another with --broker", 1) from None
    if asked.json:
        _write_json(describe_load(run))
    else:
        typer.echo(tell_load(run))
    if not run.kept_up:
        raise typer.Exit(1)
