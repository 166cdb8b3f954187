"""What the wire takes, and that every refusal has its word and says where."""

import json
from typing import get_args

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.adapters.wire import PAYLOAD_MAX, REASONS, Wire
from monitor.core.effects import RejectInput
from monitor.core.events import Event, Item, ReadingsArrived, StandReadingArrived
from monitor.core.signals import (
    AIRFRAME_SIGNALS,
    BIG_COUNT,
    DOOR_SIGNALS,
    STAND_SIGNALS,
    Kind,
    Quality,
    Signal,
)
from monitor.ports import Message

WIRE = Wire("tarnwick", "first", frozenset({"alder", "cedar"}))
AIRCRAFT = "apron/v1/tarnwick/aircraft/TW-ALD"
CLOSED = f"{AIRCRAFT}/door/L1/closed"
TRAVEL = f"{AIRCRAFT}/door/L1/travel"
BUNDLE = f"{AIRCRAFT}/bundle"
WIND = "apron/v1/tarnwick/stand/S11/wind_kt"
STAMP = "2026-03-01T10:15:00.125Z"
AT = 1_772_360_100_125_000


def payload(**fields: object) -> bytes:
    return json.dumps({"time": STAMP, **fields}).encode()


def decode(topic: str, body: bytes, *, retained: bool = False) -> object:
    return WIRE.decode(Message(topic, body, retained))


def refused(topic: str, body: bytes) -> RejectInput:
    result = decode(topic, body)
    assert isinstance(result, RejectInput), result
    assert result.reason in REASONS
    return result


# What is taken


def test_door_reading() -> None:
    assert decode(CLOSED, payload(seq=17, value=True, quality="good")) == ReadingsArrived(
        "TW-ALD", CLOSED, False, AT, 17, False, False, (Item("L1", "closed", True, Quality.GOOD),)
    )


def test_airframe_reading_with_the_retain_flag_and_no_seq() -> None:
    topic = f"{AIRCRAFT}/airframe/type"
    assert decode(topic, payload(value="alder"), retained=True) == ReadingsArrived(
        "TW-ALD", topic, False, AT, None, True, False, (Item(None, "type", "alder", Quality.GOOD),)
    )


def test_stand_reading() -> None:
    assert decode(WIND, payload(value=12, quality="uncertain")) == StandReadingArrived(
        "S11", WIND, AT, None, False, False, "wind_kt", 12.0, Quality.UNCERTAIN
    )


def test_bundle_takes_bare_and_qualified_values_in_order() -> None:
    body = payload(
        seq=3,
        readings={
            "door/L1/closed": True,
            "airframe/differential_pressure_hpa": {"value": 0.4, "quality": "uncertain"},
            "door/L1/heartbeat": {"value": 5},
        },
    )
    assert decode(BUNDLE, body) == ReadingsArrived(
        "TW-ALD",
        BUNDLE,
        True,
        AT,
        3,
        False,
        False,
        (
            Item("L1", "closed", True, Quality.GOOD),
            Item(None, "differential_pressure_hpa", 0.4, Quality.UNCERTAIN),
            Item("L1", "heartbeat", 5, Quality.GOOD),
        ),
    )


def test_bad_readings_of_a_bundle_are_refused_alone() -> None:
    body = payload(
        readings={
            "door/L1/closed": 1,
            "door/L1/travel": 1.5,
            "door/L1/latched": True,
            "door/L1/colour": True,
            "wing/L1/closed": True,
            "door/L1/locked": {"quality": "good"},
            "airframe/type": "oak",
        }
    )
    event, *rejected = decode(BUNDLE, body)  # type: ignore[misc]
    assert event.items == (Item("L1", "latched", True, Quality.GOOD),)
    assert [(each.reason, each.topic) for each in rejected] == [
        ("wrong-type", BUNDLE),
        ("out-of-range", BUNDLE),
        ("unknown-signal", BUNDLE),
        ("topic", BUNDLE),
        ("missing-field", BUNDLE),
        ("unknown-type", BUNDLE),
    ]
    assert '"door/L1/travel"' in rejected[1].detail
    assert "from 0 to 1" in rejected[1].detail


def test_bundle_with_no_good_reading_brings_no_event() -> None:
    result = decode(BUNDLE, payload(readings={"door/L1/closed": None}))
    assert [each.reason for each in result] == ["wrong-type"]  # type: ignore[attr-defined]


@pytest.mark.parametrize("topic", [CLOSED, f"{AIRCRAFT}/airframe/heartbeat"])
def test_empty_payload_withdraws(topic: str) -> None:
    event = decode(topic, b"", retained=True)
    assert isinstance(event, ReadingsArrived)
    assert (event.time, event.seq, event.retained) == (None, None, True)
    assert event.items[0].value is None
    assert event.items[0].quality is Quality.GOOD


def test_empty_payload_withdraws_a_stand_reading() -> None:
    event = decode(WIND, b"")
    assert isinstance(event, StandReadingArrived)
    assert (event.value, event.time, event.quality) == (None, None, Quality.GOOD)


def test_unknown_envelope_fields_are_ignored() -> None:
    plain = decode(CLOSED, payload(value=True))
    assert decode(CLOSED, payload(value=True, unit="x", trace=[1, {"a": None}])) == plain


def test_a_simulator_marks_its_own_readings() -> None:
    event = decode(CLOSED, payload(value=True, simulated=True))
    assert isinstance(event, ReadingsArrived)
    assert event.simulated is True


def test_type_and_stand_may_be_none() -> None:
    for name in ("type", "stand"):
        event = decode(f"{AIRCRAFT}/airframe/{name}", payload(value=""))
        assert isinstance(event, ReadingsArrived)
        assert event.items[0].value == ""


def test_whole_number_is_taken_for_a_float_signal_and_becomes_one() -> None:
    event = decode(TRAVEL, payload(value=1))
    assert isinstance(event, ReadingsArrived)
    assert type(event.items[0].value) is float


def _good_value(signal: Signal) -> st.SearchStrategy[object]:
    if signal.choices:
        return st.sampled_from(signal.choices)
    if signal.kind is Kind.TEXT:
        return st.sampled_from(["", "alder"])
    if signal.kind is Kind.BOOL:
        return st.booleans()
    if signal.kind is Kind.INT:
        return st.integers(int(signal.low), int(signal.high))
    return st.floats(signal.low, signal.high)


@given(
    data=st.data(),
    where=st.sampled_from(
        [(f"door/{door}/{name}", signal) for name, signal in DOOR_SIGNALS.items() for door in ("L1", "OL1")]
        + [(f"airframe/{name}", signal) for name, signal in AIRFRAME_SIGNALS.items()]
    ),
    seq=st.none() | st.integers(0, BIG_COUNT),
    quality=st.sampled_from(list(Quality)),
)
def test_every_signal_round_trips_alone_and_in_a_bundle(
    data: st.DataObject, where: tuple[str, Signal], seq: int | None, quality: Quality
) -> None:
    path, signal = where
    value = data.draw(_good_value(signal))
    numbered = {} if seq is None else {"seq": seq}
    alone = decode(f"{AIRCRAFT}/{path}", payload(value=value, quality=quality, **numbered))
    bundled = decode(BUNDLE, payload(readings={path: {"value": value, "quality": quality}}, **numbered))
    assert isinstance(alone, ReadingsArrived)
    assert isinstance(bundled, ReadingsArrived)
    door = path.split("/")[1] if path.startswith("door/") else None
    assert alone.items == bundled.items == (Item(door, signal.name, value, quality),)  # type: ignore[arg-type]
    assert alone.seq == bundled.seq == seq


@pytest.mark.parametrize("name", STAND_SIGNALS)
def test_every_stand_signal_is_known(name: str) -> None:
    event = decode(f"apron/v1/tarnwick/stand/S11/{name}", payload(value=1.5))
    assert isinstance(event, StandReadingArrived)
    assert (event.signal, event.value) == (name, 1.5)


# What is refused

NESTED = b"[" * 30_000 + b"]" * 30_000

REFUSALS = [
    ("topic", "", payload(value=True)),
    ("topic", "/", payload(value=True)),
    ("topic", "apron/v1/tarnwick", payload(value=True)),
    ("topic", "apron/v1/tarnwick/", payload(value=True)),
    ("topic", "apron/v2/tarnwick/aircraft/TW-ALD/door/L1/closed", payload(value=True)),
    ("topic", "apron/v1/elsewhere/aircraft/TW-ALD/door/L1/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD/door/L1/closed/", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD/door//closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD/door/L1", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD/door/L1/closed/x", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD/bundle/x", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/tw-ald/door/L1/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/T/door/L1/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD-WAY-TOO/door/L1/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/+/door/L1/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD/#", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD\n/door/L1/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD/door/L1\n/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-ALD/door/Lé/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/aircraft/TW-٣/door/L1/closed", payload(value=True)),
    ("topic", f"apron/v1/tarnwick/aircraft/TW-ALD/door/{'L' * 33}/closed", payload(value=True)),
    ("topic", "apron/v1/tarnwick/" + "a/" * 30_000, payload(value=True)),
    ("topic", "sillwatch/v1/door/tarnwick/TW-ALD/L1", b""),
    ("too-large", CLOSED, b" " * (PAYLOAD_MAX + 1)),
    ("not-utf8", CLOSED, b"\xff\xfe"),
    ("not-utf8", CLOSED, b'{"time": "\xed\xa0\x80", "value": true}'),
    ("not-json", CLOSED, b"{"),
    ("not-json", CLOSED, b" "),
    ("not-json", CLOSED, b"\x00"),
    ("not-json", CLOSED, b"closed"),
    ("not-json", CLOSED, payload(value=True) + b"x"),
    ("not-json", CLOSED, b"\xef\xbb\xbf" + payload(value=True)),
    ("not-json", CLOSED, NESTED),
    ("not-json", CLOSED, b'{"a":' * 10_000),
    ("not-json", CLOSED, b'{"time": "\\ud800", "value": true}'),
    ("not-object", CLOSED, b"true"),
    ("not-object", CLOSED, b"null"),
    ("not-object", CLOSED, b'[{"value": true}]'),
    ("not-object", BUNDLE, b"[]"),
    ("missing-field", CLOSED, b"{}"),
    ("missing-field", CLOSED, b'{"value": true}'),
    ("missing-field", CLOSED, payload()),
    ("missing-field", BUNDLE, payload(value=True)),
    ("wrong-type", CLOSED, payload(value=None)),
    ("wrong-type", CLOSED, payload(value=1)),
    ("wrong-type", CLOSED, payload(value="true")),
    ("wrong-type", CLOSED, payload(value={"value": True})),
    ("wrong-type", TRAVEL, payload(value=True)),
    ("wrong-type", TRAVEL, payload(value="0.5")),
    ("wrong-type", TRAVEL, payload(value=[0.5])),
    ("wrong-type", f"{AIRCRAFT}/airframe/passengers_aboard", payload(value=3.0)),
    ("wrong-type", CLOSED, payload(value=True, simulated="yes")),
    ("wrong-type", BUNDLE, payload(readings=[])),
    ("wrong-type", BUNDLE, payload(readings=None)),
    ("unknown-signal", f"{AIRCRAFT}/door/L1/colour", payload(value=True)),
    ("unknown-signal", f"{AIRCRAFT}/airframe/closed", payload(value=True)),
    ("unknown-signal", "apron/v1/tarnwick/stand/S11/rain", payload(value=1)),
    ("out-of-range", TRAVEL, payload(value=1.01)),
    ("out-of-range", TRAVEL, payload(value=-1)),
    ("out-of-range", TRAVEL, payload(value=int("9" * 400))),
    ("out-of-range", TRAVEL, b'{"time": 0, "value": ' + b"9" * 6000 + b"}"),
    ("out-of-range", f"{AIRCRAFT}/door/L1/heartbeat", payload(value=BIG_COUNT + 1)),
    ("out-of-range", f"{AIRCRAFT}/door/L1/access", payload(value="ladder")),
    ("out-of-range", f"{AIRCRAFT}/airframe/stand", payload(value="S 11")),
    ("out-of-range", f"{AIRCRAFT}/airframe/stand", payload(value="S" * 33)),
    ("not-finite", TRAVEL, payload(value=float("nan"))),
    ("not-finite", TRAVEL, payload(value=float("-inf"))),
    ("not-finite", TRAVEL, b'{"time": 0, "value": 1e400}'),
    ("bad-time", CLOSED, b'{"time": "yesterday", "value": true}'),
    ("bad-time", CLOSED, b'{"time": null, "value": true}'),
    ("bad-seq", CLOSED, payload(value=True, seq=-1)),
    ("bad-seq", CLOSED, payload(value=True, seq=True)),
    ("bad-seq", CLOSED, payload(value=True, seq=1.0)),
    ("bad-seq", CLOSED, payload(value=True, seq="1")),
    ("bad-seq", CLOSED, payload(value=True, seq=None)),
    ("bad-seq", CLOSED, payload(value=True, seq=BIG_COUNT + 1)),
    ("bad-quality", CLOSED, payload(value=True, quality="Good")),
    ("bad-quality", CLOSED, payload(value=True, quality="")),
    ("bad-quality", CLOSED, payload(value=True, quality=1)),
    ("bad-quality", CLOSED, payload(value=True, quality=["good"])),
    ("bad-quality", CLOSED, payload(value=True, quality=None)),
    ("unknown-type", f"{AIRCRAFT}/airframe/type", payload(value="oak")),
    ("unknown-type", f"{AIRCRAFT}/airframe/type", payload(value="Alder")),
    ("empty-bundle", BUNDLE, b""),
    ("empty-bundle", BUNDLE, payload(readings={})),
]


@pytest.mark.parametrize(("reason", "topic", "body"), REFUSALS, ids=range(len(REFUSALS)))
def test_refusal(reason: str, topic: str, body: bytes) -> None:
    rejected = refused(topic, body)
    assert rejected.reason == reason, rejected.detail
    assert len(rejected.topic) <= 256


def test_every_reason_has_a_case() -> None:
    assert {reason for reason, _, _ in REFUSALS} == REASONS


def test_the_largest_payload_is_still_read() -> None:
    body = payload(value=True)
    assert isinstance(decode(CLOSED, body + b" " * (PAYLOAD_MAX - len(body))), ReadingsArrived)


def test_a_refusal_never_echoes_more_than_a_few_words() -> None:
    long = "<b>" + "é\n" * 5_000
    for rejected in (
        refused(f"{AIRCRAFT}/airframe/type", payload(value=long)),
        refused(CLOSED, json.dumps({"time": long, "value": True}).encode()),
        refused(CLOSED, json.dumps({"time": STAMP, "value": True, "quality": long}).encode()),
        refused(f"apron/v1/tarnwick/aircraft/TW-ALD/door/{long}/closed", b""),
        decode(BUNDLE, payload(readings={long: True}))[0],  # type: ignore[index]
    ):
        assert len(rejected.detail) < 300
        assert "\n" not in rejected.detail


def test_a_refused_topic_can_be_stored() -> None:
    assert refused("apron/v1/tarnwick/\ud800", b"").topic.encode("utf-8")


@given(st.binary(max_size=200))
@example(b'{"time":1e999,"value":0}')
@example(b'{"time":-0.0,"value":-0.0}')
@example(b'{"time":{},"value":{},"seq":{},"quality":{},"simulated":{}}')
@example(b'{"time":[],"readings":{"":[]}}')
@example(b'{"time":0,"readings":{"door/L1/closed":{"value":{},"quality":[]}}}')
def test_no_payload_raises(body: bytes) -> None:
    for topic in (CLOSED, TRAVEL, BUNDLE, WIND, f"{AIRCRAFT}/airframe/type"):
        _check_result(WIRE.decode(Message(topic, body, False)))


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "time": st.sampled_from([STAMP, 0]) | _json,
            "seq": st.integers() | _json,
            "value": _json,
            "quality": st.sampled_from(["good", "bad"]) | _json,
            "readings": st.dictionaries(
                st.sampled_from(["door/L1/closed", "airframe/type", "door/L1/travel"]) | st.text(), _json, max_size=3
            )
            | _json,
            "simulated": _json,
        },
    )
)
def test_no_json_raises(document: dict[str, object]) -> None:
    body = json.dumps(document).encode()
    for topic in (CLOSED, TRAVEL, BUNDLE, WIND, f"{AIRCRAFT}/airframe/stand"):
        _check_result(WIRE.decode(Message(topic, body, True)))


@given(
    st.text()
    | st.lists(
        st.sampled_from(
            ["apron", "v1", "tarnwick", "aircraft", "TW-ALD", "door", "L1", "closed", "bundle", "stand", ""]
        )
        | st.text(max_size=4),
        max_size=9,
    ).map("/".join)
    | st.lists(
        st.sampled_from(
            ["aircraft", "TW-ALD", "door", "airframe", "L1", "closed", "type", "bundle", "stand", "wind_kt"]
        ),
        max_size=6,
    ).map(lambda levels: "/".join(["apron/v1/tarnwick", *levels]))
)
def test_no_topic_raises(topic: str) -> None:
    for body in (b"", payload(value=True), payload(readings={"door/L1/closed": True})):
        _check_result(WIRE.decode(Message(topic, body, False)))


def _check_result(result: object) -> None:
    for each in result if isinstance(result, list) else [result]:
        if isinstance(each, RejectInput):
            assert each.reason in REASONS
            assert each.detail
        else:
            assert isinstance(each, get_args(Event))


def test_decoding_again_gives_the_same() -> None:
    wire = Wire("tarnwick", "first", frozenset({"alder"}))
    message = Message(BUNDLE, payload(readings={"door/L1/closed": True, "door/L1/colour": 1}), False)
    assert wire.decode(message) == wire.decode(message)


def test_caches_stay_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.adapters.wire._CACHE_MAX", 4)
    wire = Wire("tarnwick", "first", frozenset())
    for number in range(50):
        topic = f"{AIRCRAFT}/door/D{number}/closed"
        assert isinstance(wire.decode(Message(topic, payload(value=True), False)), ReadingsArrived)
        bundle = payload(readings={f"door/D{number}/closed": True})
        assert isinstance(wire.decode(Message(BUNDLE, bundle, False)), ReadingsArrived)
        assert len(wire._targets) <= 4
        assert len(wire._paths) <= 4


@pytest.mark.parametrize(("site", "instance"), [("", "a"), ("tarn wick", "a"), ("tarnwick", "a/b"), ("x" * 33, "a")])
def test_names_that_cannot_stand_in_a_topic_are_refused(site: str, instance: str) -> None:
    with pytest.raises(ValueError, match="is not 1 to 32"):
        Wire(site, instance, frozenset())
