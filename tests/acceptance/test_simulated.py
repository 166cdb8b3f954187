"""A simulated aircraft beside a real one: whatever speaks of the first says so, and nothing says it of the other.

Every address that anybody may read is asked, so that one that is new is looked at too; so is everything that
stands on the broker.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any, Final

import pytest

from monitor.adapters.web.rights import RIGHTS, Right
from tests.acceptance.clients import Sender, publish, read_retained
from tests.acceptance.conftest import Live
from tests.acceptance.programs import SITE, until
from tests.stories import ARMED, demo_site

pytestmark = pytest.mark.broker

REPORT_S: Final = 120.0
_ENDLESS: Final = "/api/v1/stream"
_NAMING: Final = ("aircraft", "subject", "topic")
"""The keys under which a document names what it speaks of."""
_READABLE: Final = frozenset({Right.OPEN, Right.READ, Right.ADMINISTER})


def names(document: dict[str, Any], reg: str) -> bool:
    """Tell whether a document itself, and not what is in it, speaks of an aircraft."""
    told = (document.get(key) for key in _NAMING)
    return any(isinstance(word, str) and reg in re.split("[/ ]", word) for word in told)


def flags(document: dict[str, Any]) -> bool:
    """Tell whether a document says that it is simulated; an event says it in its alert."""
    inner = document.get("data")
    return document.get("simulated") is True or (isinstance(inner, dict) and inner.get("simulated") is True)


def speaking_of(found: Any, reg: str, path: str = "", *, told: bool = False) -> Iterator[tuple[str, bool]]:
    """Every document that speaks of an aircraft, by its place, with whether it or the one around it says so."""
    if isinstance(found, list):
        for each in found:
            yield from speaking_of(each, reg, path, told=told)
    elif isinstance(found, dict):
        if names(found, reg):
            told = told or flags(found)
            yield path, told
        for key, value in found.items():
            yield from speaking_of(value, reg, f"{path}.{key}", told=told)


def list_addresses(reg: str, drill: str) -> Iterator[str]:
    """Every address that can be read of, filled in for one aircraft."""
    for (method, pattern), right in RIGHTS.items():
        if method != "GET" or right not in _READABLE or not pattern.startswith("/api/v1/") or pattern == _ENDLESS:
            continue
        address = pattern.replace("{reg}", reg).replace("{door}", "L1").replace("{word}", "not-found")
        if address == "/api/v1/debrief":
            yield f"{address}?aircraft={reg}"
            yield f"{address}?drill={drill}"
        elif address == "/api/v1/debrief/compare":
            yield f"{address}?drill={drill}&with={drill}"
        else:
            yield address


def lift(live: Live, sender: Sender, **more: Any) -> str:
    """Have an armed door's handle lifted, and then a drill run there; the drill's id."""
    sender.bundle({f"door/L1/{name}": value for name, value in ARMED.items()}, **more)
    live.instance.wait_door(sender.reg, "L1", "armed")
    sender.send("door/L1/handle_lifted", True, **more)
    live.instance.wait_alert(sender.reg, "armed-handle-moved", "L1")
    permit = {"kind": "drill", "aircraft": sender.reg, "doors": ["L1"], "reason": "a try", "by": "Mia", "minutes": 60}
    granted = live.instance.post("/api/v1/permits", permit)
    assert granted.status_code == 201, granted.text
    publish(live.url, f"apron/v1/{SITE}/aircraft/{sender.reg}/door/L1/closed", "no JSON at all")
    return str(granted.json()["permit_id"])


def test_whatever_speaks_of_a_simulated_aircraft_says_so(live_mosquitto: Live) -> None:
    live = live_mosquitto
    real, simulated = live.arrived(), live.arrived()
    lift(live, real)
    drill = lift(live, simulated, simulated=True)
    until(lambda: live.instance.get("/api/v1/quarantine").text.count(simulated.reg), "the message that cannot be used")
    seen: set[str] = set()
    for address in list_addresses(simulated.reg, drill):
        # A report is made first, in the background.
        answer = live.instance.http.get(address, timeout=REPORT_S)
        if answer.status_code == 404 or "json" not in answer.headers["content-type"]:
            continue
        assert answer.status_code == 200, (address, answer.text)
        document = answer.json()
        spoken = list(speaking_of(document, simulated.reg))
        assert [path for path, told in spoken if not told] == [], address
        assert [path for path, told in speaking_of(document, real.reg) if told] == [], address
        if spoken:
            seen.add(address.partition("?")[0].replace(simulated.reg, "REG"))
    expected = {
        "aircraft",
        "aircraft/REG",
        "aircraft/REG/curves",
        "aircraft/REG/doors/L1/look-ahead",
        "aircraft/REG/timeline",
    }
    expected |= {
        "aircraft/REG/watched",
        "alerts",
        "audit",
        "debrief",
        "drills",
        "handover",
        "health",
        "history",
    }
    expected |= {"permits", "quarantine"}
    assert {f"/api/v1/{word}" for word in expected} - seen == set()


def test_whatever_stands_on_the_broker_of_a_simulated_aircraft_says_so(live_mosquitto: Live) -> None:
    live = live_mosquitto
    real, simulated = live.arrived(), live.arrived()
    lift(live, real)
    lift(live, simulated, simulated=True)

    def documents(reg: str) -> dict[str, Any]:
        retained = read_retained(live.url, live.folder, "sillwatch/v1/#")
        return {topic: seen.json for topic, seen in retained.items() if reg in topic.split("/")}

    doors = set(demo_site().types["alder"].doors)
    until(
        lambda: all(document.get("simulated") for document in documents(simulated.reg).values()),
        lambda: f"unflagged: {[topic for topic, d in documents(simulated.reg).items() if not d.get('simulated')]}",
    )
    found = documents(simulated.reg)
    kinds = {topic.split("/")[2] for topic in found}
    assert {"door", "active", "readiness"} <= kinds
    assert {topic.rsplit("/", 1)[1] for topic in found if topic.split("/")[2] == "door"} == doors
    assert [topic for topic, document in documents(real.reg).items() if "simulated" in json.dumps(document)] == []


def test_a_scrape_says_how_many_are_simulated(live_mosquitto: Live) -> None:
    live = live_mosquitto
    before = live.instance.counter("sillwatch_aircraft_simulated")
    lift(live, live.arrived(), simulated=True)
    assert live.instance.counter("sillwatch_aircraft_simulated") == before + 1
    assert live.instance.counter("sillwatch_active_alerts_simulated") >= 1
