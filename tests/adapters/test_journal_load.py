"""The journal under load; run as a program it prints what this machine's disk can do.

python tests/adapters/test_journal_load.py FOLDER
"""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from monitor.adapters.journal import SqliteJournal
from monitor.ports import Entry

DOORS = ("L1", "R1", "L2", "R2", "CF")
SIGNALS = ("closed", "latched", "locked", "handle_lifted", "hold_open", "travel", "lever_armed", "girt_left")


class Figures(NamedTuple):
    """What a run came to; times in seconds."""

    rows: int
    rows_per_s: float
    append_s: float
    commit_p50_s: float
    commit_p99_s: float
    ack_p99_s: float
    bytes_per_row: float


def delivery(position: int) -> Entry:
    door, signal = DOORS[position % len(DOORS)], SIGNALS[position % len(SIGNALS)]
    topic = f"apron/v1/tarnwick/aircraft/XA-{position % 40:03d}/door/{door}/{signal}"
    payload = b'{"time": "2026-03-01T10:15:00.%03dZ", "seq": %d, "value": true, "quality": "good"}'
    return Entry(
        position, 1_772_360_100_000_000 + position, "message", topic, payload % (position % 1000, position), False
    )


async def bench(path: Path, *, rows: int, rate: float | None) -> Figures:
    """Append ``rows`` at ``rate`` a second, or as fast as they go, and measure."""
    commits: list[float] = []
    acks: list[float] = []
    journal = SqliteJournal(path, on_batch=lambda _, seconds: commits.append(seconds))
    journal.start()
    entries = [delivery(position) for position in range(1, rows + 1)]
    append_s = 0.0
    started = time.perf_counter()
    sent = 0
    while sent < rows:
        due = rows if rate is None else min(rows, int((time.perf_counter() - started) * rate) + 1)
        for entry in entries[sent : min(due, sent + 50)]:
            before = time.perf_counter()
            journal.append(entry, lambda before=before: acks.append(time.perf_counter() - before))
            append_s += time.perf_counter() - before
            sent += 1
        await asyncio.sleep(0 if sent < due else 0.0005)
    await journal.close(60.0)
    spent = time.perf_counter() - started
    assert len(acks) == rows
    commits.sort()
    acks.sort()
    return Figures(
        rows,
        rows / spent,
        append_s / rows,
        commits[len(commits) // 2],
        commits[len(commits) * 99 // 100],
        acks[rows * 99 // 100],
        os.stat(path).st_size / rows,
    )


async def test_every_row_of_a_load_is_on_disk_and_small(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    figures = await bench(path, rows=20_000, rate=None)
    journal = SqliteJournal(path)
    assert [entry.position for entry in journal.entries_after(0)] == list(range(1, 20_001))
    assert next(journal.entries_after(12_345)) == delivery(12_346)
    assert figures.bytes_per_row < 130  # the payload is about 80, the topic spelled out another 50


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    for rate in (None, 1_000.0, 20_000.0):
        with tempfile.TemporaryDirectory(dir=folder) as data:
            figures = asyncio.run(bench(Path(data) / "journal.sqlite3", rows=int((rate or 40_000) * 5), rate=rate))
        print(
            f"{'flat out' if rate is None else f'{rate:.0f} rows/s'}: {figures.rows_per_s:,.0f} rows/s, "
            f"append {figures.append_s * 1e6:.1f} µs, commit p50 {figures.commit_p50_s * 1e3:.2f} ms "
            f"p99 {figures.commit_p99_s * 1e3:.2f} ms, acknowledged p99 {figures.ack_p99_s * 1e3:.2f} ms, "
            f"{figures.bytes_per_row:.0f} bytes/row"
        )


if __name__ == "__main__":
    main()
