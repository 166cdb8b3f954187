"""14 CFR 25.1322, a flight-deck rule used here by analogy: what a priority asks for, and what it says.

(b) warning: immediate awareness and immediate response; caution: immediate awareness, later
response; advisory: awareness. (a)(3) removed when the condition ends. (c) prioritised,
acknowledgeable, suppressible. (e)(1, from memory) red and amber are for alerts alone, and
colour is never the only code.
"""

from __future__ import annotations

import re

import pytest

from monitor.core import readout
from tests.external.apron import Apron, Json

IMMEDIATE_S = 60.0
"""The longest that "immediate response" is taken to allow here (our choice)."""
LATER_S = 600.0

# Typed off the hazard catalogue of the design, not read from the code.
PRIORITIES: dict[tuple[str, str], set[str]] = {
    ("armed-handle-moved", "door"): {"warning", "advisory"},
    ("armed-leaf-moving", "door"): {"warning"},
    ("slide-deployed", "door"): {"warning", "advisory"},
    ("outside-opening-armed", "door"): {"warning", "advisory"},
    ("open-engine-running", "door"): {"warning", "caution"},
    ("residual-pressure", "door"): {"warning"},
    ("pressure-rising", "aircraft"): {"caution"},
    ("unguarded-drop", "door"): {"warning", "caution"},
    ("access-withdrawn", "door"): {"warning"},
    ("lock-disagree", "door"): {"caution"},
    ("girt-disagree", "door"): {"warning", "caution"},
    ("signal-stale", "door"): {"caution"},
    ("signal-stale", "aircraft"): {"caution"},
    ("signal-bad", "door"): {"caution"},
    ("signal-bad", "aircraft"): {"caution"},
    ("feed-lost", "aircraft"): {"warning", "caution"},
    ("feed-lost", "site"): {"warning"},
    ("implausible-jump", "door"): {"advisory"},
    ("clock-skew", "aircraft"): {"advisory"},
}
CATALOGUE: dict[tuple[str, str], Json] = {(r["code"], r["scope"]): r for r in readout.list_catalogue()}

COLOURS = re.compile(r"\b(?:red|amber|yellow|green|orange|blue|magenta|cyan|white|colou?r\w*)\b", re.IGNORECASE)
WORKS_A_DOOR = re.compile(
    r"(?:^|[.;:,] )(?:then |and )?"
    r"(?:re-?)?(?:open|close|shut|lock|unlock|latch|unlatch|lift|lower|arm|disarm|engage|disengage|push|pull|turn|vent)\b",
    re.IGNORECASE,
)
VERBS_FIRST = {"Stop", "Keep", "Look", "Tell", "Go", "Compare", "Move"}


@pytest.mark.parametrize(("code", "scope"), PRIORITIES)
def test_each_rule_has_the_priorities_of_the_catalogue(code: str, scope: str) -> None:
    assert set(CATALOGUE[code, scope]["priorities"]) == PRIORITIES[code, scope]


@pytest.mark.parametrize(("code", "scope"), CATALOGUE)
def test_a_rule_says_how_soon_and_in_words(code: str, scope: str) -> None:
    """(b): the higher the priority, the sooner; and the words carry it, never a colour."""
    rule = CATALOGUE[code, scope]
    assert set(rule["priorities"]) <= {"warning", "caution", "advisory"}
    assert rule["respond_within_s"] > 0
    if "warning" in rule["priorities"]:
        assert rule["respond_within_s"] <= IMMEDIATE_S
    elif "caution" in rule["priorities"]:
        assert rule["respond_within_s"] <= LATER_S
    for key in ("summary", "action", "consequence", "basis"):
        assert rule[key].strip(), key
        assert not COLOURS.search(rule[key]), key
    assert not WORKS_A_DOOR.search(rule["action"]), "the manual and the crew say how a door is worked"
    assert rule["action"].split()[0].rstrip(".") in VERBS_FIRST
    assert rule["role"] in {"coordinator", "door team", "maintenance", "ops"}


def test_the_search_for_instructions_finds_one() -> None:
    assert WORKS_A_DOOR.search("Stop. Close the door.")
    assert WORKS_A_DOOR.search("Keep clear, then disarm the slide.")
    assert not WORKS_A_DOOR.search("Stop. Keep clear of the open door. Leave the handle alone.")
    assert COLOURS.search("the red alert")


def test_the_priority_is_a_word_in_every_message() -> None:
    """Priority, code and a sentence stand in the data, so that nothing hangs on how it is drawn."""
    apron = Apron()
    apron.park(engaged=True)
    apron.send("door/L1/handle_lifted", True)
    apron.send("door/R1/outside_handle_lifted", True)
    apron.send("door/CA/locked", False)
    apron.send("door/CA/lock_flags", True)
    apron.send("door/CA/latched", False)
    apron.advance(1.5)
    by_code = {event["data"]["code"]: event["data"] for event in apron.events}
    assert {code: data["priority"] for code, data in by_code.items()} == {
        "armed-handle-moved": "warning",
        "outside-opening-armed": "advisory",
        "lock-disagree": "caution",
    }
    for data in by_code.values():
        assert not COLOURS.search(data["text"])
        assert len(data["text"].split()) > 3


def test_an_alert_is_removed_when_its_condition_ends() -> None:
    """(a)(3): a caution and an advisory at once; a warning says that it is over and waits to be seen (ISA-18.2)."""
    apron = Apron()
    apron.park(engaged=True)
    apron.door("CB", closed=False, latched=False, locked=False, handle_lifted=True, travel=0.5, access="platform")
    apron.airframe(engine_1_running=True)
    apron.send("door/R1/outside_handle_lifted", True)
    apron.send("door/L1/handle_lifted", True)
    assert apron.standing() == {
        ("CB", "open-engine-running", "unacknowledged"),
        ("R1", "outside-opening-armed", "unacknowledged"),
        ("L1", "armed-handle-moved", "unacknowledged"),
    }
    apron.airframe(engine_1_running=False)
    apron.send("door/R1/outside_handle_lifted", False)
    apron.send("door/L1/handle_lifted", False)
    assert apron.standing() == {("L1", "armed-handle-moved", "rtn_unacknowledged")}
    assert apron.told("open-engine-running") == apron.told("outside-opening-armed") == ["raised", "cleared"]


def test_a_slide_warning_comes_before_the_slide_can() -> None:
    """25.810(a)(1)(i), (ii): deployment begins before fully open and is erected within 6 s of its start, so a
    warning has to stand from the handle's first movement on, and an outside one well within 6 s."""
    apron = Apron()
    apron.park(engaged=True)
    apron.send("door/L1/handle_lifted", True)
    moved_at = apron.now
    apron.advance(0.4)
    apron.door("L1", locked=False, latched=False, closed=False, travel=0.05)
    first = apron.events[0]["data"]
    assert (first["code"], first["priority"]) == ("armed-handle-moved", "warning")
    assert apron.events[0]["time"].startswith("2026-03-01T10:00:00")
    leaf = apron.alert("armed-leaf-moving", "L1")
    assert leaf is not None
    assert leaf["priority"] == "warning"
    assert apron.now - moved_at == 400_000
    outside = Apron()
    outside.park(engaged=True)
    outside.send("door/L1/outside_handle_lifted", True)
    outside.advance(5.999)
    alert = outside.alert("outside-opening-armed", "L1")
    assert alert is not None
    assert alert["priority"] == "warning"


def test_every_high_exit_has_its_means_of_assist() -> None:
    """25.810(a): where the sill is above 6 ft (1.83 m), an exit has a slide; airstairs are their own, windows a rope."""
    site = Apron().site
    checked = 0
    for airframe in site.types.values():
        for door in airframe.doors.values():
            if door.kind == "cabin" and door.exit_type is not None and door.sill_m > 1.83:
                assert door.slide, f"{airframe.name} {door.name}"
                checked += 1
    assert checked >= 12
