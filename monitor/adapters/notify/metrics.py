"""What a scrape sees of deliveries.

Owns the names and labels; a destination's name is the only label that is not a fixed word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from monitor.adapters.notify.deliveries import Figures


class DeliveryMetrics(Collector):
    """The figures of the moment, asked for at a scrape."""

    def __init__(self, figures: Callable[[], Figures]) -> None:
        self._figures = figures

    def collect(self) -> Iterator[Metric]:
        """Write the deliveries' metrics."""
        figures = self._figures()
        counted = CounterMetricFamily(
            "sillwatch_deliveries",
            "What became of telling a destination: delivered, failed (one attempt), dead (laid aside), dropped.",
            labels=["destination", "outcome"],
        )
        for (name, outcome), number in sorted(figures.counts.items()):
            counted.add_metric([name, outcome], number)
        yield counted
        waiting = GaugeMetricFamily(
            "sillwatch_deliveries_waiting", "Events that wait for a destination.", labels=["destination"]
        )
        for name, number in sorted(figures.waiting.items()):
            waiting.add_metric([name], number)
        yield waiting
        failing = GaugeMetricFamily(
            "sillwatch_delivery_failing_seconds",
            "For how long a destination has taken nothing, 0 while it does.",
            labels=["destination"],
        )
        for name, seconds in sorted(figures.failing_s.items()):
            failing.add_metric([name], seconds)
        yield failing
