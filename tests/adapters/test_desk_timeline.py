"""A line of time as the desk gives it, from a real engine and the journal in memory."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.adapters.web.charting import TimelineDocument
from monitor.core.events import AlertAcknowledged, PresenceDeclared
from monitor.core.times import SECOND, format_time
from tests.adapters.test_desk_records import Office, office
from tests.engine_bench import HANDLE, HANDLE_HOME, Bench, Hand
from tests.stories import REG, START

__all__ = ["office"]


def moment(at: float) -> str:
    return format_time(START + round(at * SECOND))


async def timeline(office: Office, since_s: float, until_s: float, reg: str = REG) -> Any:
    since, until = (START + round(at * SECOND) for at in (since_s, until_s))
    return await office.desk.timeline(reg, since=since, until=until)


def step(office: Office, at: float, event: Any) -> None:
    office.bench.clock.at = START + round(at * SECOND)
    office.bench.engine._take_event(event)
    office.bench.commit()


async def test_what_became_of_an_aircraft_is_told_from_the_journal(office: Office) -> None:
    office.tell((1, HANDLE))
    (alert,) = [each for each in office.desk.alerts() if each["code"] == "armed-handle-moved"]
    step(office, 2, AlertAcknowledged(alert["alert_id"], "Ann", "seen", None))
    office.tell((3, HANDLE_HOME))
    document = await timeline(office, -60, 10)
    TimelineDocument.model_validate(document)
    assert document["doors"]["L1"] == [
        {"at": moment(0), "state": "armed", "slide": "engaged"},
        {"at": moment(1), "state": "armed_unlocked", "slide": "engaged"},
        {"at": moment(3), "state": "armed", "slide": "engaged"},
    ]
    (told,) = document["alerts"]
    assert (told["alert_id"], told["ended_at"]) == (alert["alert_id"], moment(3))
    assert [change.get("by") for change in told["changes"]] == [None, "Ann", None]
    assert (document["recorded_from"], document["cut"]) == (moment(0), None)


async def test_a_while_begins_with_what_stood_then(office: Office) -> None:
    office.tell((1, HANDLE))
    document = await timeline(office, 2, 10)
    assert document["doors"]["L1"] == [{"at": moment(1), "state": "armed_unlocked", "slide": "engaged"}]
    assert [alert["code"] for alert in document["alerts"]] == ["armed-handle-moved"]


async def test_an_aircraft_that_was_forgotten_is_still_on_record(office: Office) -> None:
    office.tell((1, HANDLE))
    step(office, 5, PresenceDeclared(REG, "away", "Ann", "left"))
    del office.bench.engine.system.record.aircraft[REG]
    document = await timeline(office, 0, 60)
    assert document["doors"]["L1"][-1] == {"at": moment(5), "state": "unknown", "slide": "unknown"}
    (alert,) = document["alerts"]
    assert alert["ended_at"] == moment(5)


async def test_an_aircraft_nobody_heard_of_has_no_line(office: Office) -> None:
    assert await timeline(office, 0, 60, "ZZ-NIL") is None
    assert (await timeline(office, -60, 0))["doors"] == {}, "known, and nothing of that while on record"


@pytest.mark.parametrize("snapshot", [True, False])
async def test_a_restart_tells_nothing_twice(office: Office, snapshot: bool) -> None:
    office.tell((1, HANDLE))
    if snapshot:
        office.bench.engine.save_snapshot()
        office.bench.commit()
    before = await timeline(office, -60, 100)
    journal = office.bench.journal
    again = Bench(Hand(START + 5 * SECOND), journal=journal).up()
    journal.commit()
    other = Office(again)
    after = await timeline(other, -60, 100)
    again.engine.stop()
    assert after["doors"] == before["doors"]
    assert [alert["alert_id"] for alert in after["alerts"]] == [alert["alert_id"] for alert in before["alerts"]]
