"""What these commands say on the terminal, and with which exit code they end.

Owns the one line on stderr for a failure, the way a configuration is loaded, and the bar
that shows how far long work is. Nothing here goes to stdout.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Annotated, Final, NoReturn

import typer

from monitor.config import Config, ConfigError, default_config_path, load
from monitor.core.rules import known_parameters

WRONG_USE: Final = 2
FAILED: Final = 1

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", envvar="SILLWATCH_CONFIG", help="The config file; default: the demo's."),
]

Tell = Callable[[float | None, str], None]
"""Says how far the work is, 0 to 1 (``None``: nobody knows), and in a few words what was done."""


def say(message: str) -> None:
    """Say a line on stderr."""
    typer.echo(message, err=True)


def fail(message: str, code: int = FAILED) -> NoReturn:
    """Say what went wrong on stderr and end with ``code``."""
    say(message)
    raise typer.Exit(code)


def load_config(path: Path | None, *, broker: str | None = None) -> Config:
    """Load the config or end with 2 and one line for each thing that is wrong."""
    try:
        return load(path or default_config_path(), overrides={"broker": broker}, known=known_parameters())
    except ConfigError as error:
        fail(str(error), WRONG_USE)


@contextlib.contextmanager
def showing_progress(what: str) -> Iterator[Tell]:
    """Show a bar on stderr while the work goes on, where that is a terminal."""
    if not sys.stderr.isatty():
        yield lambda _share, _words: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn(what),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("{task.fields[words]}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=None, words="")

        def tell(share: float | None, words: str) -> None:
            if share is None:
                progress.update(task, words=words)
            else:
                progress.update(task, total=1.0, completed=share, words=words)

        yield tell


@contextlib.contextmanager
def until_signal() -> Iterator[threading.Event]:
    """Give what SIGINT and SIGTERM set, for as long as the work goes on."""
    stop = threading.Event()

    def end(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
