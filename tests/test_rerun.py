"""What is re-run is what was: the same events with the same ids, wherever one begins and ends."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.journal_store import JOURNAL_FILE
from monitor.config import Config
from monitor.core.effects import Effect, PublishEvent, PublishReadiness
from monitor.core.events import AlertAcknowledged, PermitGranted
from monitor.core.system import System
from monitor.core.times import MINUTE, SECOND
from monitor.ports import JournalError
from monitor.rerun import LOST, NOT_ON_RECORD, NOT_RUNNING, NothingOnRecordError, Record, Reran, Walk, rerun
from tests.engine_bench import HANDLE, arrival, reading
from tests.recorded import Brief, Past, brief, demo_config, drawn
from tests.stories import REG, START

SEEDS = range(3)


class Seen:
    """Writes down what it hears of."""

    def __init__(self) -> None:
        self.steps: list[tuple[int, tuple[Effect, ...]]] = []
        self.shares: list[float] = []
        self.standing: list[str] = []

    def __call__(self, now: int, system: System, effects: Sequence[Effect]) -> None:
        self.steps.append((now, tuple(effects)))
        self.standing.append(",".join(code for _, _, code, tracker in system.trackers() if tracker.alert is not None))

    def events(self) -> list[Brief]:
        return [brief(each) for _, effects in self.steps for each in effects if isinstance(each, PublishEvent)]


def run(folder: Path, since: int, until: int, config: Config | None = None, **more: Any) -> tuple[Reran, Seen]:
    seen = Seen()
    reran = rerun(
        folder,
        config if config is not None else demo_config(),
        since=since,
        until=until,
        observe=seen,
        progress=seen.shares.append,
        **more,
    )
    return reran, seen


def held(past: Past, since: int, until: int) -> list[Brief]:
    return [brief(event) for event in past.events() if since <= event.time < until]


@pytest.mark.looptime
@pytest.mark.parametrize("seed", SEEDS)
async def test_a_drawn_story_gives_the_events_that_the_journal_holds(seed: int, tmp_path: Path) -> None:
    """With a stop and a start in its midst, and snapshots on the way; over the whole and over any part of it."""
    past = Past()
    story = drawn(seed)
    third = len(story) // 3
    await past.play(story[:third])
    past.engine.save_snapshot()
    await past.play(story[third : 2 * third])
    await past.restart(after=3.0)
    await past.play(story[2 * third :])
    end = past.clock.now()
    past.engine.stop()
    folder = past.write(tmp_path)

    assert past.events()
    reran, seen = run(folder, START, end + 1)
    assert seen.events() == held(past, START, end + 1)
    assert (reran.position, reran.began_at, reran.whole) == (0, START, True)
    assert reran.inputs == len(past.journal.entries)
    assert seen.shares == sorted(seen.shares)
    assert seen.shares[-1] == 1.0
    for cut in range(1, 8, 2):
        since, until = START + (end - START) * cut // 10, START + (end - START) * (cut + 3) // 10
        _, seen = run(folder, since, until)
        assert seen.events() == held(past, since, until), cut


@pytest.mark.looptime
async def test_it_begins_at_the_newest_snapshot_of_the_same_configuration(tmp_path: Path) -> None:
    past = Past()
    past.deliver(arrival())
    await past.until(10)
    past.engine.save_snapshot()
    first = past.journal.snapshots[-1]
    await past.until(20)
    past.deliver(reading("airframe/heartbeat", 20, 20.0))
    past.engine.save_snapshot()
    second = past.journal.snapshots[-1]
    await past.until(20.5)
    past.deliver(HANDLE)
    past.engine.stop()
    folder = past.write(tmp_path)
    since, until = second.at, START + 21 * SECOND
    assert run(folder, since, until)[0].position == first.position
    reran, seen = run(folder, since + 1, until)
    assert (reran.position, reran.whole) == (second.position, True)
    assert seen.events() == held(past, since + 1, until)

    config = demo_config()
    other = replace(config, site=replace(config.site, thresholds={"armed-handle-moved": {"x": {"y": 1.0}}}))
    elsewhere = replace(config, broker=config.broker.model_copy(update={"instance": "another"}))
    assert run(folder, since, until, elsewhere)[0].position == first.position
    assert run(folder, since, until, other)[0].position == 0


@pytest.mark.looptime
async def test_a_snapshot_of_an_earlier_configuration_is_not_begun_with(tmp_path: Path) -> None:
    config = demo_config()
    before = replace(config, site=replace(config.site, elevation_m=7.0))
    past = Past(before)
    past.deliver(arrival())
    await past.until(10)
    await past.restart(after=1.0, config=config)
    await past.until(20)
    past.engine.save_snapshot()
    await past.until(30)
    past.deliver(HANDLE)
    past.engine.stop()
    folder = past.write(tmp_path)
    assert run(folder, START + 11 * SECOND, START + 40 * SECOND)[0].position == 0
    assert run(folder, START + 25 * SECOND, START + 40 * SECOND)[0].position == past.journal.snapshots[-2].position


@pytest.mark.looptime
async def test_it_says_how_everything_stood_and_when_nobody_looked(tmp_path: Path) -> None:
    past = Past()
    past.deliver(arrival())
    await past.until(1)
    past.deliver(HANDLE)
    for beat in (6, 12, 20):
        await past.until(beat)
        past.deliver(reading("airframe/heartbeat", beat, float(beat)))
    await past.restart(after=15.0)
    past.deliver(reading("airframe/heartbeat", 35, 35.0))
    await past.until(40)
    past.engine.stop()
    folder = past.write(tmp_path)
    reran, seen = run(folder, START + 10 * SECOND, START + 5 * MINUTE)
    assert seen.steps[0] == (START + 10 * SECOND, ())
    assert "armed-handle-moved" in seen.standing[0]
    [off, after] = reran.gaps
    assert (off.over, off.why) == (START + 35 * SECOND, NOT_RUNNING)
    assert off.begun <= START + 20 * SECOND
    assert (after.begun, after.over, after.why) == (reran.ended_at, START + 5 * MINUTE, NOT_ON_RECORD)
    # Within the gap nothing falls due for anybody.
    _, seen = run(folder, START + 10 * SECOND, START + 30 * SECOND)
    assert seen.events() == held(past, START + 10 * SECOND, START + 30 * SECOND)
    [before, _] = run(folder, START - MINUTE, START + 25 * SECOND)[0].gaps
    assert (before.begun, before.over, before.why) == (START - MINUTE, START, NOT_ON_RECORD)


@pytest.mark.looptime
async def test_it_tells_of_answers_where_asked(tmp_path: Path) -> None:
    past = Past()
    past.deliver(arrival())
    await past.until(5)
    past.deliver(HANDLE)
    await past.until(10)
    past.engine.stop()
    folder = past.write(tmp_path)
    period = (START + 3 * SECOND, START + 10 * SECOND)
    _, plain = run(folder, *period)
    _, answering = run(folder, *period, answering=True)
    assert answering.events() == plain.events() == held(past, *period)
    answers = [(now, each) for now, told in answering.steps for each in told if isinstance(each, PublishReadiness)]
    assert answers
    assert not any(isinstance(each, PublishReadiness) for _, told in plain.steps for each in told)
    assert all(period[0] <= now < period[1] for now, _ in answers)
    for reg in (REG, "TW-999"):
        _, of_one = run(folder, *period, answering=True, answers_of=reg)
        told_of = [(now, each) for now, told in of_one.steps for each in told if isinstance(each, PublishReadiness)]
        assert told_of == [(now, each) for now, each in answers if each.aircraft == reg], "at the same moments"
        assert of_one.events() == plain.events()


@pytest.mark.looptime
async def test_what_people_did_is_done_again(tmp_path: Path) -> None:
    past = Past()
    past.deliver(arrival())
    await past.until(1)
    past.deliver(HANDLE)
    alert_id = past.events()[0].data["alert_id"]
    await past.do(AlertAcknowledged(alert_id, "Ann", "seen", None, "board"))
    until = START + 10 * MINUTE
    await past.do(PermitGranted("drill", REG, ("L2",), (), until, "Ann", "exercise", "board"))
    past.engine.stop()
    folder = past.write(tmp_path)
    reran, seen = run(folder, START, START + 2 * SECOND)
    assert {event.type for event in seen.events()} >= {"raised", "acknowledged"}
    assert seen.events() == held(past, START, START + 2 * SECOND)
    with contextlib.closing(Record(folder)) as record:
        assert [action.action for action in record.actions_after(0)] == ["acknowledge", "grant-permit"]
        assert list(record.actions_after(reran.position + 100)) == []


@pytest.mark.looptime
async def test_what_was_pruned_away_is_said(tmp_path: Path) -> None:
    past = Past()
    for beat in range(1, 20):
        past.deliver(arrival(float(beat)))
        await past.until(float(beat))
    past.engine.stop()
    folder = past.write(tmp_path)
    with contextlib.closing(sqlite3.connect(folder / JOURNAL_FILE)) as connection:
        connection.execute("DELETE FROM inputs WHERE position < 5")
        connection.commit()
    reran, _ = run(folder, START, START + 20 * SECOND)
    assert (reran.position, reran.whole) == (4, False)
    assert reran.gaps[0].why == NOT_ON_RECORD
    with contextlib.closing(Record(folder)) as record:
        beginning = record.find_beginning(demo_config(), START)._replace(position=2)
        walk = Walk(record, beginning, START + MINUTE)
        assert next(iter(walk)).position == 5
        assert [gap.why for gap in walk.lost] == [LOST]


@pytest.mark.looptime
async def test_an_empty_period_is_refused_with_what_there_is(tmp_path: Path) -> None:
    past = Past()
    past.deliver(arrival())
    await asyncio.sleep(1)
    past.engine.stop()
    folder = past.write(tmp_path)
    with pytest.raises(NothingOnRecordError, match=r"the record holds inputs from 2026-03-01T10:00:00\.000Z to 2026"):
        run(folder, START - MINUTE, START)
    with pytest.raises(NothingOnRecordError, match="nothing is on record from 2026-03-01T11"):
        run(folder, START + 60 * MINUTE, START + 70 * MINUTE)
    with pytest.raises(JournalError, match="there is no journal"):
        run(tmp_path / "nowhere", START, START + SECOND)


@pytest.mark.looptime
async def test_what_a_newer_program_wrote_is_refused_in_a_sentence(tmp_path: Path) -> None:
    past = Past()
    past.deliver(arrival())
    await past.until(5)
    past.engine.stop()
    folder = past.write(tmp_path / "kind")
    change(folder, "UPDATE inputs SET kind = 'moon-rose' WHERE position = (SELECT max(position) FROM inputs)")
    with pytest.raises(
        JournalError, match=r"input \d+ of the journal cannot be read: .*moon-rose.*; if a newer Sillwatch"
    ):
        run(folder, START, START + MINUTE)
    folder = past.write(tmp_path / "schema")
    change(folder, "PRAGMA user_version = 999")
    with pytest.raises(JournalError, match=r"was written by a newer Sillwatch \(schema 999"):
        run(folder, START, START + MINUTE)
    change(folder, "PRAGMA application_id = 7")
    with pytest.raises(JournalError, match="is not a Sillwatch journal"):
        Record(folder)


def change(folder: Path, sql: str) -> None:
    with contextlib.closing(sqlite3.connect(folder / JOURNAL_FILE)) as connection:
        connection.execute(sql)
        connection.commit()
