"""Whose drill it was: kept apart, for as long as the configuration says, and gone to the last byte."""

from __future__ import annotations

import asyncio
import stat
from pathlib import Path

import pytest

from monitor.adapters.drill_labels import DAY, LABELS_FILE, DrillLabels
from monitor.ports import JournalError

LABEL = "Trainee Number Four"
T0 = 1_772_360_100_000_000


def holds(folder: Path, label: str) -> list[str]:
    """The files in a folder that hold a label anywhere."""
    return [path.name for path in folder.iterdir() if label.encode() in path.read_bytes()]


def test_a_label_is_told_until_its_time_is_over(tmp_path: Path) -> None:
    labels = DrillLabels(tmp_path, 2)
    labels.keep("p1", LABEL, T0)
    assert labels.find(["p1", "p2"], T0 + 2 * DAY - 1) == {"p1": LABEL}
    assert labels.find(["p2"], T0) == {}
    assert labels.find([], T0) == {}
    assert labels.find(["p1"], T0 + 2 * DAY) == {}
    assert stat.S_IMODE((tmp_path / LABELS_FILE).stat().st_mode) == 0o600


def test_a_label_leaves_no_byte_behind(tmp_path: Path) -> None:
    labels = DrillLabels(tmp_path, 1)
    for number in range(300):
        labels.keep(f"p{number}", f"{LABEL} {number:03}", T0 + number)
    labels.keep("other", "Somebody Else", T0 + DAY)
    assert holds(tmp_path, LABEL) == [LABELS_FILE]
    labels.prune(T0 + 299 + DAY)
    assert holds(tmp_path, LABEL) == []
    assert holds(tmp_path, "Somebody Else") == [LABELS_FILE]
    labels.prune(T0 + 3 * DAY)
    assert list(tmp_path.iterdir()) == []


def test_where_none_is_kept_any_more_all_are_taken_away(tmp_path: Path) -> None:
    DrillLabels(tmp_path, 300).keep("p1", LABEL, T0)
    labels = DrillLabels(tmp_path, 0)
    assert labels.find(["p1"], T0) == {}
    labels.prune(T0)
    assert list(tmp_path.iterdir()) == []


def test_where_none_was_ever_kept_there_is_no_file(tmp_path: Path) -> None:
    labels = DrillLabels(tmp_path, 1)
    labels.prune(T0)
    assert labels.find(["p1"], T0) == {}
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_none_of_ours_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / LABELS_FILE).write_bytes(b"no database" * 1000)
    with pytest.raises(JournalError, match=r"the labels of drills in .* cannot be used"):
        DrillLabels(tmp_path, 1).find(["p1"], T0)


async def test_labels_are_pruned_as_the_service_starts(tmp_path: Path) -> None:
    labels = DrillLabels(tmp_path, 1)
    labels.keep("p1", LABEL, T0)
    serving = asyncio.create_task(labels.serve(lambda: T0 + 2 * DAY))
    async with asyncio.timeout(60):
        while (tmp_path / LABELS_FILE).exists():  # noqa: ASYNC110 - a condition of the disk
            await asyncio.sleep(0.01)
    serving.cancel()
    with pytest.raises(asyncio.CancelledError):
        await serving
