"""One destination's own worker: takes its letters from the outbox and sees to each one's fate.

Owns the pace: a few at once, in order for each alert, one at a time while the destination
fails, and a growing gap after each failure. One destination's worker knows of no other, so
that none delays another.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import Counter
from collections.abc import Callable
from typing import Final, Protocol

import structlog

from monitor.adapters.notify.aside import AsideOutbox
from monitor.adapters.notify.backoff import FIRST, FIRST_REFUSED, gap_after
from monitor.adapters.notify.outbox import Outbox
from monitor.adapters.notify.outbox_rows import Failure, Letter, Settled
from monitor.adapters.notify.posting import Fate, Outcome
from monitor.core.times import MINUTE, SECOND

AT_ONCE: Final = 4
TRY_AGAIN_AFTER: Final = 5 * SECOND
"""How soon a worker goes on after a fault on our own side (µs)."""
UNREACHABLE_AFTER: Final = 10 * MINUTE
"""A destination that fails for this long is told of aloud (µs)."""

_log: Final = structlog.get_logger("sillwatch.notify")


class Sender(Protocol):
    """The way to one destination."""

    async def send(self, letter: Letter) -> Outcome:
        """Try once; never raises for what a receiver can do."""

    async def close(self) -> None: ...


class Pace:
    """What follows from a failure of a destination: when it is tried again, and what is said of it.

    ``now`` in µs; ``chance`` spreads the gaps.
    """

    def __init__(
        self, name: str, outbox: AsideOutbox, *, now: Callable[[], int], chance: random.Random, gap_max: int
    ) -> None:
        self.name = name
        self.failing_since: int | None = None
        self._outbox = outbox
        self._now = now
        self._chance = chance
        self._gap_max = gap_max
        self._told = self._loud = False

    async def plan_failure(self, outcome: Outcome, *, anew: bool = False) -> Failure:
        """Say for how long a destination is left alone that has failed; ``anew``: just now it had not."""
        standing = await self._outbox.do(Outbox.condition, self.name)
        failures = 1 + (0 if standing is None or anew else standing.failures)
        first = FIRST_REFUSED if outcome.fate is Fate.REFUSED else FIRST
        gap = max(gap_after(failures, first, self._chance, self._gap_max), outcome.retry_after or 0)
        if self.failing_since is None or anew:
            since = None if standing is None or anew else standing.failing_since
            self.failing_since = self._now() if since is None else since
        return Failure(outcome.error, self._now() + gap, outcome.fate is Fate.GONE)

    def tell_failure(self, failure: Failure) -> None:
        """Say once that a destination fails, and once more when it has for long."""
        if failure.gone:
            _log.error("a destination wants nothing any more", action="delivery-gone", destination=self.name)
        elif not self._told:
            _log.warning("a destination failed", action="delivery-failed", destination=self.name, why=failure.error)
        self._told = True
        failing = 0 if self.failing_since is None else self._now() - self.failing_since
        if failing >= UNREACHABLE_AFTER and not self._loud:
            self._loud = True
            _log.error(
                "a destination has taken nothing for 10 min or longer",
                action="delivery-unreachable", destination=self.name, why=failure.error,
            )  # fmt: skip

    def note_success(self) -> None:
        """The destination takes what it is told."""
        if self.failing_since is not None:
            _log.warning("a destination takes events again", action="delivery-recovered", destination=self.name)
        self.failing_since, self._told, self._loud = None, False, False


class Worker:
    """Sends one destination's letters until cancelled. ``give_up`` is in µs; ``count`` grows by outcome."""

    def __init__(
        self,
        pace: Pace,
        sender: Sender,
        outbox: AsideOutbox,
        *,
        now: Callable[[], int],
        chance: random.Random,
        give_up: int,
        count: Counter[tuple[str, str]],
    ) -> None:
        self.name = pace.name
        self._pace = pace
        self._sender = sender
        self._outbox = outbox
        self._now = now
        self._chance = chance
        self._give_up = give_up
        self._count = count
        self._woken = asyncio.Event()

    def wake(self) -> None:
        """Look again: something came, or time has passed."""
        self._woken.set()

    async def serve(self) -> None:
        """Work until cancelled."""
        try:
            while True:
                self._woken.clear()
                try:
                    look_at = await self._work()
                except Exception:
                    # The disk, or a fault of ours: whatever it was, the letters are kept, and others wait behind it.
                    _log.exception("a destination's worker failed", action="delivery-fault", destination=self.name)
                    look_at = self._now() + TRY_AGAIN_AFTER
                await wait_for_wake(self._woken, look_at, self._now())
        finally:
            await self._sender.close()

    async def _work(self) -> int | None:
        """Send all that is due; returns when to look again."""
        while True:
            due = await self._outbox.do(Outbox.due, self.name, self._now(), AT_ONCE)
            if not due.letters:
                return due.look_at
            await self._send(due.letters)

    async def _send(self, letters: list[Letter]) -> None:
        outcomes = await asyncio.gather(*(self._sender.send(letter) for letter in letters))
        now = self._now()
        settled = [self._settle(letter, outcome, now) for letter, outcome in zip(letters, outcomes, strict=True)]
        arrived = any(each.error is None for each in settled)
        failed = [outcome for outcome in outcomes if outcome.fate not in (Fate.DELIVERED, Fate.REJECTED)]
        failure = None
        if arrived:
            self._pace.note_success()
        if failed:
            worst = max(failed, key=lambda outcome: outcome.fate is Fate.GONE)
            failure = await self._pace.plan_failure(worst, anew=arrived)
        await self._outbox.do(Outbox.settle, self.name, settled, failure, now)
        if failure is not None:
            self._pace.tell_failure(failure)

    def _settle(self, letter: Letter, outcome: Outcome, now: int) -> Settled:
        if outcome.fate is Fate.DELIVERED:
            self._count[self.name, "delivered"] += 1
            return Settled(letter.id, None)
        self._count[self.name, "failed"] += 1
        next_at = 0
        if outcome.fate is Fate.REJECTED:
            gap = gap_after(letter.attempts + 1, FIRST_REFUSED, self._chance)
            next_at = now + max(gap, outcome.retry_after or 0)
            _log.warning(
                "a destination does not take an event", action="delivery-rejected",
                destination=self.name, event_id=letter.draft.event_id, why=outcome.error,
            )  # fmt: skip
        # A receiver that is gone may come back by a person's word: what waits is not laid aside for it at once.
        dead = now - letter.queued_at >= self._give_up
        if dead:
            _log.error(
                "an event was laid aside undelivered", action="delivery-dead",
                destination=self.name, event_id=letter.draft.event_id, why=outcome.error,
            )  # fmt: skip
        return Settled(letter.id, outcome.error, next_at, dead)


async def wait_for_wake(woken: asyncio.Event, look_at: int | None, now: int) -> None:
    """Wait until woken or until ``look_at`` (µs), whichever is first."""
    timeout = None if look_at is None else max(look_at - now, 1_000) / SECOND
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(timeout):
            await woken.wait()
