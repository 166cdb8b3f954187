"""Runs of procedures and drills, asked of the real journal and of the fake."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.journal_rows import CursorError
from monitor.core.effects import Effect, NoteDrill, NoteRun
from monitor.core.times import SECOND, format_time
from monitor.ports import Entry
from tests.contract.test_journal import DEADLINE_S, T0, AnyJournal, Desk


@pytest.fixture(params=["sqlite", "memory"])
async def desk(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Desk]:
    made = Desk(request.param, tmp_path)
    yield made
    await made.close()


def run(number: int, *, drill: str = "", door: str = "L1", procedure: str = "close") -> NoteRun:
    began = T0 + number * SECOND
    return NoteRun(f"r{number}", "XA-ABC", door, procedure, drill, began, began + SECOND, {"run_id": f"r{number}"})


def drill(permit_id: str, *, at: int, ended: int | None = None, reg: str = "XA-ABC") -> NoteDrill:
    over = None if ended is None else T0 + ended * SECOND
    began = T0 + at * SECOND
    return NoteDrill(permit_id, "night", "close", reg, ("L1",), "Ann", began, began + 60 * SECOND, over, False)


async def commit(journal: AnyJournal, *effects: Effect) -> None:
    done = asyncio.get_running_loop().create_future()
    position = journal.last_position() + 1
    entry = Entry(position, T0, "clock", "", b"", False, effects)
    journal.append(entry, lambda: done.set_result(None))
    async with asyncio.timeout(DEADLINE_S):
        await done


def named(page: Any) -> list[str]:
    return [row["run_id"] for row in page.rows]


async def ask(journal: AnyJournal, **question: Any) -> list[str]:
    return named(await journal.procedure_runs(question))


async def test_runs_are_listed_the_newest_first_by_any_filter(desk: Desk) -> None:
    journal = desk.start()
    await commit(journal, run(1), run(2, drill="p1"), run(3, door="R1"), run(4, procedure="arm"))
    await commit(journal, run(2, procedure="changed"))  # told again after a crash
    assert await ask(journal) == ["r4", "r3", "r2", "r1"]
    assert await ask(journal, drill="p1") == ["r2"]
    assert await ask(journal, door="R1", aircraft="XA-ABC", procedure=None) == ["r3"]
    assert await ask(journal, procedure="close", since=T0 + 2 * SECOND, until=T0 + 3 * SECOND) == ["r2"]
    assert await ask(journal, aircraft="XA-NIL") == []
    assert await ask(await desk.restart()) == ["r4", "r3", "r2", "r1"]


async def test_a_list_of_runs_goes_on_where_a_page_ended(desk: Desk) -> None:
    journal = desk.start()
    await commit(journal, *(run(number) for number in range(5)))
    first = await journal.procedure_runs({}, limit=3)
    rest = await journal.procedure_runs({}, limit=3, before=first.next_cursor)
    assert (named(first), named(rest), rest.next_cursor) == (["r4", "r3", "r2"], ["r1", "r0"], None)
    with pytest.raises(CursorError):
        await journal.procedure_runs({}, before="none of ours")


async def test_a_drill_is_one_row_from_its_beginning_to_its_end(desk: Desk) -> None:
    journal = desk.start()
    await commit(journal, drill("p1", at=1), run(3, drill="p1"), run(2, drill="p1"), drill("p2", at=9, reg="XA-NEW"))
    await commit(journal, drill("p1", at=1, ended=30)._replace(simulated=True))
    await commit(journal, drill("p1", at=1, ended=40))
    page = await journal.drills({})
    assert [row["permit_id"] for row in page.rows] == ["p2", "p1"]
    assert page.rows[1] == {
        "permit_id": "p1",
        "name": "night",
        "procedure": "close",
        "aircraft": "XA-ABC",
        "doors": ["L1"],
        "by": "Ann",
        "began_at": format_time(T0 + SECOND),
        "ended_at": format_time(T0 + 30 * SECOND),
        "until": format_time(T0 + 61 * SECOND),
        "runs": ["r2", "r3"],
        "simulated": True,
    }
    assert page.rows[0]["ended_at"] is None
    asked = {"since": T0 + 31 * SECOND, "until": T0 + 40 * SECOND, "aircraft": None}
    assert [row["permit_id"] for row in (await journal.drills(asked)).rows] == ["p2"]
    assert [row["permit_id"] for row in (await journal.drills({"aircraft": "XA-ABC"})).rows] == ["p1"]


async def test_runs_and_drills_go_with_the_events_of_their_age(desk: Desk) -> None:
    journal = desk.start()
    await commit(journal, *(run(number) for number in range(700)), drill("p1", at=1, ended=5), drill("p2", at=600))
    pruned = await journal.prune(T0 + 650 * SECOND, keep_inputs_us=0, keep_events_us=0)
    assert pruned.runs == 649
    assert len((await journal.procedure_runs({}, limit=1000)).rows) == 51
    assert [row["permit_id"] for row in (await journal.drills({})).rows] == ["p2"]
