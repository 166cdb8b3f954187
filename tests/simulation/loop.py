"""An event loop whose time is a number: nothing waits, and the same turns come in the same order.

Owns virtual time for one story. Everything that asyncio does in a real loop it does here too,
callbacks, tasks and futures, but sleeping is adding. It must never touch a socket or a thread.
"""

from __future__ import annotations

import asyncio
from typing import Any


class StalledError(RuntimeError):
    """Nothing is left that could ever happen, and the story has not ended."""


class VirtualLoop(asyncio.BaseEventLoop):
    """Seconds since the story's start; jumps to the next thing that is due."""

    def __init__(self) -> None:
        super().__init__()
        self._seconds = 0.0
        self._selector = self
        self.faults: list[dict[str, Any]] = []
        self.set_exception_handler(lambda _loop, context: self.faults.append(context))

    def time(self) -> float:
        return self._seconds

    def select(self, timeout: float | None) -> list[Any]:
        """Play the selector: where nothing is ready, the time of the next timer has come."""
        if timeout is None:
            raise StalledError("the story stands still")
        timers: list[asyncio.TimerHandle] = vars(self)["_scheduled"]
        if timeout > 0 and timers:
            self._seconds = max(self._seconds, timers[0].when())
        return []

    def _process_events(self, event_list: list[Any]) -> None:
        """No socket, no event."""

    def _write_to_self(self) -> None:
        """No selector to wake."""
