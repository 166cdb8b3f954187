"""A connection on which nothing comes any more, without an end: noticed in time.

Owns asking the broker for a sign of life and giving the connection up. The client library
asks after one keep-alive of silence and gives up after another; a cable that was pulled
would be told of only then. Here half a keep-alive asks, and one and a half are enough.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final

ASK_AFTER: Final = 0.5
GIVE_UP_AFTER: Final = 1.4
"""In keep-alives; with one look's delay it is one and a half at most."""
LOOKS: Final = 10
"""A keep-alive."""


class SilenceWatch:
    """Watches one connection from :meth:`start` on, until :meth:`stop`.

    ``heard_at`` returns when something last came (s, the loop's clock); ``ask`` sends for a
    sign of life; ``give_up(why)`` ends the connection. A ``keepalive_s`` of 0 watches nothing.
    """

    def __init__(
        self,
        keepalive_s: float,
        *,
        heard_at: Callable[[], float],
        ask: Callable[[], object],
        give_up: Callable[[str], None],
    ) -> None:
        self._keepalive_s = keepalive_s
        self._heard_at = heard_at
        self._ask = ask
        self._give_up = give_up
        self._loop = asyncio.get_running_loop()
        self._asked_at = 0.0
        self._looked_at = 0.0
        self._deaf_until = 0.0
        self._timer: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Begin."""
        self._looked_at = self._loop.time()
        self._go_on()

    def _go_on(self) -> None:
        if self._keepalive_s > 0:
            self._timer = self._loop.call_later(self._keepalive_s / LOOKS, self._look)

    def stop(self) -> None:
        """Watch no longer."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _look(self) -> None:
        now = self._loop.time()
        if now - self._looked_at > 3 * self._keepalive_s / LOOKS:
            self._deaf_until = now  # we did not run: what came meanwhile is read after this
        self._looked_at = now
        heard_at = max(self._heard_at(), self._deaf_until)
        silent_s = now - heard_at
        if silent_s >= GIVE_UP_AFTER * self._keepalive_s:
            self._timer = None
            self._give_up(f"nothing heard for {silent_s:.1f} s")
            return
        if silent_s >= ASK_AFTER * self._keepalive_s and self._asked_at <= heard_at:
            self._asked_at = now
            self._ask()
        self._go_on()
