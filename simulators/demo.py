"""The demo: broker, simulated apron, monitor, board and bench in one process tree.

Owns the order of starting and stopping them and the terminal's live view. Everything it
starts listens on loopback only, and it leaves no process and no file behind.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import structlog
import typer
from rich.console import Console
from rich.live import Live

from monitor.adapters.broker import BrokerError, DefaultBroker
from monitor.adapters.mqtt_settings import parse_broker_url
from monitor.adapters.terminal import draw_site
from monitor.cli import fail, load_config, run_until_signal
from monitor.config import Config
from monitor.core.times import format_time
from monitor.ports import InstanceError
from simulators.apron import Apron
from simulators.rig import run_rig, wall_clock
from simulators.scenario import Scenario, find_scenario, load_scenario
from simulators.workbench.cli import serving
from simulators.workbench.session import Session

if TYPE_CHECKING:
    from monitor.wiring import Instance
    from simulators.workbench.bench import Bench

SPEED_MIN: Final = 0.5
SPEED_MAX: Final = 20.0
_FRAME_S: Final = 0.5
_BENCH_REG: Final = "ZZ-RIG"
_BENCH_TYPE: Final = "alder"
_BENCH_STAND: Final = "S17"
"""A stand that none of the demo's six aircraft has."""


def demo(
    speed: Annotated[
        float, typer.Option(envvar="SILLWATCH_SPEED", help="Simulated seconds in a second of real time.")
    ] = 1.0,
    seed: Annotated[int, typer.Option(envvar="SILLWATCH_SEED", min=0, help="Where all chance comes from.")] = 1,
    http: Annotated[str | None, typer.Option(help="Where to serve the page; default: a free port on loopback.")] = None,
    data: Annotated[
        Path | None, typer.Option(help="Keep the journal in this folder; default: a temporary one.")
    ] = None,
) -> None:
    """Run the whole thing at once: a broker, six simulated aircraft, the monitor and its page."""
    if not SPEED_MIN <= speed <= SPEED_MAX:
        fail(f"demo: --speed {speed:g} is out of range; give a number from {SPEED_MIN:g} to {SPEED_MAX:g}", 2)
    logging.disable(logging.WARNING)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    with tempfile.TemporaryDirectory(prefix="sillwatch-demo-") as scratch:
        folder = Path(scratch) if data is None else data
        # The address is settled before anything starts, so that a mistake in it costs nothing.
        config = load_config(None, {"http": http or "127.0.0.1:0", "data": str(folder)})
        # Reading files takes its time, and nothing may keep the monitor's loop waiting later.
        scenario = load_scenario(find_scenario("apron"), config.site)
        run_until_signal(lambda stop: _serve(config, Path(scratch) / "broker", scenario, speed, seed, stop))


def register(app: typer.Typer) -> None:
    """Add ``demo`` to ``app``."""
    app.command("demo")(demo)


async def _serve(config: Config, store: Path, scenario: Scenario, speed: float, seed: int, stop: asyncio.Event) -> None:
    # Imported here, since every command reads this module and few run an instance.
    from monitor.wiring import Instance

    # Nothing here outlives a power cut anyway; syncing every message would only slow a laptop down.
    broker = DefaultBroker(store, sync_interval="2s")
    try:
        url = await broker.start()
    except BrokerError as error:
        raise InstanceError(str(error)) from None
    try:
        config = replace(config, broker=config.broker.model_copy(update={"url": url}))
        instance = Instance(config)
        page = await instance.start()
        try:
            apron = scenario.apron(config.site, wall_clock(), seed=seed, speed=speed)
            bench = _bench(config, url, seed)
            async with serving(bench, "127.0.0.1", 0) as by_hand:
                await _play(apron, instance, bench, (page, url, by_hand), stop)
        finally:
            await instance.stop()
    finally:
        await broker.stop()


def _bench(config: Config, broker: str, seed: int) -> Bench:
    """Set up the bench; its aircraft comes only once somebody begins on its page."""
    from simulators.workbench.bench import Bench

    session = Session(
        config.site, reg=_BENCH_REG, type_name=_BENCH_TYPE, stand=_BENCH_STAND, seed=seed, start_us=wall_clock()
    )
    return Bench(session, parse_broker_url(broker))


async def _play(
    apron: Apron, instance: Instance, bench: Bench, addresses: tuple[str, str, str], stop: asyncio.Event
) -> None:
    page, broker, by_hand = addresses
    told = (f"page:   {page}/", f"broker: {broker}", f"work a door by hand: {by_hand}/", "Ctrl-C ends it.")
    print(*told, sep="\n", flush=True)
    ending = asyncio.Event()
    rig = asyncio.create_task(_send(apron, instance, broker, ending))
    hands = asyncio.create_task(bench.run(ending))
    view = asyncio.create_task(_show(instance, page, by_hand))
    try:
        await instance.serve(stop)
    finally:
        ending.set()
        view.cancel()
        await asyncio.gather(view, return_exceptions=True)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(asyncio.gather(rig, hands, return_exceptions=True), 1.5)


async def _send(apron: Apron, instance: Instance, broker: str, stop: asyncio.Event) -> None:
    """Play the apron once the monitor hears: what is sent while it subscribes may reach nobody."""
    await instance.heard()
    await run_rig(apron, broker, stop=stop)


async def _show(instance: Instance, page: str, by_hand: str) -> None:
    """Draw the site until cancelled: in place on a terminal, otherwise new alerts line by line.

    On a terminal what was printed before lies hidden, so the addresses are drawn again.
    """
    console = Console(file=sys.stdout)
    if not console.is_terminal:
        await _print_alerts(instance)
        return
    with Live(console=console, auto_refresh=False, screen=True) as live:
        while True:
            desk = instance.desk
            live.update(
                draw_site(
                    clock=f"{format_time(desk.now())[11:19]} UTC",
                    url=f"{page}/  work a door by hand: {by_hand}/",
                    aircraft=desk.list_aircraft(),
                    alerts=desk.alerts(),
                    ready=desk.health()["ready"],
                ),
                refresh=True,
            )
            await asyncio.sleep(_FRAME_S)


async def _print_alerts(instance: Instance) -> None:
    seen: set[str] = set()
    while True:
        for alert in instance.desk.alerts():
            key = f"{alert['alert_id']}{alert['changed_at']}"
            if key not in seen:
                seen.add(key)
                print(
                    f"{alert['changed_at'][11:19]}  {alert['priority']:<8} {alert['state']:<18} "
                    f"{alert['aircraft']}  {alert['text']}",
                    flush=True,
                )
        await asyncio.sleep(_FRAME_S)
