"""One turnaround told at five moments, each with what the API answers: a part of the README.

Owns the story. The answers are the program's own, asked of the core as the API asks it, so
that the README cannot say what the program does not.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from monitor.core import readout
from monitor.core.lookahead import Branch, look_ahead
from tests.stories import ARMED, DISARMED, LOCKED, PRESSURE, UNLOCKED, Story

CABIN = ("L1", "R1", "L2", "R2")


def _ask(story: Story) -> dict[str, Any]:
    document = readout.describe_aircraft(story.system, story.reg, story.now)
    if document is None:
        raise RuntimeError("the aircraft of the story is not known")
    return document


def _answer(question: str, answer: dict[str, Any]) -> str:
    reasons = [condition["text"] for condition in answer["conditions"] if condition["met"] is not True]
    verdict = answer["verdict"]
    if not reasons:
        return f"- {question}: **{verdict}**."
    return f"- {question}: **{verdict}**: {'; '.join(reasons)}."


def _weather(story: Story) -> None:
    story.send("stand/S12/wind_kt", 14.0)
    story.send("stand/S12/gust_kt", 19.0)


def tell_turnaround() -> str:
    """Tell the five moments as Markdown."""
    story = Story(reg="ZZ-KAT").baseline().until(1.0)
    told: list[str] = []

    # 1. Just in: engines off, slides engaged, the cabin still venting.
    for door in CABIN:
        story.door_bundle(door, ARMED)
    story.bundle({"airframe/passengers_aboard": 121})
    story.send(PRESSURE, 9.6)
    root = 3.1
    for second in range(8):
        story.send(PRESSURE, round(root * root, 2), at=20.0 + second)
        root -= 0.09
    _weather(story)
    document = _ask(story)
    told += ["**1. On stand, engines off, slides engaged, the cabin still venting.**", ""]
    told += [_answer("open L1", document["readiness"]["doors"]["L1"])]
    told += [f"- pressure: {document['pressure']['sentence']}", ""]

    # 2. Vented, slides disengaged, stairs at L1.
    story.send(PRESSURE, 0.1, at=60.0)
    for door in CABIN:
        story.door_bundle(door, DISARMED)
    story.door_bundle("L1", {"access": "stairs"}, at=70.0)
    _weather(story)
    document = _ask(story)
    told += ["**2. Vented, slides disengaged, stairs at L1.**", ""]
    told += [
        _answer("open L1", document["readiness"]["doors"]["L1"]),
        _answer("open R1", document["readiness"]["doors"]["R1"]),
        "",
    ]

    # 3. L1 open on the stairs; what if the stairs went?
    story.door_bundle("L1", UNLOCKED, at=80.0)
    story.door_bundle("L1", {"closed": False, "travel": 0.3})
    story.door_bundle("L1", {"travel": 1.0, "hold_open": True}, at=84.0)
    _weather(story)
    ahead = look_ahead(Branch(story.system, story.reg, "L1", story.now))
    (withdrawn,) = [action for action in ahead["actions"] if action["action"] == "withdraw-access"]
    told += ["**3. L1 open. The look-ahead is asked what withdrawing the stairs would lead to.**", ""]
    told += [
        f"- after {alert['after_s']:g} s, {alert['priority']} `{alert['code']}`: {alert['text']} {alert['action']}"
        for alert in withdrawn["alerts"]
    ]
    told += [""]

    # 4. Refuelling with people aboard.
    document = _ask(story)
    told += ["**4. People still aboard, and fuel is to be taken.**", ""]
    told += [_answer("refuel with people aboard", document["readiness"]["refuel"])]
    told += [f"- exits: {document['exits']['sentence']}", ""]

    # 5. About to leave; one girt-bar end has gone silent.
    story.door_bundle("L1", {"hold_open": False, "travel": 0.9}, at=900.0)
    story.door_bundle("L1", {"closed": True, "travel": 0.0}, at=904.0)
    story.door_bundle("L1", LOCKED, at=905.0)
    story.door_bundle("L1", {"access": "none"}, at=930.0)
    for door in CABIN:
        story.door_bundle(door, ARMED)
    story.send("door/R2/girt_right", True, quality="bad", at=960.0)
    story.until(962.0)
    _weather(story)
    document = _ask(story)
    told += ["**5. Doors closed, slides engaged; the right girt-bar end of R2 reads bad.**", ""]
    told += [_answer("leave", document["readiness"]["leave"])]
    told += ["- deaf to, at R2: " + ", ".join(sorted({d["code"] for d in document["doors"]["R2"]["deaf_to"]})) + "."]
    return "\n".join(told)


if __name__ == "__main__":
    print(tell_turnaround())
