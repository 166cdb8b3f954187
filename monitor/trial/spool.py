"""What a run's alerts were, in order: in memory while they are few, beyond that on disk.

Owns the file and its form; it goes with the spool.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from typing import IO, Final, NamedTuple, cast

import orjson

from monitor.core.alarm_health import Annunciation
from monitor.core.effects import PublishEvent

MEMORY_BYTES: Final = 8 * 1024 * 1024


class Raised(NamedTuple):
    """One moment at which an alert asked for attention, with the alert's id."""

    told: Annunciation
    alert_id: str
    simulated: bool

    @property
    def place(self) -> tuple[str, str, str]:
        """Aircraft, door and code."""
        return self.told.aircraft, self.told.door, self.told.code


def make_raised(told: Annunciation, effect: PublishEvent) -> Raised:
    """Join an annunciation with what else its event tells."""
    return Raised(told, str(effect.data.get("alert_id", "")), bool(effect.data.get("simulated")))


class Spool:
    """Written to its end, then read as often as wanted, one reader at a time."""

    def __init__(self) -> None:
        self._file = cast(IO[bytes], tempfile.SpooledTemporaryFile(max_size=MEMORY_BYTES))  # noqa: SIM115
        self.number = 0

    def add(self, raised: Raised) -> None:
        """Write one behind the others."""
        self._file.write(orjson.dumps((*raised.told, raised.alert_id, raised.simulated)) + b"\n")
        self.number += 1

    def __iter__(self) -> Iterator[Raised]:
        self._file.seek(0)
        for line in self._file:
            *told, alert_id, simulated = orjson.loads(line)
            yield Raised(Annunciation(*told), alert_id, simulated)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
