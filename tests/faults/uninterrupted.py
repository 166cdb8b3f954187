"""What a monitor that nobody killed would have said: the same inputs through the core in one go.

Owns the run to compare with. Its clock is the senders' stamps; it knows no broker, no
journal and no restart.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, NamedTuple

from monitor.core import readout
from monitor.core.effects import Effect, PublishEvent
from monitor.core.events import BrokerConnected, MonitorStarted
from monitor.core.system import System
from monitor.core.times import SECOND
from monitor.engine import take_event, take_message
from monitor.ports import Message
from tests.faults.load import Sent
from tests.stories import codec, demo_site

SETTLE_US: Final = 5 * SECOND
"""After the last message, until every delay that ran has run out."""

Place = tuple[str, str, str]
"""Aircraft, door and code."""


class Picture(NamedTuple):
    """How it all stands in the end: each door's state and slide, each alert's id, state and priority."""

    doors: dict[tuple[str, str], tuple[str, str]]
    alerts: dict[Place, tuple[str, str, str]]


class Run(NamedTuple):
    """A run's events, in order, and its end."""

    events: list[PublishEvent]
    end: Picture

    def ids(self, codes: tuple[str, ...]) -> set[str]:
        """The ids of the events under the codes, but for those that a backlog's end would tell once more."""
        return {event.id for event in self.events if event.code in codes and event.type != "reraised"}


def run_through(messages: Iterable[Sent], aircraft: Iterable[str]) -> Run:
    """Play the messages at their stamps and wait for what falls due."""
    system, wire = System(demo_site()), codec()
    effects: list[Effect] = []
    now = 0
    for sent in messages:
        if now == 0:
            effects += take_event(system, MonitorStarted(), sent.at)
            effects += take_event(system, BrokerConnected(), sent.at)
        now = sent.at
        effects += take_message(system, wire, Message(sent.topic, sent.payload, False), now)[1]
    now += SETTLE_US
    effects += system.advance(now)
    doors = {
        (reg, name): (document["state"], document["slide"])
        for reg in aircraft
        for name, document in readout.describe_doors(system, reg, now).items()
    }
    alerts = {
        (alert["aircraft"], alert["door"], alert["code"]): (alert["alert_id"], alert["state"], alert["priority"])
        for alert in readout.list_alerts(system, now)
    }
    return Run([effect for effect in effects if isinstance(effect, PublishEvent)], Picture(doors, alerts))
