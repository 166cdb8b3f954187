"""Between broker and disk: settled once written, within the bound, and what is left out is counted and noted."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from monitor.core.times import SECOND
from monitor.ports import Message
from monitor.recording.reading import Captures
from monitor.recording.recorder import Recorder
from monitor.recording.segments import Plan, RecordingError, Segments
from tests.stories import START

WAIT_S = 30.0


class Slow(Segments):
    """A disk that writes when it is let; it fails once it is told to."""

    def __init__(self, path: Path) -> None:
        super().__init__(Plan(path), START)
        self.go = threading.Event()
        self.broken = False
        self.asked = threading.Event()

    def write(self, at: int, lines: Sequence[bytes]) -> None:
        self.asked.set()
        assert self.go.wait(WAIT_S)
        if self.broken:
            raise RecordingError("the disk is gone")
        super().write(at, lines)


def message(number: int) -> Message:
    return Message("apron/v1/site/x", b'{"value": %d}' % number, False)


def rows(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_bytes().splitlines()]


def test_a_message_is_settled_once_it_is_written(tmp_path: Path) -> None:
    disk = Slow(tmp_path / "a.jsonl")
    settled: list[int] = []
    recorder = Recorder(disk, on_fault=lambda _: None)
    recorder.start()
    recorder.take(START, message(0), lambda: settled.append(len(disk.path.read_bytes())))
    assert disk.asked.wait(WAIT_S)
    assert settled == []
    disk.go.set()
    recorder.take(START + SECOND, message(1), lambda: settled.append(len(disk.path.read_bytes())))
    recorder.stop()
    size = len(disk.path.read_bytes())
    assert settled == [size // 2, size]
    assert (recorder.written, recorder.left_out) == (2, 0)


def test_a_slow_disk_costs_messages_and_no_memory(tmp_path: Path) -> None:
    disk = Slow(tmp_path / "a.jsonl")
    settled: list[int] = []
    recorder = Recorder(disk, on_fault=lambda _: None, waiting_bytes=500)
    recorder.start()
    for number in range(100):
        recorder.take(START + number * SECOND, message(number), lambda n=number: settled.append(n))  # type: ignore[misc]
    assert recorder.left_out > 90
    # What is left out is not asked for again.
    assert len(settled) == recorder.left_out
    before = recorder.left_out
    disk.go.set()
    recorder.stop()
    found = rows(disk.path)
    assert recorder.written == 100 - before
    assert [row["left_out"] for row in found if "topic" not in row] == [before]
    assert sorted(settled) == list(range(100))
    lines = list(Captures([tmp_path], told=lambda _: None).lines())
    assert sum(line.message is not None for line in lines) == recorder.written


def test_room_again_is_noted_where_it_was_short(tmp_path: Path) -> None:
    disk = Slow(tmp_path / "a.jsonl")
    recorder = Recorder(disk, on_fault=lambda _: None, waiting_bytes=250)
    recorder.start()
    for number in range(10):
        recorder.take(START, message(number), lambda: None)
    left_out = recorder.left_out
    disk.go.set()
    deadline = time.monotonic() + WAIT_S
    while recorder.written + left_out < 10:
        assert time.monotonic() < deadline
        time.sleep(0.005)
    recorder.take(START + SECOND, message(10), lambda: None)
    recorder.stop()
    found = rows(disk.path)
    notes = [number for number, row in enumerate(found) if "left_out" in row]
    assert (found[notes[0]]["left_out"], recorder.left_out) == (left_out, left_out)
    assert notes == [len(found) - 2]


def test_times_never_go_back(tmp_path: Path) -> None:
    recorder = Recorder(Segments(Plan(tmp_path / "a.jsonl"), START), on_fault=lambda _: None)
    recorder.start()
    for at in (START + SECOND, START, START + 2 * SECOND):
        recorder.take(at, message(0), lambda: None)
    recorder.note(START, connection="lost")
    recorder.stop()
    lines = [line.at for line in Captures([tmp_path], told=lambda _: None).lines()]
    assert lines == [START + SECOND, START + SECOND, START + 2 * SECOND, START + 2 * SECOND]


def test_after_a_fault_nothing_is_taken_or_settled(tmp_path: Path) -> None:
    disk = Slow(tmp_path / "a.jsonl")
    disk.broken = True
    faults: list[RecordingError] = []
    told = threading.Event()
    recorder = Recorder(disk, on_fault=lambda error: (faults.append(error), told.set())[0])
    recorder.start()
    settled: list[str] = []
    recorder.take(START, message(0), lambda: settled.append("early"))
    disk.go.set()
    assert told.wait(WAIT_S)
    recorder.take(START, message(1), lambda: settled.append("late"))
    with pytest.raises(RecordingError, match="the disk is gone"):
        recorder.stop()
    assert [str(fault) for fault in faults] == ["the disk is gone"]
    assert (settled, recorder.written) == ([], 0)


def test_a_message_longer_than_all_that_may_wait_is_recorded(tmp_path: Path) -> None:
    recorder = Recorder(Segments(Plan(tmp_path / "a.jsonl"), START), on_fault=lambda _: None, waiting_bytes=100)
    recorder.start()
    long = Message("apron/v1/site/x", b'"' + b"x" * 1000 + b'"', False)
    recorder.take(START, long, lambda: None)
    recorder.stop()
    assert (recorder.written, recorder.left_out) == (1, 0)
    assert [line.message for line in Captures([tmp_path], told=lambda _: None).lines()] == [long]


def test_no_fault_of_the_writing_thread_goes_unheard(tmp_path: Path) -> None:
    """Otherwise it would listen for ever with nobody to write."""

    class Odd(Segments):
        def write(self, at: int, lines: Sequence[bytes]) -> None:
            raise OSError("the disk is odd")

    told = threading.Event()
    recorder = Recorder(Odd(Plan(tmp_path / "a.jsonl"), START), on_fault=lambda _: told.set())
    recorder.start()
    recorder.take(START, message(0), lambda: None)
    assert told.wait(WAIT_S)
    with pytest.raises(RecordingError, match="the disk is odd"):
        recorder.stop()
