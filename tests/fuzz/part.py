"""One part of the program under a stream of made-up inputs: what counts as a failure, and its record.

Owns the loop, the limits and the file that a failing input is kept in. Knows none of the parts.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import random
import signal
import threading
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Final, Protocol

SLOW_S: Final = 1.0
"""Of processor time: an input that takes longer could stand in everybody's way."""

HANGS_S: Final = 20.0
GROWTH_MB_MAX: Final = 64.0
"""Resident memory after the first tenth of the inputs, which fills the bounded caches, and at the end."""

FAILURES_MAX: Final = 10
"""After that many different failures a part is given up: more would say little."""


class Part(Protocol):
    """What is fed: ``make`` writes an input, ``take`` hands it to the program and raises where that fails."""

    name: str

    def make(self, rng: random.Random) -> bytes: ...

    def take(self, data: bytes) -> None: ...

    def close(self) -> None: ...


class HangingError(Exception):
    """One input kept the processor busy for far too long."""


@dataclass(frozen=True, slots=True)
class Failure:
    """An input that failed, in a file; ``why`` is one line."""

    part: str
    why: str
    path: Path

    def __str__(self) -> str:
        return (
            f"{self.why}\n  input:  {self.path}\n  replay: python -m tests.fuzz --part {self.part} --replay {self.path}"
        )


@dataclass(frozen=True, slots=True)
class Report:
    """What became of a part's inputs; memory in MB."""

    part: str
    inputs: int
    took_s: float
    slowest_s: float
    memory_before: float
    memory_after: float
    failures: tuple[Failure, ...]
    details: tuple[str, ...]
    grew: bool

    def __str__(self) -> str:
        rate = self.inputs / self.took_s if self.took_s else 0.0
        return (
            f"{self.part}: {self.inputs} inputs, {rate:,.0f}/s, slowest {self.slowest_s * 1000:.1f} ms, "
            f"memory {self.memory_before:.1f} -> {self.memory_after:.1f} MB, {len(self.failures)} failures"
        )


def resident_mb() -> float:
    """What the kernel holds in memory for this process."""
    gc.collect()
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise RuntimeError("the kernel does not say how much memory this process has")


def run_part(part: Part, *, inputs: int, seed: int, folder: Path, slow_s: float = SLOW_S) -> Report:
    """Feed ``inputs`` inputs drawn from ``seed``; each different failure is kept in ``folder`` once."""
    rng = random.Random(f"{part.name} {seed}")
    failures: dict[str, Failure] = {}
    details: list[str] = []
    slowest = 0.0
    warm = max(1, inputs // 10)
    memory_before = resident_mb()
    began = time.perf_counter()
    done = 0
    while done < inputs and len(failures) < FAILURES_MAX:
        data = part.make(rng)
        before = time.thread_time()
        why, detail = try_input(part, data)
        took = time.thread_time() - before
        slowest = max(slowest, took)
        if why is None and took > slow_s:
            why = detail = f"took {took:.2f} s of processor time"
        if why is not None and why not in failures:
            failures[why] = Failure(part.name, why, keep_input(folder, part.name, data))
            details.append(detail)
        done += 1
        if done == warm:
            memory_before = resident_mb()
    took_s = time.perf_counter() - began
    memory_after = resident_mb()
    grew = memory_after - memory_before > GROWTH_MB_MAX
    return Report(
        part.name, done, took_s, slowest, memory_before, memory_after, (*failures.values(),), (*details,), grew
    )


def try_input(part: Part, data: bytes) -> tuple[str | None, str]:
    """Hand one input over: why it failed in one line, and the whole traceback; ``None`` where it did not."""
    try:
        with _alarm():
            part.take(data)
    except Exception as error:
        frames = traceback.extract_tb(error.__traceback__)
        where = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "?"
        return f"{type(error).__name__} at {where}", traceback.format_exc()
    return None, ""


@contextlib.contextmanager
def _alarm() -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    signal.setitimer(signal.ITIMER_VIRTUAL, HANGS_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)


def _hang(number: int, frame: FrameType | None) -> None:
    raise HangingError(f"more than {HANGS_S:g} s of processor time")


@contextlib.contextmanager
def hangs_told() -> Iterator[None]:
    """Have an input that keeps the processor busy raise :class:`HangingError` meanwhile."""
    before = signal.signal(signal.SIGVTALRM, _hang)
    try:
        yield
    finally:
        signal.signal(signal.SIGVTALRM, before)


def keep_input(folder: Path, part: str, data: bytes) -> Path:
    """Write an input to a file that is named by its content."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{part}-{hashlib.sha256(data).hexdigest()[:12]}.bin"
    path.write_bytes(data)
    return path
