"""Bytes to events and effects to bytes: the wire contract of one site.

Owns the topics and payloads of MQTT inputs and outputs, and the events' form in the
journal. It is pure: it keeps no state but two bounded caches of parsed names, asks for no
time, and no message that a sender can write makes it raise.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple, TypeVar

import orjson

from monitor.adapters.wire_commands import EVENT_KINDS, decode_event, encode_event
from monitor.adapters.wire_payload import (
    PAYLOAD_MAX,
    Fields,
    parse_object,
    parse_stamp,
    read_quality,
    read_seq,
    read_simulated,
    read_time,
    read_value,
)
from monitor.adapters.wire_reasons import REASONS, RejectedError, clip_topic, quote
from monitor.adapters.wire_topics import (
    OUTPUT_ROOT,
    OutputTopic,
    Shape,
    Target,
    input_filters,
    is_name,
    output_filters,
    parse_input_topic,
    parse_output_topic,
    parse_reading_path,
)
from monitor.core.effects import (
    EVENT_TYPE_PREFIX,
    Document,
    Effect,
    PublishActive,
    PublishDoor,
    PublishEvent,
    PublishProcedure,
    PublishReadiness,
    RejectInput,
)
from monitor.core.events import Event, Item, ReadingsArrived, StandReadingArrived
from monitor.core.proving import PROOF, PROOF_DOOR
from monitor.core.signals import AIRFRAME_SIGNALS, Quality, RejectedValueError, Signal, Value
from monitor.core.times import format_time
from monitor.ports import Message, Outgoing

__all__ = ["EVENT_KINDS", "PAYLOAD_MAX", "REASONS", "OutputTopic", "Status", "Wire", "parse_stamp"]

_GOOD: Final = Quality.GOOD
_TYPE: Final = AIRFRAME_SIGNALS["type"]
_STAND: Final = AIRFRAME_SIGNALS["stand"]
_PROOF: Final = Target(Shape.BUNDLE, PROOF, None, None)
_CACHE_MAX: Final = 65_536
"""Names kept of each sort: some hundreds of aircraft with all their signals. A full cache starts anew."""

Decoded = Event | RejectInput | Sequence[Event | RejectInput]
Parsed = TypeVar("Parsed")


class Status(NamedTuple):
    """What an instance said of itself on its status topic; ``started`` in µs."""

    state: str
    version: str
    started: int


class Wire:
    """The codec of one site, as :class:`monitor.ports.Codec` asks for it."""

    def __init__(self, site: str, instance: str, known_types: frozenset[str]) -> None:
        """Take the names that stand in topics, and the airframe types that exist.

        Raises ``ValueError`` where ``site`` or ``instance`` cannot stand in a topic.
        """
        for label, name in (("site", site), ("instance", instance)):
            if not is_name(name):
                raise ValueError(f"the {label} {quote(name)} is not 1 to 32 of A–Z a–z 0–9 _ -")
        self.site: Final = site
        self.status_topic: Final = f"{OUTPUT_ROOT}/status/{instance}"
        self.heartbeat_topic: Final = f"{OUTPUT_ROOT}/heartbeat/{instance}"
        self.proof_topic: Final = f"{OUTPUT_ROOT}/proof/{site}/{instance}"
        self._known_types: Final = known_types
        self._source: Final = f"/sillwatch/{site}"
        self._targets: dict[str, Target] = {}
        self._paths: dict[str, tuple[str | None, Signal]] = {}

    # Inputs

    def decode(self, message: Message) -> Decoded:
        """Read one message: its event, or why it is refused; a list where a bundle is refused in part.

        Never raises for what a sender can do.
        """
        topic, payload, retained, again = message
        try:
            if len(payload) > PAYLOAD_MAX:
                raise RejectedError("too-large", f"a payload of {len(payload)} bytes is over the {PAYLOAD_MAX} allowed")
            shape, place, door, signal = self._targets.get(topic) or self._parse_topic(topic)
            if signal is None:
                return self._decode_bundle(place, message)
            if payload:
                data = parse_object(payload)
                time, seq, simulated = read_time(data), read_seq(data), read_simulated(data)
                quality = read_quality(data)
                value: Value | None = self._check(signal, read_value(data))
            else:
                time, seq, simulated, quality, value = None, None, False, _GOOD, None
        except RejectedError as fault:
            return RejectInput(fault.reason, clip_topic(topic), fault.detail)
        if shape is Shape.STAND:
            return StandReadingArrived(place, topic, time, seq, retained, simulated, signal.name, value, quality, again)
        return ReadingsArrived(
            place, topic, False, time, seq, retained, simulated, (Item(door, signal.name, value, quality),), again
        )

    def find_target(self, topic: str) -> Target | None:
        """Say what an input topic names, or return ``None`` where it is none of the contract."""
        try:
            return self._targets.get(topic) or self._parse_topic(topic)
        except RejectedError:
            return None

    def _parse_topic(self, topic: str) -> Target:
        target = _PROOF if topic == self.proof_topic else parse_input_topic(self.site, topic)
        return _keep(self._targets, topic, target)

    def _decode_bundle(self, place: str, message: Message) -> Decoded:
        topic, payload, retained, again = message
        if not payload:
            raise RejectedError("empty-bundle", "a bundle is not withdrawn; withdraw each reading on its own topic")
        data = parse_object(payload)
        time, seq, simulated = read_time(data), read_seq(data), read_simulated(data)
        readings = data.get("readings")
        if type(readings) is not dict:
            if "readings" not in data:
                raise RejectedError("missing-field", 'readings is missing; add {"door/L1/closed": true, …}')
            raise RejectedError("wrong-type", 'readings is an object such as {"door/L1/closed": true}')
        if not readings:
            raise RejectedError("empty-bundle", "readings is empty; a bundle carries at least one")
        items: list[Item] = []
        rejected: list[RejectInput] = []
        for path, raw in readings.items():
            try:
                items.append(self._decode_item(path, raw))
            except RejectedError as fault:
                rejected.append(RejectInput(fault.reason, topic, f"reading {quote(path)}: {fault.detail}"))
        if not items:
            return rejected
        event = ReadingsArrived(place, topic, True, time, seq, retained, simulated, tuple(items), again)
        return [event, *rejected] if rejected else event

    def _decode_item(self, path: str, raw: object) -> Item:
        known = self._paths.get(path)
        if known is None:
            known = _keep(self._paths, path, parse_reading_path(path))
        door, signal = known
        quality = _GOOD
        if type(raw) is dict:
            fields: Fields = raw
            quality = read_quality(fields)
            raw = read_value(fields)
        return Item(door, signal.name, self._check(signal, raw), quality)

    def _check(self, signal: Signal, raw: object) -> Value:
        try:
            value = signal.check(raw)
        except RejectedValueError as fault:
            raise RejectedError(fault.reason, f"value: {fault.detail}") from None
        if signal is _TYPE:
            if value and value not in self._known_types:
                known = ", ".join(sorted(self._known_types))
                raise RejectedError(
                    "unknown-type", f'value: {quote(str(value))} is no known type; one of {known}, or ""'
                )
        elif signal is _STAND and value and not is_name(str(value)):
            raise RejectedError("out-of-range", 'value: stand is "" or 1 to 32 of A–Z a–z 0–9 _ -')
        return value

    # Outputs

    def encode(self, effect: Effect) -> Outgoing | None:
        """Write an effect for the broker, or ``None`` where it does not go there."""
        match effect:
            case PublishDoor(aircraft, door, document):
                return Outgoing(f"{OUTPUT_ROOT}/door/{self.site}/{aircraft}/{door}", _encode_retained(document), True)
            case PublishActive(aircraft, door, code, document):
                topic = f"{OUTPUT_ROOT}/active/{self.site}/{aircraft}/{door}/{code}"
                return Outgoing(topic, _encode_retained(document), True)
            case PublishReadiness(aircraft, document):
                topic = f"{OUTPUT_ROOT}/readiness/{self.site}/{aircraft}"
                return Outgoing(topic, _encode_retained(document), True)
            case PublishProcedure(aircraft, door, document):
                topic = f"{OUTPUT_ROOT}/procedure/{self.site}/{aircraft}/{door}"
                return Outgoing(topic, _encode_retained(document), True)
            case PublishEvent(aircraft, door, code):
                topic = f"{OUTPUT_ROOT}/event/{self.site}/{aircraft}/{door}/{code}"
                return Outgoing(topic, orjson.dumps(self.envelope(effect)), False)
        return None

    def envelope(self, effect: PublishEvent) -> Document:
        """Wrap a lifecycle change as a CloudEvents 1.0 JSON event."""
        return {
            "specversion": "1.0",
            "id": effect.id,
            "source": self._source,
            "type": f"{EVENT_TYPE_PREFIX}{effect.type}",
            "subject": f"{effect.aircraft}/{effect.door}",
            "time": format_time(effect.time),
            "datacontenttype": "application/json",
            "data": effect.data,
        }

    def status_message(self, state: str, version: str, started: int) -> Outgoing:
        """Write this instance's status; ``state`` is ``online`` or ``offline``, ``started`` in µs."""
        document = {"state": state, "version": version, "started": format_time(started)}
        return Outgoing(self.status_topic, orjson.dumps(document), True)

    def parse_status(self, payload: bytes) -> Status | None:
        """Read a status message, or return ``None`` where it is none."""
        try:
            data = parse_object(payload)
            state, version, started = data.get("state"), data.get("version"), data.get("started")
            if state in ("online", "offline") and isinstance(version, str) and isinstance(started, str):
                return Status(state, version, parse_stamp(started))
        except (RejectedError, ValueError):
            return None
        return None

    def heartbeat_message(self, document: Document) -> Outgoing:
        """Write this instance's sign of life."""
        return Outgoing(self.heartbeat_topic, orjson.dumps(document), True)

    def proof_message(self, time: int, seq: int, *, lifted: bool) -> Outgoing:
        """Write what the canary's door reports: closed and locked, its handle ``lifted`` or home; ``time`` in µs."""
        states = {"closed": True, "latched": True, "locked": True, "handle_lifted": lifted}
        readings = {f"door/{PROOF_DOOR}/{signal}": value for signal, value in states.items()}
        document = {"time": format_time(time), "seq": seq, "readings": readings}
        return Outgoing(self.proof_topic, orjson.dumps(document), False)

    def parse_output_topic(self, topic: str) -> OutputTopic | None:
        """Recognise one of this site's retained outputs, or return ``None``."""
        return parse_output_topic(self.site, topic)

    def input_filters(self) -> tuple[str, ...]:
        """Name what to subscribe to."""
        return input_filters(self.site)

    def output_filters(self) -> tuple[str, ...]:
        """Name where this site's retained outputs lie."""
        return output_filters(self.site)

    # The journal

    def encode_event(self, event: Event) -> tuple[str, bytes]:
        """Write an event that did not come by wire for the journal: its kind and body."""
        return encode_event(event)

    def decode_event(self, kind: str, body: bytes) -> Event:
        """Read it back; raises ``ValueError`` with a sentence for what does not fit."""
        return decode_event(kind, body)


def _keep(cache: dict[str, Parsed], name: str, parsed: Parsed) -> Parsed:
    if len(cache) >= _CACHE_MAX:
        cache.clear()
    cache[name] = parsed
    return parsed


def _encode_retained(document: Document | None) -> bytes:
    return b"" if document is None else orjson.dumps(document)
