"""Alarm health against the published figures for one operator.

Sources: ANSI/ISA-18.2-2016 clause 16, IEC 62682 and EEMUA 191, all as secondary pages report
them; the standards themselves were not read. They give, for each operator: about 150 alarms
a day acceptable and about 300 manageable (EEMUA's 2009 edition), about 6 and 12 an hour,
about 1 and 2 in 10 minutes; a flood begins above 10 in 10 minutes and ends below 5; less than
1 % of the time in flood; the ten worst at most 1 to 5 % of all; none chattering; fewer than 5
stale on any day; about 80, 15 and 5 % of low, medium and high priority; a period of at least
30 days. "About" is taken as the figure itself, and a rate on it as within it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from monitor.core import alarm_health as ours
from monitor.core.alarm_health import Annunciation, measure
from monitor.core.times import HOUR, MINUTE

T0 = 1_772_359_200_000_000
DAY = 24 * HOUR
ROLE = "coordinator"

PUBLISHED = {  # span → acceptable, manageable
    "per_day": (DAY, 150, 300),
    "per_hour": (HOUR, 6, 12),
    "per_10_minutes": (10 * MINUTE, 1, 2),
}


def evenly(number: int, span: int) -> list[Annunciation]:
    """``number`` alarms spread over ``span``, each at a place of its own."""
    return [at(T0 + index * span // number, index) for index in range(number)]


def at(time: int, index: int, priority: str = "advisory") -> Annunciation:
    return Annunciation(time, "TW-101", f"D{index}", "bottle-low", ROLE, priority)


def health(told: Iterable[Annunciation], span: int = DAY) -> dict[str, Any]:
    document: dict[str, Any] = measure(told, since=T0, until=T0 + span, roles=[ROLE])["roles"][ROLE]
    return document


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_rates_of_one_operator(name: str) -> None:
    """ISA-18.2 and EEMUA 191: average alarm rate of an operator in normal operation."""
    span, acceptable, manageable = PUBLISHED[name]
    for number, band in (
        (acceptable, "acceptable"),
        (acceptable + 1, "manageable"),
        (manageable, "manageable"),
        (manageable + 1, "above"),
    ):
        assert health(evenly(number, span), span)["bands"][name] == band


def test_what_is_told_beside_the_figures_is_what_was_published() -> None:
    document = measure([], since=T0, until=T0 + DAY, roles=[ROLE])
    assert document["bands"] == {
        name: {"acceptable": acceptable, "manageable": manageable}
        for name, (_, acceptable, manageable) in PUBLISHED.items()
    }
    assert document["targets"] == {
        "flood_time_ratio_below": 0.01,
        "chattering": 0,
        "stale_below": 5,
        "worst_ten_share_at_most": 0.05,
        "priority_shares": {"advisory": 0.80, "caution": 0.15, "warning": 0.05},
    }
    assert any("secondary" in source for source in document["sources"])


def test_a_flood_begins_above_ten_and_ends_below_five_in_ten_minutes() -> None:
    """The most usual reading of ISA-18.2: judged here second by second, without our window's arithmetic."""
    times = [T0 + 10 * MINUTE + second * 1_000_000 for second in (0, *range(60, 180, 10), 500, 700, 701, 3000)]
    told = [at(time, index) for index, time in enumerate(times)]
    in_flood = False
    seconds = 0
    for second in range(7200):
        now = T0 + second * 1_000_000
        recent = sum(now - 10 * MINUTE < time <= now for time in times)
        in_flood = recent >= 5 if in_flood else recent > 10
        seconds += in_flood
    floods = health(told, 2 * HOUR)["floods"]
    assert floods["time_s"] == seconds > 0
    assert floods["number"] == 1


@pytest.mark.parametrize(("seconds", "meets"), [(599, True), (601, False)])
def test_less_than_one_percent_of_the_time_in_flood(seconds: int, meets: bool) -> None:
    """Eleven at one instant are a flood for exactly 10 minutes."""
    told = [at(T0, index) for index in range(11)]
    span = 10 * MINUTE * 100 * 600 // seconds
    assert health(told, span)["floods"]["meets_target"] is meets


def test_the_ten_worst_are_at_most_a_twentieth() -> None:
    assert health(evenly(200, DAY))["worst_ten"]["meets_target"] is True
    assert health(evenly(190, DAY))["worst_ten"]["meets_target"] is False


def test_the_priorities_that_are_aimed_at_are_met_by_such_a_mix() -> None:
    words = ["warning"] * 5 + ["caution"] * 15 + ["advisory"] * 80
    mix = health([at(T0 + index, index, word) for index, word in enumerate(words)])["priorities"]
    assert {word: each["share"] for word, each in mix.items()} == {"warning": 0.05, "caution": 0.15, "advisory": 0.8}


def test_thirty_days_at_least() -> None:
    for days, short in ((29, True), (30, False), (366, False)):
        document = measure([], since=T0, until=T0 + days * DAY, roles=[ROLE])
        assert document["shorter_than_30_days"] is short


def test_three_in_sixty_seconds_is_only_the_default() -> None:
    assert (ours.CHATTER_COUNT, ours.CHATTER_WINDOW) == (3, MINUTE)
    assert any("convention" in source for source in ours.SOURCES)
