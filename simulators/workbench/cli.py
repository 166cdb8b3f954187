"""The ``bench`` command.

Owns the flags, the exit codes (0 done, 1 failed, 2 wrong use) and what is said on stderr.
"""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from monitor.adapters.wire_topics import is_name, is_registration
from monitor.cli import fail, load_config, run_until_signal
from monitor.config import Config
from monitor.config.http_file import is_loopback
from monitor.ports import InstanceError
from simulators.rig import broker_address, wall_clock
from simulators.workbench.session import Session

if TYPE_CHECKING:
    from simulators.workbench.bench import Bench

HTTP: Final = "127.0.0.1:8090"
_HTTP: Final = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[^:\[\]]+):([0-9]{1,5})")


def register(app: typer.Typer) -> None:
    """Add ``bench`` to ``app``."""
    app.command("bench")(bench)


def bench(
    broker: Annotated[
        str | None, typer.Option("--broker", help="The broker's address; default: the configuration's.")
    ] = None,
    http: Annotated[str, typer.Option("--http", help="Where to serve the page, on loopback.")] = HTTP,
    aircraft: Annotated[str, typer.Option("--aircraft", help="The simulated aircraft's registration.")] = "ZZ-RIG",
    type_name: Annotated[str, typer.Option("--type", help="Its type, one of the site's.")] = "alder",
    stand: Annotated[str, typer.Option("--stand", help="Where it stands.")] = "S16",
    seed: Annotated[
        int, typer.Option("--seed", envvar="SILLWATCH_SEED", min=0, help="Where all chance comes from.")
    ] = 1,
    config: Annotated[
        Path | None, typer.Option("--config", envvar="SILLWATCH_CONFIG", help="The site; default: the demo's.")
    ] = None,
    clear: Annotated[bool, typer.Option("--clear", help="Withdraw every retained reading at the end.")] = False,
) -> None:
    """Work the doors of one simulated aircraft by hand, from a page in the browser.

    It publishes ordinary readings, so that it drives a real monitor; nothing is sent before
    somebody begins on the page. Everything is marked as simulated.
    """
    host, port = _parse_http(http)
    settings = load_config(config, {"broker": broker})
    _check(settings, aircraft, type_name, stand)
    session = Session(settings.site, reg=aircraft, type_name=type_name, stand=stand, seed=seed, start_us=wall_clock())
    run_until_signal(lambda stop: _serve(settings, session, host, port, clear, stop))


def _parse_http(text: str) -> tuple[str, int]:
    found = _HTTP.fullmatch(text)
    if found is None or int(found[2]) > 0xFFFF:
        fail(f"bench: --http {text!r} is not an address; write {HTTP}", 2)
    host = found[1].strip("[]")
    if not is_loopback(host):
        fail(
            f"bench: --http {text} can be reached from elsewhere, and whoever reaches the bench works its doors; "
            f"it listens on loopback alone. From another machine open a tunnel, "
            f"`ssh -L {found[2]}:127.0.0.1:{found[2]} THIS-MACHINE`, and http://127.0.0.1:{found[2]}/ there",
            2,
        )
    return host, int(found[2])


def _check(settings: Config, aircraft: str, type_name: str, stand: str) -> None:
    types = settings.site.types
    if type_name not in types:
        fail(f"bench: --type {type_name!r} is not a type of {settings.site.name}; one of {', '.join(sorted(types))}", 2)
    if not is_registration(aircraft):
        fail(f"bench: --aircraft {aircraft!r} is no registration; 2 to 10 of A–Z 0–9 -, such as ZZ-RIG", 2)
    if not is_name(stand):
        fail(f"bench: --stand {stand!r} is no stand's name; 1 to 32 of A–Z a–z 0–9 _ -, such as S16", 2)


async def _serve(settings: Config, session: Session, host: str, port: int, clear: bool, stop: asyncio.Event) -> None:
    # The web server's parts take a second to import: only those who run them wait for it.
    from simulators.workbench.bench import Bench

    try:
        address = broker_address(settings.broker)
    except ValueError as error:
        raise InstanceError(f"bench: {error}") from None
    work = Bench(session, address, ca_file=settings.broker.ca_file, clear=clear)
    async with serving(work, host, port) as url:
        typer.echo(f"bench: {url}/ ({session.reg}, simulated; Ctrl-C ends it)", err=True)
        await work.run(stop)


class serving:  # noqa: N801 - used as a context manager, like a function
    """Serve a bench's page for as long as the block runs; gives its address, raises :class:`InstanceError`."""

    def __init__(self, bench: Bench, host: str, port: int) -> None:
        from simulators.workbench.app import MissingPageError, build_app, read_page
        from simulators.workbench.server import PageServer

        try:
            self._server = PageServer(build_app(bench, read_page()), host, port)
        except MissingPageError as error:
            raise InstanceError(str(error)) from None
        self._bench = bench

    async def __aenter__(self) -> str:
        from monitor.adapters.web import ListenError

        try:
            return await self._server.start()
        except ListenError as error:
            raise InstanceError(str(error)) from None

    async def __aexit__(self, *_: object) -> None:
        self._bench.picture.end()
        await self._server.stop()
