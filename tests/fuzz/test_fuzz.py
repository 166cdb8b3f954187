"""A small share of ``python -m tests.fuzz`` with a fixed seed, and that what it looks for is found.

The whole run is for ``make soak``.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.fuzz.__main__ import PARTS, main, replay
from tests.fuzz.http_api import call_everything, running_instance
from tests.fuzz.mutation import damage, damage_lines
from tests.fuzz.part import hangs_told, run_part

INPUTS = {"wire": 12_000, "capture": 3_000, "config": 60, "http": 150, "story": 8}
SEED = 20_260_301


@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", PARTS)
def test_a_part_takes_whatever_comes(name: str, tmp_path: Path) -> None:
    part = PARTS[name][0]()
    try:
        with hangs_told():
            # A busy machine makes nothing look slow: what is measured is the processor's time. A story is many messages.
            report = run_part(part, inputs=INPUTS[name], seed=SEED, folder=tmp_path, slow_s=5.0)
    finally:
        part.close()
    assert [f"{failure}\n{detail}" for failure, detail in zip(report.failures, report.details, strict=True)] == []
    assert report.inputs == INPUTS[name]
    assert not report.grew


@pytest.mark.timeout(300)
def test_every_operation_keeps_to_its_form() -> None:
    with running_instance() as running:
        called = call_everything(running.url, examples=2, seed=SEED)
    assert called.wrong == ()
    assert called.calls >= called.operations > 30


class Planted:
    """A part with something wrong with some inputs."""

    name = "planted"

    def __init__(self, fail: Callable[[], None]) -> None:
        self._fail = fail

    def make(self, rng: random.Random) -> bytes:
        return rng.randbytes(4)

    def take(self, data: bytes) -> None:
        if data[0] < 8:
            self._fail()

    def close(self) -> None: ...


def test_a_crash_is_kept_once_with_the_command_that_repeats_it(tmp_path: Path) -> None:
    def crash() -> None:
        raise LookupError("planted")

    report = run_part(Planted(crash), inputs=500, seed=1, folder=tmp_path)
    (failure,) = report.failures
    assert "LookupError" in failure.why
    assert failure.path.read_bytes()[0] < 8
    assert f"python -m tests.fuzz --part planted --replay {failure.path}" in str(failure)
    assert "LookupError: planted" in report.details[0]


def test_what_takes_too_long_is_found(tmp_path: Path) -> None:
    def spin() -> None:
        end = time.thread_time() + 0.02
        while time.thread_time() < end:
            pass

    report = run_part(Planted(spin), inputs=200, seed=1, folder=tmp_path, slow_s=0.01)
    assert report.failures
    assert all("of processor time" in failure.why for failure in report.failures)


def test_memory_that_grows_is_found(tmp_path: Path) -> None:
    held: list[bytes] = []
    report = run_part(Planted(lambda: held.append(b"x" * 8_000_000)), inputs=600, seed=1, folder=tmp_path)
    assert report.grew


def test_damage_is_the_same_for_a_seed() -> None:
    data = b'{"time": 1, "value": true}'
    one, other = ([damage(data, random.Random(seed)) for _ in range(3)] for seed in (1, 1))
    assert one == other
    assert any(damage(data, random.Random(seed)) != data for seed in range(5))
    assert damage(b"", random.Random(1)) is not None
    assert damage_lines(b"a: 1\nb: 2", random.Random(2), [b"x"]) != b"a: 1\nb: 2"


def test_a_kept_input_is_repeated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "wire.bin"
    path.write_bytes(b"\0\0\1a{}")
    assert replay("wire", path)
    assert "nothing wrong" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [["--replay", "x"], ["--inputs", "0"], ["--part", "other"]])
def test_wrong_use_ends_with_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "python -m tests.fuzz" in capsys.readouterr().err
