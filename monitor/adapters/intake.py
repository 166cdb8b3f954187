"""Deliveries on their way in: taken at once while that is possible, sorted and bounded when it is not.

Owns when a delivery is taken, how much waits, and the report of what was left out. The rule
of what goes first is :mod:`monitor.adapters.intake_queue`'s; it never reads a payload itself.

A delivery that is left out is acknowledged at once, out of the order in which MQTT would
have it (3.1.1 section 4.6): behind a disk that does not write, an acknowledgement in its
turn would keep the broker's window closed, and a door's alarm behind it. Brokers go by the
packet identifier.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Final, Protocol

from monitor.adapters.intake_queue import Bounds, IntakeQueue, Settle
from monitor.adapters.wire_topics import Target
from monitor.core.events import ReadingsShed
from monitor.ports import Codec, Message

TAKEN_A_TURN: Final = 32
"""Deliveries taken in one turn of the loop: a person's action and the disk's word get in between."""
TURN_S_MAX: Final = 0.005
"""Nor is another begun after so much processor time: what is first said of a door costs many times what follows."""
PRESSED_AFTER_S: Final = 2.0
"""Something waited for so long without a pause: more comes than is taken, and it is no burst."""
REST_S: Final = 1.0
"""How long a quantity rests at most while the disk is behind: of many, one a second is written."""
REPORT_S: Final = 0.5
STALLED_S: Final = 0.05


class Taker(Protocol):
    """What takes deliveries: the engine."""

    def receive(self, message: Message, settle: Settle, received: float | None = None) -> None: ...
    def note_shed(self, event: ReadingsShed) -> None: ...


class Disk(Protocol):
    """What is asked of the journal."""

    @property
    def depth(self) -> int: ...
    @property
    def full(self) -> bool: ...
    @property
    def healthy(self) -> bool: ...


class Intake:
    """Between the feed and the engine; on the event loop's thread.

    ``window`` is how many deliveries the broker keeps in flight at most; the bounds of what may wait are
    shares of it. ``on_fault`` hears of what the
    engine raised for a delivery that had waited: as for one taken at once, what follows cannot be trusted.
    """

    def __init__(
        self,
        find_target: Callable[[str], Target | None],
        codec: Codec,
        taker: Taker,
        disk: Disk,
        *,
        window: int,
        on_fault: Callable[[Exception], None],
    ) -> None:
        bounds = Bounds(quantities=max(window * 3 // 4, 1), last=window)
        self._queue = IntakeQueue(bounds, find_target=find_target, codec=codec)
        self._overtaken_at = max(window // 16, 1)
        self._last_at = bounds.last
        self._taker = taker
        self._disk = disk
        self._behind_at = max(window * 3 // 4, 1)
        self._full_at = 2 * window
        self._on_fault = on_fault
        self._loop = asyncio.get_running_loop()
        self._taken = 0
        self._turn_until = 0.0
        self._turning = False
        self._behind = False
        self._stalled = False
        self._pressed = False
        self._waits_since: float | None = None
        self._timers: dict[str, asyncio.TimerHandle] = {}
        self._closed = False
        self.shed = 0
        """Deliveries left out since the start."""

    @property
    def waiting(self) -> int:
        """Deliveries that wait to be taken."""
        return self._queue.waiting

    @property
    def is_full(self) -> bool:
        """No more can be held: the socket is better left alone. At the end it is read, for the broker's last answer."""
        return self._queue.waiting >= self._full_at and not self._closed

    def offer(self, message: Message, settle: Settle) -> None:
        """Take a delivery now if that is possible, else when its turn comes."""
        if self._closed:
            return
        if not (self._queue.waiting or self._behind or self._stalled) and self._may_take():
            self._turn_soon()
            self._queue.note_taken(message)
            self._taker.receive(message, settle)
            return
        resting = self._behind and not self.is_full
        was_pressed, self._pressed = self._pressed, self._is_pressed()
        if self._pressed and not was_pressed:
            self._settle(self._queue.press(resting=resting))
        self._settle(
            self._queue.put(
                message, settle, time.perf_counter(), pressed=self._pressed, resting=resting, closed=self._stalled
            )
        )
        if self._behind:
            self._after("wake", REST_S, self._wake)
        if self._queue.has_ready:
            self._turn_soon()

    def close(self) -> None:
        """Stop taking; what waits, or still comes, is the broker's to deliver again. Tells what was left out."""
        self._closed = True
        for timer in self._timers.values():
            timer.cancel()
        self._timers.clear()
        if self._queue.has_shed:
            self._report()

    def _settle(self, left_out: list[Settle]) -> None:
        """Acknowledge what was left out, and have it told soon."""
        for settle in left_out:
            self.shed += 1
            settle()
        if left_out:
            self._after("report", REPORT_S, self._report)

    def _is_pressed(self) -> bool:
        waiting = self._queue.waiting
        if self._behind or self._stalled or waiting > self._last_at:
            return True
        if waiting < self._overtaken_at or self._waits_since is None:
            return False
        return self._loop.time() - self._waits_since >= PRESSED_AFTER_S

    def _turn(self) -> None:
        """Take what waits, a few of it, at the beginning of a turn of the loop."""
        self._taken = 0
        self._turning = False
        if self._closed:
            return
        self._look_at_disk()
        while (
            not self._stalled
            and self._queue.has_ready
            and self._may_take()
            and (waiting := self._queue.take()) is not None
        ):
            try:
                self._taker.receive(waiting.message, waiting.settle, waiting.received)
            except Exception as error:
                self._on_fault(error)
                return
        if not self._queue.waiting:
            self._waits_since = None
        elif self._waits_since is None:
            self._waits_since = self._loop.time()
        if self._queue.has_shed:
            self._after("report", REPORT_S, self._report)
        if self._stalled:
            self._after("stalled", STALLED_S, self._turn_soon)
        elif self._taken or self._queue.has_ready:
            self._turn_soon()

    def _may_take(self) -> bool:
        """Count one more for this turn, if it has room."""
        now = time.thread_time()
        if not self._taken:
            self._turn_until = now + TURN_S_MAX
        elif self._taken >= TAKEN_A_TURN or now >= self._turn_until:
            return False
        self._taken += 1
        return True

    def _turn_soon(self) -> None:
        # Never two turns at a time: each would take its share, and both would go on for as long as the load.
        if not self._turning:
            self._turning = True
            self._loop.call_soon(self._turn)

    def _look_at_disk(self) -> None:
        depth = self._disk.depth
        was_behind = self._behind
        # A broker may keep fewer in flight than we allow: a disk that fails is not given all of them.
        self._behind = depth >= self._behind_at or (depth >= self._overtaken_at and not self._disk.healthy)
        self._stalled = self._disk.full
        if not self._behind or self.is_full:
            self._queue.wake()
        elif not was_behind:
            self._settle(self._queue.press(resting=True))
            self._after("wake", REST_S, self._wake)

    def _wake(self) -> None:
        self._queue.wake()
        self._turn_soon()

    def _report(self) -> None:
        if self._queue.has_shed:
            self._taker.note_shed(self._queue.report())

    def _after(self, name: str, seconds: float, run: Callable[[], None]) -> None:
        """Run something once, a while after the first time that this is asked."""
        if name not in self._timers and not self._closed:
            self._timers[name] = self._loop.call_later(seconds, self._run_timer, name, run)

    def _run_timer(self, name: str, run: Callable[[], None]) -> None:
        del self._timers[name]
        run()
