"""``sillwatch audit``: is the record of who did what whole, and what does it say.

Owns these commands' words and exit codes. Reads the data folder only, and so works beside
a running monitor: the journal's audit, and that of who may use the service where there is one.
"""

from __future__ import annotations

import contextlib
import heapq
import os
import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Final, NoReturn

import orjson
import typer

from monitor.adapters.access.store import ACCESS_FILE, AUDITED
from monitor.adapters.chain import EMPTY, HASH_BYTES, Verdict, check_rows, write_hash
from monitor.adapters.journal_reader import JournalReader
from monitor.adapters.journal_rows import audit_readout
from monitor.adapters.journal_store import JOURNAL_FILE, connect_reader
from monitor.core.times import parse_time
from monitor.ports import JournalError, Readout

app: Final = typer.Typer(help="Look at the record of who did what.", no_args_is_help=True, rich_markup_mode=None)

DataOption = Annotated[Path, typer.Option("--data", help="The data folder, as in the config or the run command.")]


def _read_hash(text: str | None) -> bytes | None:
    if text is None:
        return None
    try:
        found = bytes.fromhex(text)
    except ValueError:
        found = b""
    if len(found) != HASH_BYTES:
        raise typer.BadParameter(f"a head is {2 * HASH_BYTES} hexadecimal digits, as `audit verify` prints it")
    return found


def _read_since(text: str | None) -> int:
    try:
        return 0 if text is None else parse_time(text)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None


@contextlib.contextmanager
def _journal(data: Path) -> Iterator[JournalReader]:
    path = data / JOURNAL_FILE
    if not path.is_file():
        _fail(f"{data}: there is no journal in it; name the folder that the monitor runs with", 2)
    try:
        with contextlib.closing(JournalReader(path)) as reader:
            if not reader.is_chained():
                _fail(f"{path}: an older Sillwatch wrote it, without a chain; start the monitor once", 1)
            yield reader
    except JournalError as error:
        _fail(str(error), 1)


@app.command()
def verify(
    data: DataOption,
    head: Annotated[
        str | None, typer.Option(help="A head that was kept elsewhere: fails unless the record goes through it.")
    ] = None,
) -> None:
    """Say whether any row was altered, removed, put in or moved; ends with 1 where one was."""
    wanted = _read_hash(head)
    verdicts = {}
    with _journal(data) as reader:
        verdicts[JOURNAL_FILE] = reader.verify_audit(wanted)
    if (data / ACCESS_FILE).is_file():
        verdicts[ACCESS_FILE] = check_rows(_read_access(data), AUDITED, EMPTY, wanted)
    for name, verdict in verdicts.items():
        typer.echo(f"{name}: {_describe(verdict)}")
    if not any(verdict.passed for verdict in verdicts.values()):
        _fail(f"the head {head} is not in it: rows were cut off, or written anew, since it was kept", 1)
    if not all(verdict.whole for verdict in verdicts.values()):
        raise typer.Exit(1)


@app.command("list")
def list_rows(
    data: DataOption,
    since: Annotated[str | None, typer.Option(help="From this moment on, such as 2026-03-01T00:00:00Z.")] = None,
) -> None:
    """Print who did what, as JSON Lines, the oldest first."""
    begin = _read_since(since)
    out = sys.stdout.buffer
    with _journal(data) as reader:
        try:
            journal = ({"record": JOURNAL_FILE, **row} for row in reader.audit_since(begin))
            access = ({"record": ACCESS_FILE, **row} for row in _list_access(data, begin))
            for row in heapq.merge(journal, access, key=lambda row: row["time"]):
                out.write(orjson.dumps(row) + b"\n")
            out.flush()
        except BrokenPipeError:
            # Whoever read has enough; there is nobody left to tell.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _read_access(data: Path) -> list[tuple[Any, ...]]:
    path = data / ACCESS_FILE
    try:
        with contextlib.closing(connect_reader(path)) as connection:
            return connection.execute(f"SELECT {', '.join(AUDITED)}, hash FROM audit ORDER BY seq").fetchall()  # noqa: S608
    except (JournalError, sqlite3.Error) as error:
        _fail(f"{path}: cannot be read: {error}", 1)


def _list_access(data: Path, begin: int) -> Iterator[Readout]:
    previous = EMPTY.hash
    for number, *row, bound in _read_access(data) if (data / ACCESS_FILE).is_file() else ():
        if row[0] >= begin:
            told = {"number": number, **audit_readout(row), "hash": write_hash(bound)}
            yield {**told, "previous": write_hash(previous)}
        previous = bound


def _describe(verdict: Verdict) -> str:
    written = verdict.head.describe()
    told = f"{verdict.items} rows, head {written['hash']} (row {written['number']})"
    if verdict.anchor.number:
        told += f"; those up to {verdict.anchor.number} were deleted for their age"
    if verdict.whole:
        return f"whole: {told}"
    return f"broken at row {verdict.first_broken}: it was altered or put in, or one before it is missing; {told}"


def _fail(message: str, code: int) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(code)
