"""An alertmanager is kept posted: what fires, again each minute, and that it is over.

Source: the Alertmanager API v2, POST /api/v2/alerts (`labels`, `annotations`, `startsAt`,
`endsAt`; a body is a list of alerts, and label names are those of Prometheus's data model).
"""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from monitor.adapters.notify.alertmanager import AGAIN_AFTER
from monitor.config.notify_file import Destination
from monitor.core.times import MINUTE, SECOND, format_time, parse_time
from tests.adapters.notify.bench import T0, Bench, alert, until
from tests.adapters.notify.receiver import Receiver, receiving, stall, status


def posted_to(bench: Bench, receiver: Receiver, **words: Any) -> Destination:
    return bench.destination(kind="alertmanager", url=receiver.url + "/base/", **words)


def bodies(receiver: Receiver) -> list[Any]:
    return [json.loads(taken.body) for taken in receiver.taken]


async def test_what_stands_is_posted_again_each_minute_and_ended(bench: Bench) -> None:
    bench.state = [alert(), alert(2, priority="caution", stand="", door="-")]
    async with receiving(status(200)) as receiver:
        await bench.start(am=posted_to(bench, receiver))
        await bench.until_shown("am", waiting=0, last_delivered_at=format_time(T0))
        bench.pass_time(AGAIN_AFTER)
        await bench.until_shown("am", last_delivered_at=format_time(bench.now))
        bench.state = bench.state[1:]
        bench.pass_time(SECOND)
        await bench.until_shown("am", last_delivered_at=format_time(bench.now))
        ended_at = format_time(bench.now)
        bench.pass_time(AGAIN_AFTER)
        await bench.until_shown("am", last_delivered_at=format_time(bench.now))
    assert {taken.line for taken in receiver.taken} == {"POST /base/api/v2/alerts HTTP/1.1"}
    assert {taken.headers["content-type"] for taken in receiver.taken} == {"application/json"}
    first, again, ended, last = bodies(receiver)
    warning = {
        "labels": {
            "alertname": "armed-handle-moved", "severity": "warning", "site": "tarnwick", "aircraft": "XA-ABC",
            "door": "L1", "stand": "S11", "alert_id": "a1",
        },
        "annotations": {"text": "Handle moved with the slide engaged.", "action": "Stop. Lower the handle."},
        "startsAt": format_time(T0),
    }  # fmt: skip
    assert warning in first
    assert len(first) == 2
    assert sorted(map(json.dumps, again)) == sorted(map(json.dumps, first))
    assert {**warning, "endsAt": ended_at} in ended
    assert [each["labels"]["alert_id"] for each in last] == ["a2"]
    for each in first:
        assert all(re.fullmatch(r"[a-zA-Z_][a-zA-Z0-9_]*", name) for name in each["labels"])
        assert "" not in each["labels"].values(), "an empty label is none"
        assert parse_time(each["startsAt"]) == T0


async def test_an_end_is_posted_until_it_is_confirmed_also_after_a_restart(bench: Bench) -> None:
    bench.state = [alert()]
    async with receiving(status(200), status(500)) as receiver:
        await bench.start(am=posted_to(bench, receiver))
        await bench.until_shown("am", waiting=0, last_delivered_at=format_time(T0))
        bench.state = []
        bench.pass_time(SECOND)
        await bench.until_failed("am", 1)
        ended_at = format_time(bench.now)
        assert (await bench.shown("am"))["waiting"] == 1
        await bench.stop()
        receiver.answers[:] = [status(200)]
        await bench.start(am=posted_to(bench, receiver))
        bench.pass_time(MINUTE)
        await bench.until_shown("am", state="working", waiting=0)
        [only] = bodies(receiver)[-1]
        assert only["endsAt"] == ended_at
        taken = len(receiver.taken)
        bench.pass_time(2 * MINUTE)
        await bench.until_shown("am", state="working")
        assert len(receiver.taken) == taken, "what is known to be over is posted no more"


async def test_a_changed_priority_ends_the_one_and_begins_another(bench: Bench) -> None:
    bench.state = [alert(priority="caution")]
    async with receiving(status(200)) as receiver:
        await bench.start(am=posted_to(bench, receiver))
        await until(lambda: len(receiver.taken) == 1)
        await bench.until_shown("am", waiting=0)
        bench.state = [alert()]
        bench.pass_time(SECOND)
        await until(lambda: len(receiver.taken) == 2)
    ended = {each["labels"]["severity"]: "endsAt" in each for each in bodies(receiver)[1]}
    assert ended == {"caution": True, "warning": False}


@pytest.mark.parametrize(
    "words",
    [
        {"state": "shelved"},
        {"state": "suppressed"},
        {"state": "out_of_service"},
        {"state": "rtn_unacknowledged", "active": False},
        {"drill": True},
        {"simulated": True},
        {"late": True},
        {"aircraft": "proof"},
        {"code": "wind-limit"},
        {"role": "ops"},
    ],
)
async def test_what_pages_nobody_is_not_posted(bench: Bench, words: dict[str, Any]) -> None:
    bench.state = [alert(**words), alert(2)]
    async with receiving(status(200)) as receiver:
        filters = {"codes": ["armed-handle-moved"], "roles": ["door team"]}
        await bench.start(am=posted_to(bench, receiver, **filters))
        await until(lambda: len(receiver.taken) == 1)
    assert [each["labels"]["alert_id"] for each in bodies(receiver)[0]] == ["a2"]


async def test_quiet_hours_begin_nothing_but_warnings_and_end_nothing(bench: Bench) -> None:
    bench.now = parse_time("2026-03-01T21:59:00Z")
    quiet = {"quiet_hours": {"from": "22:00", "to": "06:00"}}
    bench.state = [alert(1, priority="caution")]
    async with receiving(status(200)) as receiver:
        await bench.start(am=posted_to(bench, receiver, **quiet))
        await until(lambda: len(receiver.taken) == 1)
        await bench.until_shown("am", waiting=0)
        await bench.stop()
        bench.state += [alert(2, priority="caution"), alert(3)]
        bench.now += MINUTE
        await bench.start(am=posted_to(bench, receiver, **quiet))
        await until(lambda: len(receiver.taken) == 2)
    posted = bodies(receiver)[1]
    assert {each["labels"]["alert_id"]: "endsAt" in each for each in posted} == {"a1": False, "a3": False}


async def test_a_failing_one_is_tried_each_minute_at_least_and_a_stalled_one_delays_nobody(bench: Bench) -> None:
    bench.state = [alert()]
    async with receiving(status(500)) as receiver, receiving(stall) as stalled, receiving() as good:
        await bench.start(
            am=posted_to(bench, receiver), stalled=posted_to(bench, stalled), pager=bench.webhook(good.url)
        )
        for times in range(1, 9):
            wait = await bench.until_failed("am", times) - bench.now
            assert 0 < wait <= MINUTE
            bench.pass_time(wait)
        bench.tell(alert())
        await until(lambda: len(good.taken) == 1)
        await bench.stop()


async def test_a_warning_handed_on_to_a_role_served_elsewhere_is_not_told_as_over(bench: Bench) -> None:
    bench.state = [alert()]
    async with receiving(status(200)) as receiver:
        await bench.start(am=posted_to(bench, receiver, roles=["door team"]))
        await bench.until_shown("am", waiting=0, last_delivered_at=format_time(T0))
        bench.state = [alert(role="ops", escalated=True), alert(2, role="ops")]
        bench.pass_time(AGAIN_AFTER)
        await bench.until_shown("am", last_delivered_at=format_time(bench.now))
        bench.state = []
        bench.pass_time(SECOND)
        await until(lambda: len(receiver.taken) == 3)
    posted = [{each["labels"]["alert_id"]: "endsAt" in each for each in body} for body in bodies(receiver)]
    assert posted == [{"a1": False}, {"a1": False}, {"a1": True}]


async def test_a_flood_of_commits_goes_through_the_alerts_once_a_second(bench: Bench) -> None:
    bench.state = [alert(number) for number in range(1000)]
    looks = 0
    listed = bench.list_alerts

    def count() -> list[dict[str, Any]]:
        nonlocal looks
        looks += 1
        return listed()

    bench.list_alerts = count  # type: ignore[method-assign]
    async with receiving(status(200)) as receiver:
        await bench.start(am=posted_to(bench, receiver))
        await bench.until_shown("am", waiting=0, last_delivered_at=format_time(T0))
        before = looks
        for _ in range(50):
            bench.deliveries.look()
            await bench.shown("am")  # the worker has run in between
        assert looks == before
        bench.state = bench.state[1:]
        bench.pass_time(SECOND)
        await bench.until_shown("am", last_delivered_at=format_time(bench.now))
    assert looks == before + 1
