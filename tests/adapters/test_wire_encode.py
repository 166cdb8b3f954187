"""What goes to the broker: topics, retained documents, CloudEvents, status."""

import json
import re
from datetime import UTC, datetime, timedelta

import pytest
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from paho.mqtt.client import topic_matches_sub

from monitor.adapters.wire import OutputTopic, Status, Wire
from monitor.core.effects import (
    CountDropped,
    CountImplausible,
    Effect,
    NoteDeafness,
    PublishActive,
    PublishDoor,
    PublishEvent,
    PublishReadiness,
    RecordAudit,
    RefuseCommand,
    RejectInput,
    ShowProof,
)
from monitor.core.events import ReadingsArrived
from monitor.core.times import parse_time
from monitor.ports import Message, Outgoing

WIRE = Wire("tarnwick", "first", frozenset())
AT = 1_772_360_100_125_000
RAISED = PublishEvent(
    "TW-ALD",
    "L1",
    "armed-handle-moved",
    "raised",
    "8f1c",
    AT,
    {"code": "armed-handle-moved", "text": "Grüße", "n": 0.5},
)


def encode(effect: Effect) -> Outgoing:
    outgoing = WIRE.encode(effect)
    assert outgoing is not None
    return outgoing


def test_door_document_is_retained() -> None:
    outgoing = encode(PublishDoor("TW-ALD", "L1", {"state": "armed"}))
    assert outgoing == Outgoing("sillwatch/v1/door/tarnwick/TW-ALD/L1", b'{"state":"armed"}', True)


def test_active_document_is_retained() -> None:
    outgoing = encode(PublishActive("TW-ALD", "-", "feed-lost", {"code": "feed-lost"}))
    assert outgoing == Outgoing("sillwatch/v1/active/tarnwick/TW-ALD/-/feed-lost", b'{"code":"feed-lost"}', True)


# MQTT 5.0 (OASIS 2019), section 3.3.1.3: a retained message with an empty payload deletes.
@pytest.mark.parametrize(
    "effect", [PublishDoor("TW-ALD", "L1", None), PublishActive("TW-ALD", "L1", "pin-missing", None)]
)
def test_none_empties_the_retained_message(effect: Effect) -> None:
    outgoing = encode(effect)
    assert (outgoing.payload, outgoing.retain) == (b"", True)


def test_readiness_is_retained_and_emptied() -> None:
    topic = "sillwatch/v1/readiness/tarnwick/TW-ALD"
    assert WIRE.encode(PublishReadiness("TW-ALD", {"board": "met"})) == Outgoing(topic, b'{"board":"met"}', True)
    assert WIRE.encode(PublishReadiness("TW-ALD", None)) == Outgoing(topic, b"", True)


def test_event_is_not_retained() -> None:
    outgoing = encode(RAISED)
    assert outgoing.topic == "sillwatch/v1/event/tarnwick/TW-ALD/L1/armed-handle-moved"
    assert outgoing.retain is False


def test_event_has_the_attributes_that_cloudevents_asks_for() -> None:
    """CloudEvents 1.0, "Required Attributes", on the raw JSON: a reader may fill in what is missing."""
    raw = json.loads(encode(RAISED).payload)
    for name in ("id", "source", "specversion", "type"):
        assert isinstance(raw[name], str)
        assert raw[name]
    assert raw["specversion"] == "1.0"
    # Attribute names: lower-case letters and digits ("Naming Conventions").
    assert all(re.fullmatch(r"[a-z0-9]+", name) for name in raw)
    assert raw == {
        "specversion": "1.0",
        "id": "8f1c",
        "source": "/sillwatch/tarnwick",
        "type": "sillwatch.alert.raised",
        "subject": "TW-ALD/L1",
        "time": "2026-03-01T10:15:00.125Z",
        "datacontenttype": "application/json",
        "data": {"code": "armed-handle-moved", "text": "Grüße", "n": 0.5},
    }


def test_event_is_read_by_the_cloudevents_package() -> None:
    event = JSONFormat().read(CloudEvent, encode(RAISED).payload)
    assert event.get_id() == "8f1c"
    assert event.get_source() == "/sillwatch/tarnwick"
    assert event.get_type() == "sillwatch.alert.raised"
    assert event.get_subject() == "TW-ALD/L1"
    assert event.get_time() == datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=AT)
    assert event.get_datacontenttype() == "application/json"
    assert event.get_data() == RAISED.data
    # What the package itself would write says the same.
    again = json.loads(JSONFormat().write(event))
    ours = json.loads(encode(RAISED).payload)
    assert parse_time(again.pop("time")) == parse_time(ours.pop("time"))
    assert again == ours


@pytest.mark.parametrize(
    "effect",
    [
        RejectInput("topic", "x", "y"),
        CountDropped("repeat"),
        CountImplausible("TW-ALD", "L1", "armed", "open"),
        RecordAudit(AT, "a", "b", "c", "d", "e", "f"),
        NoteDeafness("TW-ALD", "L1", AT, (("wind-limit", "stale", "wind_kt"),)),
        ShowProof(AT, 1),
        RefuseCommand("conflict", "x"),
    ],
)
def test_other_effects_do_not_go_to_the_broker(effect: Effect) -> None:
    assert WIRE.encode(effect) is None


@pytest.mark.parametrize("lifted", [True, False])
def test_a_proof_is_read_back_as_readings_of_nobodys_aircraft(lifted: bool) -> None:
    outgoing = WIRE.proof_message(AT, 7, lifted=lifted)
    assert outgoing.topic == WIRE.proof_topic == "sillwatch/v1/proof/tarnwick/first"
    assert outgoing.retain is False
    event = WIRE.decode(Message(outgoing.topic, outgoing.payload, False))
    assert isinstance(event, ReadingsArrived)
    assert (event.aircraft, event.time, event.seq, event.simulated) == ("proof", AT, 7, False)
    assert {(item.door, item.signal): item.value for item in event.items} == {
        ("P1", "closed"): True,
        ("P1", "latched"): True,
        ("P1", "locked"): True,
        ("P1", "handle_lifted"): lifted,
    }


def test_a_heartbeat_is_retained_and_no_output_that_a_start_empties() -> None:
    outgoing = WIRE.heartbeat_message({"time": "2026-03-01T10:15:00.125Z"})
    assert (outgoing.topic, outgoing.retain) == ("sillwatch/v1/heartbeat/first", True)
    assert WIRE.parse_output_topic(outgoing.topic) is None
    for topic in (outgoing.topic, WIRE.proof_topic, WIRE.status_topic):
        assert not any(topic_matches_sub(name, topic) for name in WIRE.output_filters())


def test_status_round_trip() -> None:
    for state in ("online", "offline"):
        outgoing = WIRE.status_message(state, "0.1.0", AT)
        assert outgoing.topic == WIRE.status_topic == "sillwatch/v1/status/first"
        assert outgoing.retain is True
        assert json.loads(outgoing.payload) == {
            "state": state,
            "version": "0.1.0",
            "started": "2026-03-01T10:15:00.125Z",
        }
        assert WIRE.parse_status(outgoing.payload) == Status(state, "0.1.0", AT)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\xff",
        b"[]",
        b"{}",
        b'{"state":"up","version":"1","started":"2026-03-01T10:15:00Z"}',
        b'{"state":[],"version":"1","started":"2026-03-01T10:15:00Z"}',
        b'{"state":"online","version":1,"started":"2026-03-01T10:15:00Z"}',
        b'{"state":"online","version":"1","started":0}',
        b'{"state":"online","version":"1","started":"soon"}',
    ],
)
def test_what_is_no_status(body: bytes) -> None:
    assert WIRE.parse_status(body) is None


@pytest.mark.parametrize(
    ("effect", "parsed"),
    [
        (PublishDoor("TW-ALD", "L1", None), OutputTopic("door", "TW-ALD", "L1", None)),
        (PublishActive("TW-ALD", "L1", "pin-missing", None), OutputTopic("active", "TW-ALD", "L1", "pin-missing")),
        (PublishActive("TW-ALD", "-", "feed-lost", None), OutputTopic("active", "TW-ALD", "-", "feed-lost")),
        (PublishActive("-", "-", "feed-lost", None), OutputTopic("active", "-", "-", "feed-lost")),
    ],
)
def test_our_retained_topics_are_recognised(effect: Effect, parsed: OutputTopic) -> None:
    topic = encode(effect).topic
    assert WIRE.parse_output_topic(topic) == parsed
    assert any(_matches(each, topic) for each in WIRE.output_filters())


def test_readiness_topic_is_recognised() -> None:
    outgoing = WIRE.encode(PublishReadiness("TW-ALD", None))
    assert outgoing is not None
    assert WIRE.parse_output_topic(outgoing.topic) == OutputTopic("readiness", "TW-ALD", None, None)
    assert any(_matches(each, outgoing.topic) for each in WIRE.output_filters())


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "sillwatch/v1/door/elsewhere/TW-ALD/L1",
        "sillwatch/v1/door/tarnwick/TW-ALD",
        "sillwatch/v1/door/tarnwick/TW-ALD/L1/x",
        "sillwatch/v1/door/tarnwick/tw/L1",
        "sillwatch/v1/active/tarnwick/TW-ALD/L1/a/b/c",
        "sillwatch/v1/active/tarnwick/TW-ALD/L1/",
        "sillwatch/v1/status/first",
        "sillwatch/v1/event/tarnwick/TW-ALD/L1/pin-missing",
        "apron/v1/tarnwick/aircraft/TW-ALD/bundle",
    ],
)
def test_other_topics_are_not(topic: str) -> None:
    assert WIRE.parse_output_topic(topic) is None


def test_one_filter_takes_in_every_input() -> None:
    (only,) = WIRE.input_filters()
    for topic in (
        "apron/v1/tarnwick/aircraft/TW-ALD/door/L1/closed",
        "apron/v1/tarnwick/aircraft/TW-ALD/bundle",
        "apron/v1/tarnwick/stand/S11/wind_kt",
        "apron/v1/tarnwick/misspelt",
    ):
        assert _matches(only, topic)
    assert not _matches(only, "apron/v1/elsewhere/stand/S11/wind_kt")


def _matches(pattern: str, topic: str) -> bool:
    """MQTT 5.0, section 4.7.1: ``+`` is one level, ``#`` the rest."""
    wanted, levels = pattern.split("/"), topic.split("/")
    if wanted[-1] == "#":
        return levels[: len(wanted) - 1] == wanted[:-1]
    return len(wanted) == len(levels) and all(one in ("+", level) for one, level in zip(wanted, levels, strict=True))
