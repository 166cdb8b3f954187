"""Events that no sender sent, to and from the journal: starts, connections, people's actions.

Owns their form on disk: a kind (the event's name in kebab-case) and a JSON object of its
fields. Readings never pass here; the journal keeps those as they were delivered.
"""

from __future__ import annotations

import json
import re
from typing import Any, Final, cast, get_args, get_origin, get_type_hints

from monitor.adapters.wire_reasons import quote
from monitor.core.events import Event, ReadingsArrived, StandReadingArrived

_BY_WIRE: Final = (ReadingsArrived, StandReadingArrived)


def _kind_of(event_type: type) -> str:
    return re.sub(r"(?<!^)(?=[A-Z])", "-", event_type.__name__).lower()


_TYPES: Final[dict[str, type[Any]]] = {
    _kind_of(event_type): event_type for event_type in get_args(Event) if event_type not in _BY_WIRE
}
_KINDS: Final = {event_type: kind for kind, event_type in _TYPES.items()}
_FIELDS: Final = {kind: get_type_hints(event_type) for kind, event_type in _TYPES.items()}

EVENT_KINDS: Final = tuple(sorted(_TYPES))
"""Every kind that the journal may hold beside ``message``."""


def encode_event(event: Event) -> tuple[str, bytes]:
    """Write an event for the journal: its kind and a JSON object.

    Raises ``ValueError`` for a reading, which the journal keeps as it was delivered.
    """
    kind = _KINDS.get(type(event))
    if kind is None:
        raise ValueError(f"a {type(event).__name__} is journalled as the message that it came by")
    return kind, json.dumps(event._asdict(), separators=(",", ":")).encode("ascii")


def decode_event(kind: str, body: bytes) -> Event:
    """Read an event back.

    A field that the event has since been given with a default may be missing. Raises
    ``ValueError`` with a sentence for anything else that does not fit.
    """
    event_type = _TYPES.get(kind)
    if event_type is None:
        raise ValueError(f"{quote(kind)} is no kind of event; the kinds are {', '.join(EVENT_KINDS)}")
    try:
        data = json.loads(body)
    except (ValueError, RecursionError) as fault:
        raise ValueError(f"the body of {kind} is not JSON: {str(fault)[:80]}") from None
    if not isinstance(data, dict):
        raise ValueError(f"the body of {kind} is not a JSON object")
    return cast(Event, event_type(**_fit_fields(kind, data, event_type._field_defaults)))


def _fit_fields(kind: str, data: dict[str, object], defaults: dict[str, object]) -> dict[str, object]:
    fields = _FIELDS[kind]
    fitted: dict[str, object] = {}
    for name in data:
        if name not in fields:
            raise ValueError(f"{kind} has no field {quote(name)}; it has {', '.join(fields) or 'none'}")
    for name, hint in fields.items():
        if name in data:
            try:
                fitted[name] = _fit(data[name], hint)
            except TypeError as fault:
                raise ValueError(f"{name} of {kind} is {fault}") from None
        elif name not in defaults:
            raise ValueError(f"{kind} lacks its field {name}")
    return fitted


def _fit(value: object, hint: Any) -> object:
    """Read a JSON value as a field's type; a list stands for a tuple. Raises ``TypeError`` with what is wanted."""
    parts = get_args(hint)
    if get_origin(hint) is not tuple:
        kinds = parts or (hint,)
        if type(value) not in kinds:
            wanted = " or ".join("null" if each is type(None) else each.__name__ for each in kinds)
            raise TypeError(f"{wanted}, not {type(value).__name__}")
        return value
    if not isinstance(value, list):
        raise TypeError(f"list, not {type(value).__name__}")
    if parts[-1] is Ellipsis:
        parts = (parts[0],) * len(value)
    if len(value) != len(parts):
        raise TypeError(f"a list with {len(value)} entries where {len(parts)} are wanted")
    try:
        return tuple(_fit(each, part) for each, part in zip(value, parts, strict=True))
    except TypeError as fault:
        raise TypeError(f"a list with an entry that is {fault}") from None
