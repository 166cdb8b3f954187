"""A payload's own time moved, and the mark of a simulated one set, with every other byte as it was.

Owns where in a payload these two stand. What is no JSON object has neither and is left alone.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any, Final, NamedTuple

from monitor.adapters.wire import parse_stamp
from monitor.core.times import SECOND, format_time

_BLANKS: Final = " \t\r\n"
_YEARS: Final = (-62_135_596_800 * SECOND, 253_402_300_800 * SECOND)


def _any_number(_: str) -> int:
    return 0


# Only where a number stands matters; one of thousands of digits would raise.
_SCANNER: Final = json.JSONDecoder(parse_int=_any_number, parse_float=_any_number, parse_constant=_any_number)


class _Field(NamedTuple):
    key: str
    start: int
    end: int


def retime(payload: bytes, move: Callable[[int], int] | None, *, simulated: bool) -> bytes:
    """Return a payload with its ``time`` moved (µs to µs) and, if ``simulated``, marked as such.

    A time written as text stays text, a number of seconds a number; one that is neither is left.
    """
    if not payload or (move is None and not simulated):
        return payload
    try:
        text = payload.decode("utf-8")
        fields = list(_scan(text))
    except (ValueError, IndexError, RecursionError):
        return payload
    changes: list[tuple[int, int, str]] = []
    marked = False
    for key, start, end in fields:
        if key == "time" and move is not None:
            moved = _move(text[start:end], move)
            if moved is not None:
                changes.append((start, end, moved))
        elif key == "simulated" and simulated:
            changes.append((start, end, "true"))
            marked = True
    if simulated and not marked:
        at = text.rindex("}")
        changes.append((at, at, f'{"," if fields else ""}"simulated":true'))
    for start, end, new in reversed(changes):
        text = text[:start] + new + text[end:]
    return text.encode("utf-8")


def _move(text: str, move: Callable[[int], int]) -> str | None:
    try:
        if text.startswith('"'):
            at = move(parse_stamp(json.loads(text)))
            return f'"{format_time(at)}"' if _YEARS[0] <= at < _YEARS[1] else None
        at = move(round(float(text) * SECOND))
    except (ValueError, OverflowError, TypeError):
        return None
    sign, at = ("-", -at) if at < 0 else ("", at)
    return f"{sign}{at // SECOND}.{at % SECOND:06d}".rstrip("0").rstrip(".")


def _scan(text: str) -> Iterator[_Field]:
    """Yield the object's own fields with where their values stand; raises ``ValueError`` or ``IndexError``."""
    at = _skip(text, 0)
    if text[at] != "{":
        raise ValueError("no object")
    at = _skip(text, at + 1)
    first = True
    while text[at] != "}":
        if not first:
            at = _expect(text, at, ",")
        first = False
        if text[at] != '"':
            raise ValueError("no key")
        key, at = _decode(text, at)
        start = _expect(text, _skip(text, at), ":")
        _, end = _decode(text, start)
        yield _Field(key, start, end)
        at = _skip(text, end)
    if text[at + 1 :].strip(_BLANKS):
        raise ValueError("more follows")


def _decode(text: str, at: int) -> tuple[Any, int]:
    return _SCANNER.raw_decode(text, at)


def _skip(text: str, at: int) -> int:
    while text[at] in _BLANKS:
        at += 1
    return at


def _expect(text: str, at: int, mark: str) -> int:
    if text[at] != mark:
        raise ValueError(f"no {mark}")
    return _skip(text, at + 1)
