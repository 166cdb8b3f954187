"""The readings of a period, row by row, as CSV or Parquet.

Owns the columns, and that a file is written piece by piece: memory does not grow with the
period. What was rejected is no reading. ``late`` is as the monitor has it: more than 30 s behind
what is usual of its sender, counted from the beginning of the period.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from typing import Any, BinaryIO, Final, NamedTuple

from monitor.adapters.journal_rows import AGAIN, RETAINED
from monitor.config import Config
from monitor.core.effects import RejectInput
from monitor.core.events import ReadingsArrived, StandReadingArrived
from monitor.core.order import note_offset
from monitor.core.signals import Quality, Value
from monitor.core.state import Sender
from monitor.core.times import format_time
from monitor.debrief.archive import Archive
from monitor.debrief.periods import ReportError
from monitor.debrief.values import Scope
from monitor.ports import Message
from monitor.rerun import make_codec

GROUP: Final = 50_000
"""Rows that are written at a time."""

WITHDRAWN: Final = "withdrawn"
"""The quality of a reading that was taken back: it has no value."""


class Row(NamedTuple):
    """One reading. Times in µs; ``time`` is its sender's, and one of the values is set."""

    time: int | None
    received: int
    aircraft: str | None
    stand: str | None
    door: str | None
    signal: str
    value_bool: bool | None
    value_number: float | None
    value_text: str | None
    quality: str
    retained: bool
    late: bool
    simulated: bool


def read_readings(
    archive: Archive, config: Config, scope: Scope, progress: Callable[[float], None], *, most: int | None = None
) -> Iterator[Row]:
    """Read a scope's readings in order; raises :class:`ReportError` for none, and for more than ``most``."""
    held = archive.held()
    if held.inputs_from is None or held.inputs_from >= scope.until:
        begins = (
            "none are kept" if held.inputs_from is None else f"they are kept from {format_time(held.inputs_from)} on"
        )
        raise ReportError("not-found", f"no readings of that period are kept: {begins}")
    codec = make_codec(config)
    senders: dict[str, Sender] = {}
    there: dict[str, str] = {}
    number = 0
    for at, topic, payload, flags in archive.rows_between(scope.since, scope.until, progress):
        message = Message(topic, payload, bool(flags & RETAINED), bool(flags & AGAIN))
        decoded = codec.decode(message)
        for event in decoded if isinstance(decoded, list) else (decoded,):
            if isinstance(event, RejectInput):
                continue
            for row in _rows_of(event, at, senders, there):  # type: ignore[arg-type]
                if _belongs(scope, row, there):
                    number += 1
                    if most is not None and number > most:
                        raise ReportError("wrong", f"more than {most} readings are in that period; give a shorter one")
                    yield row
    if not number:
        raise ReportError("not-found", "no readings of that are on record in that period")


def _belongs(scope: Scope, row: Row, there: dict[str, str]) -> bool:
    if scope.kind == "period":
        return True
    if scope.stand is not None:
        return row.stand == scope.stand or (row.aircraft is not None and there.get(row.aircraft) == scope.stand)
    # What is of the aircraft as a whole goes with each of its doors.
    return row.aircraft == scope.aircraft and (row.door is None or scope.doors is None or row.door in scope.doors)


def _rows_of(
    event: ReadingsArrived | StandReadingArrived, at: int, senders: dict[str, Sender], there: dict[str, str]
) -> Iterator[Row]:
    if isinstance(event, StandReadingArrived):
        reg, stand = None, event.stand
        items: Sequence[tuple[str | None, str, Value | None, Quality]] = (
            (None, event.signal, event.value, event.quality),
        )
    else:
        reg, stand = event.aircraft, None
        items = event.items
    late = False
    if event.time is not None and not event.retained:
        sender = senders.setdefault(f"{reg or ''}/{stand or ''}", Sender())
        late = note_offset(sender, event.time, at, again=event.again)
    for door, signal, value, quality in items:
        if reg is not None and door is None and signal == "stand" and isinstance(value, str):
            there[reg] = value
        yield Row(
            event.time,
            at,
            reg,
            stand,
            door,
            signal,
            value if isinstance(value, bool) else None,
            float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None,
            value if isinstance(value, str) else None,
            WITHDRAWN if value is None else str(quality),
            event.retained,
            late,
            event.simulated,
        )


# CSV (RFC 4180)

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def guard_cell(text: str) -> str:
    """Keep a spreadsheet from taking what somebody sent for a formula: such a text begins with an apostrophe."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def write_csv(rows: Iterable[Row], out: BinaryIO) -> None:
    """Write rows with a header; times are RFC 3339 in UTC, true and false in words, nothing for no value."""
    rows = iter(rows)
    first = next(rows, None)  # what cannot be read is said before anything is written
    text = io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=False)
    try:
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow(Row._fields)
        if first is not None:
            writer.writerow(_cells(first))
        writer.writerows(_cells(row) for row in rows)
        text.flush()
    finally:
        text.detach()


def _cells(row: Row) -> list[str]:
    return [_cell(name, value) for name, value in zip(Row._fields, row, strict=True)]


def _cell(name: str, value: Any) -> str:
    if value is None:
        return ""
    if name in ("time", "received"):
        return format_time(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return guard_cell(value) if isinstance(value, str) else repr(value)


# Parquet


def write_parquet(rows: Iterable[Row], out: BinaryIO) -> None:
    """Write rows with typed columns, times as UTC timestamps; raises :class:`ReportError` where pyarrow is missing."""
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise ReportError(
            "failed",
            'Parquet needs pyarrow; install Sillwatch with its extra "report": pip install "sillwatch[report]"',
        ) from None
    moment, word = pyarrow.timestamp("us", tz="UTC"), pyarrow.dictionary(pyarrow.int32(), pyarrow.string())
    types = {
        "time": moment,
        "received": moment,
        **dict.fromkeys(("aircraft", "stand", "door", "signal", "quality"), word),
        "value_bool": pyarrow.bool_(),
        "value_number": pyarrow.float64(),
        "value_text": pyarrow.string(),
    }
    schema = pyarrow.schema(
        [pyarrow.field(name, types.get(name, pyarrow.bool_())) for name in Row._fields],
        metadata={"source": "Sillwatch", "note": "readings as they were taken; advisory only"},
    )
    rows = iter(rows)
    group = list(islice(rows, GROUP))
    with parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        while group:
            columns = list(zip(*group, strict=True))
            arrays = [pyarrow.array(column, type=field.type) for column, field in zip(columns, schema, strict=True)]
            writer.write_batch(pyarrow.record_batch(arrays, schema=schema))
            group = list(islice(rows, GROUP))
