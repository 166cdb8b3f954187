"""A sender under load and a subscriber that writes everything down, in threads of their own.

Owns what is sent (readings of a small apron, numbered on every topic, at QoS 1), what of it
the broker acknowledged, and which lifecycle events came back. Knows the wire contract from
the outside only, and never whether a monitor runs.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections import deque
from collections.abc import Iterator
from types import TracebackType
from typing import Any, Final, NamedTuple

from paho.mqtt.client import Client, MQTTMessage, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from tests.acceptance.programs import SITE, until
from tests.stories import ARMED, demo_site, healthy_airframe, healthy_door

AIRCRAFT: Final = tuple(f"ZK-{number:02d}" for number in range(1, 13))
LIFTED: Final = ("L1", "R1", "L2", "R2")
"""The doors whose handles are lifted with the slide engaged, and go home again."""

HELD: Final = ("H1", "H2", "H3", "H4", "CB")
"""The doors at which a contradiction begins once and holds."""

LIFTS_EVERY_S: Final = 0.2
"""Forty-eight doors take ten seconds to come round: their signals never chatter."""

BEAT_EVERY_S: Final = 2.0
PRESSURE_EVERY_S: Final = 5.0
HOLD_EVERY_S: Final = 1.0
IN_FLIGHT_MAX: Final = 2_000
OVERTAKEN: Final = ("/heartbeat", "/differential_pressure_hpa", "/slide_bottle_bar")
KEEPALIVE_S: Final = 600
"""Far beyond any wait here: neither client is under test."""


class Sent(NamedTuple):
    """One message and the moment of its stamp, in µs."""

    topic: str
    payload: bytes
    at: int

    @property
    def may_be_left_out(self) -> bool:
        """A beat or a quantity, which a newer one overtakes where more comes than can be taken in."""
        return self.topic.endswith(OVERTAKEN)


class _Peer:
    """A client in a thread of its own."""

    def __init__(self, url: str, name: str) -> None:
        host, port = url.removeprefix("mqtt://").split(":")
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False, protocol=MQTTv311)
        self._client.max_inflight_messages_set(IN_FLIGHT_MAX)
        self._client.connect(host, int(port), keepalive=KEEPALIVE_S)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Any:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class Recorder(_Peer):
    """Everything that was told below the site's events, repeats included."""

    def __init__(self, url: str, name: str = "recorder") -> None:
        super().__init__(url, name)
        self.events: list[dict[str, Any]] = []
        subscribed = threading.Event()
        self._client.on_message = self._note
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.loop_start()
        self._client.subscribe(f"sillwatch/v1/event/{SITE}/#", qos=1)
        assert subscribed.wait(30), "no answer to the subscription"

    def _note(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        self.events.append(json.loads(message.payload))

    def ids(self, codes: tuple[str, ...]) -> set[str]:
        """The ids of what was told under the codes; what a backlog's end tells once more is no news."""
        return {
            event["id"]
            for event in list(self.events)
            if event["data"]["code"] in codes and event["type"] != "sillwatch.alert.reraised"
        }


class Load(_Peer):
    """The apron's sensors, about ``rate`` messages a second; the same seed sends in the same order.

    ``sent`` is everything in the order of sending; a message counts in ``acknowledged``
    once the broker has answered for it.
    """

    def __init__(self, url: str, *, seed: int, rate: float) -> None:
        super().__init__(url, "load")
        self.sent: list[Sent] = []
        self.acknowledged = 0
        self.lifts = 0
        self.held: list[tuple[str, str]] = []
        self._lifted: tuple[str, str] | None = None
        self._rate = rate
        self._random = random.Random(seed)
        self._seqs: dict[str, int] = {}
        self._last_us = 0
        self._answers: deque[int] = deque()
        self._waiting: dict[int, Sent] = {}
        self._lifts_allowed = 0
        self._calming = threading.Event()
        self._calm = threading.Event()
        self._ending = threading.Event()
        self._failure: BaseException | None = None
        self._client.on_publish = lambda _c, _u, mid, *_: self._answers.append(mid)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, name="load")

    # For the test

    def arrive(self) -> None:
        """Bring every aircraft to its stand, its slides engaged, and wait for the broker's answers."""
        site = demo_site()
        alder = site.types["alder"]
        for reg in AIRCRAFT:
            readings: dict[str, Any] = {"airframe/type": alder.name, "airframe/stand": f"S-{reg}"}
            readings.update({f"airframe/{name}": value for name, value in healthy_airframe(alder).items()})
            for door in alder.doors.values():
                at_door = healthy_door(door) | (dict(ARMED) if door.name in LIFTED else {})
                readings.update({f"door/{door.name}/{name}": value for name, value in at_door.items()})
            self._send(f"{_root(reg)}/bundle", {"readings": readings})
            self._reading(reg, "airframe/heartbeat", 1)
        self.wait_acknowledged()

    def start(self) -> None:
        """Begin to send without end."""
        self._thread.start()

    def allow_lifts(self, count: int) -> None:
        """Let that many more handles be lifted, so that no door's come round while nobody listens."""
        self._lifts_allowed = min(self._lifts_allowed + count, len(AIRCRAFT) * len(LIFTED))

    def wait_sent(self, more: int) -> None:
        """Wait until that many more messages are acknowledged."""
        target = self.acknowledged + more
        until(lambda: self._failed() or self.acknowledged >= target, "messages acknowledged", look_s=0.002)

    def calm(self) -> list[Sent]:
        """Send home what is lifted and only beat from then on; returns what was sent, all of it acknowledged."""
        self._calming.set()
        until(lambda: self._failed() or self._calm.is_set(), "calm")
        sent = list(self.sent)
        until(lambda: self._failed() or self.acknowledged >= len(sent), "the last messages acknowledged")
        return sent

    def wait_acknowledged(self) -> None:
        """Before the start: wait until the broker has acknowledged everything that was sent."""

        def all_answered() -> bool:
            self._take_answers()
            return not self._waiting

        until(all_answered, lambda: f"{len(self._waiting)} messages acknowledged")

    def close(self) -> None:
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join()
        super().close()

    # In the thread

    def _failed(self) -> bool:
        if self._failure is not None:
            raise AssertionError("the sender failed") from self._failure
        return False

    def _run(self) -> None:
        try:
            self._send_on()
        except BaseException as error:
            self._failure = error

    def _send_on(self) -> None:
        now = time.monotonic()
        self._due = dict.fromkeys(("lift", "hold", "beat", "pressure", "filler"), now)
        self._doors, self._holds = self._round(LIFTED), self._round(HELD)
        while not self._ending.is_set():
            now = time.monotonic()
            self._live_on(now)
            if not self._calming.is_set():
                self._act(now)
            elif not self._calm.is_set():
                self._send_home()
                self._calm.set()
            self._take_answers()
            self._ending.wait(0.005)

    def _live_on(self, now: float) -> None:
        if self._is_due("beat", now, BEAT_EVERY_S):
            for reg in AIRCRAFT:
                self._beat(reg)
        if self._is_due("pressure", now, PRESSURE_EVERY_S):
            for reg in AIRCRAFT:
                self._reading(reg, "airframe/differential_pressure_hpa", 0.0)

    def _act(self, now: float) -> None:
        if self._is_due("lift", now, LIFTS_EVERY_S / 2) and not self._send_home() and self._lifts_allowed > 0:
            self._lifts_allowed -= 1
            self._lifted = reg, door = next(self._doors)
            self._beat(reg)
            self._reading(reg, f"door/{door}/handle_lifted", True)
            self.lifts += 1
        if len(self.held) < len(AIRCRAFT) * len(HELD) and self._is_due("hold", now, HOLD_EVERY_S):
            reg, door = next(self._holds)
            self._beat(reg)
            self._reading(reg, f"door/{door}/latched", False)
            self.held.append((reg, door))
        while self._due["filler"] <= now:
            self._due["filler"] += self._random.expovariate(self._rate)
            reg, door = self._random.choice(AIRCRAFT), self._random.choice(LIFTED)
            self._reading(reg, f"door/{door}/slide_bottle_bar", 200 + self._random.random() * 10)

    def _is_due(self, what: str, now: float, every_s: float) -> bool:
        if now < self._due[what]:
            return False
        self._due[what] = now + every_s
        return True

    def _send_home(self) -> bool:
        if self._lifted is None:
            return False
        reg, door = self._lifted
        self._lifted = None
        self._reading(reg, f"door/{door}/handle_lifted", False)
        return True

    def _round(self, names: tuple[str, ...]) -> Iterator[tuple[str, str]]:
        doors = [(reg, door) for reg in AIRCRAFT for door in names]
        self._random.shuffle(doors)
        while True:
            yield from doors

    def _beat(self, reg: str) -> None:
        # Before each word that counts too: one that comes after a long outage is then from a sender that is heard.
        self._reading(reg, "airframe/heartbeat", self._seqs[f"{_root(reg)}/airframe/heartbeat"] + 1)

    def _reading(self, reg: str, path: str, value: Any) -> None:
        self._send(f"{_root(reg)}/{path}", {"value": value})

    def _send(self, topic: str, body: dict[str, Any]) -> None:
        seq = self._seqs[topic] = self._seqs.get(topic, 0) + 1
        # Whole milliseconds, never the same twice: across topics the stamp orders.
        at = self._last_us = max(self._last_us + 1000, time.time_ns() // 1_000_000 * 1000)
        sent = Sent(topic, json.dumps({"time": at / 1_000_000, "seq": seq, **body}).encode(), at)
        info = self._client.publish(topic, sent.payload, qos=1)
        self._waiting[info.mid] = sent
        self.sent.append(sent)

    def _take_answers(self) -> None:
        while self._answers:
            del self._waiting[self._answers.popleft()]
            self.acknowledged += 1


def _root(reg: str) -> str:
    return f"apron/v1/{SITE}/aircraft/{reg}"
