"""The ``sillwatch`` command.

Owns flags, exit codes (0 done, 1 failed, 2 wrong use or wrong config) and what is said on
stdout and stderr. Everything else is done by what it calls; commands of other packages
come in through the entry point group ``sillwatch.commands``.
"""

from __future__ import annotations

import asyncio
import logging
import signal
import sys
from collections.abc import Callable, Coroutine
from importlib.metadata import entry_points
from pathlib import Path
from typing import Annotated, Any, Final, NoReturn

import structlog
import typer

from monitor import __version__, auditing
from monitor.adapters.access import commands as access
from monitor.adapters.notify import command as deliveries
from monitor.config import Config, ConfigError, default_config_path, load
from monitor.config import check as check_config
from monitor.config.secret_files import find_unfit_secrets, list_broker_secrets, list_notify_secrets
from monitor.core.rules import known_parameters
from monitor.debrief import commands as reports
from monitor.ports import InstanceError
from monitor.recording import commands as recording
from monitor.trial import commands as trial

app: Final = typer.Typer(
    help="Live door states, hazards and answers for aircraft on the ground. Advisory only: it does not replace "
    "the crew's own look at the door, the aircraft's manuals or local rules.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
access.register(app)
recording.register(app)
trial.register(app)
reports.register(app)
app.add_typer(auditing.app, name="audit")
app.add_typer(deliveries.app, name="deliveries")

_WrongUse: Final[Any] = typer.BadParameter.__mro__[2]
"""What the parser raises for wrong use; it has no public name in typer."""

Serve = Callable[[asyncio.Event], Coroutine[Any, Any, None]]

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", envvar="SILLWATCH_CONFIG", help="The config file; default: the demo's."),
]


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"sillwatch {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Say the version and end.")
    ] = False,
) -> None:
    pass


@app.command()
def run(
    config: ConfigOption = None,
    broker: Annotated[str | None, typer.Option(help="The MQTT broker, such as mqtt://127.0.0.1:1883.")] = None,
    http: Annotated[str | None, typer.Option(help="Where to serve the page, such as 127.0.0.1:8080.")] = None,
    data: Annotated[Path | None, typer.Option(help="The folder of the journal.")] = None,
) -> None:
    """Watch the aircraft of one site: readings in from a broker, alerts out, the page on HTTP.

    Every 10 s it proves itself: a handle of nobody's aircraft lifts and has to get through to the page.
    Under systemd it says when it is ready, and pats its watchdog while it works.
    """
    # The web server's parts take a second to import: only those who run them wait for it.
    from monitor.wiring import run_instance

    settings = load_config(config, {"broker": broker, "http": http, "data": None if data is None else str(data)})
    run_until_signal(
        lambda stop: run_instance(settings, stop, lambda url: typer.echo(f"serving {url}", err=True)),
    )


@app.command()
def check(config: ConfigOption = None) -> None:
    """Say what is wrong in a config file: where, and what would be right."""
    path = config or default_config_path()
    problems = check_config(path, known=known_parameters())
    if problems:
        fail("\n".join(str(problem) for problem in problems), 2)
    settings = load(path, known=known_parameters())
    site = settings.site
    typer.echo(f"{path}: fine: site {site.name}, {len(site.stands)} stands, types {', '.join(sorted(site.types))}")
    secrets = [*list_broker_secrets(settings.broker), *list_notify_secrets(settings.notify)]
    for told in (*find_unfit_secrets(secrets), *access.find_exposure(settings.data.directory, settings.http)):
        typer.echo(f"{path}: {told}", err=True)


def set_up_log() -> None:
    """Log one line an event to stderr: time, level, what, and key=value."""
    levelled: list[structlog.typing.Processor] = [structlog.processors.add_log_level]
    written: list[structlog.typing.Processor] = [
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        structlog.processors.LogfmtRenderer(key_order=["timestamp", "level", "event", "action"]),
    ]
    structlog.configure(processors=[*levelled, *written], logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    # What is told by the standard library's loggers, the server's and our own, comes out the same.
    others = logging.StreamHandler(sys.stderr)
    others.setLevel(logging.WARNING)
    others.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*levelled, structlog.stdlib.ExtraAdder(allow={"action"})],
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *written],
        )
    )
    logging.lastResort = others


def load_config(path: Path | None, overrides: dict[str, Any]) -> Config:
    """Load the config or end with 2 and one line for each thing that is wrong."""
    try:
        return load(path or default_config_path(), overrides=overrides, known=known_parameters())
    except ConfigError as error:
        fail(str(error), 2)


def fail(message: str, code: int) -> NoReturn:
    """Say what went wrong on stderr and end with ``code``."""
    typer.echo(message, err=True)
    raise typer.Exit(code)


def run_until_signal(serve: Serve) -> None:
    """Run ``serve(stop)`` until SIGINT or SIGTERM; ends with 1 and one line where it fails."""
    try:
        _run(_serve_until_signal(serve))
    except InstanceError as error:
        fail(f"sillwatch: {error}", 1)


def _run(main: Coroutine[Any, Any, None]) -> None:
    try:
        import uvloop
    except ImportError:
        asyncio.run(main)
    else:
        uvloop.run(main)


async def _serve_until_signal(serve: Serve) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    await serve(stop)


def main() -> None:
    """Run the command line."""
    set_up_log()
    for entry in entry_points(group="sillwatch.commands"):
        entry.load()(app)
    try:
        code = app(standalone_mode=False)
    except _WrongUse as error:
        context = getattr(error, "ctx", None)
        path = context.command_path if context is not None else "sillwatch"
        message = error.format_message()
        # With no command at all the message is the whole help.
        typer.echo(message if "\n" in message else f"{path}: {message} ({path} --help says more)", err=True)
        sys.exit(error.exit_code)
    except typer.Abort:
        sys.exit(1)
    sys.exit(code if isinstance(code, int) else 0)
