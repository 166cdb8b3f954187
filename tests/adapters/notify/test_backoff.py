"""Gaps and ``Retry-After``. Sources: RFC 9110 section 10.2.3, and the dates of its section 5.6.7."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.notify.backoff import FIRST, MOST, gap_after, read_retry_after
from monitor.core.times import SECOND, parse_time

NOW = parse_time("1994-11-06T08:49:07Z")


@given(failures=st.integers(1, 10_000), seed=st.integers(0, 100))
def test_a_gap_is_between_half_and_whole_of_what_doubles(failures: int, seed: int) -> None:
    whole = min(FIRST * 2 ** (failures - 1), MOST)
    gap = gap_after(failures, FIRST, random.Random(seed))
    assert whole // 2 <= gap <= whole
    assert gap == gap_after(failures, FIRST, random.Random(seed))


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("120", 120),
        ("0", 1),
        ("999999", 3600),
        ("Sun, 06 Nov 1994 08:49:37 GMT", 30),
        ("Sunday, 06-Nov-94 08:49:37 GMT", 30),
        ("Sun Nov  6 08:49:37 1994", 30),
        ("Sun, 06 Nov 1994 08:00:00 GMT", 1),
        ("Sun, 06 Nov 2094 08:00:00 GMT", 3600),
        (None, None),
        ("", None),
        ("soon", None),
        ("-5", None),
        ("1.5", None),
        ("99999999999999999999", None),
        ("٣", None),
    ],
)
def test_retry_after_is_read_within_bounds(text: str | None, seconds: int | None) -> None:
    assert read_retry_after(text, NOW) == (None if seconds is None else seconds * SECOND)


@given(st.text(max_size=60))
def test_no_text_makes_it_raise(text: str) -> None:
    wait = read_retry_after(text, NOW)
    assert wait is None or SECOND <= wait <= MOST
