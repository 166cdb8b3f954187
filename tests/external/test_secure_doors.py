"""14 CFR 25.783 (CS 25.783 runs parallel), exhaustively, through the wire.

(e)(1) secure is fully closed, latched and locked together, never inferred from one; (e)(3)
no single bad or stale reading may yield "secure"; (c) also after any single failure;
(d)(5, from memory) locked requires latched; (d)(6) latches are not released while locked.

Owns its own idea of what each combination means; it imports neither the door table nor a rule.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations, product
from typing import Any

import pytest

from tests.external.apron import CABIN, DISENGAGED, ENGAGED, HEALTHY, Apron, Json, alder_door, site_with

SECURE_WORDS = {"closed_locked", "armed"}
UNKNOWN = ("uncertain", "bad", "withdrawn")
AT_REST: Json = {
    "closed": True,
    "latched": True,
    "locked": True,
    "handle_lifted": False,
    "outside_handle_lifted": False,
}
"""The value of each that speaks for "secure"."""


def one_door(name: str = "L1") -> Apron:
    apron = Apron(site_with(alder_door(name)))
    apron.send("airframe/type", "alder")
    return apron


class Sensors:
    """Sets a door's readings to values, qualities or nothing, in one bundle where it can."""

    def __init__(self, apron: Apron, door: str) -> None:
        self.apron = apron
        self.door = door
        self.withdrawn: set[str] = set()

    def set(self, readings: dict[str, Any], rest: Json) -> str:
        """Set each signal to ``True``, ``False``, a number, or an unknown sort of its ``rest`` value."""
        together: Json = {}
        for signal, value in readings.items():
            if value == "withdrawn":
                if signal not in self.withdrawn:
                    self.apron.withdraw(f"door/{self.door}/{signal}")
                    self.withdrawn.add(signal)
                continue
            self.withdrawn.discard(signal)
            together[signal] = {"value": rest[signal], "quality": value} if value in UNKNOWN[:2] else value
        self.apron.now += 1_000
        if together:
            self.apron.door(self.door, **together)
        return self.apron.state(self.door)


def expected_lock(readings: dict[str, Any]) -> str:
    """What a slide-less reader of 25.783(e) makes of the five, with the hold-open lock home."""
    known = {signal: value for signal, value in readings.items() if value in (True, False)}
    if "closed" not in known:
        return "unknown"
    if known["closed"] is False:
        return "ajar"
    if any(known.get(signal) is not at_rest for signal, at_rest in AT_REST.items() if signal in known):
        return "unlocked"
    return "closed_locked" if len(known) == len(AT_REST) else "unknown"


def test_secure_is_closed_latched_and_locked_in_every_combination(tell: Callable[[str], None]) -> None:
    """(e)(1): every combination of the five, each true, false, uncertain, bad or withdrawn."""
    apron = one_door()
    sensors = Sensors(apron, "L1")
    sensors.set(dict(CABIN), CABIN)
    wrong: list[str] = []
    count = 0
    for values in product((True, False, *UNKNOWN), repeat=len(AT_REST)):
        readings = dict(zip(AT_REST, values, strict=True))
        seen, expected = sensors.set(readings, AT_REST), expected_lock(readings)
        count += 1
        if seen != expected:
            wrong.append(f"{readings}: {seen}, not {expected}")
        apron.effects.clear()
        apron.sent.clear()
        apron.events.clear()
    tell(f"25.783 {count} combinations")
    assert count == 5**5
    assert wrong == []


def test_a_slide_that_may_be_engaged_is_never_called_disengaged() -> None:
    """Every combination of lever and girt ends: one that says engaged is enough, one that is unknown leaves it open."""
    sensors = Sensors(one_door(), "L1")
    sensors.set(dict(CABIN), CABIN)
    wrong: list[str] = []
    for handle in (False, True):
        for values in product((True, False, "uncertain", "withdrawn"), repeat=3):
            readings = {"handle_lifted": handle, **dict(zip(DISENGAGED, values, strict=True))}
            seen = sensors.set(readings, DISENGAGED)
            if True in values:
                expected = "armed_unlocked" if handle else "armed"
            elif values == (False, False, False):
                expected = "unlocked" if handle else "closed_locked"
            else:
                expected = "unknown"
            if seen != expected:
                wrong.append(f"{readings}: {seen}, not {expected}")
    assert wrong == []


def test_a_leaf_that_may_be_out_is_never_called_secure() -> None:
    """Frame switch, hold-open lock and travel in every combination, contradictions taken the dangerous way."""
    sensors = Sensors(one_door(), "L1")
    sensors.set(dict(CABIN), CABIN)
    rest = {**CABIN, "closed": True}
    wrong: list[str] = []
    for closed, held, travel, engaged in product(
        (True, False, *UNKNOWN), (True, False, *UNKNOWN), (0.0, 0.5, 0.51, 1.0, *UNKNOWN), (True, False)
    ):
        slide = ENGAGED if engaged else DISENGAGED
        seen = sensors.set({"closed": closed, "hold_open": held, "travel": travel, **slide}, rest)
        contradicted = held is True or (isinstance(travel, float) and travel > 0.5)
        secure = closed is True and not contradicted
        if (seen in SECURE_WORDS) is not secure:
            wrong.append(f"closed {closed}, hold_open {held}, travel {travel}, engaged {engaged}: {seen}")
        if secure and seen != ("armed" if engaged else "closed_locked"):
            wrong.append(f"engaged {engaged}: {seen}")
    assert wrong == []


@pytest.mark.parametrize("stale", [s for n in (1, 2, 5) for s in combinations(AT_REST, n)], ids="+".join)
def test_a_stale_reading_yields_no_secure(stale: tuple[str, ...]) -> None:
    """(e)(3): without a heartbeat each reading counts for 30 s, and the others do not stand in for it."""
    apron = one_door()
    apron.door("L1", **CABIN)
    assert apron.state("L1") == "closed_locked"
    apron.advance(29.9)
    apron.door("L1", **{signal: value for signal, value in CABIN.items() if signal not in stale})
    assert apron.state("L1") == "closed_locked"
    apron.advance(0.1)
    assert apron.state("L1") == "unknown"
    apron.door("L1", **{signal: AT_REST[signal] for signal in stale})
    assert apron.state("L1") == "closed_locked"


def test_a_heartbeat_that_stands_still_yields_no_secure() -> None:
    """(e)(3): the whole sender freezes with everything secure; it goes on sending the same count."""
    apron = Apron()
    apron.park()
    apron.live(20)
    assert apron.state("L1") == "closed_locked"
    for _ in range(6):
        apron.advance(5.0)
        apron.send("airframe/heartbeat", 5)
        apron.send("door/L1/closed", True)
    assert {apron.state(door) for door in ("L1", "R2", "CF", "H1", "OL1")} == {"unknown"}


# What each kind of door passes through as it is opened, in physical order: from its first
# step off secure, at least two readings say so.
OPENING: dict[str, list[Json]] = {
    "L1": [
        {"handle_lifted": True, "locked": False},
        {"handle_lifted": True, "locked": False, "latched": False},
        {"handle_lifted": True, "locked": False, "latched": False, "closed": False, "travel": 0.1},
        {"handle_lifted": True, "locked": False, "latched": False, "closed": False, "travel": 1.0, "hold_open": True},
    ],
    "CF": [
        {"handle_lifted": True, "locked": False, "lock_flags": False},
        {"handle_lifted": True, "locked": False, "lock_flags": False, "latched": False},
        {"handle_lifted": True, "locked": False, "lock_flags": False, "latched": False, "closed": False, "travel": 1.0},
    ],
    "CB": [
        {"handle_lifted": True, "locked": False},
        {"handle_lifted": True, "locked": False, "latched": False, "closed": False, "travel": 0.4},
    ],
    "H1": [
        {"handle_lifted": True, "locked": False},
        {"handle_lifted": True, "locked": False, "latched": False, "closed": False},
    ],
    "WL": [
        {"handle_lifted": True, "locked": False},
        {"handle_lifted": True, "locked": False, "latched": False, "closed": False, "travel": 1.0},
    ],
    "OL1": [
        {"handle_lifted": True, "locked": False},
        {"handle_lifted": True, "locked": False, "latched": False, "closed": False},
    ],
}


@pytest.mark.parametrize("door", OPENING)
def test_no_single_failure_makes_an_open_or_unlocked_door_secure(door: str) -> None:
    """(c), (e)(3): each reading of each step stuck at its secure value, uncertain, bad or withdrawn."""
    kind = alder_door(door).kind
    rest = {s: v for s, v in HEALTHY[kind].items() if s in alder_door(door).signals}
    sensors = Sensors(one_door(door), door)
    secure = sensors.set(dict(rest), rest)
    assert secure in SECURE_WORDS
    tried = 0
    for step in OPENING[door]:
        for failing in rest:
            for failure in (rest[failing], *UNKNOWN):
                seen = sensors.set({**rest, **step, failing: failure}, rest)
                assert seen not in SECURE_WORDS, f"{step} with {failing} {failure}"
                tried += 1
    assert tried == len(OPENING[door]) * len(rest) * 4
    assert sensors.set(dict(rest), rest) == secure


def completions(readings: dict[str, Any]) -> list[dict[str, bool]]:
    """Every way in which the unknown readings could be filled in."""
    unknown = [signal for signal, value in readings.items() if value not in (True, False)]
    return [
        {**readings, **dict(zip(unknown, filled, strict=True))}
        for filled in product((True, False), repeat=len(unknown))
    ]


def cannot_be(locks: dict[str, bool]) -> bool:
    """(d)(5): locked needs latched, both need closed, engaged cams need latched."""
    closed, latched, locked, flags = (locks[name] for name in ("closed", "latched", "locked", "lock_flags"))
    return (locked and not latched) or ((locked or latched) and not closed) or (flags and not latched)


def test_locks_that_contradict_one_another_are_told_and_no_others() -> None:
    """(d)(5): a combination that cannot be raises ``lock-disagree`` after 1 s; one that can be never does."""
    names = ("closed", "latched", "locked", "lock_flags")
    rest = HEALTHY["cargo"]
    raised = 0
    for values in product((True, False, "bad", "withdrawn"), repeat=len(names)):
        readings = dict(zip(names, values, strict=True))
        apron = one_door("CF")
        sensors = Sensors(apron, "CF")
        sensors.set(dict(rest), rest)
        sensors.set(readings, rest)
        apron.advance(0.999)
        assert apron.alert("lock-disagree", "CF") is None, readings
        apron.advance(0.001)
        told = apron.alert("lock-disagree", "CF") is not None
        raised += told
        possible = [cannot_be(filled) for filled in completions(readings)]
        assert not told or all(possible), readings
        if len(possible) == 1:
            assert told is possible[0], readings
    assert 0 < raised < 4**4


def test_a_latch_released_while_locked_is_a_contradiction() -> None:
    """(d)(6): the way out of secure leads over unlocked; latched must not go first."""
    apron = one_door("R1")
    apron.door("R1", **CABIN)
    apron.send("door/R1/latched", False)
    assert apron.state("R1") == "unlocked"
    apron.advance(1.0)
    alert = apron.alert("lock-disagree", "R1")
    assert alert is not None
    assert alert["priority"] == "caution"
    assert {item["signal"]: item["value"] for item in alert["evidence"]} == {
        "door/R1/closed": True,
        "door/R1/latched": False,
        "door/R1/locked": True,
    }
    apron.send("door/R1/locked", False)
    assert apron.alert("lock-disagree", "R1") is None
