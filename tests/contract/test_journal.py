"""What every journal promises, asked of the real one and of the fake."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.journal import SqliteJournal
from monitor.adapters.journal_memory import MemoryJournal
from monitor.adapters.journal_rows import START, CursorError
from monitor.adapters.wire_commands import encode_event
from monitor.core.alarm_health import Annunciation
from monitor.core.effects import CountDropped, NoteDeafness, PublishEvent, RecordAudit, RejectInput
from monitor.core.events import MonitorStarted
from monitor.core.times import SECOND, format_time
from monitor.core.watched import Note, Span
from monitor.ports import Entry, Journal, Snapshot

T0 = 1_772_360_100_000_000
DEADLINE_S = 10.0
TOPIC = "apron/v1/tarnwick/aircraft/XA-ABC/door/L1/closed"

AnyJournal = SqliteJournal | MemoryJournal


class Desk:
    """Makes a journal, and makes it again on what the first one left."""

    def __init__(self, kind: str, folder: Path) -> None:
        self._kind = kind
        self._path = folder / "data" / "journal.sqlite3"
        self._journal: AnyJournal | None = None

    def start(self, **settings: Any) -> AnyJournal:
        journal: AnyJournal
        journal = SqliteJournal(self._path, **settings) if self._kind == "sqlite" else MemoryJournal(**settings)
        journal.start()
        self._journal = journal
        return journal

    async def restart(self) -> AnyJournal:
        assert self._journal is not None
        await self._journal.close()
        if isinstance(self._journal, MemoryJournal):
            self._journal = self._journal.reopened()
        else:
            self._journal = SqliteJournal(self._path)
        self._journal.start()
        return self._journal

    async def close(self) -> None:
        if self._journal is not None:
            await self._journal.close()


@pytest.fixture(params=["sqlite", "memory"])
async def desk(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Desk]:
    desk = Desk(request.param, tmp_path)
    yield desk
    await desk.close()


@pytest.fixture
async def journal(desk: Desk) -> AnyJournal:
    return desk.start()


def entry(position: int, *effects: Any, payload: bytes = b'{"value": true}', topic: str = TOPIC) -> Entry:
    return Entry(
        position, T0 + position * SECOND, "message", topic, payload, position % 2 == 0, effects, position % 3 == 0
    )


def raised(
    number: int, *, time: int = T0, aircraft: str = "XA-ABC", door: str = "L1", code: str = "bottle-low"
) -> PublishEvent:
    return PublishEvent(
        aircraft, door, code, "raised", f"id-{number}", time, {"alert_id": f"a{number}", "text": "Gänse"}
    )


async def commit(journal: Journal, *entries: Entry) -> None:
    """Append, and wait until the last one is durable."""
    done = asyncio.Event()
    for each in entries[:-1]:
        journal.append(each)
    journal.append(entries[-1], done.set)
    await asyncio.wait_for(done.wait(), DEADLINE_S)


async def until(condition: Callable[[], bool]) -> None:
    """Give the event loop turns until ``condition`` holds."""
    async with asyncio.timeout(DEADLINE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for sets no event
            await asyncio.sleep(0)


async def test_it_is_a_journal(journal: AnyJournal) -> None:
    port: Journal = journal
    assert port.healthy
    assert journal.depth == 0


async def test_an_empty_journal_starts_at_nothing(journal: AnyJournal) -> None:
    assert journal.last_position() == 0
    assert list(journal.entries_after(0)) == []
    assert journal.latest_snapshot() is None
    assert (await journal.history()) == ([], None)
    assert (await journal.quarantine()) == ([], None)
    assert (await journal.audit()) == ([], None)
    assert await journal.quarantine_totals() == {}


async def test_entries_come_back_whole_and_in_order(desk: Desk) -> None:
    journal = desk.start()
    entries = [
        entry(1, payload=b""),
        entry(2, payload=b"\xff\x00not text", topic="apron/v1/tarnwick/aircraft/XA-ABC/door/L1/travel"),
        Entry(3, T0, "AlertAcknowledged", "", b'{"by":"A"}', False),
        entry(4),
        *(entry(position) for position in range(5, 600)),
    ]
    await commit(journal, *entries)
    journal = await desk.restart()
    assert list(journal.entries_after(0)) == entries
    assert list(journal.entries_after(597)) == entries[597:]
    assert journal.last_position() == 599


async def test_what_comes_back_has_no_effects(journal: AnyJournal) -> None:
    await commit(journal, entry(1, raised(1)))
    assert [each.effects for each in journal.entries_after(0)] == [()]


async def test_callbacks_come_later_in_order_and_only_for_what_is_durable(journal: AnyJournal) -> None:
    heard: list[tuple[int, int]] = []
    done = asyncio.Event()

    def note(position: int) -> Callable[[], None]:
        def committed() -> None:
            heard.append((position, journal.last_position()))
            if position == 1000:
                done.set()

        return committed

    for position in range(1, 1001):
        journal.append(entry(position), note(position) if position % 100 == 0 else None)
    assert heard == []  # nothing runs inside append
    await asyncio.wait_for(done.wait(), DEADLINE_S)
    assert [position for position, _ in heard] == list(range(100, 1001, 100))
    assert all(on_disk >= position for position, on_disk in heard)


async def test_a_callback_that_raises_keeps_no_other_waiting(journal: AnyJournal) -> None:
    faults: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: faults.append(context))

    def broken() -> None:
        raise RuntimeError("a listener broke")

    journal.append(entry(1), broken)
    await commit(journal, entry(2))
    await until(lambda: bool(faults))
    assert str(faults[0]["exception"]) == "a listener broke"


async def test_a_position_out_of_turn_is_refused(journal: AnyJournal) -> None:
    with pytest.raises(ValueError, match="position 2 does not follow 0"):
        journal.append(entry(2))
    await commit(journal, entry(1))
    with pytest.raises(ValueError, match="position 1 does not follow 1"):
        journal.append(entry(1))
    with pytest.raises(ValueError, match="position 3 does not follow 1"):
        journal.append(entry(3))
    await commit(journal, entry(2))


async def test_positions_go_on_after_a_restart(desk: Desk) -> None:
    await commit(desk.start(), entry(1), entry(2))
    journal = await desk.restart()
    with pytest.raises(ValueError, match="does not follow 2"):
        journal.append(entry(1))
    await commit(journal, entry(3))
    assert [each.position for each in journal.entries_after(0)] == [1, 2, 3]


async def test_closing_writes_what_is_queued_and_calls_back(desk: Desk) -> None:
    journal = desk.start()
    heard: list[int] = []
    for position in range(1, 3001):
        journal.append(entry(position), lambda position=position: heard.append(position))
    journal = await desk.restart()
    assert heard == list(range(1, 3001))
    assert journal.last_position() == 3000


async def test_the_newest_snapshot_wins(desk: Desk) -> None:
    journal = desk.start()
    for position in range(1, 6):
        journal.append(entry(position))
        journal.save_snapshot(Snapshot(position, T0 + position, b"state %d" % position))
    await commit(journal, entry(6))
    journal = await desk.restart()
    assert journal.latest_snapshot() == Snapshot(5, T0 + 5, b"state 5")
    assert [each.position for each in journal.entries_after(5)] == [6]


async def test_a_batch_is_reported(desk: Desk) -> None:
    batches: list[tuple[int, float]] = []
    journal = desk.start(on_batch=lambda rows, seconds: batches.append((rows, seconds)))
    await commit(journal, *(entry(position) for position in range(1, 11)))
    await until(lambda: sum(rows for rows, _ in batches) == 10)
    assert all(seconds >= 0 for _, seconds in batches)
    assert journal.last_batch == batches[-1]
    assert journal.depth == 0


async def test_history_is_newest_first_by_the_moment_of_the_change(journal: AnyJournal) -> None:
    late = raised(3, time=T0 - SECOND)
    await commit(journal, entry(1, raised(1), raised(2)), entry(2, late), entry(3, CountDropped("repeat")))
    page = await journal.history()
    assert [row["id"] for row in page.rows] == ["id-2", "id-1", "id-3"]
    assert page.next_cursor is None
    assert page.rows[0] == {
        "id": "id-2",
        "type": "sillwatch.alert.raised",
        "time": format_time(T0),
        "aircraft": "XA-ABC",
        "door": "L1",
        "code": "bottle-low",
        "data": {"alert_id": "a2", "text": "Gänse"},
    }


async def test_an_event_told_twice_is_kept_once(journal: AnyJournal) -> None:
    await commit(journal, entry(1, raised(1)), entry(2, raised(1)))
    assert [row["id"] for row in (await journal.history()).rows] == ["id-1"]


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        ({"aircraft": "XA-ABC"}, [5, 2, 1]),
        ({"door": "R2"}, [4, 2]),
        ({"aircraft": "XA-ABC", "door": "R2"}, [2]),
        ({"code": "slide-deployed"}, [5, 3]),
        ({"code": "slide-deployed", "aircraft": "XA-DEF"}, [3]),
        ({"since": T0 + 2 * SECOND, "until": T0 + 4 * SECOND}, [3, 2]),
        ({"aircraft": "XA-XYZ"}, []),
        ({"aircraft": "' OR 1=1 --"}, []),
    ],
)
async def test_history_answers_questions(journal: AnyJournal, question: dict[str, Any], answer: list[int]) -> None:
    await commit(
        journal,
        entry(
            1,
            raised(1, time=T0 + SECOND),
            raised(2, time=T0 + 2 * SECOND, door="R2"),
            raised(3, time=T0 + 3 * SECOND, aircraft="XA-DEF", code="slide-deployed"),
            raised(4, time=T0 + 4 * SECOND, aircraft="XA-DEF", door="R2"),
            raised(5, time=T0 + 5 * SECOND, code="slide-deployed"),
        ),
    )
    page = await journal.history(**question)
    assert [row["id"] for row in page.rows] == [f"id-{number}" for number in answer]


async def test_pages_follow_one_another_while_new_rows_arrive(journal: AnyJournal) -> None:
    await commit(journal, entry(1, *(raised(number, time=T0 + number // 3) for number in range(10))))
    seen: list[str] = []
    page = await journal.history(limit=4)
    position = 1
    while True:
        seen += [row["id"] for row in page.rows]
        if page.next_cursor is None:
            break
        position += 1
        await commit(journal, entry(position, raised(100 + position, time=T0 + SECOND)))
        page = await journal.history(limit=4, before_cursor=page.next_cursor)
    assert seen == [f"id-{number}" for number in reversed(range(10))]


@pytest.mark.parametrize(
    "cursor", ["", "?", "nonsense", "MTIz", "MTIzLjQ1LjY3", "é", "OTk5OTk5OTk5OTk5OTk5OTk5OTk5LjE"]
)
async def test_a_cursor_that_is_not_ours_is_refused(journal: AnyJournal, cursor: str) -> None:
    with pytest.raises(CursorError):
        await journal.history(before_cursor=cursor)
    with pytest.raises(CursorError):
        await journal.quarantine(before=cursor)
    with pytest.raises(CursorError):
        await journal.audit(before=cursor)


async def test_the_quarantine_keeps_the_last_and_counts_all(desk: Desk) -> None:
    journal = desk.start(quarantine_rows=5)
    for position in range(1, 13):
        reason = "not-json" if position % 3 else "too-large"
        journal.append(entry(position, RejectInput(reason, f"topic/{position}", "it says why")))
    await commit(journal, entry(13))
    page = await journal.quarantine(limit=3)
    assert [row["topic"] for row in page.rows] == ["topic/12", "topic/11", "topic/10"]
    rest = await journal.quarantine(limit=3, before=page.next_cursor)
    assert [row["topic"] for row in rest.rows] == ["topic/9", "topic/8"]
    assert rest.next_cursor is None
    assert await journal.quarantine_totals() == {"not-json": 8, "too-large": 4}


@pytest.mark.parametrize(
    ("payload", "shown"),
    [
        (b"{nonsense", {"payload": "{nonsense", "size": 9}),
        (b"\xff\x00", {"payload_base64": "/wA=", "size": 2}),
        (b"x" * 5000, {"payload": "x" * 1024, "size": 5000}),
        (b"x" + "ü".encode() * 2000, {"payload": "x" + "ü" * 511, "size": 4001}),
    ],
)
async def test_a_quarantined_payload_can_be_read(journal: AnyJournal, payload: bytes, shown: dict[str, Any]) -> None:
    await commit(journal, entry(1, RejectInput("not-json", TOPIC, "no JSON"), payload=payload))
    [row] = (await journal.quarantine()).rows
    assert row == {"at": format_time(T0 + SECOND), "reason": "not-json", "topic": TOPIC, "detail": "no JSON", **shown}


async def test_the_audit_keeps_who_did_what(journal: AnyJournal) -> None:
    for position in range(1, 6):
        journal.append(
            entry(
                position,
                RecordAudit(T0 + position, "P. Heron", "acknowledged", f"a{position}", "seen", "u", "a", "10.0.0.7"),
            )
        )
    await commit(journal, entry(6))
    page = await journal.audit(limit=3)
    assert [row["subject"] for row in page.rows] == ["a5", "a4", "a3"]
    assert {name: value for name, value in page.rows[0].items() if name not in ("hash", "previous")} == {
        "number": 5,
        "time": format_time(T0 + 5),
        "by": "P. Heron",
        "action": "acknowledged",
        "subject": "a5",
        "reason": "seen",
        "before": "u",
        "after": "a",
        "origin": "10.0.0.7",
    }
    rest = await journal.audit(limit=3, before=page.next_cursor)
    assert [row["subject"] for row in rest.rows] == ["a2", "a1"]


async def test_text_that_no_database_takes_does_not_stop_the_journal(journal: AnyJournal) -> None:
    odd = PublishEvent("XA-ABC", "L1", "bottle-low", "raised", "id-1", T0, {"text": "half \ud800 a character"})
    await commit(
        journal, entry(1, odd, RejectInput("not-json", "t", "\udfff"), RecordAudit(T0, "\ud800", "a", "s", "r", "", ""))
    )
    assert (await journal.history()).rows[0]["data"] == {"text": "half ? a character"}
    assert (await journal.quarantine()).rows[0]["detail"] == "?"
    assert (await journal.audit()).rows[0]["by"] == "?"


async def test_pruning_keeps_what_a_restart_needs(journal: AnyJournal) -> None:
    count = 1300
    for position in range(1, count + 1):
        journal.append(entry(position, raised(position, time=T0 + position * SECOND)))
        if position in (600, 1200):
            journal.save_snapshot(Snapshot(position, T0, b"state"))
    await commit(journal, entry(count + 1))
    now = T0 + count * SECOND

    async def prune(inputs_s: int, events_s: int) -> tuple[int, int, int]:
        return await asyncio.wait_for(
            journal.prune(now, keep_inputs_us=inputs_s * SECOND, keep_events_us=events_s * SECOND), DEADLINE_S
        )

    assert await prune(count, count) == (0, 0, 0, 0, 0, 0)
    assert await prune(count - 11, 2000) == (10, 0, 0, 0, 0, 0)
    assert next(journal.entries_after(0)).position == 11
    assert await prune(0, 300) == (589, 999, 0, 0, 0, 0)
    assert [each.position for each in journal.entries_after(0)] == list(range(600, count + 2))
    assert len((await journal.history(limit=1000)).rows) == 301
    assert journal.last_position() == count + 1


async def test_pruning_without_a_snapshot_keeps_every_input(journal: AnyJournal) -> None:
    await commit(journal, entry(1), entry(2))
    assert await journal.prune(T0 + 10**12, keep_inputs_us=0, keep_events_us=0) == (0, 0, 0, 0, 0, 0)
    assert journal.last_position() == 2


async def test_a_topic_used_again_after_pruning_is_still_known(desk: Desk) -> None:
    journal = desk.start()
    await commit(journal, entry(1, topic="old"), entry(2, topic="kept"), entry(3, topic="kept"))
    journal.save_snapshot(Snapshot(3, T0, b"state"))
    await commit(journal, entry(4, topic="kept"))
    assert (await journal.prune(T0 + 10**12, keep_inputs_us=0, keep_events_us=0)).inputs == 2
    await commit(journal, entry(5, topic="old"), entry(6, topic="new"))
    journal = await desk.restart()
    assert [each.topic for each in journal.entries_after(0)] == ["kept", "kept", "old", "new"]


async def test_pruning_gives_way_to_closing(desk: Desk) -> None:
    journal = desk.start()
    for position in range(1, 2001):
        journal.append(entry(position))
    journal.save_snapshot(Snapshot(2000, T0, b"state"))
    await commit(journal, entry(2001))
    pruning = asyncio.create_task(journal.prune(T0 + 10**12, keep_inputs_us=0, keep_events_us=0))
    await asyncio.sleep(0)
    with contextlib.suppress(asyncio.CancelledError):
        await desk.close()
    pruned = await asyncio.wait_for(pruning, DEADLINE_S)
    assert 0 <= pruned.inputs <= 1999


# What sums up a period


def alarm(number: int, kind: str = "raised", *, time: int, **data: Any) -> PublishEvent:
    return PublishEvent("XA-ABC", "L1", "bottle-low", kind, f"id-{number}", time, data)


async def annunciations(journal: AnyJournal, since: int, until: int) -> tuple[int | None, list[Annunciation]]:
    return await journal.study_annunciations(lambda first, told: (first, list(told)), since=since, until=until)


async def test_what_asked_for_attention_is_handed_over_oldest_first(journal: AnyJournal) -> None:
    whose = {"role": "ops", "priority": "caution"}
    await commit(
        journal,
        entry(1, alarm(1, time=T0 + 5, **whose), alarm(2, "reraised", time=T0 + 3, **whose, drill=True)),
        entry(2, alarm(3, "cleared", time=T0 + 4, **whose), alarm(4, time=T0 + 5, **whose, late=True)),
        entry(3, alarm(5, time=T0 + 9, **whose), alarm(6, time=T0 + 2, **whose)),
    )
    first, told = await annunciations(journal, T0 + 3, T0 + 9)
    assert first == T0 + 2
    place = ("XA-ABC", "L1", "bottle-low", "ops", "caution")
    assert told == [
        Annunciation(T0 + 3, *place, drill=True),
        Annunciation(T0 + 5, *place),
        Annunciation(T0 + 5, *place, late=True),
    ]


async def test_more_than_is_read_at_a_time_is_handed_over_whole(journal: AnyJournal) -> None:
    count = 2500
    await commit(journal, entry(1, *(alarm(number, time=T0 + number // 1200) for number in range(count))))
    _, told = await annunciations(journal, T0, T0 + count)
    assert len(told) == count
    assert [each.time for each in told] == sorted(each.time for each in told)


async def test_the_first_moment_on_record_is_that_of_anything_at_all(journal: AnyJournal) -> None:
    assert await annunciations(journal, T0, T0 + 9) == (None, [])
    await commit(journal, entry(1), entry(2, alarm(1, time=T0 + 5 * SECOND)))
    assert (await annunciations(journal, T0, T0 + 9))[0] == T0 + SECOND


STALE = (("wind-limit", "stale", "wind_kt", "gust_kt"), ("bottle-low", "never seen", "slide_bottle_bar"))
AWAY = (("wind-limit", "away"),)


def deaf(at: int, deaf_to: tuple[tuple[str, ...], ...] = (), *, aircraft: str = "XA-ABC", door: str = "L1") -> Any:
    return NoteDeafness(aircraft, door, T0 + at * SECOND, deaf_to)


async def deafness(
    journal: AnyJournal, since: int, until: int, *, aircraft: str = "XA-ABC", door: str | None = None
) -> tuple[list[Note], list[Span]]:
    def study(notes: Iterable[Note], off: Sequence[Span]) -> tuple[list[Note], list[Span]]:
        return list(notes), list(off)

    asked = {"since": T0 + since * SECOND, "until": T0 + until * SECOND}
    return await journal.study_deafness(study, aircraft=aircraft, door=door, **asked)


def noted(*notes: NoteDeafness) -> list[Note]:
    return [Note(note.time, note.door, note.deaf_to) for note in notes]


async def test_what_a_place_was_deaf_to_is_handed_over_in_order(journal: AnyJournal) -> None:
    old, last, now, again, later = (deaf(at, STALE if at % 2 else ()) for at in (1, 4, 5, 5, 9))
    other = deaf(6, STALE, door="-")
    await commit(
        journal,
        entry(1, old, deaf(2, STALE, aircraft="XA-DEF")),
        entry(2, last, other),
        entry(3, now, again._replace(deaf_to=()), later),
    )
    notes, off = await deafness(journal, 5, 9)
    assert off == []
    assert [note for note in notes if note.door == "L1"] == noted(last, now, again._replace(deaf_to=()))
    assert [note for note in notes if note.door == "-"] == noted(other)
    assert (await deafness(journal, 5, 9, door="-"))[0] == noted(other)
    assert (await deafness(journal, 5, 10, door="L1"))[0][-1:] == noted(later)
    assert await deafness(journal, 5, 9, aircraft="XA-NIL") == ([], [])


async def test_many_notes_of_a_place_are_handed_over_whole(desk: Desk) -> None:
    notes = [deaf(at // 3, STALE if at % 2 else ()) for at in range(2500)]
    await commit(desk.start(), entry(1, *notes))
    journal = await desk.restart()
    assert (await deafness(journal, 0, 2500))[0] == noted(*notes)


def start(position: int, at: int) -> Entry:
    kind, body = encode_event(MonitorStarted())
    assert kind == START
    return Entry(position, T0 + at * SECOND, kind, "", body, False)


async def test_a_start_tells_since_when_nobody_looked(desk: Desk) -> None:
    journal = desk.start()
    await commit(journal, start(1, 0), entry(2), entry(5 - 2), start(4, 60))  # the last one was at 3 s
    journal.save_snapshot(Snapshot(4, T0 + 70 * SECOND, b"state"))
    journal = await desk.restart()
    await commit(journal, start(5, 100), start(6, 100))
    spans = [(3, 60), (70, 100)]
    for since, until, seen in ((0, 200, spans), (60, 200, spans[1:]), (59, 70, spans[:1]), (60, 70, [])):
        _, off = await deafness(journal, since, until)
        assert off == [(T0 + begun * SECOND, T0 + over * SECOND) for begun, over in seen]


async def test_pruning_keeps_what_still_holds_of_a_place(journal: AnyJournal) -> None:
    await commit(
        journal,
        entry(1, deaf(1, STALE), deaf(2), deaf(3, STALE), deaf(20)),
        entry(2, deaf(4, door="R1"), deaf(1, STALE, door="-"), deaf(5, AWAY, door="-")),
        start(3, 6),
        start(4, 30),
    )
    pruned = await journal.prune(T0 + 10 * SECOND, keep_inputs_us=0, keep_events_us=0)
    assert pruned == (0, 0, 4, 0, 0, 0)
    notes, off = await deafness(journal, 0, 50)
    assert [note for note in notes if note.door == "L1"] == noted(deaf(3, STALE), deaf(20))
    assert [note for note in notes if note.door == "R1"] == noted(deaf(4, door="R1"))
    assert [note for note in notes if note.door == "-"] == []
    assert off == [(T0 + 6 * SECOND, T0 + 30 * SECOND)]
    assert await journal.prune(T0 + 10 * SECOND, keep_inputs_us=0, keep_events_us=0) == (0, 0, 0, 0, 0, 0)


async def test_many_old_notes_go_in_small_steps(journal: AnyJournal) -> None:
    await commit(journal, entry(1, *(deaf(at, STALE if at % 2 else ()) for at in range(1300))))
    assert (await journal.prune(T0 + 1300 * SECOND, keep_inputs_us=0, keep_events_us=0)).deafness == 1299
    assert (await deafness(journal, 0, 2000))[0] == noted(deaf(1299, STALE))


async def test_events_come_in_the_order_in_which_they_became_durable(desk: Desk) -> None:
    journal = desk.start()
    events = [raised(number, time=T0 - number) for number in range(3)]
    assert (await journal.last_event(), await journal.events_after(0, 10)) == (0, [])
    await commit(journal, *(entry(position, event) for position, event in enumerate((*events, events[0]), 1)))
    journal = await desk.restart()
    kept = await journal.events_after(0, 10)
    assert [each.event for each in kept] == events, "by commit, not by moment; one told twice is one"
    assert await journal.last_event() == kept[-1].seq
    assert await journal.events_after(kept[0].seq, 1) == [kept[1]]
    await journal.prune(T0 + 366 * 86_400 * SECOND, keep_inputs_us=0, keep_events_us=0)
    assert (await journal.last_event(), await journal.events_after(0, 10)) == (0, [])
