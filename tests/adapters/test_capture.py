"""Captures: what is written comes back byte for byte, and a bad line says what is wrong."""

import io
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.capture import (
    CaptureError,
    CaptureLine,
    Note,
    _parse_line,
    _parse_usual,
    read_capture,
    write_clock,
    write_line,
)
from monitor.ports import Message

AT = 1_772_360_100_125_000
STAMP = "2026-03-01T10:15:00.125Z"
TOPIC = "apron/v1/tarnwick/aircraft/TW-ALD/door/L1/closed"


def line(**fields: object) -> bytes:
    return json.dumps({"at": STAMP, **fields}).encode() + b"\n"


def read(*lines: bytes | str) -> list[CaptureLine]:
    return list(read_capture(lines, "rig.jsonl"))


def payload_of(text: str) -> bytes:
    (only,) = read(f'{{"at": "{STAMP}", "topic": "t", "payload": {text}}}')
    assert only.message is not None
    return only.message.payload


def test_message_line() -> None:
    assert read(line(topic=TOPIC, payload={"value": True})) == [
        CaptureLine(AT, Message(TOPIC, b'{"value": true}', False))
    ]


def test_retained_empty_and_base64() -> None:
    assert read(line(topic="t", payload=None, retain=True)) == [CaptureLine(AT, Message("t", b"", True))]
    assert read(line(topic="t", payload_base64="/w==")) == [CaptureLine(AT, Message("t", b"\xff", False))]
    assert read(line(topic="t", payload={}, retain=False)) == [CaptureLine(AT, Message("t", b"{}", False))]


@pytest.mark.parametrize("retain", [True, False])
def test_what_was_delivered_again_says_so(retain: bool) -> None:
    for payload in (b'{"value": true}', b"", b"\xff"):
        message = Message(TOPIC, payload, retain, True)
        assert read(write_line(AT, message)) == [CaptureLine(AT, message)]
    assert b"again" not in write_line(AT, Message(TOPIC, b"", retain))
    with pytest.raises(CaptureError, match="again is true or false"):
        read(line(topic=TOPIC, payload={}, again=1))


def test_line_with_only_at_advances_the_clock() -> None:
    assert read(line()) == [CaptureLine(AT, None)]
    assert read(line(comment="the handle is lifted here")) == [CaptureLine(AT, None)]
    assert read(write_clock(AT)) == [CaptureLine(AT, None)]


def test_a_recorders_notes_are_kept_and_anything_else_is_a_comment() -> None:
    assert read(line(connection="lost")) == [CaptureLine(AT, None, Note(connection="lost"))]
    assert read(line(connection="back")) == [CaptureLine(AT, None, Note(connection="back"))]
    assert read(line(left_out=12)) == [CaptureLine(AT, None, Note(left_out=12))]
    for strange in (
        {"connection": ["lost"]},
        {"connection": "slow"},
        {"left_out": 0},
        {"left_out": "3"},
        {"left_out": -1},
    ):
        assert read(line(**strange)) == [CaptureLine(AT, None)]
    assert read(line(topic="t", payload={}, connection="lost")) == [CaptureLine(AT, Message("t", b"{}", False))]


def test_blank_lines_line_ends_and_a_byte_order_mark_do_no_harm() -> None:
    assert (
        read(b"\xef\xbb\xbf" + line(), b"\n", b"  \r\n", line().replace(b"\n", b"\r\n")) == [CaptureLine(AT, None)] * 2
    )
    assert read("\ufeff" + line().decode()) == [CaptureLine(AT, None)]


def test_empty_capture() -> None:
    assert read() == []


def test_lines_of_one_instant_keep_their_order() -> None:
    lines = read(line(topic="b", payload=1), line(topic="a", payload=2), line())
    assert [each.message and each.message.topic for each in lines] == ["b", "a", None]


def test_keys_may_stand_in_any_order() -> None:
    text = f'{{"retain":true ,"payload" : {{"a":[1, {{"b":"}}"}}]}}, "topic":"t\\u0031","at":"{STAMP}"}}'
    assert read(text) == [CaptureLine(AT, Message("t1", b'{"a":[1, {"b":"}"}]}', True))]


@pytest.mark.parametrize(
    "text",
    [
        "0.1",
        "1e400",
        "-0.0",
        "1.0",
        "17",
        "9" * 400,
        "9" * 6000,
        "0.30000000000000004440892098500626",
        '"text"',
        "true",
        "[1, 2]",
        '{"a": 1, "a": 2}',
        '{ "a" :1 }',
        '{"value": NaN}',
        '{"text": "\\ud800"}',
        '{"text": "Grüße \\u00e9"}',
        '{"text": "\\"}, \\"retain\\": true}"}',
    ],
)
def test_payload_keeps_its_bytes(text: str) -> None:
    assert payload_of(text) == text.encode()


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
_payloads = st.binary(max_size=40) | _json.map(lambda value: json.dumps(value).encode())
_topics = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=30)


@given(st.lists(st.tuples(st.integers(0, 10**16), _topics, _payloads, st.booleans()), max_size=5))
def test_what_is_written_comes_back(messages: list[tuple[int, str, bytes, bool]]) -> None:
    expected = [CaptureLine(at, Message(*rest)) for at, *rest in sorted(messages, key=lambda each: each[0])]
    written = [write_line(each.at, each.message) for each in expected if each.message is not None]
    assert all(each.count(b"\n") == 1 and each.endswith(b"\n") for each in written)
    assert list(read_capture(io.BytesIO(b"".join(written)))) == expected


@pytest.mark.parametrize(
    ("payload", "key"),
    [
        (b'{"time": 1, "value": true}', "payload"),
        (b"17", "payload"),
        (b'"text"', "payload"),
        (b'{"value": 0.1000}', "payload"),
        (b"", "payload"),
        (b"null", "payload_base64"),
        (b" {}", "payload_base64"),
        (b"{}\n", "payload_base64"),
        (b'{\n"a": 1}', "payload_base64"),
        (b'{"a": 1, "a": 2}', "payload_base64"),
        (b'{"a": {"b": 1, "b": 2}}', "payload_base64"),
        (b'{"value": NaN}', "payload_base64"),
        (b'{"value": -Infinity}', "payload_base64"),
        (b'{"text": "\\ud800"}', "payload_base64"),
        (b"\xff", "payload_base64"),
        (b"\xef\xbb\xbf{}", "payload_base64"),
        (b"closed", "payload_base64"),
        (b"{} {}", "payload_base64"),
        (b"[" * 100_000, "payload_base64"),
    ],
)
def test_what_another_reader_might_take_otherwise_is_base64(payload: bytes, key: str) -> None:
    written = write_line(AT, Message("t", payload, False))
    assert sorted(json.loads(written)) == sorted(["at", "topic", key])
    assert read(written) == [CaptureLine(AT, Message("t", payload, False))]


@given(
    payload=_json.map(json.dumps) | st.text(max_size=10),
    tail=st.sampled_from(["", ', "retain": true', ',"retain":true', ',"payload":{}', ', "x": 1', ',"at":"x"']),
    topic=st.sampled_from(["t", TOPIC, "+", "a\tb", 'a\\"b', ""]),
)
def test_the_short_way_agrees_with_the_long_way(payload: str, tail: str, topic: str) -> None:
    text = f'{{"at": "{STAMP}", "topic": "{topic}", "payload": {payload}{tail}}}'
    short = _parse_usual(text)
    if short is not None:
        assert short == _parse_line(text)


def test_the_short_way_is_taken() -> None:
    message = Message(TOPIC, b'{"time": "2026-03-01T10:15:00Z", "value": true}', True)
    assert _parse_usual(write_line(AT, message).decode().strip()) == CaptureLine(AT, message)
    assert _parse_usual(line(topic=TOPIC, payload={"a": 1}).decode().strip()) is not None


AROUND = b'{"at": "2026-03-01T10:15:00Z", '

ERRORS = [
    (b"\xff", "byte 0 is not UTF-8"),
    (b"[]", "a line is a JSON object"),
    (b"at", "a line is a JSON object"),
    (b"{", "not closed"),
    (b'{"at"', "not closed"),
    (b'{"at": "2026', "not JSON at column 8"),
    (b"{at: 1}", "not JSON at column 2"),
    (b'{"at" "x"}', "not JSON at column 7: expected :"),
    (b'{"at": tru}', "not JSON at column 8"),
    (AROUND + b"}", 'expected a key in "'),
    (AROUND + b'"x": 1 "y": 2}', "expected ,"),
    (AROUND + b'"topic": "t", "payload": {}} {}', "more text follows the object"),
    (AROUND + b'"topic": "t", "payload": ' + b"[" * 100_000, "nested too deep"),
    (AROUND + b'"topic": "a", "topic": "b", "payload": {}}', '"topic" stands twice'),
    (b"{}", "at is missing"),
    (b'{"topic": "t", "payload": {}}', "at is missing"),
    (b'{"at": 1772360100}', "at is an RFC 3339 time in quotes, not .1772360100."),
    (b'{"at": "2026-03-01T10:15:00"}', "at: .* is not an RFC 3339 time with an offset"),
    (b'{"at": "2026-02-30T10:15:00Z"}', "does not exist"),
    (line(topic="t"), "payload is missing; write null"),
    (line(payload={}), "payload stands without a topic"),
    (line(payload_base64=""), "payload_base64 stands without a topic"),
    (line(retain=True), "retain stands without a topic"),
    (line(topic="t", payload={}, payload_base64=""), "stand together; keep one"),
    (line(topic="t", payload_base64="@"), "not base64"),
    (line(topic="t", payload_base64="abc"), "not base64"),
    (line(topic="t", payload_base64="é"), "not base64"),
    (line(topic="t", payload_base64=1234), "payload_base64 is a string"),
    (line(topic="t", payload={}, retain="true"), "retain is true or false"),
    (line(topic="t", payload={}, retain=1), "retain is true or false"),
    (line(topic="t", payload={}, retained=True), 'no key "retained"; did you mean retain?'),
    (line(topic="t", paylod={}), 'no key "paylod"; did you mean payload?'),
    (line(topic=5, payload={}), "topic is a string"),
    (line(topic=None, payload={}), "topic is a string"),
    (line(topic="", payload={}), "topic is a string of at least one"),
    (line(topic="\ud800", payload={}), "half a surrogate pair"),
    (line(topic="a\0", payload={}), "as MQTT carries it"),
    (line(topic="a" * 65_536, payload={}), "as MQTT carries it"),
]


@pytest.mark.parametrize(("bad", "says"), ERRORS, ids=range(len(ERRORS)))
def test_a_malformed_line_says_where_and_what(bad: bytes, says: str) -> None:
    with pytest.raises(CaptureError, match=r"^rig\.jsonl:3: ") as caught:
        read(b'{"at": "2026-03-01T10:15:00Z"}\n', b"\n", bad)
    caught.match(says)
    assert len(str(caught.value)) < 300
    assert "\n" not in str(caught.value)


def test_half_a_surrogate_in_a_text_stream_is_refused() -> None:
    with pytest.raises(CaptureError, match="half a surrogate pair"):
        read(f'{{"at": "{STAMP}", "topic": "t", "payload": "\ud800"}}')


def test_time_never_goes_back() -> None:
    with pytest.raises(CaptureError, match=r"rig\.jsonl:2: at goes back from .*00\.125Z to .*00\.124Z; sort the lines"):
        read(line(), b'{"at": "2026-03-01T10:15:00.124Z"}')


def test_lines_before_the_bad_one_are_still_given() -> None:
    lines = read_capture([line(), b"{"], "rig.jsonl")
    assert next(lines) == CaptureLine(AT, None)
    with pytest.raises(CaptureError):
        next(lines)


def test_from_a_path_and_from_a_text_stream(tmp_path: Path) -> None:
    path = tmp_path / "rig.jsonl"
    path.write_bytes(line(topic="t", payload={"text": "Grüße"}) + b"{\n")
    expected = CaptureLine(AT, Message("t", b'{"text": "Gr\\u00fc\\u00dfe"}', False))
    for source in (path, str(path)):
        lines = read_capture(source)
        assert next(lines) == expected
        with pytest.raises(CaptureError, match=r"rig\.jsonl:2: "):
            next(lines)
    with path.open(encoding="utf-8") as stream:
        lines = read_capture(stream)
        assert next(lines) == expected
        with pytest.raises(CaptureError, match=r"rig\.jsonl:2: "):
            next(lines)


def test_a_missing_file_is_told_by_the_system(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        next(read_capture(tmp_path / "none.jsonl"))


@given(st.binary(max_size=80) | st.text(max_size=80))
def test_nothing_but_capture_error_is_raised(raw: bytes | str) -> None:
    fault = None
    try:
        read(raw)
    except CaptureError as caught:
        fault = str(caught)
    assert fault is None or fault.startswith("rig.jsonl:1: ")
