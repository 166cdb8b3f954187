"""``sillwatch report``: reports from the command line, with no monitor needed.

Owns these commands' words, exit codes (0 done, 1 failed, 2 wrong use or nothing on record) and
the file that is written: whole or not at all. It reads the data folder only, also beside a
running monitor.
"""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, BinaryIO, Final, NoReturn

import typer

if TYPE_CHECKING:
    from monitor.debrief.facts import Progress
    from monitor.debrief.reports import Desk

# What reads a record and writes a report is imported where it is wanted: every other command starts without it.

app: Final = typer.Typer(
    help="What a drill, an aircraft, a stand or a period came to, from the record alone; no monitor has to run.",
    no_args_is_help=False,
    rich_markup_mode=None,
    invoke_without_command=True,
)


class Form(StrEnum):
    """What a report can be written as."""

    HTML = "html"
    MD = "md"
    PDF = "pdf"
    CSV = "csv"
    PARQUET = "parquet"
    JSON = "json"


FormOption = Annotated[
    Form | None,
    typer.Option(
        "--format", help="The form; default: by the file's ending, else md. csv and parquet hold the readings."
    ),
]
OutOption = Annotated[str, typer.Option("--out", metavar="FILE", help="Where to; - is stdout.")]
DataOption = Annotated[
    Path | None, typer.Option("--data", help="The data folder, as in the run command; default: the config's.")
]
ConfigOption = Annotated[
    Path | None, typer.Option("--config", envvar="SILLWATCH_CONFIG", help="The config file; default: the demo's.")
]
ZoneOption = Annotated[
    str | None, typer.Option("--zone", help="The time zone of dates and of times shown; default: the site's.")
]
NamesOption = Annotated[
    bool, typer.Option("--without-names", help="Leave out who did what, and what they wrote as a reason.")
]


@app.callback()
def report(
    context: typer.Context,
    drill: Annotated[str | None, typer.Option(metavar="ID|NAME", help="A drill, by its number or its name.")] = None,
    aircraft: Annotated[str | None, typer.Option(metavar="REG", help="An aircraft.")] = None,
    door: Annotated[str | None, typer.Option(help="One door of it.")] = None,
    stand: Annotated[str | None, typer.Option(help="A stand, with whichever aircraft stood there.")] = None,
    since: Annotated[
        str | None, typer.Option(help="From when on: RFC 3339, a date, or an age such as 90s, 30min, 12h, 30d.")
    ] = None,
    until: Annotated[str | None, typer.Option(help="Until when, likewise; of a date until its end.")] = None,
    zone: ZoneOption = None,
    form: FormOption = None,
    out: OutOption = "-",
    data: DataOption = None,
    config: ConfigOption = None,
    compare: Annotated[
        str | None, typer.Option(metavar="OTHER", help="A second drill, to be set beside the one of --drill.")
    ] = None,
    without_names: NamesOption = False,
) -> None:
    """Write a report of a drill, an aircraft, a stand, or the whole site over a period (default: the last 24 h)."""
    if context.invoked_subcommand is not None:
        return
    from monitor.debrief.asking import Asked
    from monitor.debrief.periods import ReportError
    from monitor.debrief.reports import (
        OF_READINGS,
        compare_document,
        debrief_document,
        write_document,
        write_readings,
    )

    asked = Asked(drill, aircraft, door, stand, since, until, zone)
    if compare is not None and drill is None:
        _fail("--compare needs --drill: it sets two drills side by side", 2)
    chosen = _choose_form(form, out)
    with _desk(data, config, "report") as desk:

        def write(file: BinaryIO) -> None:
            if chosen in OF_READINGS:
                if compare is not None:
                    raise ReportError(
                        "wrong", f"{chosen} holds readings, and compares nothing; give html, md, pdf or json"
                    )
                write_readings(desk, asked, chosen, file)
            elif compare is not None:
                other = Asked(drill=compare, zone=zone)
                write_document("compare", compare_document(desk, asked, other, names=not without_names), chosen, file)
            else:
                write_document("debrief", debrief_document(desk, asked, names=not without_names), chosen, file)

        _write(out, write)


@app.command()
def handover(
    form: FormOption = None,
    out: OutOption = "-",
    zone: ZoneOption = None,
    data: DataOption = None,
    config: ConfigOption = None,
    without_names: NamesOption = False,
) -> None:
    """Write what whoever takes over must know: open, set aside, out of service, blind, unheard."""
    from monitor.debrief.reports import OF_READINGS, handover_document, write_document

    chosen = _choose_form(form, out)
    if chosen in OF_READINGS:
        _fail(f"a hand-over has no form {chosen}; give html, md, pdf or json", 2)
    with _desk(data, config, "hand-over") as desk:
        folder = desk.archive.path.parent
        _write(
            out,
            lambda file: write_document(
                "handover", handover_document(desk, folder, zone, names=not without_names), chosen, file
            ),
        )


@app.command()
def drills(zone: ZoneOption = None, data: DataOption = None, config: ConfigOption = None) -> None:
    """List the drills on record, the newest first: number, when, which aircraft and doors, name."""
    from monitor.core.times import parse_time
    from monitor.debrief.drills import list_drills
    from monitor.debrief.periods import find_zone, say_moment

    with _desk(data, config, "") as desk:
        shown = find_zone(zone or desk.config.site.timezone)
        found = list_drills(desk.archive, desk.now)
    if not found:
        _fail("no drill is on record", 2)
    for drill in reversed(found):
        ended = "runs" if drill["ended_at"] is None else f"to {say_moment(parse_time(drill['ended_at']), shown)}"
        flag = "  simulated" if drill.get("simulated") else ""
        typer.echo(
            f"{drill['permit_id']}  {say_moment(parse_time(drill['began_at']), shown)} {ended}"
            f"  {drill['aircraft']} {' '.join(drill['doors']) or 'all doors'}  {drill['name'] or '-'}{flag}"
        )


def register(to: typer.Typer) -> None:
    """Add the commands."""
    to.add_typer(app, name="report")


def _choose_form(form: Form | None, out: str) -> str:
    from monitor.debrief.reports import BINARY

    ending = Path(out).suffix.lstrip(".").lower() if out != "-" else ""
    if form is not None:
        chosen = str(form)
    elif out == "-":
        chosen = "md"
    else:
        chosen = {"markdown": "md", "htm": "html"}.get(ending, ending)
        if chosen not in set(Form):
            _fail(f"{out}: the ending says no form; give --format {', '.join(Form)}", 2)
    if chosen in BINARY and out == "-" and sys.stdout.isatty():
        _fail(f"{chosen} is nothing for a terminal; give --out FILE.{chosen}", 2)
    return chosen


@contextlib.contextmanager
def _desk(data: Path | None, config: Path | None, doing: str) -> Iterator[Desk]:
    from monitor.config import ConfigError, default_config_path, load
    from monitor.core.rules import known_parameters
    from monitor.debrief.archive import Archive
    from monitor.debrief.periods import ReportError
    from monitor.debrief.reports import Desk
    from monitor.ports import JournalError

    path = config or default_config_path()
    try:
        settings = load(path, known=known_parameters())
    except ConfigError as error:
        _fail(str(error), 2)
    folder = data if data is not None else Path(settings.data.directory)
    try:
        with contextlib.closing(Archive(folder)) as archive, _progress(doing) as progress:
            yield Desk(archive, settings, time.time_ns() // 1_000_000 * 1000, progress)
    except ReportError as error:
        _fail(str(error), 1 if error.kind == "failed" else 2)
    except JournalError as error:
        _fail(str(error), 1)


@contextlib.contextmanager
def _progress(doing: str) -> Iterator[Progress]:
    """Show how far it is, where somebody sits before it."""
    if not doing or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task(doing, total=1.0)
        yield lambda share: bars.update(task, completed=share)


def _write(out: str, write: Callable[[BinaryIO], Any]) -> None:
    """Write the named file, whole or not at all, or to stdout."""
    if out == "-":
        try:
            write(sys.stdout.buffer)
            sys.stdout.buffer.flush()
        except BrokenPipeError:
            # Whoever read has enough; there is nobody left to tell.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        except OSError as error:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # what is left is not tried again
            _fail(f"stdout: cannot be written ({(error.strerror or str(error)).lower()})", 1)
        return
    path = Path(out)
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            # A device or a pipe is written to; it is never put away for a file of its name.
            with path.open("wb") as file:
                write(file)
            return
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file:
            try:
                write(file)  # type: ignore[arg-type]
                file.flush()
                os.fsync(file.fileno())
                os.chmod(file.name, 0o666 & ~_umask())
                os.replace(file.name, path)
            except BaseException:
                with contextlib.suppress(OSError):
                    os.unlink(file.name)
                raise
        _sync_folder(path.parent)
    except OSError as error:
        _fail(f"{out}: cannot be written ({(error.strerror or str(error)).lower()})", 1)


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _sync_folder(folder: Path) -> None:
    """Have the new name itself survive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # not every file system can
            os.fsync(handle)
    finally:
        os.close(handle)


def _fail(message: str, code: int) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(code)
