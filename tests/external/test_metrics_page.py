"""The scrape against OpenMetrics 1.0 and the Prometheus naming practices.

Counters end in ``_total``; base units (seconds, bytes, ratio) as the name's suffix; one
application prefix. ``prometheus_client.openmetrics.parser`` accepts duplicate samples, so
those are looked for on the text.
"""

from __future__ import annotations

import re
from collections import Counter

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_openmetrics
from prometheus_client.parser import text_string_to_metric_families as parse_text

from monitor.adapters.metrics import Metrics, Sources
from monitor.core import readout
from monitor.core.effects import CountDropped, CountImplausible, RejectInput
from monitor.core.events import BrokerConnected
from monitor.ports import Step
from tests.external.apron import Apron

OPENMETRICS = "application/openmetrics-text; version=1.0.0"
NOT_BASE = re.compile(
    r"_(?:ms|millis\w*|us|micros\w*|minutes?|hours?|days?|kb|kib|mb|mib|kilobytes|megabytes|percent|pct)(?:_|$)"
)


@pytest.fixture(scope="module")
def page() -> Metrics:
    """A page after a little of everything: alerts, refusals, repeats, a jump, a reconnect."""
    apron = Apron()
    apron.park(engaged=True)
    apron.send("door/L1/handle_lifted", True)
    apron.door("R1", closed=False)
    apron.raw("apron/v1/tarnwick/aircraft/ZZ-ALD/door/L1/wobble", b"{}")
    for _ in range(2):
        apron.raw(
            "apron/v1/tarnwick/aircraft/ZZ-ALD/door/L2/closed",
            b'{"time":"2026-03-01T10:00:09Z","seq":500,"value":true}',
        )
    kinds = {type(effect) for effect in apron.effects}
    assert {RejectInput, CountDropped, CountImplausible} <= kinds
    metrics = Metrics("9.9.9")
    metrics.attach(
        Sources(
            aircraft=lambda: readout.list_aircraft(apron.system, apron.now),
            alerts=lambda: readout.list_alerts(apron.system, apron.now),
            health=lambda: {"ready": True, "broker": {"connected": True}, "journal": {"healthy": True, "depth": 3}},
            messages_received=lambda: 42,
            messages_waiting=lambda: 3,
            stream_clients=lambda: 1,
            stream_resyncs=lambda: 0,
            loop_lag_s=lambda: 0.002,
            boards=lambda: 1,
            unseen=lambda: 0,
            floods=lambda: {"ops": apron.now},
        )
    )
    for event in (BrokerConnected(), BrokerConnected()):
        metrics.observe(Step(apron.now, event, (), 0.0, 0.0))
    metrics.observe(Step(apron.now, BrokerConnected(), apron.effects, 1.0, 1.0004))
    metrics.count_commit(0.001, 5)
    return metrics


@pytest.fixture(scope="module")
def text(page: Metrics) -> str:
    body, content_type = page.render(OPENMETRICS)
    assert content_type.startswith("application/openmetrics-text; version=1.0.0")
    return body.decode("utf-8")


def samples(text: str) -> list[str]:
    return [line for line in text.splitlines() if line and not line.startswith("#")]


def test_it_parses_as_openmetrics_and_ends_as_it_must(text: str) -> None:
    """OpenMetrics 1.0: the exposition must end with EOF, a line feed after it."""
    families = list(parse_openmetrics(text))
    assert len(families) > 10
    assert text.endswith("# EOF\n")
    assert text.count("# EOF") == 1


def test_it_parses_as_plain_text(page: Metrics) -> None:
    body, content_type = page.render("*/*")
    assert content_type.startswith("text/plain; version=0.0.4")
    assert len(list(parse_text(body.decode("utf-8")))) > 10


def test_no_series_stands_twice(text: str) -> None:
    """A MetricPoint's name and labels are unique; the parser does not look."""
    series = Counter(
        re.sub(r"\{(.*)\}", lambda m: "{" + ",".join(sorted(m[1].split(","))) + "}", line.rsplit(" ", 1)[0])
        for line in samples(text)
    )
    assert [name for name, times in series.items() if times > 1] == []
    families = Counter(line.split()[2] for line in text.splitlines() if line.startswith("# TYPE "))
    assert [name for name, times in families.items() if times > 1] == []


def test_names_follow_the_practices(text: str) -> None:
    for family in parse_openmetrics(text):
        assert re.fullmatch(r"sillwatch_[a-z][a-z0-9_]*[a-z0-9]", family.name), family.name
        assert not NOT_BASE.search(family.name), family.name
        assert not family.name.endswith(("_total", "_count", "_sum", "_bucket", "_info")), family.name
        assert family.documentation.strip(), family.name
        assert family.documentation.endswith("."), family.name
        names = {sample.name for sample in family.samples}
        if family.type == "counter":
            assert names <= {f"{family.name}_total", f"{family.name}_created"}, family.name
        elif family.type == "gauge":
            assert names <= {family.name}
        elif family.type == "histogram":
            assert names <= {f"{family.name}{end}" for end in ("_bucket", "_count", "_sum", "_created")}
            assert family.name.endswith(("_seconds", "_bytes", "_ratio", "_entries")), family.name


def test_the_search_for_units_finds_one() -> None:
    assert NOT_BASE.search("sillwatch_lag_ms")
    assert NOT_BASE.search("sillwatch_heap_megabytes_used")
    assert not NOT_BASE.search("sillwatch_messages_received")


def test_no_label_names_an_aircraft_or_a_person(text: str) -> None:
    """A series must not outlive the aircraft that it was for; and labels are few."""
    assert "ZZ-" not in text
    labels = {label for family in parse_openmetrics(text) for sample in family.samples for label in sample.labels}
    assert labels <= {"reason", "type", "role", "state", "presence", "code", "priority", "le", "version"}


def test_buckets_grow_to_infinity(text: str) -> None:
    """OpenMetrics 1.0: buckets are cumulative, and the last is +Inf and equals the count."""
    for family in parse_openmetrics(text):
        if family.type != "histogram":
            continue
        buckets = [sample for sample in family.samples if sample.name.endswith("_bucket")]
        values = [sample.value for sample in buckets]
        assert values == sorted(values)
        assert buckets[-1].labels["le"] == "+Inf"
        count = next(sample.value for sample in family.samples if sample.name.endswith("_count"))
        assert values[-1] == count


def test_the_counts_are_the_ones_that_happened(text: str) -> None:
    found = {
        (sample.name, *sorted(sample.labels.items())): sample.value
        for family in parse_openmetrics(text)
        for sample in family.samples
    }
    assert found["sillwatch_inputs_rejected_total", ("reason", "unknown-signal")] == 1
    assert found["sillwatch_readings_dropped_total", ("reason", "repeat")] == 1
    assert found["sillwatch_implausible_jumps_total",] == 1
    assert found["sillwatch_alert_events_total", ("type", "raised")] >= 2
    assert found["sillwatch_broker_connections_total",] == 3
    assert found["sillwatch_broker_reconnects_total",] == 2
    assert found["sillwatch_messages_received_total",] == 42
    assert found["sillwatch_active_alerts", ("code", "armed-handle-moved"), ("priority", "warning")] == 1
    states = sum(value for key, value in found.items() if key[0] == "sillwatch_doors")
    assert states == len(Apron().site.types["alder"].doors)
