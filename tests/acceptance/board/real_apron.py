"""A running instance with a little of everything on its apron, for what every page has to stand.

Owns the senders and their heartbeats. Each kind of content that a page can draw is there:
a warning that nobody has, alerts that somebody has, a permit, an aircraft of no known
type, weather, a quarantined message, and texts that would like to be markup.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple

from tests.acceptance.clients import Sender, publish
from tests.acceptance.programs import SITE, Broker, Instance, running_instance
from tests.stories import ARMED, demo_site

MARKUP: Final = "<img src=x onerror=alert(1)><b>bold</b>"
RIGHT_TO_LEFT: Final = "מיה 7"
"""A name whose letters run the other way: what stands beside it must not."""
TURNED: Final = "\u202egnp.exe\u2066 next"
BEAT_S: Final = 4.0
BUSY, CALM, NAMELESS = "ZX-BUSY", "ZX-CALM", "ZX-NONE"


class RealApron(NamedTuple):
    """The instance and its broker; ``busy`` has a warning at R2 that nobody has."""

    broker: Broker
    instance: Instance
    busy: Sender
    calm: Sender

    @property
    def url(self) -> str:
        return str(self.instance.http.base_url).rstrip("/")


class _Beating(threading.Thread):
    """Heartbeats that go on while a test looks at a page."""

    def __init__(self, *senders: Sender) -> None:
        super().__init__(daemon=True)
        self._senders = senders
        self._over = threading.Event()

    def run(self) -> None:
        while not self._over.wait(BEAT_S):
            for sender in self._senders:
                sender.beat()

    def end(self) -> None:
        self._over.set()
        self.join()


def arrive(instance: Instance, broker: Broker, reg: str, stand: str) -> Sender:
    """Bring a healthy alder to a stand."""
    sender = Sender(broker.url, reg)
    sender.stand = stand
    sender.arrive(demo_site().types["alder"])
    instance.wait_door(reg, "L1", "closed_locked")
    return sender


def lift(instance: Instance, sender: Sender, door: str) -> dict[str, Any]:
    """Have the handle of an armed door lifted: a warning that stands."""
    sender.at_door(door, **ARMED)
    sender.send(f"door/{door}/handle_lifted", True)
    return instance.wait_alert(sender.reg, "armed-handle-moved", door)


def weather(broker: Broker, stand: str, **signals: float) -> None:
    """Report a stand's weather."""
    for name, value in signals.items():
        topic = f"apron/v1/{SITE}/stand/{stand}/{name}"
        publish(broker.url, topic, json.dumps({"time": Sender(broker.url, "-").stamp(), "value": value}))


def _crowd(instance: Instance, broker: Broker, busy: Sender, calm: Sender) -> None:
    weather(broker, "S12", wind_kt=14.0, gust_kt=22.0, wind_from_deg=240.0)
    busy.at_door("L1", closed=False, latched=False, locked=False, hold_open=True, travel=1.0, access="bridge")
    busy.bundle({"airframe/passengers_aboard": 96, "airframe/differential_pressure_hpa": 0.6})
    lift(instance, busy, "R2")
    calm.send("door/CA/latched", False)
    caution = instance.wait_alert(CALM, "lock-disagree", "CA")
    taken = instance.post(f"/api/v1/alerts/{caution['alert_id']}/acknowledge", {"by": RIGHT_TO_LEFT, "reason": MARKUP})
    assert taken.status_code == 200, taken.text
    permit = {"kind": "drill", "aircraft": CALM, "doors": ["L2"], "reason": MARKUP, "by": "Mia", "minutes": 60}
    granted = instance.post("/api/v1/permits", permit)
    assert granted.status_code == 201, granted.text
    Sender(broker.url, NAMELESS).at_door("L1", closed=True)
    publish(broker.url, f"apron/v1/{SITE}/aircraft/{BUSY}/door/L1/closed", MARKUP + TURNED)
    publish(broker.url, f"apron/v1/{SITE}/aircraft/{BUSY}/door/L1/{'nothing' * 4}", '{"value": 1}')


@contextlib.contextmanager
def running_apron(folder: Path, broker: Broker) -> Iterator[RealApron]:
    """Start an instance on ``broker``, fill its apron, and keep its senders beating."""
    with running_instance(folder, broker) as instance:
        busy = arrive(instance, broker, BUSY, "S12")
        calm = arrive(instance, broker, CALM, "S14")
        beating = _Beating(busy, calm)
        beating.start()
        try:
            _crowd(instance, broker, busy, calm)
            yield RealApron(broker, instance, busy, calm)
        finally:
            beating.end()
