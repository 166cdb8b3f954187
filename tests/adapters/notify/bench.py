"""Deliveries on a bench: a clock that is set, a journal that is a list, a state that is a list.

Owns what stands around them; asserts nothing.
"""

from __future__ import annotations

import asyncio
import base64
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

from monitor.adapters.notify.deliveries import Deliveries, Surroundings
from monitor.adapters.notify.outbox import Outbox
from monitor.adapters.wire import Wire
from monitor.config.notify_file import Destination, Notify
from monitor.core.effects import PublishActive, PublishEvent
from monitor.core.events import Command
from monitor.core.times import format_time
from monitor.ports import KeptEvent, Step

T0 = 1_772_360_100_000_000
DEADLINE_S = 10.0
SECRET = "whsec_" + base64.b64encode(b"k" * 32).decode()
OTHER_SECRET = "whsec_" + base64.b64encode(b"n" * 32).decode()

WIRE = Wire("tarnwick", "sillwatch-tarnwick", frozenset({"alder"}))


async def until(condition: Callable[[], bool], what: str = "") -> None:
    """Wait for a condition, which other tasks and threads bring about."""
    async with asyncio.timeout(DEADLINE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for sets no event
            await asyncio.sleep(0.005)


def alert(number: int = 1, **words: Any) -> dict[str, Any]:
    """An alert's document."""
    return {
        "alert_id": f"a{number}", "code": "armed-handle-moved", "priority": "warning", "state": "unacknowledged",
        "site": "tarnwick", "aircraft": "XA-ABC", "stand": "S11", "door": "L1",
        "raised_at": format_time(T0), "changed_at": format_time(T0),
        "text": "Handle moved with the slide engaged.", "action": "Stop. Lower the handle.", "consequence": "",
        "evidence": [], "basis": "", "role": "door team", "active": True, **words,
    }  # fmt: skip


class Bench:
    """One outbox and what feeds it; started and started again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.now = T0
        self.ahead = 0
        """By how much people's clock is ahead."""
        self.journal: list[KeptEvent] = []
        self.state: list[dict[str, Any]] = []
        self.submitted: list[Command] = []
        self.running: Deliveries | None = None
        (folder / "secret").write_text(f"{SECRET}\n")

    @property
    def deliveries(self) -> Deliveries:
        assert self.running is not None
        return self.running

    def webhook(self, url: str, **words: Any) -> Destination:
        return self.destination(kind="webhook", url=url, secret_file=self.folder / "secret", **words)

    def destination(self, **words: Any) -> Destination:
        return Destination.model_validate(words)

    async def start(self, *, timeout_s: float = 10.0, days: float = 3, **destinations: Destination) -> Deliveries:
        notify = Notify(give_up_after_days=days, destinations=destinations)
        self.running = Deliveries(
            notify, self.folder, "UTC", retention_days=365, chance=random.Random(7), timeout_s=timeout_s
        )
        await self.running.start(
            Surroundings(
                now=lambda: self.now,
                wall=lambda: self.now + self.ahead,
                envelope=WIRE.envelope,
                read_events=self._read,
                last_event=self._last,
                uncommitted=lambda: 0,
                alerts=lambda: self.list_alerts(),
                submit=self._submit,
            )
        )
        return self.running

    def list_alerts(self) -> list[dict[str, Any]]:
        return [dict(each) for each in self.state]

    async def stop(self) -> None:
        if self.running is not None:
            await self.running.stop()
            self.running = None

    def keep(self, *alerts: dict[str, Any], kind: str = "raised", number: int | None = None) -> list[str]:
        """Make events durable without anybody hearing of it; returns their ids."""
        ids = []
        for each in alerts:
            seq = len(self.journal) + 1
            identity = f"{each['alert_id']}-{seq if number is None else number}"
            event = PublishEvent(each["aircraft"], each["door"], each["code"], kind, identity, self.now, each)
            self.journal.append(KeptEvent(seq, event))
            ids.append(identity)
        return ids

    def tell(self, *alerts: dict[str, Any], kind: str = "raised") -> list[str]:
        """Make events durable, and let them be heard of."""
        ids = self.keep(*alerts, kind=kind)
        effects = [kept.event for kept in self.journal[-len(ids) :]]
        self.deliveries.observe(Step(self.now, None, effects, 0.0, 0.0))
        self.deliveries.note_commit()
        return ids

    def hand_on(self, standing: dict[str, Any]) -> None:
        """Let it be heard that a warning was handed on."""
        self.state = [standing]
        effect = PublishActive(standing["aircraft"], standing["door"], standing["code"], standing)
        self.deliveries.observe(Step(self.now, None, [effect], 0.0, 0.0))

    def pass_time(self, us: int) -> None:
        self.now += us
        self.deliveries.look()

    async def shown(self, name: str) -> dict[str, Any]:
        """A destination as readers see it."""
        [found] = [each for each in await self.deliveries.describe() if each["name"] == name]
        return found

    async def until_shown(self, name: str, **words: Any) -> dict[str, Any]:
        """Wait until what is durable is taken over, and a destination is shown so."""
        async with asyncio.timeout(DEADLINE_S):
            while (await self.deliveries._ask(Outbox.cursors)).get(name, 1 << 60) < await self._last():  # noqa: ASYNC110 - a thread brings it about
                await asyncio.sleep(0.005)
            while True:
                found = await self.shown(name)
                if all(found[key] == value for key, value in words.items()):
                    return found
                await asyncio.sleep(0.005)

    async def until_failed(self, name: str, times: int) -> int:
        """Wait until a destination has failed so many times in a row; returns until when it is left alone (µs)."""
        async with asyncio.timeout(DEADLINE_S):
            while True:
                found = await self.deliveries._ask(Outbox.condition, name)
                if found is not None and found.failures == times:
                    return found.not_before
                await asyncio.sleep(0.005)

    async def _read(self, seq: int, limit: int) -> list[KeptEvent]:
        return [kept for kept in self.journal if kept.seq > seq][:limit]

    async def _last(self) -> int:
        return self.journal[-1].seq if self.journal else 0

    async def _submit(self, command: Command) -> None:
        self.submitted.append(command)
