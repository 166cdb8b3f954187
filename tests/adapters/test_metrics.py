"""The metrics page, read back by the reference parser and held to the naming rules.

Sources: the OpenMetrics 1.0 specification (names, suffixes, ``# EOF``) and the Prometheus
documentation, "Metric and label naming" (one prefix, base units, ``_total``).
"""

from __future__ import annotations

import asyncio
import re
import threading
from collections import Counter
from collections.abc import Sequence
from typing import Any

import pytest
from prometheus_client.openmetrics import parser as openmetrics
from prometheus_client.parser import text_string_to_metric_families

from monitor.adapters.metrics import LoopLag, Metrics, Sources
from monitor.core.alarm_health import ROLES
from monitor.core.effects import CountDropped, CountImplausible, Effect, PublishEvent, RejectInput
from monitor.core.events import BrokerConnected, MonitorStarted
from monitor.ports import Step

OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"
REJECTED = RejectInput("not-json", "apron/v1/x", "no JSON")


def raised(type_: str = "raised") -> PublishEvent:
    return PublishEvent("ZZ-KAT", "L1", "wind-limit", type_, "e1", 0, {})


def observe(metrics: Metrics, *effects: Effect, event: Any = None, seconds: float = 0.0) -> None:
    metrics.observe(Step(0, event, effects, 10.0, 10.0 + seconds))


def samples(metrics: Metrics) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Every sample by its name and labels, having checked that none comes twice.

    The reference parser takes repeated samples, so that they are looked for here.
    """
    text = metrics.render(OPENMETRICS)[0].decode()
    assert text.endswith("# EOF\n")
    found = [
        ((sample.name, tuple(sorted(sample.labels.items()))), sample.value)
        for family in openmetrics.text_string_to_metric_families(text)
        for sample in family.samples
    ]
    repeated = [key for key, times in Counter(key for key, _ in found).items() if times > 1]
    assert repeated == []
    return dict(found)


def value(metrics: Metrics, name: str, **labels: str) -> float:
    return samples(metrics)[("sillwatch_" + name, tuple(sorted(labels.items())))]


@pytest.fixture
def rows() -> list[dict[str, Any]]:
    return [
        {"aircraft": "ZZ-KAT", "presence": "present", "door_states": {"L1": "open", "R1": "armed"}},
        {"aircraft": "ZZ-OLM", "presence": "away", "door_states": {"L1": "open"}},
    ]


@pytest.fixture
def alerts() -> list[dict[str, Any]]:
    return [
        {"code": "wind-limit", "priority": "warning", "aircraft": "ZZ-KAT"},
        {"code": "wind-limit", "priority": "warning", "aircraft": "ZZ-OLM"},
        {"code": "wind-limit", "priority": "caution", "aircraft": "ZZ-TEV"},
    ]


@pytest.fixture
def metrics(rows: list[dict[str, Any]], alerts: list[dict[str, Any]]) -> Metrics:
    made = Metrics("1.2.3")
    health = {"ready": False, "broker": {"connected": True}, "journal": {"healthy": True, "depth": 7}}
    made.attach(
        Sources(
            aircraft=lambda: rows,
            alerts=lambda: alerts,
            health=lambda: health,
            messages_received=lambda: 42,
            messages_waiting=lambda: 3,
            stream_clients=lambda: 3,
            stream_resyncs=lambda: 1,
            loop_lag_s=lambda: 0.25,
            boards=lambda: 2,
            unseen=lambda: 4,
            floods=lambda: {"all": 5, "ops": 7, "door team": None},
        )
    )
    return made


def fill(metrics: Metrics) -> None:
    observe(metrics, raised(), CountDropped("older"), REJECTED, CountImplausible("ZZ-KAT", "L1", "open", "armed"))
    metrics.count_commit(0.001, 12)


def test_every_name_keeps_the_rules(metrics: Metrics) -> None:
    fill(metrics)
    families = list(openmetrics.text_string_to_metric_families(metrics.render(OPENMETRICS)[0].decode()))
    assert len({family.name for family in families}) == len(families)
    for family in families:
        assert re.fullmatch(r"sillwatch_[a-z]+(_[a-z]+)*", family.name)
        assert not re.search(r"_(total|count|sum|bucket|info|created)$", family.name)
        assert not re.search(r"_(ms|milliseconds|minutes|hpa|kt)$", family.name)
        assert family.documentation.endswith(".")
        labels = {label for sample in family.samples for label in sample.labels}
        assert labels <= {"reason", "type", "role", "state", "presence", "code", "priority", "version", "le"}
        totals = {sample.name for sample in family.samples if sample.name.endswith("_total")}
        assert totals == ({family.name + "_total"} if family.type == "counter" else set())


def test_the_present_is_asked_for_at_the_scrape(metrics: Metrics, rows: list[dict[str, Any]]) -> None:
    assert value(metrics, "messages_received_total") == 42
    assert value(metrics, "stream_clients") == 3
    assert value(metrics, "stream_resyncs_total") == 1
    assert value(metrics, "loop_lag_seconds") == 0.25
    assert value(metrics, "ready") == 0
    assert value(metrics, "broker_connected") == 1
    assert value(metrics, "journal_healthy") == 1
    assert value(metrics, "journal_queue_entries") == 7
    assert value(metrics, "doors", state="open") == 2
    assert value(metrics, "doors", state="unknown") == 0
    assert value(metrics, "aircraft", presence="away") == 1
    assert value(metrics, "active_alerts", code="wind-limit", priority="warning") == 2
    assert value(metrics, "active_alerts", code="wind-limit", priority="caution") == 1
    assert value(metrics, "build_info", version="1.2.3") == 1
    floods = {role: value(metrics, "alarm_flood", role=role) for role in ROLES}
    assert floods == {role: int(role == "ops") for role in ROLES}
    rows.clear()
    assert value(metrics, "doors", state="open") == 0


def test_no_series_is_left_of_an_aircraft_that_left(
    metrics: Metrics, rows: list[dict[str, Any]], alerts: list[dict[str, Any]]
) -> None:
    before = set(samples(metrics))
    assert "ZZ-KAT" not in metrics.render(OPENMETRICS)[0].decode()
    kept = list(alerts)
    for number in range(50):
        rows.append({"aircraft": f"ZZ-{number}", "presence": "present", "door_states": {"L1": "ajar"}})
        alerts.append({"code": "feed-lost", "priority": "caution", "aircraft": f"ZZ-{number}"})
    assert len(samples(metrics)) == len(before) + 1
    del rows[2:]
    alerts[:] = kept
    assert set(samples(metrics)) == before


def test_steps_are_counted_by_what_they_led_to(metrics: Metrics) -> None:
    observe(metrics, REJECTED, REJECTED)
    observe(metrics, REJECTED, event=REJECTED)
    observe(metrics, event=RejectInput("too-large", "apron/v1/x", "70000 bytes"))
    observe(metrics, CountDropped("repeat"), CountDropped("older"), CountDropped("older"))
    observe(metrics, CountImplausible("ZZ-KAT", "L1", "open", "armed"))
    observe(metrics, raised(), raised("cleared"))
    assert value(metrics, "inputs_rejected_total", reason="not-json") == 3
    assert value(metrics, "inputs_rejected_total", reason="too-large") == 1
    assert value(metrics, "readings_dropped_total", reason="older") == 2
    assert value(metrics, "readings_dropped_total", reason="repeat") == 1
    assert value(metrics, "implausible_jumps_total") == 1
    assert value(metrics, "alert_events_total", type="cleared") == 1


def test_what_asks_for_attention_is_counted_by_role(metrics: Metrics) -> None:
    def told(type_: str, role: str = "ops", **data: Any) -> PublishEvent:
        return raised(type_)._replace(data={"role": role, **data})

    assert [value(metrics, "alerts_raised_total", role=role) for role in ROLES] == [0] * len(ROLES)
    observe(metrics, told("raised"), told("reraised"), told("reprioritised"), told("cleared"))
    observe(metrics, told("raised", drill=True), told("raised", late=True), told("raised", "door team"))
    observe(metrics, told("raised", "nobody we know"))
    assert {role: value(metrics, "alerts_raised_total", role=role) for role in ROLES} == {
        **dict.fromkeys(ROLES, 0),
        "ops": 2,
        "door team": 1,
    }


@pytest.mark.parametrize(
    ("effects", "event", "counted"),
    [
        ([raised()], MonitorStarted(), 1),
        ([raised("cleared"), raised("reraised")], MonitorStarted(), 1),
        ([raised("cleared")], MonitorStarted(), 0),
        ([], MonitorStarted(), 0),
        ([raised()], None, 0),
    ],
)
def test_latency_runs_from_receipt_to_an_alert(
    metrics: Metrics, effects: Sequence[Effect], event: Any, counted: int
) -> None:
    observe(metrics, *effects, event=event, seconds=0.003)
    assert value(metrics, "alert_latency_seconds_count") == counted
    assert value(metrics, "alert_latency_seconds_bucket", le="0.002") == 0
    assert value(metrics, "alert_latency_seconds_bucket", le="0.005") == counted


def test_latency_is_told_apart_from_a_tenth_of_a_millisecond_to_a_second(metrics: Metrics) -> None:
    bounds = [
        float(dict(labels)["le"])
        for name, labels in samples(metrics)
        if name == "sillwatch_alert_latency_seconds_bucket"
    ]
    assert (bounds[0], bounds[-2], bounds[-1]) == (0.0001, 1.0, float("inf"))


def test_connections_after_the_first_are_reconnects(metrics: Metrics) -> None:
    for _ in range(3):
        observe(metrics, event=BrokerConnected())
    assert value(metrics, "broker_connections_total") == 3
    assert value(metrics, "broker_reconnects_total") == 2


def test_commits_are_counted_from_the_journals_thread(metrics: Metrics) -> None:
    threads = [threading.Thread(target=metrics.count_commit, args=(0.004, 30)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert value(metrics, "journal_commit_seconds_count") == 4
    assert value(metrics, "journal_commit_seconds_sum") == pytest.approx(0.016)
    assert value(metrics, "journal_batch_entries_sum") == 120


@pytest.mark.parametrize(
    ("accept", "open_format"),
    [
        ("application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5,*/*;q=0.1", True),
        ("application/openmetrics-text; version=nonsense", True),
        ("text/plain", False),
        ("*/*", False),
        ("", False),
    ],
)
def test_the_format_is_the_one_asked_for(metrics: Metrics, accept: str, open_format: bool) -> None:
    fill(metrics)
    body, content_type = metrics.render(accept)
    if open_format:
        assert content_type == OPENMETRICS
        assert body.endswith(b"# EOF\n")
    else:
        assert content_type == "text/plain; version=0.0.4; charset=utf-8"
        families = {family.name for family in text_string_to_metric_families(body.decode())}
        assert {"sillwatch_doors", "sillwatch_alert_latency_seconds", "sillwatch_messages_received"} <= families


async def test_a_blocked_loop_shows_as_lag() -> None:
    lag = LoopLag(interval_s=0.001, samples=1000)
    assert lag.worst_s() == 0.0
    watching = asyncio.create_task(lag.watch())
    try:
        loop = asyncio.get_running_loop()
        async with asyncio.timeout(5):
            while lag.worst_s() < 0.02:
                await asyncio.sleep(0)
                until = loop.time() + 0.03
                while loop.time() < until:
                    pass
    finally:
        watching.cancel()
        await asyncio.gather(watching, return_exceptions=True)
    assert 0.02 <= lag.worst_s() < 5
