"""What the bench reads of a monitor: retained outputs of the contract, and nothing else."""

from __future__ import annotations

from typing import Any

import orjson
import pytest

from simulators.workbench.watching import Watch


class Told:
    """A watch, and how often it said that something is another."""

    def __init__(self) -> None:
        self.changes = 0
        self.watch = Watch("tarnwick", "ZZ-RIG", self._count)

    def _count(self) -> None:
        self.changes += 1

    def take(self, topic: str, document: dict[str, Any] | None) -> dict[str, Any]:
        self.watch.take(topic, b"" if document is None else orjson.dumps(document))
        return self.watch.describe()


DOOR = "sillwatch/v1/door/tarnwick/ZZ-RIG/L1"
ALERT = "sillwatch/v1/active/tarnwick/ZZ-RIG/L1/armed-handle-moved"
STATUS = "sillwatch/v1/status/here"


def test_a_monitor_is_heard_while_it_is_online() -> None:
    told = Told()
    assert told.watch.describe() == {"heard": False, "doors": {}, "alerts": []}
    assert told.take(STATUS, {"state": "online"})["heard"]
    assert not told.take(STATUS, {"state": "offline"})["heard"]


def test_states_and_alerts_come_and_go() -> None:
    told = Told()
    shown = told.take(DOOR, {"state": "armed", "slide": "engaged", "quality": "good", "evidence": []})
    assert shown["doors"] == {"L1": {"state": "armed", "slide": "engaged", "quality": "good"}}
    alert = {"alert_id": "a", "code": "armed-handle-moved", "door": "L1", "priority": "warning", "text": "moved"}
    assert told.take(ALERT, alert)["alerts"] == [{**alert, "state": "", "action": ""}]
    assert told.take(ALERT, None)["alerts"] == []
    assert told.take(DOOR, None)["doors"] == {}
    assert told.changes == 4


@pytest.mark.parametrize(
    "topic",
    [
        "sillwatch/v1/door/tarnwick/ZZ-KAT/L1",
        "sillwatch/v1/door/elsewhere/ZZ-RIG/L1",
        "sillwatch/v1/active/tarnwick/ZZ-RIG/L1",
        "sillwatch/v1/event/tarnwick/ZZ-RIG/L1/x",
    ],
)
def test_what_is_of_no_concern_is_passed_over(topic: str) -> None:
    shown = Told().take(topic, {"state": "open"})
    assert (shown["doors"], shown["alerts"]) == ({}, [])


@pytest.mark.parametrize("payload", [b"{", b"[]", b"7", b"\xff"])
def test_what_is_no_document_changes_nothing(payload: bytes) -> None:
    told = Told()
    told.watch.take(DOOR, payload)
    assert told.watch.describe()["doors"] == {}


def test_an_alert_is_no_longer_than_a_page_can_show() -> None:
    told = Told()
    for number in range(80):
        told.take(f"sillwatch/v1/active/tarnwick/ZZ-RIG/L1/code-{number}", {"text": "x" * 5000})
    alerts = told.watch.describe()["alerts"]
    assert len(alerts) == 50
    assert {len(alert["text"]) for alert in alerts} == {500}


def test_a_lost_broker_is_a_monitor_that_is_not_heard() -> None:
    told = Told()
    told.take(STATUS, {"state": "online"})
    told.take(DOOR, {"state": "open"})
    told.watch.forget()
    assert told.watch.describe() == {"heard": False, "doors": {}, "alerts": []}
