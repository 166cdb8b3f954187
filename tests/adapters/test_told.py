"""The mark of what the broker was told: it may lag behind, and never runs ahead."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from monitor.adapters.told import FILE, LOOK_EVERY_S, Told
from monitor.core.effects import PublishEvent
from monitor.ports import JournalError, KeptEvent


class Journal:
    """So many events, all durable."""

    def __init__(self, newest: int) -> None:
        self.newest = newest
        self.broken = False

    async def last_event(self) -> int:
        if self.broken:
            raise JournalError("closed")
        return self.newest

    async def events_after(self, seq: int, limit: int) -> list[KeptEvent]:
        event = PublishEvent("ZZ-1", "L1", "code", "raised", "id", 0, {})
        return [KeptEvent(number, event) for number in range(seq + 1, self.newest + 1)][:limit]


class Feed:
    def __init__(self) -> None:
        self.offered = 0
        self.unanswered = 0

    def offer(self, count: int) -> None:
        self.offered += count
        self.unanswered += count


async def untold(folder: Path, journal: Journal, limit: int = 100) -> list[int]:
    """What a start on the folder publishes again, by number."""
    return [kept.seq for kept in await Told(folder).untold(journal.newest, journal.events_after, limit)]


@asynccontextmanager
async def followed(folder: Path, feed: Feed, last_event: Callable[[], Awaitable[int]]) -> AsyncIterator[None]:
    """A run that follows the feed; nothing of it is left."""
    told = Told(folder)
    await told.untold(await last_event(), Journal(0).events_after, 100)
    task = asyncio.create_task(told.serve(feed, last_event))
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_without_a_mark_everything_counts_as_told(tmp_path: Path) -> None:
    assert await untold(tmp_path, Journal(7)) == []
    assert (tmp_path / FILE).read_text() == "7\n"


@pytest.mark.looptime
async def test_what_was_not_acknowledged_is_told_again_after_a_kill(tmp_path: Path) -> None:
    journal, feed = Journal(0), Feed()
    async with followed(tmp_path, feed, journal.last_event):
        feed.offer(3)
        journal.newest = 3
        await asyncio.sleep(2.5 * LOOK_EVERY_S)
        feed.unanswered = 0
        await asyncio.sleep(2.5 * LOOK_EVERY_S)
        feed.offer(2)
        journal.newest = 5
        await asyncio.sleep(3.5 * LOOK_EVERY_S)
    assert await untold(tmp_path, journal) == [4, 5]
    assert await untold(tmp_path, journal) == [4, 5], "until they are acknowledged"


@pytest.mark.looptime
async def test_what_is_offered_without_end_does_not_hold_the_mark_back(tmp_path: Path) -> None:
    journal, feed = Journal(0), Feed()
    async with followed(tmp_path, feed, journal.last_event):
        for _ in range(10):
            feed.offer(2)
            feed.unanswered = 1  # the newest one, always
            journal.newest += 2
            await asyncio.sleep(0.5 * LOOK_EVERY_S)
    assert len(await untold(tmp_path, journal)) < 10


async def test_an_orderly_end_leaves_nothing_untold(tmp_path: Path) -> None:
    journal, feed, told = Journal(4), Feed(), Told(tmp_path)
    await told.untold(0, journal.events_after, 100)
    feed.offer(4)
    told.finish(feed, journal.newest)
    assert await untold(tmp_path, journal) == [1, 2, 3, 4], "the broker was away"
    feed.unanswered = 0
    told.finish(feed, journal.newest)
    assert await untold(tmp_path, journal) == []


@pytest.mark.parametrize("text", ["", "not a number", "99\n"])
async def test_a_mark_that_cannot_be_right_repeats_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_text(text)
    assert await untold(tmp_path, Journal(7)) == []
    assert (tmp_path / FILE).read_text() == "7\n"


async def test_of_too_many_the_newest_are_told(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text("0\n")
    assert await untold(tmp_path, Journal(50), limit=3) == [48, 49, 50]


@pytest.mark.looptime
async def test_a_journal_that_cannot_be_asked_leaves_the_mark_where_it_is(tmp_path: Path) -> None:
    journal, feed = Journal(0), Feed()
    async with followed(tmp_path, feed, journal.last_event):
        feed.offer(2)
        journal.newest, journal.broken = 2, True
        await asyncio.sleep(2.5 * LOOK_EVERY_S)
        feed.unanswered = 0
        await asyncio.sleep(2.5 * LOOK_EVERY_S)
        assert (tmp_path / FILE).read_text() == "0\n"
        journal.broken = False
        await asyncio.sleep(2.5 * LOOK_EVERY_S)
    assert (tmp_path / FILE).read_text() == "2\n"


async def test_a_folder_that_cannot_be_written_ends_nothing(tmp_path: Path) -> None:
    journal = Journal(3)
    told = Told(tmp_path / "gone")
    assert await told.untold(3, journal.events_after, 100) == []
