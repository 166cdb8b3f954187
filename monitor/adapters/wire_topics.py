"""Topics: what each level may be, and what a topic names.

Owns the names on the wire, inputs and outputs. It knows nothing of payloads, and whether
an aircraft has such a door is for the core to say.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import Enum
from typing import Final, NamedTuple

from monitor.adapters.wire_reasons import RejectedError, quote
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, STAND_SIGNALS, Signal

INPUT_ROOT: Final = "apron/v1"
OUTPUT_ROOT: Final = "sillwatch/v1"

_NAME: Final = re.compile(r"[A-Za-z0-9_-]{1,32}", re.ASCII)
_REG: Final = re.compile(r"[A-Z0-9-]{2,10}", re.ASCII)
_INPUT_LENGTH_MAX: Final = 200
"""Longer than any topic that the patterns allow; it bounds the work on one that is not."""


class Shape(Enum):
    """What a message on a topic carries."""

    READING = "reading"
    BUNDLE = "bundle"
    STAND = "stand"


class Target(NamedTuple):
    """What an input topic names: ``place`` is the registration or the stand."""

    shape: Shape
    place: str
    door: str | None
    signal: Signal | None


class OutputTopic(NamedTuple):
    """One of our retained outputs; ``kind`` is ``door``, ``active`` or ``readiness``."""

    kind: str
    aircraft: str
    door: str | None
    code: str | None


class _Signals(NamedTuple):
    """A table of signals with the words that name them to a person, made once: a bad sender may send thousands."""

    table: Mapping[str, Signal]
    known: str


def _known(owner: str, table: Mapping[str, Signal]) -> _Signals:
    return _Signals(table, f"{owner}; those are {', '.join(sorted(table))}")


_DOOR: Final = _known("a door", DOOR_SIGNALS)
_AIRFRAME: Final = _known("an airframe", AIRFRAME_SIGNALS)
_STAND: Final = _known("a stand", STAND_SIGNALS)


def is_name(text: str) -> bool:
    """Say whether ``text`` can name a site, a stand, a door, a signal or an instance."""
    return _NAME.fullmatch(text) is not None


def is_registration(text: str) -> bool:
    """Say whether ``text`` can be an aircraft's registration."""
    return _REG.fullmatch(text) is not None


def parse_input_topic(site: str, topic: str) -> Target:
    """Read an input topic of ``site``.

    Raises :class:`RejectedError` with ``topic`` or ``unknown-signal``.
    """
    root = f"{INPUT_ROOT}/{site}/"
    if len(topic) > _INPUT_LENGTH_MAX:
        raise _bad(f"a topic of {len(topic)} characters is longer than any of the contract")
    if not topic.startswith(root):
        raise _bad(f"an input's topic begins with {root}, not {quote(topic[: len(root) + 8])}")
    levels = topic[len(root) :].split("/")
    for level in levels:
        if not level:
            raise _bad("a level of the topic is empty")
        if not is_name(level):
            raise _bad(f"the level {quote(level)} is not 1 to 32 of A–Z a–z 0–9 _ -")
    match levels:
        case ["aircraft", reg, "door", door, name]:
            return Target(Shape.READING, _registration(reg), door, _find_signal(_DOOR, name))
        case ["aircraft", reg, "airframe", name]:
            return Target(Shape.READING, _registration(reg), None, _find_signal(_AIRFRAME, name))
        case ["aircraft", reg, "bundle"]:
            return Target(Shape.BUNDLE, _registration(reg), None, None)
        case ["stand", stand, name]:
            return Target(Shape.STAND, stand, None, _find_signal(_STAND, name))
    raise _bad(
        f"after {root} comes aircraft/REG/door/DOOR/SIGNAL, aircraft/REG/airframe/SIGNAL, "
        "aircraft/REG/bundle or stand/STAND/SIGNAL"
    )


def parse_reading_path(path: str) -> tuple[str | None, Signal]:
    """Read a key of a bundle's ``readings`` as a door (``None``: the airframe) and a signal.

    Raises :class:`RejectedError` with ``topic`` or ``unknown-signal``.
    """
    match path.split("/", 3):
        case ["door", door, name] if is_name(door):
            return door, _find_signal(_DOOR, name)
        case ["airframe", name]:
            return None, _find_signal(_AIRFRAME, name)
    raise _bad("a reading's key is door/DOOR/SIGNAL or airframe/SIGNAL")


def _find_signal(signals: _Signals, name: str) -> Signal:
    signal = signals.table.get(name)
    if signal is None:
        raise RejectedError("unknown-signal", f"{quote(name)} is not a signal of {signals.known}")
    return signal


def parse_output_topic(site: str, topic: str) -> OutputTopic | None:
    """Recognise a retained output of ``site``, or return ``None``."""
    match topic.split("/", 7):
        case ["sillwatch", "v1", "door", where, reg, door] if where == site and _is_place(reg, door):
            return OutputTopic("door", reg, door, None)
        case ["sillwatch", "v1", "active", where, reg, door, code] if (
            where == site and _is_place(reg, door) and is_name(code)
        ):
            return OutputTopic("active", reg, door, code)
        case ["sillwatch", "v1", "readiness", where, reg] if where == site and is_registration(reg):
            return OutputTopic("readiness", reg, None, None)
        case ["sillwatch", "v1", "procedure", where, reg, door] if where == site and _is_place(reg, door):
            return OutputTopic("procedure", reg, door, None)
    return None


def input_filters(site: str) -> tuple[str, ...]:
    """Name what to subscribe to; one filter, since overlapping ones may deliver a message twice.

    It takes in topics that no contract knows, so that a misspelt one is quarantined and seen.
    """
    return (f"{INPUT_ROOT}/{site}/#",)


def output_filters(site: str) -> tuple[str, ...]:
    """Name where this site's retained outputs lie, for the clean-up after a restart."""
    shapes = {"door": "+/+", "active": "+/+/+", "readiness": "+", "procedure": "+/+"}
    return tuple(f"{OUTPUT_ROOT}/{kind}/{site}/{levels}" for kind, levels in shapes.items())


def _is_place(reg: str, door: str) -> bool:
    # "-" stands for the whole aircraft, and for the site.
    return (reg == "-" or is_registration(reg)) and is_name(door)


def _registration(reg: str) -> str:
    if not is_registration(reg):
        raise _bad(f"the registration {quote(reg)} is not 2 to 10 of A–Z 0–9 -")
    return reg


def _bad(detail: str) -> RejectedError:
    return RejectedError("topic", detail)
