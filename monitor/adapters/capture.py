"""Captures: messages as JSON Lines, read and written without changing a byte of a payload.

Owns the form of a line. It judges no topic and no payload, since a capture may hold what
the wire refuses, and it knows no clock: ``at`` is the only time.
"""

from __future__ import annotations

import base64
import binascii
import difflib
import json
import os
import re
from collections.abc import Iterable, Iterator
from typing import IO, Any, Final, NamedTuple

from pydantic_core import from_json

from monitor.adapters.wire import parse_stamp
from monitor.core.times import format_time
from monitor.ports import Message

_KEYS: Final = ("at", "topic", "payload", "payload_base64", "retain", "again")
_BOM: Final = b"\xef\xbb\xbf"
_BLANKS: Final = " \t\r\n"
_TOPIC_BYTES_MAX: Final = 65_535
"""MQTT 5.0, section 1.5.4: a string's length is written in two bytes."""


class Note(NamedTuple):
    """What a recorder noted of itself: its connection was ``lost`` or ``back``, or so many messages were left out."""

    connection: str = ""
    left_out: int = 0


class CaptureLine(NamedTuple):
    """One line: ``at`` in µs, and the message, or ``None`` where the line only advances the clock.

    Such a line may hold a recorder's ``note``.
    """

    at: int
    message: Message | None
    note: Note | None = None


class CaptureError(ValueError):
    """A capture cannot be read: ``file:line: what is wrong; what would be right``."""


class _Span(NamedTuple):
    """A value with the text that it was read from."""

    value: Any
    text: str


def read_capture(
    source: str | os.PathLike[str] | Iterable[bytes | str], name: str | None = None
) -> Iterator[CaptureLine]:
    """Yield the lines of a capture in file order; blank lines are skipped.

    ``source`` is a path or an open stream; ``name`` stands for it in messages. Raises
    :class:`CaptureError` at the first line that is malformed or goes back in time, and
    ``OSError`` where a path cannot be read.
    """
    if isinstance(source, (str, os.PathLike)):
        with open(source, "rb") as stream:
            yield from _read_lines(stream, name or os.fspath(source))
    else:
        yield from _read_lines(source, name or str(getattr(source, "name", "capture")))


def _read_lines(stream: Iterable[bytes | str] | IO[bytes], name: str) -> Iterator[CaptureLine]:
    latest: int | None = None
    for number, raw in enumerate(stream, start=1):
        try:
            text = _decode_line(raw, first=number == 1)
            if not text:
                continue
            line = _parse_usual(text) or _parse_line(text)
            if latest is not None and line.at < latest:
                raise CaptureError(
                    f"at goes back from {format_time(latest)} to {format_time(line.at)}; sort the lines by at"
                )
        except CaptureError as fault:
            raise CaptureError(f"{name}:{number}: {fault}") from None
        latest = line.at
        yield line


def _decode_line(raw: bytes | str, *, first: bool) -> str:
    if isinstance(raw, str):
        return raw.removeprefix("\ufeff" if first else "").strip(_BLANKS)
    try:
        return raw.removeprefix(_BOM if first else b"").decode("utf-8").strip(_BLANKS)
    except UnicodeDecodeError as fault:
        raise CaptureError(f"byte {fault.start} is not UTF-8; write such a payload as payload_base64") from None


_USUAL: Final = re.compile(
    r'\{"at": ?"([^"\\]{20,40})", ?"topic": ?"([^"\\\x00-\x1f]{1,200})", ?"payload": ?(\{.*\})(, ?"retain": ?true)?\}',
    re.ASCII,
)


def _parse_usual(text: str) -> CaptureLine | None:
    """Read a line in the form that :func:`write_line` gives, several times as fast as :func:`_parse_line`.

    ``None`` says nothing of the line but that it takes the long way; where both read it, they agree.
    """
    form = _USUAL.fullmatch(text)
    if form is None:
        return None
    at, topic, payload, retain = form.groups()
    try:
        body = payload.encode("utf-8")
        # Only one whole JSON value passes, so no key of the line can hide in the payload.
        from_json(body, cache_strings="keys")
        return CaptureLine(parse_stamp(at), Message(_check_topic(topic), body, retain is not None))
    except ValueError:
        return None


def _parse_line(text: str) -> CaptureLine:
    fields = _parse_fields(text)
    for key in fields:
        if key not in _KEYS and (meant := difflib.get_close_matches(key[:32], _KEYS, 1, 0.8)):
            raise CaptureError(f"there is no key {_show(key)}; did you mean {meant[0]}?")
    at = _read_at(fields)
    topic = fields.get("topic")
    if topic is None:
        for key in ("payload", "payload_base64", "retain", "again"):
            if key in fields:
                raise CaptureError(f"{key} stands without a topic; add the topic, or leave only at")
        return CaptureLine(at, None, _read_note(fields))
    retain, again = _read_flag(fields, "retain"), _read_flag(fields, "again")
    return CaptureLine(at, Message(_check_topic(topic.value), _read_payload(fields), retain, again))


_NUMBER: Final = re.compile(r"[1-9][0-9]{0,17}")


def _read_note(fields: dict[str, _Span]) -> Note | None:
    """Read what a recorder noted; whatever else stands in such a line is a comment."""
    connection, left_out = fields.get("connection"), fields.get("left_out")
    if connection is not None and connection.value in ("lost", "back"):
        return Note(connection=connection.value)
    if left_out is not None and _NUMBER.fullmatch(left_out.text):
        return Note(left_out=int(left_out.text))
    return None


def _read_flag(fields: dict[str, _Span], key: str) -> bool:
    flag = fields[key].value if key in fields else False
    if not isinstance(flag, bool):
        raise CaptureError(f"{key} is true or false, not {_show(fields[key].text)}")
    return flag


def _read_at(fields: dict[str, _Span]) -> int:
    at = fields.get("at")
    if at is None:
        raise CaptureError('at is missing; add an RFC 3339 time such as "at": "2026-03-01T10:15:00.125Z"')
    if not isinstance(at.value, str):
        raise CaptureError(f"at is an RFC 3339 time in quotes, not {_show(at.text)}")
    try:
        return parse_stamp(at.value)
    except ValueError as fault:
        raise CaptureError(f"at: {fault}") from None


def _check_topic(topic: Any) -> str:
    if not isinstance(topic, str) or not topic:
        raise CaptureError("topic is a string of at least one character")
    try:
        length = len(topic.encode("utf-8"))
    except UnicodeEncodeError:
        raise CaptureError("topic holds half a surrogate pair, which is not UTF-8") from None
    if length > _TOPIC_BYTES_MAX or "\0" in topic:
        raise CaptureError(f"topic is at most {_TOPIC_BYTES_MAX} bytes of UTF-8 without U+0000, as MQTT carries it")
    return topic


def _read_payload(fields: dict[str, _Span]) -> bytes:
    plain, coded = fields.get("payload"), fields.get("payload_base64")
    if plain is not None and coded is not None:
        raise CaptureError("payload and payload_base64 stand together; keep one")
    if plain is not None:
        if plain.value is None:
            return b""
        try:
            return plain.text.encode("utf-8")
        except UnicodeEncodeError:
            raise CaptureError("payload holds half a surrogate pair, which is not UTF-8") from None
    if coded is None:
        raise CaptureError(
            "payload is missing; write null for an empty one, or leave out the topic to advance the clock"
        )
    if not isinstance(coded.value, str):
        raise CaptureError(f"payload_base64 is a string, not {_show(coded.text)}")
    try:
        return base64.b64decode(coded.value, validate=True)
    except (binascii.Error, ValueError) as fault:
        raise CaptureError(f"payload_base64 is not base64: {fault}") from None


def _any_number(_: str) -> int:
    return 0


# A number's value does not matter here, only where it stands; and one of 5000 digits would raise.
_SCANNER: Final = json.JSONDecoder(parse_int=_any_number, parse_float=_any_number, parse_constant=_any_number)


def _parse_fields(text: str) -> dict[str, _Span]:
    """Read the line's object with each value's own text, so that a payload keeps its bytes."""
    if not text.startswith("{"):
        raise CaptureError('a line is a JSON object such as {"at": "…", "topic": "…", "payload": {…}}')
    fields: dict[str, _Span] = {}
    try:
        end = _skip(text, 1)
        while text[end] != "}":
            if fields:
                end = _expect(text, end, ",")
            if text[end] != '"':
                raise json.JSONDecodeError('expected a key in "', text, end)
            key, end = _SCANNER.raw_decode(text, end)
            start = _expect(text, _skip(text, end), ":")
            value, end = _SCANNER.raw_decode(text, start)
            if key in fields:
                raise CaptureError(f"the key {_show(key)} stands twice; keep one")
            fields[key] = _Span(value, text[start:end])
            end = _skip(text, end)
    except json.JSONDecodeError as fault:
        raise CaptureError(f"not JSON at column {fault.pos + 1}: {fault.msg}") from None
    except IndexError:
        raise CaptureError("the object is not closed; each message is on one line of its own") from None
    except RecursionError:
        raise CaptureError("nested too deep to read; write such a payload as payload_base64") from None
    if end + 1 != len(text):
        raise CaptureError(f"more text follows the object at column {end + 2}; each message is on a line of its own")
    return fields


def _skip(text: str, at: int) -> int:
    while text[at] in _BLANKS:
        at += 1
    return at


def _expect(text: str, at: int, mark: str) -> int:
    if text[at] != mark:
        raise json.JSONDecodeError(f"expected {mark}", text, at)
    return _skip(text, at + 1)


def _show(text: str) -> str:
    return json.dumps(text) if len(text) <= 40 else json.dumps(text[:40]) + "…"


def write_line(at: int, message: Message) -> bytes:
    """Write one message received ``at`` (µs) as a line, newline included.

    What :func:`read_capture` gives back has the same bytes. A payload that another JSON
    reader might take otherwise (not JSON, NaN, a key that stands twice, a newline) is
    written as ``payload_base64``.
    """
    topic, payload, retained, again = message
    head = f'{{"at":"{format_time(at)}","topic":{json.dumps(topic, ensure_ascii=False)},'.encode()
    if not payload:
        body = b'"payload":null'
    elif _is_plain(payload):
        body = b'"payload":' + payload
    else:
        body = b'"payload_base64":"' + base64.b64encode(payload) + b'"'
    flags = (b',"retain":true' if retained else b"") + (b',"again":true' if again else b"")
    return head + body + flags + b"}\n"


def write_clock(at: int) -> bytes:
    """Write a line that only advances the clock to ``at`` (µs), newline included."""
    return f'{{"at":"{format_time(at)}"}}\n'.encode()


def _is_plain(payload: bytes) -> bool:
    if payload == b"null" or payload != payload.strip() or b"\n" in payload or b"\r" in payload:
        return False
    try:
        text = payload.decode("utf-8")
        value = _STRICT.decode(text)
        # Escaped halves of a surrogate pair are JSON by grammar, and no text.
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except (ValueError, RecursionError):
        return False
    return True


def _refuse_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise ValueError("a key stands twice")
    return fields


def _refuse_constant(name: str) -> Any:
    raise ValueError(f"{name} is not JSON")


_STRICT: Final = json.JSONDecoder(
    parse_int=str, parse_float=str, parse_constant=_refuse_constant, object_pairs_hook=_refuse_twins
)
