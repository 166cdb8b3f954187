"""The ``simulate`` command.

Owns the flags, the exit codes (0 done, 1 failed, 2 wrong use) and what is said on
stderr. Everything else is done by the modules it calls.
"""

from __future__ import annotations

import asyncio
import signal
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final, NamedTuple

import typer

from monitor.adapters.capture import write_clock, write_line
from monitor.adapters.mqtt_settings import BrokerAddress, parse_broker_url
from monitor.config import Broker, ConfigError, default_config_path, load
from monitor.core.airframe import Site
from monitor.core.times import SECOND
from monitor.ports import Message
from simulators.durations import parse_duration
from simulators.rig import RigError, run_rig, wall_clock, wire_end
from simulators.scenario import Scenario, find_scenario, load_scenario, shipped_scenarios

SPEED_MIN: Final = 0.5
SPEED_MAX: Final = 60.0

CAPTURE_START: Final = int(datetime(2026, 3, 1, 10, tzinfo=UTC).timestamp()) * SECOND
"""µs; a capture begins at a fixed time, so that one seed gives one file."""

_CAPTURE_DEFAULT_S: Final = 600.0
_PATIENCE_S: Final = 10.0


def register(app: typer.Typer) -> None:
    """Add ``simulate`` to ``app``."""
    app.command("simulate")(simulate)


def simulate(
    scenario: Annotated[str | None, typer.Argument(help="A shipped scenario's name, or the path of a file.")] = None,
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
    listing: Annotated[bool, typer.Option("--list", help="List the shipped scenarios and end.")] = False,
) -> None:
    """Play simulated aircraft to a broker, or write them as a capture."""
    try:
        settings = load(config or default_config_path(), overrides={"broker": broker})
        site = settings.site
        if listing:
            _list(site)
            return
        if scenario is None:
            raise _UsageError("says no scenario; give a shipped one's name (--list shows them) or a file's path")
        played = load_scenario(find_scenario(scenario), site)
        end_s = parse_duration(duration) if duration is not None else played.end_s
        _check_speed(speed)
        address = _address(settings.broker)
    except ConfigError as error:
        raise _failed(str(error), 2) from None
    except ValueError as error:
        raise _failed(f"simulate: {error}", 2) from None
    if capture is not None:
        _write_capture(capture, played, site, seed, speed, _CAPTURE_DEFAULT_S if end_s is None else end_s)
    else:
        take = _Take(address, settings.broker.ca_file, played, site, seed, speed, end_s, clear)
        try:
            asyncio.run(_run(take))
        except RigError as error:
            raise _failed(f"simulate: {error}; start a broker there, or give another with --broker", 1) from None


class _UsageError(ValueError):
    """The command was not used as it should be."""


def _failed(message: str, code: int) -> typer.Exit:
    typer.echo(message, err=True)
    return typer.Exit(code)


def _check_speed(speed: float) -> None:
    if not SPEED_MIN <= speed <= SPEED_MAX:
        raise _UsageError(f"--speed {speed:g} is out of range; give a number from {SPEED_MIN:g} to {SPEED_MAX:g}")


def _address(broker: Broker) -> BrokerAddress:
    address = parse_broker_url(broker.url)
    if broker.user is not None:
        address = replace(address, username=broker.user)
    if broker.password_file is not None:
        try:
            lines = Path(broker.password_file).read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            raise _UsageError(f"{broker.password_file} cannot be read; give a file with the password in it") from None
        address = replace(address, password=lines[0] if lines else "")
    return address


def _list(site: Site) -> None:
    paths = shipped_scenarios()
    width = max(len(path.stem) for path in paths)
    for path in paths:
        typer.echo(f"{path.stem:<{width}}  {load_scenario(path, site).about}")


def _write_capture(path: Path, played: Scenario, site: Site, seed: int | None, speed: float, end_s: float) -> None:
    end_us = wire_end(CAPTURE_START, end_s, speed)
    apron = played.apron(site, CAPTURE_START, seed=seed, speed=speed)
    try:
        with path.open("wb") as file:
            for at in range(CAPTURE_START, end_us + SECOND, SECOND):
                for sent in apron.advance(min(at, end_us)):
                    file.write(write_line(sent.at_us, Message(sent.topic, sent.payload, sent.retain)))
            file.write(write_clock(end_us))
    except OSError as error:
        raise _failed(f"{path}: cannot be written ({error.strerror or error}); give another path", 1) from None


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


async def _run(take: _Take) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
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
