"""Moments as people write and read them, also where the clocks change."""

from __future__ import annotations

from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.times import HOUR, MINUTE, SECOND, format_time, parse_time
from monitor.debrief.periods import (
    ReportError,
    find_zone,
    read_moment,
    read_period,
    say_clock,
    say_moment,
    say_span,
    say_zone,
)
from monitor.debrief.picture import list_ticks
from monitor.debrief.words import Times

SPRING = "WET"
NOW = parse_time("2026-03-29T12:00:00Z")


@pytest.mark.parametrize(
    ("text", "end", "moment"),
    [
        ("2026-03-29", False, "2026-03-29T00:00:00.000Z"),
        ("2026-03-29", True, "2026-03-29T23:00:00.000Z"),
        ("2026-03-28", True, "2026-03-29T00:00:00.000Z"),
        ("2026-10-25", False, "2026-10-24T23:00:00.000Z"),
        ("2026-10-25", True, "2026-10-26T00:00:00.000Z"),
        ("2026-03-29T03:00:00+01:00", False, "2026-03-29T02:00:00.000Z"),
        ("90s", False, "2026-03-29T11:58:30.000Z"),
        ("30min", False, "2026-03-29T11:30:00.000Z"),
        ("12h", False, "2026-03-29T00:00:00.000Z"),
        ("30d", False, "2026-02-27T12:00:00.000Z"),
    ],
)
def test_a_moment_is_read_in_its_zone(text: str, end: bool, moment: str) -> None:
    assert format_time(read_moment(text, find_zone(SPRING), NOW, end=end)) == moment


def test_the_day_of_the_change_has_23_hours() -> None:
    since, until = read_period("2026-03-29", "2026-03-29", zone=find_zone(SPRING), now=NOW + 48 * HOUR)
    assert until - since == 23 * HOUR
    assert say_zone(SPRING, since, until) == f"{SPRING} (UTC+00:00, then UTC+01:00: the clocks were changed in between)"
    times = Times(SPRING, format_time(since), format_time(until))
    assert times.clock("2026-03-29T00:59:59.000Z") == "00:59:59 +00:00"
    assert times.clock("2026-03-29T01:00:00.000Z") == "02:00:00 +01:00"
    assert times.clock(format_time(until)) == "2026-03-30 00:00:00 +01:00", "another day is named"


@pytest.mark.parametrize("text", ["", "yesterday", "2026-13-01", "2026-03-01T10:00:00", "5m", "999999999d", "-1h"])
def test_what_is_no_moment_is_refused(text: str) -> None:
    with pytest.raises(ReportError, match="is no moment; give a time such as"):
        read_moment(text, UTC, NOW)


@given(st.integers(0, 2_000_000_000), st.sampled_from(["UTC", SPRING, "Etc/GMT+5"]))
def test_a_moment_is_written_so_that_it_can_be_read(second: int, name: str) -> None:
    said = say_moment(second * SECOND, find_zone(name))
    day, clock, offset = said.split(" ")
    assert parse_time(f"{day}T{clock}{'Z' if offset == 'UTC' else offset}") == second * SECOND


@given(st.integers(0, 2_000_000_000), st.integers(1, 40 * 24 * 3600), st.sampled_from(["UTC", SPRING]))
def test_an_axis_has_a_few_ticks_at_round_moments(second: int, length: int, name: str) -> None:
    since = second * SECOND
    ticks = list_ticks(since, since + length * SECOND, find_zone(name))
    assert 0 <= len(ticks) <= 10
    assert all(since <= tick <= since + length * SECOND for tick in ticks)


@pytest.mark.parametrize(
    ("since", "until", "shown"),
    [
        ("2026-03-27", "2026-03-30", {"00:00", "12:00"}),
        ("2026-10-24", "2026-10-27", {"00:00", "12:00"}),
        ("2026-10-20", "2026-10-27", {"00:00"}),
    ],
)
def test_the_ticks_stay_round_where_the_clocks_change(since: str, until: str, shown: set[str]) -> None:
    zone = find_zone(SPRING)
    begun, over = read_period(since, until, zone=zone, now=NOW + 365 * 24 * HOUR)
    ticks = list_ticks(begun, over, zone)
    assert {say_clock(at, zone, seconds=False) for at in ticks} == shown
    assert (ticks[0], ticks[-1]) == (begun, over), "also the last one, where the clocks were put on"
    assert ticks == sorted(set(ticks))


@pytest.mark.parametrize(
    ("length", "said"),
    [
        (500_000, "0.5 s"),
        (42 * SECOND, "42 s"),
        (5 * MINUTE, "5 min"),
        (65 * MINUTE, "1 h 5 min"),
        (26 * HOUR, "1 d 2 h"),
    ],
)
def test_a_length_is_said_in_words(length: int, said: str) -> None:
    assert say_span(length) == said
