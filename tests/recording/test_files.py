"""Recorded files come back to the byte: rotated, in gzip, from a folder; cut anywhere, up to the cut."""

from __future__ import annotations

import errno
import gzip
import io
import os
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.adapters.capture import CaptureError, CaptureLine, write_line
from monitor.core.times import HOUR, SECOND
from monitor.ports import Message
from monitor.recording import reading as reading_module
from monitor.recording import segments as segments_module
from monitor.recording.reading import Captures, NoCaptureError
from monitor.recording.segments import Plan, RecordingError, Segments
from tests.stories import START

PAYLOADS = (b'{"time": 1772359200.125, "value": true}', b"", b"\xff\xfe", b"{", b'{"a": 1, "a": 2}', b"null", b"x" * 90)
LINES = [
    CaptureLine(START + n * SECOND, Message(f"apron/v1/site/{n}", PAYLOADS[n % len(PAYLOADS)], n % 3 == 0))
    for n in range(20)
]


def write(plan: Plan, lines: Sequence[CaptureLine], *, together: int = 1) -> list[Path]:
    """Record lines, so many at a time; returns the files that are there."""
    segments = Segments(plan, lines[0].at)
    for first in range(0, len(lines), together):
        batch = lines[first : first + together]
        segments.write(batch[0].at, [write_line(line.at, line.message) for line in batch if line.message is not None])
    segments.close()
    return sorted(plan.path.parent.iterdir())


def read(*paths: Path, stdin: io.BytesIO | None = None) -> tuple[list[CaptureLine], list[str]]:
    told: list[str] = []
    return list(Captures(paths, told=told.append, stdin=stdin).lines()), told


@pytest.mark.parametrize("zipped", [False, True])
@given(
    messages=st.lists(
        st.tuples(st.integers(0, 5 * SECOND), st.text(min_size=1, max_size=9), st.binary(max_size=60), st.booleans()),
        min_size=1,
        max_size=12,
    ),
    together=st.integers(1, 5),
    big=st.sampled_from([None, 1, 150]),
    every=st.sampled_from([None, 3 * SECOND]),
)
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_recorded_is_read_back(
    zipped: bool,
    messages: list[tuple[int, str, bytes, bool]],
    together: int,
    big: int | None,
    every: int | None,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("recorded")
    at, lines = START, []
    for later, topic, payload, retained in messages:
        at += later
        try:
            topic.encode()
        except UnicodeEncodeError:
            topic = "surrogate"
        lines.append(CaptureLine(at, Message(topic.replace("\0", "0"), payload, retained)))
    files = write(Plan(folder / "apron.jsonl", bytes_max=big, every=every, gzip=zipped), lines, together=together)
    assert read(folder) == (lines, [])
    assert read(*files) == (lines, [])
    joined = b"".join(path.read_bytes() for path in files)
    assert read(Path("-"), stdin=io.BytesIO(joined)) == (lines, [])


@pytest.mark.parametrize("zipped", [False, True])
def test_a_file_cut_at_any_byte_is_read_up_to_the_cut(zipped: bool, tmp_path: Path) -> None:
    some = LINES[: len(PAYLOADS)]
    [file] = write(Plan(tmp_path / "apron.jsonl", gzip=zipped), some)
    whole = file.read_bytes()
    counts = []
    for cut in range(len(whole) + 1):
        file.write_bytes(whole[:cut])
        lines, told = read(file)
        assert lines == some[: len(lines)]
        assert len(told) <= 1
        assert all(text.startswith(f"{file}: ends within a line") for text in told)
        counts.append(len(lines))
        if not zipped:
            assert len(lines) in (whole[:cut].count(b"\n"), whole[: cut + 1].count(b"\n"))
    assert counts == sorted(counts)
    assert counts[-1] == len(some)


def test_a_recording_in_gzip_can_be_read_while_it_is_written(tmp_path: Path) -> None:
    segments = Segments(Plan(tmp_path / "apron.jsonl", gzip=True), START)
    for number, line in enumerate(LINES, start=1):
        assert line.message is not None
        segments.write(line.at, [write_line(line.at, line.message)])
        assert read(tmp_path) == (LINES[:number], [])
    segments.close()
    assert gzip.decompress(segments.path.read_bytes()).count(b"\n") == len(LINES)


def test_a_cut_file_is_passed_over_and_the_next_one_read(tmp_path: Path) -> None:
    """As a recorder leaves them that was killed and started again."""
    files = write(Plan(tmp_path / "apron.jsonl", every=5 * SECOND), LINES)
    assert len(files) == 4
    files[1].write_bytes(files[1].read_bytes()[:-7])
    lines, told = read(tmp_path)
    assert lines == LINES[:9] + LINES[10:]
    assert len(told) == 1


def test_damage_in_the_midst_is_an_error(tmp_path: Path) -> None:
    [file] = write(Plan(tmp_path / "apron.jsonl"), LINES)
    file.write_bytes(file.read_bytes().replace(b'"topic"', b'"topic', 1))
    with pytest.raises(CaptureError, match=r"apron.jsonl:1: not JSON"):
        read(file)
    [zipped] = write(Plan(tmp_path / "z" / "apron.jsonl", gzip=True), LINES) if (tmp_path / "z").mkdir() is None else []
    text = bytearray(zipped.read_bytes())
    text[40:60] = bytes(20)
    zipped.write_bytes(text)
    with pytest.raises(CaptureError, match="the gzip is damaged"):
        read(zipped)


def test_files_out_of_order_are_an_error(tmp_path: Path) -> None:
    first, *_, last = write(Plan(tmp_path / "apron.jsonl", every=5 * SECOND), LINES)
    with pytest.raises(CaptureError, match="give the files in the order of their times"):
        read(last, first)


def test_a_folder_without_captures_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("nothing")
    with pytest.raises(NoCaptureError, match="no capture is in this folder"):
        read(tmp_path)


def test_how_much_is_read_is_known(tmp_path: Path) -> None:
    write(Plan(tmp_path / "apron.jsonl", every=5 * SECOND), LINES)
    captures = Captures([tmp_path], told=lambda _: None)
    shares = [captures.done for _ in captures.lines()]
    assert shares == sorted(shares, key=lambda share: share or 0.0)
    assert (captures.done, captures.once) == (1.0, False)
    assert Captures([Path("-")], told=lambda _: None, stdin=io.BytesIO()).done is None


def test_a_long_line_comes_whole_and_an_endless_one_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    file = tmp_path / "a.jsonl"
    lines = [CaptureLine(START, Message("t", b"x" * length, False)) for length in (1, 300_000, 0, 65_536, 2)]
    file.write_bytes(b"".join(write_line(line.at, line.message) for line in lines if line.message is not None))
    assert read(file) == (lines, [])
    monkeypatch.setattr(reading_module, "LINE_BYTES_MAX", 200_000)
    with pytest.raises(CaptureError, match=r"a\.jsonl: a line is longer than 200,000 bytes"):
        read(file)


# Rotation


def test_rotated_files_sort_by_their_names_and_the_oldest_go(tmp_path: Path) -> None:
    plan = Plan(tmp_path / "apron.jsonl", bytes_max=1, keep=3)
    files = write(plan, LINES)
    assert [path.name for path in files] == [f"apron.20260301T100000Z.{n:06d}.jsonl" for n in (18, 19, 20)]
    assert read(tmp_path) == (LINES[-3:], [])
    later = [line._replace(at=line.at + HOUR) for line in LINES[:2]]
    files = write(plan, later)
    assert [path.name.split(".")[1] for path in files] == ["20260301T100000Z", "20260301T110000Z", "20260301T110000Z"]
    assert read(tmp_path) == (LINES[-1:] + later, [])


def test_files_begin_anew_with_the_clock(tmp_path: Path) -> None:
    """Counted from midnight, so that files of several recordings match."""
    lines = [line._replace(at=line.at + 3 * SECOND) for line in LINES]
    files = write(Plan(tmp_path / "apron.jsonl", every=5 * SECOND, gzip=True), lines)
    assert [len(read(path)[0]) for path in files] == [2, 5, 5, 5, 3]
    assert all(path.name.endswith(".jsonl.gz") for path in files)


def test_what_is_there_is_not_written_over(tmp_path: Path) -> None:
    plan = Plan(tmp_path / "apron.jsonl")
    write(plan, LINES)
    with pytest.raises(RecordingError, match="is there already and is not written over"):
        Segments(plan, START)
    assert read(tmp_path) == (LINES, [])


@pytest.mark.parametrize("zipped", [False, True])
def test_a_full_disk_leaves_what_was_written_whole(
    zipped: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    segments = Segments(Plan(tmp_path / "apron.jsonl", gzip=zipped), START)
    room = 300
    real = os.write

    def write_some(file: int, data: bytes) -> int:
        nonlocal room
        if room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = real(file, data[:room])
        room -= written
        return written

    monkeypatch.setattr(segments_module.os, "write", write_some)
    written, said = 0, ""
    try:
        for line in LINES:
            assert line.message is not None
            segments.write(line.at, [write_line(line.at, line.message)])
            written += 1
    except RecordingError as error:
        said = str(error)
    assert said == f"{segments.path}: cannot be written (no space left on device)"
    segments.leave()
    assert written
    assert read(tmp_path) == (LINES[:written], [])


def test_what_cannot_be_removed_to_make_room_ends_it_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, missing_ok: bool = False) -> None:
        raise PermissionError(errno.EPERM, os.strerror(errno.EPERM), str(path))

    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(RecordingError, match=r"000001\.jsonl: cannot be removed to make room"):
        write(Plan(tmp_path / "apron.jsonl", bytes_max=1, keep=1), LINES)


def test_a_fault_between_two_files_closes_nobody_elses(tmp_path: Path) -> None:
    """The number of a closed file is given out again, say to the broker's connection."""
    segments = Segments(Plan(tmp_path / "apron.jsonl", bytes_max=1), START)
    segments.write(START, [b"{}\n"])
    (tmp_path / "apron.20260301T100000Z.000002.jsonl").touch()
    with pytest.raises(RecordingError, match="is there already"):
        segments.write(START, [b"{}\n"])
    read_end, write_end = os.pipe()
    segments.leave()
    os.write(write_end, b"x")
    assert os.read(read_end, 1) == b"x"
    os.close(read_end)
    os.close(write_end)
