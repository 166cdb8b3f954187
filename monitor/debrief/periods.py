"""The period that a report is of, from what a person wrote, and its times as a person reads them.

Owns the forms of a moment (RFC 3339, a date, an age), the time zone that dates count in, and
how a moment is written for people, always with its offset. Asks no clock.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.core.times import HOUR, MINUTE, SECOND, format_time, parse_time

DAY: Final = 24 * HOUR
_UNITS: Final[Mapping[str, int]] = {"s": SECOND, "min": MINUTE, "h": HOUR, "d": DAY}
_AGE: Final = re.compile(r"(\d{1,9})(s|min|h|d)")
_DATE: Final = re.compile(r"\d{4}-\d\d-\d\d")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)

FORMS: Final = "a time such as 2026-03-01T10:15:00Z, a date such as 2026-03-01, or an age such as 90s, 30min, 12h, 30d"


class ReportError(Exception):
    """There is no such report; the message is one sentence for a person.

    ``kind`` is ``wrong`` (it was asked for wrongly), ``not-found`` (nothing of that is on
    record) or ``failed``.
    """

    def __init__(self, kind: str, message: str) -> None:
        super().__init__(message)
        self.kind = kind


def find_zone(name: str) -> tzinfo:
    """Return a time zone by its IANA name; raises :class:`ReportError`."""
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ReportError("wrong", f"{name!r} is no IANA time zone; give one such as UTC or Etc/GMT-1") from None


def read_moment(text: str, zone: tzinfo, now: int, *, end: bool = False) -> int:
    """Read a moment (µs): of a date its local midnight, or as an ``end`` the midnight after it.

    Ages count back from ``now`` (µs). Raises :class:`ReportError`.
    """
    text = text.strip()
    age = _AGE.fullmatch(text)
    try:
        if age is not None:
            return _within_time(now - int(age[1]) * _UNITS[age[2]])
        if _DATE.fullmatch(text):
            day = date.fromisoformat(text)
            return find_midnight(day + timedelta(days=1) if end else day, zone)
        return _within_time(parse_time(text))
    except (ValueError, OverflowError):
        raise ReportError("wrong", f"{text!r} is no moment; give {FORMS}") from None


def _within_time(at: int) -> int:
    format_time(at)  # raises where no year holds it
    return at


def find_midnight(day: date, zone: tzinfo) -> int:
    """Return when a day begins in a zone (µs); where no clock shows midnight, when the clock is put over it."""
    return (datetime.combine(day, time(), zone) - _EPOCH) // _MICROSECOND


def find_moment(shown: int, zone: tzinfo) -> int:
    """Return the moment (µs) at which the clocks of a zone show ``shown`` (µs, as if it were UTC); of two the first."""
    clock = (_EPOCH + timedelta(microseconds=shown)).replace(tzinfo=zone)
    return (clock - _EPOCH) // _MICROSECOND


def read_period(since: str | None, until: str | None, *, zone: tzinfo, now: int, usual: int = DAY) -> tuple[int, int]:
    """Return a period's ends (µs): the ``usual`` last where nothing is said. Raises :class:`ReportError`.

    What is still to come belongs to no period: it ends at ``now`` (µs) at the latest.
    """
    end = now if until is None else min(read_moment(until, zone, now, end=True), now)
    begin = end - usual if since is None else read_moment(since, zone, end if _AGE.fullmatch(since.strip()) else now)
    if begin >= end:
        raise ReportError(
            "wrong",
            f"the period from {say_moment(begin, zone)} to {say_moment(end, zone)} has no length; give since before until",
        )
    return begin, end


def local_time(at: int, zone: tzinfo) -> datetime:
    """Return a moment (µs) on the clocks of a zone."""
    return (_EPOCH + timedelta(microseconds=at)).astimezone(zone)


def say_moment(at: int, zone: tzinfo, *, seconds: bool = True) -> str:
    """Write a moment (µs) with its day and offset: ``2026-03-29 03:15:00 +02:00``."""
    moment = local_time(at, zone)
    return f"{moment:%Y-%m-%d} {say_clock(at, zone, seconds=seconds)} {say_offset(moment)}"


def say_clock(at: int, zone: tzinfo, *, seconds: bool = True) -> str:
    """Write what the clocks show at a moment (µs)."""
    return f"{local_time(at, zone):{'%H:%M:%S' if seconds else '%H:%M'}}"


def say_offset(moment: datetime) -> str:
    """Write a local time's offset, ``+02:00``; of UTC ``UTC``."""
    offset = moment.utcoffset() or timedelta()
    if moment.tzinfo is UTC:
        return "UTC"
    minutes = round(offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"


def say_zone(name: str, since: int, until: int) -> str:
    """Write which zone the times are of, with its offsets at both ends of a period (µs)."""
    zone = find_zone(name)
    offsets = list(dict.fromkeys(say_offset(local_time(at, zone)) for at in (since, until)))
    if offsets == ["UTC"]:
        return "UTC"
    if len(offsets) == 1:
        return f"{name} (UTC{offsets[0]})"
    return f"{name} (UTC{offsets[0]}, then UTC{offsets[1]}: the clocks were changed in between)"


def say_span(length: int) -> str:
    """Write a length of time (µs) in words: ``1 h 5 min``, ``42 s``, ``3.2 s``."""
    if length < 10 * SECOND:
        return f"{length / SECOND:.1f} s"
    seconds = round(length / SECOND)
    if seconds < 120:
        return f"{seconds} s"
    minutes, hours = divmod(round(seconds / 60), 60)[::-1]
    days, hours = divmod(hours, 24)
    parts = [(days, "d"), (hours, "h"), (minutes, "min")]
    return " ".join(f"{number} {unit}" for number, unit in parts if number)
