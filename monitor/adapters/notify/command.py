"""``sillwatch deliveries``: what was told outside, what was not, and sending it again.

Owns these commands' words and exit codes. It reads the outbox beside a running monitor,
and leaves what a person asks for there: the monitor does it, audited, now or when it next runs.
"""

from __future__ import annotations

import contextlib
import getpass
import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Final, NoReturn

import orjson
import typer

from monitor.adapters.notify.outbox_file import OUTBOX_FILE, OutboxError, open_beside
from monitor.adapters.notify.outbox_reading import ask, count_letters, list_conditions, list_dead, list_queues
from monitor.adapters.notify.showing import describe_all, describe_dead

app: Final = typer.Typer(
    help="What was told to webhooks and other destinations, and what was not.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

DataOption = Annotated[Path, typer.Option("--data", help="The data folder, as in the config or the run command.")]
ReasonOption = Annotated[str, typer.Option(help="Why, for the audit.")]


@app.command("list")
def list_destinations(data: DataOption) -> None:
    """Print how each destination does, as JSON Lines."""
    with _outbox(data) as connection:
        waiting, dead = count_letters(connection, dead=False), count_letters(connection, dead=True)
        destinations = describe_all(list_conditions(connection), list_queues(connection), waiting, dead, {})
    _print(destinations)


@app.command("dead")
def list_dead_letters(
    data: DataOption, limit: Annotated[int, typer.Option(min=1, max=10_000, help="How many at most.")] = 1000
) -> None:
    """Print what was laid aside undelivered, as JSON Lines, the newest first."""
    with _outbox(data) as connection:
        letters = [describe_dead(letter) for letter in list_dead(connection, limit, None)]
    _print(letters)


@app.command()
def replay(
    data: DataOption,
    letters: Annotated[list[int], typer.Argument(help="Numbers of dead letters, as `deliveries dead` prints them.")],
    reason: ReasonOption = "",
) -> None:
    """Ask for events to be sent again that were laid aside."""
    with _outbox(data, writing=True) as connection:
        missing = [n for n in letters if not any(each.id == n for each in list_dead(connection, 1, n + 1))]
        if missing:
            _fail(f"no letter {missing[0]} was laid aside; nothing was asked for", 1)
        for letter in letters:
            ask(connection, "replay", str(letter), person=_person(), reason=reason)
    typer.echo("asked for; the monitor sends it within seconds, or when it next runs", err=True)


@app.command()
def resume(
    data: DataOption, name: Annotated[str, typer.Argument(help="The destination.")], reason: ReasonOption = ""
) -> None:
    """Ask for a destination to be tried again that said that it wants nothing any more."""
    with _outbox(data, writing=True) as connection:
        if not any(each.name == name and each.configured for each in list_conditions(connection)):
            _fail(f"no destination {name} is configured; nothing was asked for", 1)
        ask(connection, "resume", name, person=_person(), reason=reason)
    typer.echo("asked for; the monitor tries it within seconds, or when it next runs", err=True)


@contextlib.contextmanager
def _outbox(data: Path, *, writing: bool = False) -> Iterator[sqlite3.Connection]:
    try:
        with contextlib.closing(open_beside(data / OUTBOX_FILE, writing=writing)) as connection:
            yield connection
    except OutboxError as error:
        _fail(str(error), 2)
    except sqlite3.Error as error:
        _fail(f"the outbox cannot be used: {error}", 1)


def _person() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container's user may have no name
        return "unnamed"


def _print(documents: list[dict[str, object]]) -> None:
    for document in documents:
        sys.stdout.buffer.write(orjson.dumps(document) + b"\n")
    sys.stdout.buffer.flush()


def _fail(message: str, code: int) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(code)
