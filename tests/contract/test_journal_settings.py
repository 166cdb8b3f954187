"""What a start runs by, kept in the journal: what the next one has changed is in the audit."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from monitor.adapters.journal_memory import MemoryJournal
from monitor.core.effects import RecordAudit
from monitor.core.times import SECOND, format_time
from monitor.ports import Entry, Readout, Settings
from tests.contract.test_journal import DEADLINE_S, T0, AnyJournal, Desk, commit

FIRST = {"proof.every_s": "10", "broker.user": "", "data.directory": "data"}


@pytest.fixture(params=["sqlite", "memory"])
def desk(request: pytest.FixtureRequest, tmp_path: Path) -> Desk:
    return Desk(request.param, tmp_path)


async def kept(journal: AnyJournal, second: int, values: dict[str, str], *more: Settings) -> list[Readout]:
    """Start with ``values``, and return what the audit has once that is durable."""
    position = journal.last_position() + 1
    for settings in (Settings(T0 + second * SECOND, position, values), *more):
        journal.keep_settings(settings)
    await commit(journal, Entry(position, T0 + second * SECOND, "message", "t", b"1", False))
    return (await journal.audit()).rows


async def test_a_first_start_changes_nothing_and_neither_does_the_same_again(desk: Desk) -> None:
    assert await kept(desk.start(), 1, FIRST) == []
    journal = await desk.restart()
    # What is left out, and what holds nothing, are the same.
    assert await kept(journal, 2, {**FIRST, "broker.key_file": ""}) == []
    await desk.close()


async def test_what_a_later_start_has_changed_is_audited_key_by_key(desk: Desk) -> None:
    await kept(desk.start(), 1, FIRST)
    changed = {"proof.every_s": "0", "broker.user": "dör\ud800", "broker.url": "mqtt://10.0.0.7"}
    rows = await kept(await desk.restart(), 2, changed)
    told = [(row["subject"], row["before"], row["after"]) for row in rows[::-1]]
    assert told == [
        ("broker.url", "", "mqtt://10.0.0.7"),
        ("broker.user", "", "dör?"),
        ("data.directory", "data", ""),
        ("proof.every_s", "10", "0"),
    ]
    for row in rows:
        assert {key: row[key] for key in ("time", "by", "action", "reason", "origin")} == {
            "time": format_time(T0 + 2 * SECOND),
            "by": "-",
            "action": "configuration-changed",
            "reason": "",
            "origin": "start",
        }

    journal = await desk.restart()
    assert await kept(journal, 2, changed) == rows, "the same again, odd text and all"
    back = await kept(journal, 3, FIRST)
    assert [(row["before"], row["after"]) for row in back[: len(told)]] == [
        (after, before) for _, before, after in told[::-1]
    ]
    verdict = await journal.verify_audit()
    assert (verdict.whole, verdict.items, verdict.head.describe()) == (True, 2 * len(told), journal.audit_head)
    await desk.close()


async def test_what_people_did_follows_what_the_start_found(desk: Desk) -> None:
    await kept(desk.start(), 1, FIRST)
    journal = await desk.restart()
    did = RecordAudit(T0 + 2 * SECOND, "Ann", "reset", "XA-ABC/L1", "", "armed", "", "10.0.0.7")
    entry = Entry(2, T0 + 2 * SECOND, "command", "", b"{}", False, (did,))
    durable = asyncio.Event()
    journal.append(entry, durable.set)
    journal.keep_settings(Settings(T0 + 2 * SECOND, 2, {**FIRST, "proof.every_s": "5"}))
    await asyncio.wait_for(durable.wait(), DEADLINE_S)
    await desk.close()
    journal = await desk.restart()
    rows = (await journal.audit()).rows
    assert sorted(row["action"] for row in rows) == ["configuration-changed", "reset"]
    assert (await journal.verify_audit()).whole
    await desk.close()


async def test_two_starts_in_one_commit_are_two(desk: Desk) -> None:
    await kept(desk.start(), 1, FIRST)
    later = Settings(T0 + 3 * SECOND, 2, FIRST)
    rows = await kept(await desk.restart(), 2, {**FIRST, "proof.every_s": "5"}, later)
    assert [(row["before"], row["after"]) for row in rows] == [("5", "10"), ("10", "5")]
    await desk.close()


async def test_what_did_not_reach_the_disk_is_told_of_by_the_next_start() -> None:
    journal = MemoryJournal()
    journal.start()
    await kept(journal, 1, FIRST)
    journal.fail("no space left")
    journal.keep_settings(Settings(T0, 2, {}))
    crashed = journal.reopened()
    crashed.start()
    rows = await kept(crashed, 2, {**FIRST, "data.directory": ""})
    assert [row["subject"] for row in rows] == ["data.directory"]
