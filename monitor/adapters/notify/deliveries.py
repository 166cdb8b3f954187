"""Everything that is told outside, put together: the outbox, the intake and a worker for each destination.

Owns their start and end, what wakes them, what people ask of them, and what readers are
shown. It never decides about an alert, and a destination's trouble never reaches the engine.
"""

from __future__ import annotations

import asyncio
import random
import sqlite3
import zoneinfo
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Any, Concatenate, Final, NamedTuple, ParamSpec, TypeVar

import structlog

from monitor.adapters.notify.alertmanager import AGAIN_AFTER, API_PATH, AlertmanagerWorker
from monitor.adapters.notify.apprise_sender import AppriseSender, load_notify
from monitor.adapters.notify.aside import AsideOutbox
from monitor.adapters.notify.backoff import MOST
from monitor.adapters.notify.intake import Envelope, Intake, ReadEvents
from monitor.adapters.notify.outbox import Outbox
from monitor.adapters.notify.outbox_file import OUTBOX_FILE, OutboxError
from monitor.adapters.notify.outbox_rows import Request
from monitor.adapters.notify.posting import TIMEOUT_S, Poster, show_address
from monitor.adapters.notify.showing import describe_all, describe_dead
from monitor.adapters.notify.webhook import WebhookSender
from monitor.adapters.notify.worker import TRY_AGAIN_AFTER, UNREACHABLE_AFTER, Pace, Sender, Worker, wait_for_wake
from monitor.config.notify_file import Destination, Notify
from monitor.config.secret_files import find_unfit_secrets, list_notify_secrets
from monitor.core.effects import PublishActive, PublishEvent
from monitor.core.events import Command, DeliveryReplayed, DestinationResumed, PersonsCommand
from monitor.core.times import HOUR, SECOND
from monitor.ports import InstanceError, JournalError, Readout, Step

LOOK_EVERY: Final = 5 * SECOND
"""How often it is looked whether somebody asked for something beside the program (µs)."""

TIDY_EVERY: Final = HOUR
DAY: Final = 24 * HOUR

COMMAND_LINE: Final = "command line"
"""The origin of what was asked for beside the program."""

P = ParamSpec("P")
T = TypeVar("T")

_log: Final = structlog.get_logger("sillwatch.notify")


class Surroundings(NamedTuple):
    """What deliveries need of the instance; ``now`` and ``wall`` (people's time) in µs, all plain calls are quick."""

    now: Callable[[], int]
    wall: Callable[[], int]
    envelope: Envelope
    read_events: ReadEvents
    last_event: Callable[[], Awaitable[int]]
    uncommitted: Callable[[], int]
    alerts: Callable[[], list[dict[str, Any]]]
    submit: Callable[[Command], Awaitable[object]]


class Figures(NamedTuple):
    """What a scrape sees; ``failing_s`` is 0 for a destination that does not fail."""

    counts: Mapping[tuple[str, str], int]
    waiting: Mapping[str, int]
    failing_s: Mapping[str, float]


class Deliveries:
    """Tells the configured destinations, durably; without any it does nothing and writes nothing."""

    def __init__(
        self,
        notify: Notify,
        folder: Path,
        timezone: str,
        *,
        retention_days: int,
        chance: random.Random | None = None,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self._notify = notify
        self._path = folder / OUTBOX_FILE
        self._zone: tzinfo = UTC if timezone == "UTC" else zoneinfo.ZoneInfo(timezone)
        self._keep_dead = retention_days * DAY
        self._give_up = round(notify.give_up_after_days * DAY)
        self._chance = chance or random.SystemRandom()
        self._timeout_s = timeout_s
        self._addresses: dict[str, str] = {}
        self._counts: Counter[tuple[str, str]] = Counter()
        self._paces: dict[str, Pace] = {}
        self._workers: dict[str, Worker | AlertmanagerWorker] = {}
        self._tasks: list[asyncio.Task[None]] = []
        self._woken = asyncio.Event()
        self._told = self._escalated = True
        self._tidied = 0
        self._outbox: AsideOutbox | None = None
        self._intake: Intake
        self._around: Surroundings

    # Life

    async def start(self, around: Surroundings) -> None:
        """Take up work where the outbox left off; raises :class:`InstanceError` and then has left nothing open.

        Looks at every address and secret once.
        """
        self._around = around
        destinations = self._notify.destinations
        if not destinations and not self._path.exists():
            return
        urls = {name: _read_url(name, each) for name, each in destinations.items()}
        for told in find_unfit_secrets(list_notify_secrets(self._notify)):
            _log.warning(told, action="secret-open")
        self._addresses = {name: show_address(url) for name, url in urls.items()}
        # On a thread: secrets are read, certificates loaded, and one library takes a second to import.
        senders = await asyncio.to_thread(
            lambda: {name: self._build_sender(name, each, urls[name]) for name, each in destinations.items()}
        )
        try:
            outbox = self._outbox = AsideOutbox(Outbox(self._path))
            kinds = {name: str(each.kind) for name, each in destinations.items()}
            await outbox.do(Outbox.configure, kinds, await around.last_event())
        except (OutboxError, sqlite3.Error, JournalError) as error:
            await self.stop()
            raise InstanceError(f"what is told outside cannot be kept: {error}") from None
        self._intake = Intake(
            {name: each for name, each in destinations.items() if each.kind != "alertmanager"},
            outbox,
            envelope=around.envelope,
            read_events=around.read_events,
            alerts=around.alerts,
            now=around.now,
            wall=around.wall,
            zone=self._zone,
            queued=self._wake_workers,
        )
        self._workers = {name: self._build_worker(name, sender, outbox) for name, sender in senders.items()}
        serves = [self._serve_intake(), *(worker.serve() for worker in self._workers.values())]
        self._tasks = [asyncio.create_task(serve) for serve in serves]
        _log.info("telling destinations", action="delivery-start", destinations=" ".join(sorted(kinds)) or "none")

    async def stop(self) -> None:
        """Stop; what was not confirmed is sent again at the next start. Safe to call at any time."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks = []
        if self._outbox is not None:
            outbox, self._outbox = self._outbox, None
            await outbox.close()

    def _build_sender(self, name: str, destination: Destination, url: str) -> Sender | Poster:
        if destination.kind == "apprise":
            return AppriseSender(load_notify(name, url))
        if destination.kind == "alertmanager":
            url = url.rstrip("/")
            return self._poster(url if url.endswith(API_PATH) else url + API_PATH)
        assert destination.secret_file is not None  # the config says so
        return WebhookSender(self._poster(url), destination.secret_file, self._around.wall)

    def _poster(self, url: str) -> Poster:
        return Poster(url, self._around.wall, timeout_s=self._timeout_s)

    def _build_worker(self, name: str, sender: Sender | Poster, outbox: AsideOutbox) -> Worker | AlertmanagerWorker:
        gap_max = AGAIN_AFTER if isinstance(sender, Poster) else MOST
        now, chance = self._around.now, self._chance
        pace = self._paces[name] = Pace(name, outbox, now=now, chance=chance, gap_max=gap_max)
        if isinstance(sender, Poster):
            return AlertmanagerWorker(
                pace, self._notify.destinations[name], sender, outbox,
                alerts=self._around.alerts, now=now, wall=self._around.wall, zone=self._zone, count=self._counts,
            )  # fmt: skip
        return Worker(pace, sender, outbox, now=now, chance=chance, give_up=self._give_up, count=self._counts)

    # What wakes it

    def observe(self, step: Step) -> None:
        """Hear of every step; what was told is taken over once it is durable."""
        if self._outbox is None:
            return
        for effect in step.effects:
            if isinstance(effect, PublishEvent):
                self._told = True
            elif isinstance(effect, PublishActive) and effect.document and effect.document.get("escalated"):
                self._escalated = True
                self._woken.set()

    def note_commit(self) -> None:
        """The journal has committed: what was told before is durable, or is about to be."""
        if self._told and self._outbox is not None:
            self._told = self._around.uncommitted() > 0
            self._woken.set()
            self._wake_posted()

    def look(self) -> None:
        """Look at everything again: time may have passed."""
        self._woken.set()
        self._wake_workers()

    def _wake_posted(self) -> None:
        for worker in self._workers.values():
            if isinstance(worker, AlertmanagerWorker):
                worker.wake()

    def _wake_workers(self) -> None:
        for worker in self._workers.values():
            worker.wake()

    async def _serve_intake(self) -> None:
        while True:
            self._woken.clear()
            look_at = self._around.now() + LOOK_EVERY
            try:
                release_at = await self._take()
                look_at = look_at if release_at is None else min(look_at, release_at)
            except Exception:
                # The journal, the disk, or a fault of ours: the cursors stand, and nothing is passed over.
                _log.exception("events cannot be taken over now", action="delivery-intake")
                self._escalated = True
                look_at = self._around.now() + TRY_AGAIN_AFTER
            await wait_for_wake(self._woken, look_at, self._around.now())

    async def _take(self) -> int | None:
        outbox = self._outbox
        assert outbox is not None
        while await self._intake.take_events():
            pass
        if self._escalated:
            self._escalated = False
            await self._intake.take_escalations()
        release_at = await self._intake.release()
        now = self._around.now()
        if now - self._tidied >= TIDY_EVERY:
            self._tidied = now
            await outbox.do(Outbox.give_up, now - self._give_up, now)
            await outbox.do(Outbox.prune, now - self._keep_dead, now)
        # Last: a request that cannot be fulfilled must keep no event waiting.
        for request in await outbox.do(Outbox.requests):
            await self._fulfil(request)
        return release_at

    # What people ask

    async def is_dead(self, letter: int) -> bool:
        """Tell whether a letter of that number was laid aside; raises as :meth:`describe`."""
        found = await self.dead_letters(limit=1, before=letter + 1)
        return any(each["id"] == str(letter) for each in found)

    def is_destination(self, name: str) -> bool:
        """Tell whether a destination of that name is configured."""
        return name in self._workers

    async def replay(self, letter: int) -> None:
        """Send a dead letter again; the caller has had it audited. Raises as :meth:`describe`."""
        await self._ask(Outbox.replay, letter, self._around.now())
        self._wake_workers()

    async def resume(self, name: str) -> None:
        """Try a destination again at once, also one that is gone; raises as :meth:`replay`."""
        await self._ask(Outbox.resume, name)
        self._wake_workers()

    async def _fulfil(self, request: Request) -> None:
        """Do what somebody asked beside the program, audited like everything that people do."""
        assert self._outbox is not None
        number = int(request.subject) if request.asked == "replay" and request.subject.isdecimal() else -1
        command: PersonsCommand
        if request.asked == "resume" and self.is_destination(request.subject):
            command = DestinationResumed(request.subject, request.person, request.reason, COMMAND_LINE)
            await self._around.submit(command)
            await self.resume(request.subject)
        elif request.asked == "replay" and await self.is_dead(number):
            command = DeliveryReplayed(str(number), request.person, request.reason, COMMAND_LINE)
            await self._around.submit(command)
            await self.replay(number)
        else:
            _log.warning("what was asked for is not there", action=request.asked, subject=request.subject)
        await self._outbox.do(Outbox.finish_request, request.id)

    # What readers are shown

    async def describe(self) -> list[Readout]:
        """How each destination does. Raises :class:`JournalError` where the outbox cannot be read."""
        if self._outbox is None:
            return []
        conditions, queues = await self._ask(Outbox.survey)
        return describe_all(conditions, queues, self._waiting(), self._outbox.outbox.dead, self._addresses)

    async def dead_letters(self, *, limit: int, before: int | None) -> list[Readout]:
        """Dead letters, newest first, from below the number ``before``; raises as :meth:`describe`."""
        if self._outbox is None:
            return []
        return [describe_dead(each) for each in await self._ask(Outbox.dead_letters, limit, before)]

    async def _ask(self, method: Callable[Concatenate[Outbox, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        if self._outbox is None:
            raise JournalError("there is no outbox, since no destination is configured")
        try:
            return await self._outbox.do(method, *args, **kwargs)
        except (sqlite3.Error, RuntimeError) as error:
            raise JournalError(f"the outbox cannot be used: {error}") from None

    def figures(self) -> Figures:
        """What a scrape sees now."""
        counts, outbox = Counter(self._counts), self._outbox
        for name in self._workers:
            for outcome in ("delivered", "failed", "dead", "dropped"):
                counts[name, outcome] += 0
        if outbox is not None:
            for outcome, totals in (("dead", outbox.outbox.died), ("dropped", outbox.outbox.dropped)):
                for name, total in list(totals.items()):
                    counts[name, outcome] += total
        now = self._around.now()
        failing = {
            name: 0.0 if pace.failing_since is None else (now - pace.failing_since) / SECOND
            for name, pace in self._paces.items()
        }
        return Figures(counts, self._waiting(), failing)

    def list_unreachable(self) -> list[str]:
        """Destinations that have taken nothing for ten minutes or longer."""
        failing = self.figures().failing_s
        return sorted(name for name, seconds in failing.items() if seconds * SECOND >= UNREACHABLE_AFTER)

    def _waiting(self) -> dict[str, int]:
        letters = {} if self._outbox is None else dict(self._outbox.outbox.waiting)
        for name, worker in self._workers.items():
            letters[name] = worker.unconfirmed if isinstance(worker, AlertmanagerWorker) else letters.get(name, 0)
        return letters


def _read_url(name: str, destination: Destination) -> str:
    """Return a destination's address; what is wrong with one from a file is told without repeating it."""
    if destination.url is not None:
        return destination.url
    path = destination.url_file
    assert path is not None  # the config says so
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise InstanceError(f"{path}: no address to read for the destination {name}") from None
    url = lines[0].strip() if lines else ""
    if destination.kind != "apprise" and not show_address(url).startswith(("http://", "https://")):
        raise InstanceError(f"{path}: the first line is no address; write one that starts with https:// or http://")
    if not url:
        raise InstanceError(f"{path}: no address to read for the destination {name}")
    return url
