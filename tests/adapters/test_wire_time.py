"""Stamps on the wire: RFC 3339 with an offset, and Unix seconds."""

from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.wire import Wire, parse_stamp
from monitor.core.effects import RejectInput
from monitor.core.events import ReadingsArrived
from monitor.core.times import format_time
from monitor.ports import Message

WIRE = Wire("tarnwick", "first", frozenset())
TOPIC = "apron/v1/tarnwick/aircraft/TW-ALD/door/L1/closed"


def read(raw: str) -> int | None:
    """Send ``raw`` (JSON) as the time of a reading; ``None`` where it is refused as a bad time."""
    result = WIRE.decode(Message(TOPIC, f'{{"time": {raw}, "value": true}}'.encode(), False))
    if isinstance(result, RejectInput):
        assert result.reason == "bad-time"
        return None
    assert isinstance(result, ReadingsArrived)
    return result.time


def micros(*parts: int) -> int:
    moment = datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type,misc]
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


# The five examples of RFC 3339, section 5.8. The third and fourth are one leap second, of
# which this project takes the first instant of the next minute.
@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("1985-04-12T23:20:50.52Z", micros(1985, 4, 12, 23, 20, 50, 520_000)),
        ("1996-12-19T16:39:57-08:00", micros(1996, 12, 20, 0, 39, 57)),
        ("1990-12-31T23:59:60Z", micros(1991, 1, 1)),
        ("1990-12-31T15:59:60-08:00", micros(1991, 1, 1)),
        ("1937-01-01T12:00:27.87+00:20", micros(1937, 1, 1, 11, 40, 27, 870_000)),
    ],
)
def test_examples_of_rfc_3339(text: str, at: int) -> None:
    assert read(f'"{text}"') == at
    assert parse_stamp(text) == at


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("1985-04-12t23:20:50.52z", micros(1985, 4, 12, 23, 20, 50, 520_000)),  # section 5.6: lower case is allowed
        ("1985-04-12 23:20:50.52Z", micros(1985, 4, 12, 23, 20, 50, 520_000)),  # section 5.6: so is a blank
        ("2026-03-01T10:15:00-00:00", micros(2026, 3, 1, 10, 15)),  # section 4.3: offset to local time unknown
        ("2024-02-29T00:00:00Z", micros(2024, 2, 29)),
        ("2026-03-01T10:15:00.1234569999Z", micros(2026, 3, 1, 10, 15, 0, 123_456)),
        ("1990-12-31T23:59:60.999Z", micros(1991, 1, 1)),
        ("0001-01-01T00:00:00Z", micros(1, 1, 1)),
        ("9999-12-31T23:59:59.999999Z", micros(9999, 12, 31, 23, 59, 59, 999_999)),
    ],
)
def test_other_stamps_that_are_in_good_form(text: str, at: int) -> None:
    assert read(f'"{text}"') == at


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2026-03-01",
        "2026-03-01T10:15:00",
        "2026-03-01T10:15Z",
        "2026-03-01T10:15:00,125Z",
        "2026-03-01T10:15:00.Z",
        "2026-03-01T10:15:00+01",
        "2026-03-01T10:15:00+0100",
        "2026-03-01T10:15:00+01:00:30",
        "2026-03-01T10:15:00+24:00",
        "2026-03-01T24:00:00Z",
        "2026-03-01T10:60:00Z",
        "2026-03-01T10:15:61Z",
        "2026-02-29T10:15:00Z",
        "2026-13-01T10:15:00Z",
        "2026-W09-7T10:15:00Z",
        "20260301T101500.000Z",
        "0000-01-01T00:00:00Z",
        "12026-03-01T10:15:00Z",
        " 2026-03-01T10:15:00Z",
        "2026-03-01T10:15:00Z ",
        "٢٠٢٦-03-01T10:15:00Z",
        "0001-01-01T00:00:00+23:59",
        "9999-12-31T23:59:59-00:01",
        "9999-12-31T23:59:60Z",
        "1772360100",
    ],
)
def test_what_is_no_stamp(text: str) -> None:
    assert read(f'"{text}"') is None
    with pytest.raises(ValueError, match=r"is not|does not exist"):
        parse_stamp(text)


@pytest.mark.parametrize(
    ("number", "at"),
    [
        ("0", 0),
        ("-1", -1_000_000),
        ("1772360100", 1_772_360_100_000_000),
        ("1772360100.125", 1_772_360_100_125_000),
        ("1772360100.123456", 1_772_360_100_123_456),
        ("4102444800.000001", 4_102_444_800_000_001),
        ("1.7723601e9", 1_772_360_100_000_000),
        ("-0.5", -500_000),
        ("-62135596800", micros(1, 1, 1)),
        ("253402300799", micros(9999, 12, 31, 23, 59, 59)),
    ],
)
def test_unix_seconds(number: str, at: int) -> None:
    assert read(number) == at


@pytest.mark.parametrize(
    "raw",
    [
        "true",
        "false",
        "null",
        "[]",
        "{}",
        "NaN",
        "Infinity",
        "-Infinity",
        "1e300",
        "253402300800",
        "253402300799.9999999",
        "-62135596801",
        "-62135596800.5",
        "1772360100125000000",
        "9" * 400,
    ],
)
def test_what_is_no_number_of_seconds(raw: str) -> None:
    assert read(raw) is None


@given(st.integers(micros(1, 1, 1), micros(9999, 12, 31, 23, 59, 59, 999_999)))
def test_every_stamp_comes_back(at: int) -> None:
    assert read(f'"{format_time(at)}"') == at


@given(st.integers(0, 4_102_444_800 * 1_000_000))
def test_a_float_keeps_its_microsecond_until_2100(at: int) -> None:
    assert read(repr(at / 1_000_000) if at % 1_000_000 else str(at // 1_000_000)) == at


@given(st.floats(-62_135_596_800, 253_402_300_799))
def test_a_float_is_rounded_to_the_nearest_microsecond(seconds: float) -> None:
    exact = (Decimal(seconds) * 1_000_000).quantize(Decimal(1), ROUND_HALF_EVEN)
    assert abs((read(repr(seconds)) or 0) - int(exact)) <= 1


@given(st.text(max_size=40))
def test_no_text_raises_anything_but_value_error(text: str) -> None:
    try:
        at = parse_stamp(text)
    except ValueError:
        return
    assert parse_stamp(format_time(at)) == at
