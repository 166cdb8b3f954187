"""What every journal tells of an aircraft's doors and alerts over a while: the real one and the fake."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters import journal_reader
from monitor.adapters.journal_rows import CHANGES_MAX, EARLIER_MAX, STOOD_MAX
from monitor.adapters.journal_store import prepare_database, shipped_migrations
from monitor.core.effects import NoteState, PublishEvent
from monitor.core.timeline import Recorded, Stood
from monitor.core.times import SECOND, format_time
from tests.contract.test_journal import T0, AnyJournal, Desk, commit, entry, start

REG = "XA-ABC"


@pytest.fixture(params=["sqlite", "memory"])
async def desk(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Desk]:
    desk = Desk(request.param, tmp_path)
    yield desk
    await desk.close()


@pytest.fixture
async def journal(desk: Desk) -> AnyJournal:
    return desk.start()


def note(at: float, state: str = "armed", *, door: str = "L1", slide: str = "engaged", reg: str = REG) -> NoteState:
    return NoteState(reg, door, T0 + round(at * SECOND), state, slide)


def change(
    at: float, alert: str, type_: str = "raised", state: str = "unacknowledged", *, door: str = "L1",
    code: str = "bottle-low", raised: float = 0.0, number: int = 1, reg: str = REG,
) -> PublishEvent:  # fmt: skip
    data = {"alert_id": alert, "state": state, "raised_at": format_time(T0 + round(raised * SECOND))}
    return PublishEvent(reg, door, code, type_, f"{alert}-{number}", T0 + round(at * SECOND), data)


async def ask(journal: AnyJournal, since: float, until: float, reg: str = REG) -> Recorded:
    ends = {"since": T0 + round(since * SECOND), "until": T0 + round(until * SECOND)}
    return await journal.study_timeline(lambda recorded: recorded, aircraft=reg, **ends)


def stood(recorded: Recorded) -> list[tuple[float, str, str]]:
    return [((at - T0) / SECOND, door, state) for at, door, state, _ in recorded.stood]


def changed(recorded: Recorded) -> list[tuple[float, Any]]:
    return [((each.at - T0) / SECOND, each.data["alert_id"]) for each in recorded.changes]


async def test_a_door_is_told_from_what_held_at_the_beginning(journal: AnyJournal) -> None:
    await commit(
        journal,
        entry(1, note(1, "closed_locked"), note(2, "armed"), note(2, "open", door="R1"), note(3, reg="XA-DEF")),
        entry(2, note(5, "unlocked"), note(5, "ajar"), note(7, "open"), note(9, "ajar")),
    )
    assert stood(await ask(journal, 4, 9)) == [
        (2, "L1", "armed"), (2, "R1", "open"), (5, "L1", "unlocked"), (5, "L1", "ajar"), (7, "L1", "open"),
    ]  # fmt: skip
    assert stood(await ask(journal, 5, 6)) == [(5, "L1", "ajar"), (2, "R1", "open")], "the last of one instant"
    assert stood(await ask(journal, 0, 2)) == [(1, "L1", "closed_locked")]
    assert (await ask(journal, 5, 6)).stood[0] == Stood(T0 + 5 * SECOND, "L1", "ajar", "engaged")
    assert (await ask(journal, 0, 9)).first == T0 + SECOND
    assert await ask(journal, 4, 9, "XA-NIL") == (None, T0 + 4 * SECOND, [], [], [])


async def test_alerts_are_told_that_stood_at_the_beginning(journal: AnyJournal) -> None:
    await commit(
        journal,
        entry(1, change(1, "over"), change(2, "over", "cleared", "normal", number=2)),
        entry(2, change(3, "still", code="wind-limit", raised=3)),
        entry(3, change(4, "still", "acknowledged", "acknowledged", code="wind-limit", raised=3, number=2)),
        entry(4, change(4, "other", door="-", raised=4), change(4, "elsewhere", reg="XA-DEF")),
        entry(5, change(10, "new", raised=10)),
    )
    recorded = await ask(journal, 5, 11)
    assert changed(recorded) == [(3, "still"), (4, "other"), (4, "still"), (10, "new")]
    assert [each.type for each in recorded.changes] == ["raised", "raised", "acknowledged", "raised"]
    assert changed(await ask(journal, 5, 10)) == [(3, "still"), (4, "other"), (4, "still")]
    assert changed(await ask(journal, 2, 3)) == [(1, "over"), (2, "over")]


async def test_an_alert_of_the_same_place_that_was_over_is_left_out(journal: AnyJournal) -> None:
    await commit(
        journal,
        entry(1, change(1, "first", raised=1), change(2, "first", "cleared", "normal", raised=1, number=2)),
        entry(2, change(3, "second", raised=3)),
    )
    assert changed(await ask(journal, 5, 9)) == [(3, "second")]


async def test_many_earlier_changes_of_one_alert_are_cut_to_the_newest(journal: AnyJournal) -> None:
    count = EARLIER_MAX + 5
    await commit(journal, entry(1, *(change(at, "one", number=at, raised=0) for at in range(count))))
    assert changed(await ask(journal, count, count + 9)) == [(at, "one") for at in (0, *range(5, count))]


async def test_how_an_alert_began_and_its_worst_are_told_however_long_ago(journal: AnyJournal) -> None:
    priorities = ["caution", "advisory", "warning", "warning", *["caution"] * (EARLIER_MAX + 5)]
    told = [change(at, "one", number=at, raised=0) for at in range(len(priorities))]
    told = [each._replace(data={**each.data, "priority": priorities[at]}) for at, each in enumerate(told)]
    await commit(journal, entry(1, *told))
    recorded = await ask(journal, 100, 200)
    assert [each.data["priority"] for each in recorded.changes] == ["caution", "warning", *["caution"] * EARLIER_MAX]
    assert changed(recorded)[:3] == [(0, "one"), (2, "one"), (9, "one")]


async def test_many_alerts_that_stood_are_told_with_fewer_earlier_changes(journal: AnyJournal) -> None:
    doors, each = 400, 5
    told = [
        change(at, f"a{door}", number=at, door=f"D{door:03}", raised=0) for door in range(doors) for at in range(each)
    ]
    await commit(journal, entry(1, *told))
    recorded = await ask(journal, 100, 200)
    assert len({alert for _, alert in changed(recorded)}) == doors, "every one is told"
    assert len(recorded.changes) <= max(CHANGES_MAX, 3 * doors)
    assert changed(recorded)[:1] == [(0, "a0")]
    assert max(at for at, _ in changed(recorded)) == each - 1


async def test_too_many_notes_are_cut_to_the_newest(journal: AnyJournal) -> None:
    count = STOOD_MAX + 50
    states = ("armed", "closed_locked")
    await commit(journal, entry(1, note(-5, "open", door="R1"), *(note(at, states[at % 2]) for at in range(count))))
    recorded = await ask(journal, -1, count)
    assert recorded.begin == T0 + 49 * SECOND + 1
    assert stood(recorded)[:3] == [(49, "L1", states[1]), (-5, "R1", "open"), (50, "L1", states[0])]
    assert len(recorded.stood) == STOOD_MAX + 2
    exactly = await ask(journal, 50, count)
    assert exactly.begin == T0 + 50 * SECOND
    assert len(exactly.stood) == STOOD_MAX + 1


async def test_too_many_changes_are_cut_to_the_newest(journal: AnyJournal) -> None:
    count = CHANGES_MAX + 10
    await commit(
        journal,
        entry(1, note(0), change(0, "stands", code="wind-limit"), *(change(at, f"a{at}", raised=at) for at in range(count))),
    )  # fmt: skip
    recorded = await ask(journal, -1, count)
    assert recorded.begin == T0 + 9 * SECOND + 1
    assert changed(recorded)[:3] == [(0, "stands"), (9, "a9"), (10, "a10")]
    assert len(recorded.changes) == CHANGES_MAX + 2
    assert stood(recorded) == [(0, "L1", "armed")]


async def test_it_says_when_nobody_looked_and_survives_a_restart(desk: Desk) -> None:
    journal = desk.start()
    await commit(journal, start(1, 0), entry(2, note(2)), start(3, 60), entry(4, note(61, "unlocked")))
    journal = await desk.restart()
    recorded = await ask(journal, 1, 100)
    assert stood(recorded) == [(2, "L1", "armed"), (61, "L1", "unlocked")]
    assert recorded.off == [(T0 + 2 * SECOND, T0 + 60 * SECOND)]
    assert (await ask(journal, 60, 100)).off == []


async def test_pruning_keeps_how_each_door_stands_unless_nobody_knows(journal: AnyJournal) -> None:
    await commit(
        journal,
        entry(1, note(1), note(2, "unlocked"), note(3, "armed"), note(20, "unlocked")),
        entry(2, note(4, "open", door="R1"), note(1, door="R2"), note(5, "unknown", door="R2")),
    )
    pruned = await journal.prune(T0 + 10 * SECOND, keep_inputs_us=0, keep_events_us=0)
    assert pruned.states == 4
    assert stood(await ask(journal, 10, 50)) == [(3, "L1", "armed"), (4, "R1", "open"), (20, "L1", "unlocked")]
    assert (await journal.prune(T0 + 10 * SECOND, keep_inputs_us=0, keep_events_us=0)).states == 0


async def test_what_was_pruned_away_is_not_on_record(desk: Desk) -> None:
    journal = desk.start()
    await commit(
        journal,
        entry(1, note(1), note(2, "open", door="R1"), change(100, "over", raised=100)),
        entry(2, change(110, "over", "cleared", "normal", number=2, raised=100), note(120, "unlocked", door="R1")),
        entry(3, note(5000, "armed", door="R1"), note(6000, reg="XA-DEF")),
    )
    whole = await ask(journal, 90, 200)
    assert (whole.first, whole.begin) == (T0 + SECOND, T0 + 90 * SECOND)
    await journal.prune(T0 + 3000 * SECOND, keep_inputs_us=0, keep_events_us=0)
    journal = await desk.restart()
    for since, until, begin in ((90, 200, 200), (90, 5500, 3000), (4000, 5500, 4000)):
        recorded = await ask(journal, since, until)
        assert (recorded.first, recorded.begin) == (T0 + 3000 * SECOND, T0 + begin * SECOND), (since, until)
        assert recorded.changes == []
        assert stood(recorded)[:2] == [(1, "L1", "armed"), (120, "R1", "unlocked")]
    assert (await ask(journal, 90, 200, "XA-DEF")).first == T0 + 6000 * SECOND
    assert (await ask(journal, 90, 200, "XA-NIL")).first is None
    await journal.prune(T0 + 1000 * SECOND, keep_inputs_us=0, keep_events_us=0)
    assert (await ask(journal, 90, 200)).first == T0 + 3000 * SECOND, "what is gone stays gone"


async def test_many_old_notes_go_in_small_steps(journal: AnyJournal) -> None:
    await commit(journal, entry(1, *(note(at, "armed" if at % 2 else "unlocked") for at in range(1300))))
    assert (await journal.prune(T0 + 1300 * SECOND, keep_inputs_us=0, keep_events_us=0)).states == 1299
    assert stood(await ask(journal, 1300, 2000)) == [(1299, "L1", "armed")]


QUESTIONS = {
    name: getattr(journal_reader, name)
    for name in (
        "_HELD",
        "_STOOD",
        "_LAST_OF_PLACES",
        "_FIRST_OF_ALERT",
        "_WORST_OF_ALERT",
        "_NEWEST_OF_ALERT",
        "_CHANGES",
        "_FIRST_OF_AIRCRAFT",
    )
} | {f"too many {table}": sql for table, (sql, _) in journal_reader._LAST_TOO_MANY.items()}


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_question_is_answered_from_an_index(tmp_path: Path, question: str) -> None:
    path = tmp_path / "journal.sqlite3"
    prepare_database(path, shipped_migrations())
    sql = QUESTIONS[question]
    values = [0] * (sql.count("?") if "?1" not in sql else 2 if "?2" in sql else 1)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        plan = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {sql}", values)]
    assert [step for step in plan if step.startswith("SCAN")] in ([], ["SCAN place"]), plan
