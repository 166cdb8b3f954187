"""One recording, from its first connection to its last word.

Owns the order of it: the file before the connection, so that nothing is heard that could not be
written; at the end the connection before the file, so that what was acknowledged is in it.
"""

from __future__ import annotations

import contextlib
import math
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.adapters.clock import SystemClock
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.core.times import SECOND
from monitor.ports import Message
from monitor.recording.connection import Connection, ConnectionFailedError, StoppedError
from monitor.recording.recorder import Recorder, Settle
from monitor.recording.saying import WRONG_USE, fail, say, showing_progress, until_signal
from monitor.recording.segments import Plan, RecordingError, Segments

LOOK_S: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is to be recorded, where to, and for how long (µs; ``None``: until a signal)."""

    path: Path
    filters: tuple[str, ...]
    bytes_max: int | None
    every: int | None
    keep: int | None
    gzip: bool
    length: int | None

    def plan(self) -> Plan:
        """Which files that makes."""
        return Plan(self.path, bytes_max=self.bytes_max, every=self.every, keep=self.keep, gzip=self.gzip)


def record(order: Order, settings: MqttSettings) -> None:
    """Record until a signal, the end of the time, or a fault; says what became of it."""
    clock = SystemClock()
    begun = clock.now()
    try:
        segments = Segments(order.plan(), begun)
    except RecordingError as error:
        fail(f"capture: {error}", WRONG_USE)
    where = f"{settings.address.host}:{settings.address.port}"
    with until_signal() as stop:
        recorder = Recorder(segments, on_fault=lambda _error: stop.set())
        recorder.start()
        taking = _Taking(recorder, clock, where)
        connection = Connection(settings, filters=order.filters, take=taking.take, told=taking.note)
        try:
            connection.open(stop)
        except ConnectionFailedError as error:
            with contextlib.suppress(RecordingError):
                recorder.stop()
            segments.path.unlink(missing_ok=True)
            if isinstance(error, StoppedError):
                fail(f"capture: {error}; nothing is recorded")
            fail(f"capture: {where}: {error}; start a broker there, or give another with --broker")
        say(f"recording {', '.join(order.filters)} to {segments.path}")
        try:
            _wait(order, recorder, stop)
        finally:
            connection.close()
        try:
            recorder.stop()
        except RecordingError as error:
            fail(f"capture: {error}; stopped after {_describe(recorder, segments)}, which can be read")
    say(_describe(recorder, segments))


class _Taking:
    """Stamps what comes; called on the connection's thread alone, but for the clock at the start."""

    def __init__(self, recorder: Recorder, clock: SystemClock, where: str) -> None:
        self._recorder, self._clock, self._where = recorder, clock, where
        self._warned = False

    def take(self, message: Message, settle: Settle) -> None:
        self._recorder.take(self._clock.now(), message, settle)
        if self._recorder.left_out and not self._warned:
            self._warned = True
            say("the disk is too slow: messages are left out")

    def note(self, event: str, why: str) -> None:
        self._recorder.note(self._clock.now(), connection=event)
        say(f"{self._where}: {why}; trying again" if event == "lost" else f"{self._where}: connected again")


def _wait(order: Order, recorder: Recorder, stop: threading.Event) -> None:
    end = math.inf if order.length is None else time.monotonic() + order.length / SECOND
    with showing_progress(order.path.name) as tell:
        while (left := end - time.monotonic()) > 0 and not stop.wait(min(LOOK_S, left)):
            tell(None, f"{recorder.written} messages")


def _describe(recorder: Recorder, segments: Segments) -> str:
    said = f"{recorder.written} messages in {segments.files} file{'s' if segments.files != 1 else ''}"
    if recorder.left_out:
        said += f"; {recorder.left_out} left out, since the disk was too slow for them"
    return said
