"""Which topics a list of MQTT filters covers, quickly.

Owns the match for what arrives. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable

from paho.mqtt.client import topic_matches_sub


class TopicFilters:
    """A list of filters; those of the form ``a/b/#`` cost next to nothing to match."""

    def __init__(self, filters: Iterable[str]) -> None:
        names = list(filters)
        plain = [name for name in names if name.endswith("/#") and "+" not in name and "#" not in name[:-1]]
        self._prefixes = tuple(name[:-1] for name in plain)
        self._others = [name for name in names if name not in plain]
        self._parents = frozenset(name[:-2] for name in plain)  # "a/#" covers "a" too (MQTT 5.0 section 4.7.1.2)

    def match(self, topic: str) -> bool:
        """Say whether any of the filters covers the topic."""
        return (
            topic.startswith(self._prefixes)
            or topic in self._parents
            or any(topic_matches_sub(name, topic) for name in self._others)
        )
