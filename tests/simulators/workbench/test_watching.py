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


NOTHING: dict[str, Any] = {"heard": False, "doors": {}, "alerts": [], "runs": {}}
DOOR = "sillwatch/v1/door/tarnwick/ZZ-RIG/L1"
ALERT = "sillwatch/v1/active/tarnwick/ZZ-RIG/L1/armed-handle-moved"
RUN = "sillwatch/v1/procedure/tarnwick/ZZ-RIG/L1"
STATUS = "sillwatch/v1/status/here"


def test_a_monitor_is_heard_while_it_is_online() -> None:
    told = Told()
    assert told.watch.describe() == NOTHING
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


def _caution(number: int) -> dict[str, Any]:
    return {"code": f"code-{number}", "text": "x" * 5000, "priority": "caution"}


def test_an_alert_is_no_longer_than_a_page_can_show() -> None:
    told = Told()
    for number in range(80):
        told.take(f"sillwatch/v1/active/tarnwick/ZZ-RIG/L1/code-{number}", _caution(number))
    told.take(ALERT, {"priority": "warning"})
    alerts = told.watch.describe()["alerts"]
    assert len(alerts) == 50
    assert alerts[0]["priority"] == "warning", "what is left out is the least urgent and the oldest"
    assert alerts[1]["code"] == "code-79"
    assert {len(alert["text"]) for alert in alerts[1:]} == {500}


def test_a_lost_broker_is_a_monitor_that_is_not_heard() -> None:
    told = Told()
    told.take(STATUS, {"state": "online"})
    told.take(DOOR, {"state": "open"})
    told.watch.forget()
    assert told.watch.describe() == NOTHING


def test_a_run_of_a_procedure_is_shortened_to_what_is_due_and_what_went_wrong() -> None:
    told = Told()
    steps = [
        {"step": "a", "text": "Lever at disarmed", "state": "skipped"},
        {"step": "b", "text": "Lift the handle", "state": "taken"},
        {"step": "c", "text": "Push the door out", "state": "too-slow"},
        {"step": "d", "text": "Push it all the way", "state": "due"},
        {"step": "e", "text": "Hold it", "state": "waiting"},
        {"step": "f", "text": "Look", "state": "cannot-tell"},
    ]
    broken = [{"rule": "r", "text": "The lever was moved", "at": "2026-03-01T10:00:00Z"}]
    document = {"run_id": "1", "title": "Opening from inside", "state": "running", "steps": steps, "forbidden": broken}
    document["unseen"] = [{"rule": "s", "text": "The handle was lifted"}]
    assert told.take(RUN, document)["runs"] == {
        "L1": {
            "run_id": "1",
            "title": "Opening from inside",
            "state": "running",
            "done": 2,
            "of": 6,
            "due": ["Push it all the way"],
            "troubles": [
                {"what": "skipped", "text": "Lever at disarmed"},
                {"what": "too-slow", "text": "Push the door out"},
                {"what": "cannot-tell", "text": "Look"},
                {"what": "forbidden", "text": "The lever was moved"},
                {"what": "unseen", "text": "The handle was lifted"},
            ],
        }
    }
    assert told.take(RUN, None)["runs"] == {}


DEEP = b"[" * 1000 + b"]" * 1000


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        (DOOR, b'{"state": "open", "slide": ' + DEEP + b"}"),
        (ALERT, b'{"priority": "warning", "text": ' + DEEP + b"}"),
        (RUN, b'{"title": ' + DEEP + b', "steps": [1, {"state": {}}], "forbidden": "all"}'),
    ],
)
def test_a_strange_document_ends_no_bench(topic: str, payload: bytes) -> None:
    """What lies retained at a broker may be anybody's: it is shown as far as it is of the contract."""
    told = Told()
    told.watch.take(topic, payload)
    shown = told.watch.describe()
    assert shown["doors"] or shown["alerts"] or shown["runs"]
    assert len(orjson.dumps(shown)) < 1000


def test_an_alert_of_no_known_urgency_is_shown_as_the_most_urgent() -> None:
    [alert] = Told().take(ALERT, {"priority": "calm", "door": "L9"})["alerts"]
    assert (alert["priority"], alert["door"]) == ("warning", "L1")


def test_what_is_kept_has_a_bound() -> None:
    told = Told()
    for number in range(1000):
        shown = told.take(f"sillwatch/v1/door/tarnwick/ZZ-RIG/D{number}", {"state": "open"})
    assert len(shown["doors"]) == 200
