"""Why an input is refused, in words that are counted, and in one sentence each.

Owns the closed list of reasons and how a piece of foreign text is shown in a message.
It must never echo more than a few words of what a sender wrote.
"""

from __future__ import annotations

import json
from typing import Final

REASONS: Final = frozenset(
    {
        "topic",
        "too-large",
        "not-utf8",
        "not-json",
        "not-object",
        "missing-field",
        "wrong-type",
        "unknown-signal",
        "out-of-range",
        "not-finite",
        "bad-time",
        "bad-seq",
        "bad-quality",
        "unknown-type",
        "empty-bundle",
    }
)
"""Every ``reason`` that a :class:`~monitor.core.effects.RejectInput` from the wire can carry."""

_ECHO_MAX: Final = 80
_TOPIC_MAX: Final = 256


class RejectedError(Exception):
    """A message or a reading that cannot be used; ``reason`` is one of :data:`REASONS`."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


def quote(text: str) -> str:
    """Show foreign text in quotes: one line, escaped, at most 80 characters."""
    shown = json.dumps(text[:_ECHO_MAX])
    if len(shown) <= _ECHO_MAX and len(text) <= _ECHO_MAX:
        return shown
    return shown[: _ECHO_MAX - 2] + '…"'


def clip_topic(topic: str) -> str:
    """Return a topic that can be stored and shown: at most 256 characters, encodable as UTF-8.

    Every topic of the contract is shorter, so none that is in good form is changed.
    """
    if len(topic) > _TOPIC_MAX:
        topic = topic[: _TOPIC_MAX - 1] + "…"
    return topic.encode("utf-8", "backslashreplace").decode("utf-8")
