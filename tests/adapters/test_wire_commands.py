"""Events that did not come by wire, to the journal and back."""

import json
from typing import Any, get_args, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.wire import EVENT_KINDS, Wire
from monitor.core.events import (
    AlertAcknowledged,
    BrokerConnected,
    DoorReported,
    Event,
    MonitorStarted,
    PermitGranted,
    ReadingsArrived,
    StandReadingArrived,
)
from monitor.core.signals import Quality

WIRE = Wire("tarnwick", "first", frozenset())
TYPES = [each for each in get_args(Event) if each not in (ReadingsArrived, StandReadingArrived)]
ACKNOWLEDGED = b'{"alert_id":"a","by":"b","reason":"c","seen":null}'


def _events(event_type: type[Any]) -> st.SearchStrategy[Event]:
    hints = get_type_hints(event_type).values()
    return st.tuples(*(st.from_type(hint) for hint in hints)).map(lambda values: event_type(*values))


@given(st.one_of([_events(event_type) for event_type in TYPES]))
def test_round_trip(event: Event) -> None:
    kind, body = WIRE.encode_event(event)
    assert kind in EVENT_KINDS
    back = WIRE.decode_event(kind, body)
    assert back == event
    assert type(back) is type(event)


ORIGINATED = ACKNOWLEDGED[:-1] + b',"origin":"d"}'


def test_form_on_disk() -> None:
    assert WIRE.encode_event(AlertAcknowledged("a", "b", "c", None, "d")) == ("alert-acknowledged", ORIGINATED)
    assert WIRE.encode_event(MonitorStarted()) == ("monitor-started", b"{}")
    assert WIRE.decode_event("broker-connected", b"{}") == BrokerConnected()


def test_every_event_that_does_not_come_by_wire_has_a_kind() -> None:
    assert len(EVENT_KINDS) == len(TYPES) == len(set(EVENT_KINDS))


def test_readings_are_journalled_as_they_were_delivered() -> None:
    with pytest.raises(ValueError, match="StandReadingArrived is journalled as the message"):
        WIRE.encode_event(StandReadingArrived("S11", "t", 0, None, False, False, "wind_kt", 1.0, Quality.GOOD))


@pytest.mark.parametrize(
    ("kind", "body", "says"),
    [
        ("message", b"{}", "no kind of event"),
        ("", b"{}", "no kind of event"),
        ("alert-acknowledged", b"", "not JSON"),
        ("alert-acknowledged", b"\xff", "not JSON"),
        ("alert-acknowledged", b"[" * 100_000, "not JSON"),
        ("alert-acknowledged", b"[]", "not a JSON object"),
        ("alert-acknowledged", b"{}", "lacks its field alert_id"),
        ("alert-acknowledged", ACKNOWLEDGED.replace(b'"b"', b"1"), "by of alert-acknowledged is str, not int"),
        ("alert-acknowledged", ACKNOWLEDGED.replace(b"null", b"true"), "seen of .* is int or null, not bool"),
        ("alert-acknowledged", ACKNOWLEDGED.replace(b"seen", b"sewn"), 'no field "sewn"'),
        ("monitor-started", b'{"x":1}', 'no field "x"; it has none'),
    ],
)
def test_rubbish_is_refused_in_a_sentence(kind: str, body: bytes, says: str) -> None:
    with pytest.raises(ValueError, match=says) as caught:
        WIRE.decode_event(kind, body)
    assert len(str(caught.value)) < 600


@given(st.sampled_from(EVENT_KINDS) | st.text(max_size=20), st.binary(max_size=60))
def test_nothing_but_value_error_is_raised(kind: str, body: bytes) -> None:
    try:
        event = WIRE.decode_event(kind, body)
    except ValueError:
        return
    assert isinstance(event, tuple(TYPES))


GRANTED = PermitGranted("drill", "TW-101", ("L1", "-"), ("clock-skew",), 5, "Ann", "training", "board")
REPORTED = DoorReported("TW-101", "L1", (("closed", True), ("access", "bridge"), ("locked", None)), "Ann", "")


def test_lists_stand_for_tuples_on_disk() -> None:
    kind, body = WIRE.encode_event(REPORTED)
    assert kind == "door-reported"
    assert json.loads(body)["sees"] == [["closed", True], ["access", "bridge"], ["locked", None]]
    assert WIRE.decode_event(kind, body) == REPORTED


@pytest.mark.parametrize(
    ("event", "field", "value", "says"),
    [
        (GRANTED, "doors", "L1", "doors of permit-granted is list, not str"),
        (GRANTED, "doors", [1], "doors of permit-granted is a list with an entry that is str, not int"),
        (GRANTED, "until", 1.5, "until of permit-granted is int, not float"),
        (REPORTED, "sees", [["closed"]], "a list with 1 entries where 2 are wanted"),
        (REPORTED, "sees", [["closed", 1]], "bool or str or null, not int"),
        (REPORTED, "sees", [[None, True]], "str, not NoneType"),
        (REPORTED, "sees", {"closed": True}, "list, not dict"),
    ],
)
def test_rubbish_in_a_list_is_refused_in_a_sentence(event: Event, field: str, value: Any, says: str) -> None:
    kind, body = WIRE.encode_event(event)
    with pytest.raises(ValueError, match=says):
        WIRE.decode_event(kind, json.dumps({**json.loads(body), field: value}).encode())
