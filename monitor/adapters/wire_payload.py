"""The parts of a payload: JSON object, time, sequence number, quality.

Owns what each envelope field may be. Every function either returns a value in its final
form or raises :class:`RejectedError`; nothing that a sender can write raises anything else.
"""

from __future__ import annotations

import math
import re
from typing import Any, Final

from pydantic_core import from_json

from monitor.adapters.wire_reasons import RejectedError, quote
from monitor.core.signals import BIG_COUNT, Quality
from monitor.core.times import SECOND, parse_time

PAYLOAD_MAX: Final = 64 * 1024
"""The largest payload in bytes that is looked at."""

_YEAR_1: Final = -62_135_596_800
_YEAR_10000: Final = 253_402_300_800
_BOM: Final = b"\xef\xbb\xbf"

_RFC3339: Final = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ](?:[01]\d|2[0-3]):[0-5]\d:[0-6]\d(?:\.\d+)?(?:[Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)", re.ASCII
)
"""The grammar of RFC 3339, section 5.6, with the blank that its note allows; ISO 8601 knows more forms."""

_QUALITIES: Final = {quality.value: quality for quality in Quality}
_GOOD: Final = Quality.GOOD

Fields = dict[str, Any]


def parse_object(payload: bytes) -> Fields:
    """Read a payload as a JSON object.

    Raises :class:`RejectedError` with ``not-utf8``, ``not-json``, ``not-object``, or
    ``out-of-range`` for a number of thousands of digits.
    """
    try:
        data = from_json(payload, cache_strings="keys")
    except ValueError as fault:
        raise _explain(payload, str(fault)) from None
    if type(data) is not dict:
        raise RejectedError("not-object", 'the payload is a JSON object such as {"time": …, "value": …}')
    return data


def _explain(payload: bytes, fault: str) -> RejectedError:
    try:
        payload.decode("utf-8")
    except UnicodeDecodeError as error:
        return RejectedError("not-utf8", f"the payload is not UTF-8 from byte {error.start} on")
    if fault.startswith("number out of range"):
        return RejectedError("out-of-range", f"the payload holds a number of too many digits: {fault[:80]}")
    if payload.startswith(_BOM):
        return RejectedError("not-json", "the payload begins with a byte order mark; leave it out")
    return RejectedError("not-json", f"the payload is not JSON: {fault[:80]}")


def parse_stamp(text: str) -> int:
    """Read an RFC 3339 time with an offset, in the years 1 to 9999, as µs since the epoch.

    Raises ``ValueError`` with a sentence that says what would be right.
    """
    if _RFC3339.fullmatch(text) is None:
        raise ValueError(
            f"{quote(text)} is not an RFC 3339 time with an offset; write it like 2026-03-01T10:15:00.125Z"
        )
    try:
        at = parse_time(text)
    except ValueError:
        raise ValueError(f"{quote(text)} names a moment that does not exist") from None
    # An offset or a leap second can carry a stamp out of the years that can be written again.
    if not _YEAR_1 * SECOND <= at < _YEAR_10000 * SECOND:
        raise ValueError(f"{quote(text)} is not within the years 1 to 9999 of UTC")
    return at


def read_time(data: Fields) -> int:
    """Read ``time`` as µs since the epoch; reasons ``missing-field``, ``bad-time``."""
    raw = data.get("time")
    if type(raw) is str:
        try:
            return parse_stamp(raw)
        except ValueError as fault:
            raise RejectedError("bad-time", f"time: {fault}") from None
    if type(raw) is int:
        if _YEAR_1 <= raw < _YEAR_10000:
            return raw * SECOND
        raise RejectedError(
            "bad-time", "time in Unix seconds is within the years 1 to 9999; milliseconds are not seconds"
        )
    if type(raw) is float:
        return _read_seconds(raw)
    if raw is None and "time" not in data:
        raise RejectedError("missing-field", "time is missing; add an RFC 3339 time with an offset, or Unix seconds")
    raise RejectedError("bad-time", "time is an RFC 3339 time with an offset, or a number of Unix seconds")


def _read_seconds(raw: float) -> int:
    if math.isfinite(raw) and _YEAR_1 <= raw < _YEAR_10000:
        whole = int(raw)
        # The whole seconds stay integers: their product with a million would not fit a float exactly.
        at = whole * SECOND + round((raw - whole) * SECOND)
        if at < _YEAR_10000 * SECOND:
            return at
    raise RejectedError("bad-time", "time in Unix seconds is finite and within the years 1 to 9999")


def read_seq(data: Fields) -> int | None:
    """Read ``seq``, ``None`` where there is none; reason ``bad-seq``."""
    raw = data.get("seq")
    if type(raw) is int and 0 <= raw <= BIG_COUNT:
        return raw
    if raw is None and "seq" not in data:
        return None
    raise RejectedError("bad-seq", f"seq is a whole number from 0 to {BIG_COUNT}; leave it out where there is none")


def read_quality(data: Fields) -> Quality:
    """Read ``quality``, good where there is none; reason ``bad-quality``."""
    raw = data.get("quality")
    if type(raw) is str:
        quality = _QUALITIES.get(raw)
        if quality is not None:
            return quality
    elif raw is None and "quality" not in data:
        return _GOOD
    raise RejectedError("bad-quality", "quality is one of good, uncertain, bad; leave it out where it is good")


def read_simulated(data: Fields) -> bool:
    """Read ``simulated``, false where there is none; reason ``wrong-type``."""
    raw = data.get("simulated", False)
    if raw is True or raw is False:
        return raw
    raise RejectedError("wrong-type", "simulated is true or false; leave it out where the reading is a real one")


def read_value(data: Fields) -> object:
    """Return the raw ``value``; reason ``missing-field``."""
    raw = data.get("value")
    if raw is None and "value" not in data:
        raise RejectedError("missing-field", "value is missing; an empty payload withdraws a reading")
    return raw
