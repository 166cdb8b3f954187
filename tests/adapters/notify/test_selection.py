"""What a destination is told of: filters, quiet hours, backlogs, drills, simulations, handing on."""

from __future__ import annotations

import asyncio
import json
from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent

from monitor.adapters.notify.intake import ESCALATED
from monitor.adapters.notify.outbox import Outbox
from monitor.adapters.notify.selection import LATE_WAIT, Choice, choose, quiet_until
from monitor.config.notify_file import Destination, QuietHours
from monitor.core.times import HOUR, SECOND, format_time, parse_time
from tests.adapters.notify.bench import DEADLINE_S, T0, Bench, alert, until
from tests.adapters.notify.receiver import receiving, status

NIGHT = {"from": "22:00", "to": "06:00"}
QUIET = {"quiet_hours": NIGHT}


def destination(**words: Any) -> Destination:
    return Destination.model_validate({"kind": "alertmanager", "url": "http://127.0.0.1:1", **words})


def at(text: str) -> int:
    return parse_time(text)


@pytest.mark.parametrize(
    ("words", "of", "kind", "told", "choice"),
    [
        ({}, {}, "raised", False, Choice.SEND),
        ({"priorities": ["caution"]}, {}, "raised", False, Choice.SKIP),
        ({"priorities": ["caution"]}, {}, "cleared", True, Choice.SEND),
        ({"roles": ["ops"]}, {}, "raised", False, Choice.SKIP),
        ({"roles": ["door team"]}, {}, "raised", False, Choice.SEND),
        ({"codes": ["wind-limit"]}, {}, "raised", False, Choice.SKIP),
        ({"codes": ["wind-limit"]}, {"code": "wind-limit"}, "raised", False, Choice.SEND),
        ({}, {"drill": True}, "raised", False, Choice.SKIP),
        ({}, {"drill": True}, "reraised", True, Choice.SKIP),
        ({}, {"drill": True}, "cleared", True, Choice.SEND),
        ({}, {"simulated": True}, "raised", False, Choice.SKIP),
        ({"simulated": True}, {"simulated": True}, "raised", False, Choice.SEND),
        ({"simulated": True}, {"aircraft": "proof"}, "raised", True, Choice.SKIP),
        ({}, {"late": True}, "raised", False, Choice.HOLD),
        ({}, {"late": True, "active": False, "state": "normal"}, "cleared", False, Choice.SKIP),
        ({}, {"late": True, "active": False, "state": "normal"}, "cleared", True, Choice.SEND),
    ],
)
def test_what_is_told(words: Any, of: Any, kind: str, told: bool, choice: Choice) -> None:
    chosen = choose(destination(**words), kind, alert(**of), told=told, now=T0, zone=UTC)
    assert chosen.choice is choice


@pytest.mark.parametrize(
    ("hours", "now", "end"),
    [
        (NIGHT, "2026-03-01T21:59:59.999Z", None),
        (NIGHT, "2026-03-01T22:00:00Z", "2026-03-02T06:00:00Z"),
        (NIGHT, "2026-03-02T05:59:59Z", "2026-03-02T06:00:00Z"),
        (NIGHT, "2026-03-02T06:00:00Z", None),
        ({"from": "12:00", "to": "13:00"}, "2026-03-01T12:30:00Z", "2026-03-01T13:00:00Z"),
        ({"from": "12:00", "to": "13:00"}, "2026-03-01T13:00:00Z", None),
        (None, "2026-03-01T23:00:00Z", None),
    ],
)
def test_quiet_hours_begin_and_end_by_the_clock(hours: Any, now: str, end: str | None) -> None:
    span = None if hours is None else QuietHours.model_validate(hours)
    assert quiet_until(span, at(now), UTC) == (None if end is None else at(end))


def test_quiet_hours_are_of_the_site_s_time_and_of_its_summer() -> None:
    zone = ZoneInfo("Europe/Berlin")
    night = QuietHours.model_validate(NIGHT)
    assert quiet_until(night, at("2026-01-10T21:00:00Z"), zone) == at("2026-01-11T05:00:00Z")
    assert quiet_until(night, at("2026-01-10T20:59:59Z"), zone) is None
    assert quiet_until(night, at("2026-07-10T20:00:00Z"), zone) == at("2026-07-11T04:00:00Z")
    # The night in which the clock goes forward has an hour less.
    assert quiet_until(night, at("2026-03-28T21:00:00Z"), zone) == at("2026-03-29T04:00:00Z")
    # In the night in which it goes back, half past two comes twice.
    night = QuietHours.model_validate({"from": "22:00", "to": "02:30"})
    assert quiet_until(night, at("2026-10-24T23:00:00Z"), zone) == at("2026-10-25T00:30:00Z")
    assert quiet_until(night, at("2026-10-25T01:10:00Z"), zone) == at("2026-10-25T01:30:00Z")


def test_quiet_hours_never_apply_to_warnings() -> None:
    night = at("2026-03-01T23:00:00Z")
    quiet = destination(**QUIET)
    assert choose(quiet, "raised", alert(), told=False, now=night, zone=UTC).choice is Choice.SEND
    held = choose(quiet, "raised", alert(priority="caution"), told=False, now=night, zone=UTC)
    assert held == (Choice.HOLD, at("2026-03-02T06:00:00Z"))


# On the bench


async def test_what_holds_at_the_end_of_the_quiet_hours_is_told_then(bench: Bench) -> None:
    bench.now = at("2026-03-01T21:00:00Z")
    known, standing, ended, warning = (
        alert(number, priority="warning" if number == 4 else "caution") for number in range(1, 5)
    )
    over = {"state": "normal", "active": False}
    async with receiving() as receiver:
        await bench.start(pager=bench.webhook(receiver.url, quiet_hours=NIGHT))
        [first] = bench.tell(known)
        await until(lambda: len(receiver.taken) == 1)
        bench.now = at("2026-03-01T23:00:00Z")
        bench.tell(standing, ended)
        [now_over] = bench.tell({**known, **over}, kind="cleared")
        bench.tell({**ended, **over}, kind="cleared")
        [latest] = bench.tell({**standing, "state": "acknowledged"}, kind="acknowledged")
        [at_once] = bench.tell(warning)
        await until(lambda: len(receiver.taken) == 2)
        await bench.until_shown("pager", waiting=0)
        await bench.stop()
        await bench.start(pager=bench.webhook(receiver.url, quiet_hours=NIGHT))
        assert receiver.ids == [first, at_once]
        bench.state = [{**standing, "state": "acknowledged"}, warning]
        bench.pass_time(7 * HOUR - SECOND)
        await bench.until_shown("pager", waiting=0)
        assert len(receiver.taken) == 2
        bench.pass_time(SECOND)
        await until(lambda: len(receiver.taken) == 4)
        await bench.until_shown("pager", waiting=0)
    assert set(receiver.ids[2:]) == {now_over, latest}, "what began and ended unheard stays unheard"


async def test_a_backlog_s_alerts_are_told_when_they_hold_after_it(bench: Bench) -> None:
    over = {"state": "normal", "active": False}
    async with receiving() as receiver:
        await bench.start(pager=bench.webhook(receiver.url))
        bench.tell(alert(1, late=True), alert(2, late=True), alert(3, late=True))
        bench.tell(alert(1, late=True, **over), kind="cleared")
        [caught_up] = bench.tell(alert(2), kind="reraised")
        bench.state = [alert(3, late=True)]
        await until(lambda: len(receiver.taken) == 1)
        bench.pass_time(LATE_WAIT)
        await until(lambda: len(receiver.taken) == 2)
        await bench.until_shown("pager", waiting=0)
    assert receiver.ids == [caught_up, "a3-3"]


ESCALATION = {"role": "coordinator", "escalated": True, "escalated_at": format_time(T0 + 30 * SECOND)}


async def test_whoever_serves_the_next_role_is_told_that_a_warning_was_handed_on(bench: Bench) -> None:
    async with receiving() as team, receiving() as coordinators:
        both = {
            "team": bench.webhook(team.url, roles=["door team"]),
            "coordinators": bench.webhook(coordinators.url, roles=["coordinator"]),
        }
        await bench.start(**both)
        bench.tell(alert())
        await until(lambda: len(team.taken) == 1)
        bench.hand_on(alert(**ESCALATION))
        await until(lambda: len(coordinators.taken) == 1)
        await bench.until_shown("coordinators", waiting=0)
        await bench.until_shown("team", waiting=0)
        await bench.stop()
        # Found again in the state, and told before: nothing more.
        await bench.start(**both)
        [acknowledged] = bench.tell(alert(state="acknowledged"), kind="acknowledged")
        await until(lambda: len(coordinators.taken) == 2)
        assert coordinators.ids[1] == acknowledged, "who was told hears what becomes of it"
    event = JSONFormat().read(CloudEvent, coordinators.taken[0].body)
    assert event.get_type() == ESCALATED
    assert event.get_id() == coordinators.ids[0] == f"a1-escalated-coordinator-{T0 // 1000}"
    assert json.loads(coordinators.taken[0].body)["data"] == alert(**ESCALATION)
    assert len(team.taken) == 2


async def test_a_handing_on_that_nobody_saw_is_found_in_the_state_at_the_start(bench: Bench) -> None:
    async with receiving() as receiver:
        destinations = {"ops": bench.webhook(receiver.url, roles=["coordinator"])}
        await bench.start(**destinations)
        await bench.stop()
        bench.state = [alert(**ESCALATION)]
        await bench.start(**destinations)
        await until(lambda: len(receiver.taken) == 1)


@pytest.mark.parametrize(
    "words",
    [
        {"state": "acknowledged"},
        {"drill": True},
        {"simulated": True},
        {"priority": "caution"},
        {"role": "ops"},
        {"active": False, "state": "rtn_unacknowledged"},
    ],
)
async def test_nobody_is_told_of_a_handing_on_that_needs_no_answer(bench: Bench, words: dict[str, Any]) -> None:
    async with receiving(status(204)) as receiver:
        await bench.start(pager=bench.webhook(receiver.url, roles=["coordinator"]))
        bench.hand_on(alert(**{**ESCALATION, **words}))
        [other] = bench.tell(alert(2, role="coordinator"))
        await until(lambda: len(receiver.taken) == 1)
        bench.hand_on(alert(**{**ESCALATION, **words}))
        await bench.until_shown("pager", waiting=0)
    assert receiver.ids == [other]


async def test_quiet_hours_go_by_people_s_clock(bench: Bench) -> None:
    """Ours does not follow a wall clock that is set; the night does."""
    bench.now, bench.ahead = at("2026-03-01T12:00:00Z"), 11 * HOUR
    first, second = (alert(number, priority="caution") for number in (1, 2))
    bench.state = [first, second]
    async with receiving() as receiver:
        await bench.start(pager=bench.webhook(receiver.url, quiet_hours=NIGHT))
        held = bench.tell(first)
        await bench.until_shown("pager", waiting=0)
        assert receiver.taken == []
        bench.ahead = 0
        bench.deliveries.look()
        await until(lambda: receiver.ids == held)

        bench.ahead = 11 * HOUR
        bench.tell(second)
        await bench.until_shown("pager", waiting=0)
        bench.ahead = 10 * HOUR
        bench.pass_time(7 * HOUR)
        async with asyncio.timeout(DEADLINE_S):
            while await bench.deliveries._ask(Outbox.next_release) != at("2026-03-01T20:00:00Z"):  # noqa: ASYNC110
                await asyncio.sleep(0.005)
        assert receiver.ids == held, "people's clock was set back by an hour: their night is not over"
        bench.pass_time(HOUR)
        await until(lambda: len(receiver.taken) == 2)


async def test_what_a_backlog_told_before_the_quiet_hours_is_kept_for_their_end(bench: Bench) -> None:
    bench.now = at("2026-03-01T21:59:50Z")
    caution, warning = alert(1, priority="caution", late=True), alert(2, late=True)
    bench.state = [caution, warning]
    async with receiving() as receiver:
        await bench.start(pager=bench.webhook(receiver.url, quiet_hours=NIGHT))
        bench.tell(caution, warning)
        await bench.until_shown("pager", waiting=0)
        bench.pass_time(LATE_WAIT)
        await until(lambda: len(receiver.taken) == 1)
        await bench.until_shown("pager", waiting=0)
        assert receiver.ids == ["a2-2"]
        bench.pass_time(8 * HOUR)
        await until(lambda: len(receiver.taken) == 2)
