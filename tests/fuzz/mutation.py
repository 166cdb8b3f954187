"""Small damages to bytes and to lines of text, drawn from a random generator.

Owns the ways of damaging. Knows no form of input.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Final

TOKENS: Final = (
    b"", b"\0", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\xc0\x80", b"\xed\xa0\x80", b"\r\n", b"\n", b"\t", b"/", b"//",
    b"..", b"../", b"%2e%2e%2f", b"+", b"#", b"$", b"-", b"-0", b"-1", b"0", b"1e999", b"1e-999", b"NaN", b"Infinity",
    b"-Infinity", b"9" * 400, b"18446744073709551616", b"9223372036854775808", b"0.1", b"null", b"true", b"false", b"[]",
    b"{}", b'""', b'"', b"\\", b"\\u0000", b"\\ud800", b"\\u202e", b"[" * 200, b"{" * 200, b'{"a":' * 100, b",", b":",
    b"time", b"seq", b"value", b"quality", b"readings", b"bundle", b"simulated", b"2026-03-01T10:15:00.125Z",
    b"0000-00-00T00:00:00Z", b"9999-12-31T23:59:60+23:59", b"2016-12-31T23:59:60Z", "\u202e".encode(), "\U0001f6eb".encode(),
    "Ａ".encode(), "\u0661".encode(), "\u2028".encode(), b"A" * 5000, b"<script>", b"' OR 1=1 --", b"%s%n", b"${x}",
)  # fmt: skip
"""What has been trouble somewhere before."""


def _flip(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]


def _cut(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data))
    return data[:start] + data[start + rng.choice((1, 1, 2, 4, 16, 64, 1024)) :]


def _end(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


def _insert(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(TOKENS) + data[at:]


def _replace(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data))
    return data[:start] + rng.choice(TOKENS) + data[start + rng.randrange(1, 12) :]


def _repeat(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data))
    piece = data[start : start + rng.choice((1, 2, 8, 32))]
    return data[:start] + piece * rng.choice((2, 2, 3, 50)) + data[start:]


def _scramble(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data))
    return data[:start] + rng.randbytes(rng.randrange(1, 9)) + data[start:]


_WAYS: Final[Sequence[Callable[[bytes, random.Random], bytes]]] = (
    _flip, _flip, _cut, _end, _insert, _insert, _replace, _replace, _repeat, _scramble,
)  # fmt: skip


def damage(data: bytes, rng: random.Random) -> bytes:
    """Damage bytes in one to four places."""
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        if not data:
            return rng.choice(TOKENS)
        data = rng.choice(_WAYS)(data, rng)
    return data


def damage_lines(text: bytes, rng: random.Random, values: Sequence[bytes]) -> bytes:
    """Damage a text of lines ``key: value``: lines lost, repeated, moved, indented anew, or of another value."""
    lines = text.split(b"\n")
    for _ in range(rng.choice((1, 1, 2, 3))):
        at = rng.randrange(len(lines))
        way = rng.randrange(6)
        if way == 0 and len(lines) > 1:
            del lines[at]
        elif way == 1:
            lines.insert(rng.randrange(len(lines)), lines[at])
        elif way == 2:
            other = rng.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        elif way == 3:
            lines[at] = b" " * rng.randrange(6) + lines[at].lstrip()
        else:
            head, colon, _ = lines[at].partition(b":")
            lines[at] = head + (colon or b": ") + b" " + rng.choice(values)
    return b"\n".join(lines)
