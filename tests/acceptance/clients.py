"""What any other client of the broker sends and sees, with mosquitto's own two programs.

Owns a sender of readings and a watcher of topics. Knows the wire contract from the
outside only: topics and JSON, nothing of our code but the shape of an alder at rest.
"""

from __future__ import annotations

import itertools
import json
import subprocess
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NamedTuple

from tests.acceptance.programs import DEADLINE_S, SITE, Program, until
from tests.stories import healthy_airframe, healthy_door

MARK: Final = "tests/mark"
_NUMBER = itertools.count(1)


class Seen(NamedTuple):
    """One message as a subscriber got it; ``retained`` is the delivery's retain flag."""

    topic: str
    payload: bytes
    retained: bool

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


def _address(url: str) -> list[str]:
    host, port = url.removeprefix("mqtt://").split(":")
    return ["-h", host, "-p", port]


def publish(url: str, topic: str, payload: bytes | str, *, retain: bool = False, folder: Path | None = None) -> None:
    """Publish at QoS 1 with mosquitto_pub, which ends once the broker has acknowledged.

    What does not fit on a command line goes through a file in ``folder``.
    """
    body = payload.encode() if isinstance(payload, str) else payload
    command = ["mosquitto_pub", *_address(url), "-q", "1", "-t", topic, *(["-r"] if retain else [])]
    if folder is not None:
        file = folder / f"payload-{next(_NUMBER)}"
        file.write_bytes(body)
        command += ["-f", str(file)]
    elif body:
        command += ["-s"]
    else:
        command += ["-n"]
    done = subprocess.run(command, input=body if folder is None else None, capture_output=True, timeout=DEADLINE_S)
    assert done.returncode == 0, done.stderr.decode()


class Watcher:
    """A mosquitto_sub: everything that it printed so far, in order."""

    def __init__(self, url: str, folder: Path, *filters: str) -> None:
        self._mark = f"{MARK}/{next(_NUMBER)}"
        publish(url, self._mark, "here", retain=True)
        command = ["mosquitto_sub", *_address(url), "-q", "1", "-F", "%j"]
        for name in (*filters, self._mark):
            command += ["-t", name]
        self._program = Program(folder, command=command)
        try:
            until(lambda: any(s.topic == self._mark for s in self._all()), lambda: f"subscribed; {self._program.err}")
        finally:
            publish(url, self._mark, "", retain=True)

    def __enter__(self) -> Watcher:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._program.close()

    def _all(self) -> list[Seen]:
        whole, _, _ = self._program.out.rpartition("\n")
        lines = [json.loads(line) for line in whole.split("\n") if line]
        return [Seen(m["topic"], (m["payload"] or "").encode(), m["retain"] == 1) for m in lines]

    @property
    def seen(self) -> list[Seen]:
        """Every message so far."""
        return [seen for seen in self._all() if seen.topic != self._mark]

    def on(self, topic: str) -> list[Seen]:
        """Every message so far on one topic, or below it where it ends in ``/``."""
        return [
            seen for seen in self.seen if seen.topic == topic or (topic[-1] == "/" and seen.topic.startswith(topic))
        ]

    def wait(self, topic: str, count: int = 1) -> list[Seen]:
        """Wait for the first ``count`` messages on a topic."""
        until(lambda: len(self.on(topic)) >= count, lambda: f"{count} on {topic}: {self.on(topic)}")
        return self.on(topic)


def read_retained(url: str, folder: Path, *filters: str) -> dict[str, Seen]:
    """What a client that comes now is told first, by topic."""
    with Watcher(url, folder, *filters) as watcher:
        seen = watcher.seen
    return {message.topic: message for message in seen if message.retained}


class Sender:
    """One aircraft's sensors: readings with growing stamps, each acknowledged by the broker.

    ``clock_s`` is how far the sender's clock is from ours.
    """

    def __init__(self, url: str, reg: str, *, site: str = SITE, clock_s: float = 0.0) -> None:
        self.url, self.reg, self.site, self.clock_s = url, reg, site, clock_s
        self.root = f"apron/v1/{site}/aircraft/{reg}"
        self.stand = f"S-{reg}"
        self._last_ms = 0
        self._beats = 0

    def stamp(self) -> float:
        """Seconds since the epoch on this sender's clock; never the same twice."""
        self._last_ms = max(self._last_ms + 1, round((time.time() + self.clock_s) * 1000))
        return self._last_ms / 1000

    def send(self, path: str, value: Any, *, retain: bool = False, **more: Any) -> None:
        """Send one reading on its own topic."""
        publish(
            self.url, f"{self.root}/{path}", json.dumps({"time": self.stamp(), "value": value, **more}), retain=retain
        )

    def bundle(self, readings: Mapping[str, Any], **more: Any) -> None:
        """Send readings that take effect together."""
        publish(self.url, f"{self.root}/bundle", json.dumps({"time": self.stamp(), "readings": dict(readings), **more}))

    def at_door(self, door: str, **signals: Any) -> None:
        """Send readings of one door that take effect together."""
        self.bundle({f"door/{door}/{name}": value for name, value in signals.items()})

    def beat(self) -> None:
        """Send the heartbeat, which vouches for every reading."""
        self._beats += 1
        self.send("airframe/heartbeat", self._beats)

    def arrive(self, airframe: Any) -> Sender:
        """Bring a complete, healthy aircraft to a stand of its own, all doors closed and disarmed."""
        readings: dict[str, Any] = {"airframe/type": airframe.name, "airframe/stand": self.stand}
        readings.update({f"airframe/{name}": value for name, value in healthy_airframe(airframe).items()})
        for door in airframe.doors.values():
            readings.update({f"door/{door.name}/{name}": value for name, value in healthy_door(door).items()})
        self.bundle(readings)
        self.beat()
        return self

    def withdraw(self, path: str) -> None:
        """Take a reading back with an empty payload."""
        publish(self.url, f"{self.root}/{path}", b"")
