"""Cases of hazards: what leads up to one, what meets it, how soon, and what ends it.

Owns the kit with which each rule is held to the same questions: raised exactly at its
delay, not just before; ended by its end; never raised on what is not known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import pytest

from monitor.core.airframe import DoorKind
from tests.stories import Story, alder, demo_site

AT: Final = 10.0
"""When a case's readings arrive, in seconds of its story."""

JUST: Final = 0.001

UNKNOWN: Final = ("bad", "uncertain", "withdrawn", "silent")


@dataclass(frozen=True)
class Case:
    """One way to meet one hazard at one place.

    ``before`` is sent at 5 s, each mapping as a bundle of its own; ``met`` at 10 s. The alert
    is expected ``delay`` seconds later with ``priority``. ``end`` ends it. ``essential``
    names the readings without which it cannot be told.
    """

    name: str
    code: str
    door: str
    priority: str
    met: Mapping[str, Any]
    delay: float
    end: Mapping[str, Any]
    essential: tuple[str, ...]
    before: tuple[Mapping[str, Any], ...] = field(default=())
    type: str = "alder"

    def __str__(self) -> str:
        return self.name

    def prepare(self) -> Story:
        story = alder(type=self.type)
        for number, readings in enumerate(self.before):
            story.bundle(readings, at=5 + number / 10)
        return story

    def meet(self) -> Story:
        story = self.prepare()
        story.bundle(self.met, at=AT)
        return story


def at_door(door: str, *parts: Mapping[str, Any], **more: Any) -> dict[str, Any]:
    """Readings of one door, as a bundle names them."""
    readings: dict[str, Any] = {}
    for part in (*parts, more):
        readings.update({f"door/{door}/{signal}": value for signal, value in part.items()})
    return readings


def check_raised_exactly_at_its_delay(case: Case) -> None:
    story = case.prepare()
    assert story.told(case.code, case.door) == []
    story.bundle(case.met, at=AT)
    if case.delay:
        story.until(AT + case.delay - JUST)
        higher = [e for e in story.told(case.code, case.door) if e.priority == case.priority]
        assert higher == []
        story.until(AT + case.delay)
    (raised,) = [e for e in story.told(case.code, case.door) if e.priority == case.priority]
    assert (raised.at, raised.state) == (AT + case.delay, "unacknowledged")
    assert raised.type == ("raised" if len(story.told(case.code, case.door)) == 1 else "reprioritised")
    check_document(story, case)


def check_document(story: Story, case: Case) -> None:
    """The data of an alert, as the wire contract lists it."""
    document = story.alert(case.code, case.door)
    assert document is not None
    listed = "alert_id code priority state site aircraft stand door raised_at changed_at text action consequence evidence basis"
    assert set(listed.split()) <= set(document)
    assert (document["site"], document["aircraft"], document["stand"]) == ("tarnwick", story.reg, "S12")
    assert (document["code"], document["door"], document["priority"]) == (case.code, case.door, case.priority)
    assert document["text"].endswith(".")
    if case.door != "-":
        assert document["text"].startswith(f"{case.door}: ")


def check_not_raised_where_it_ends_before_its_delay(case: Case) -> None:
    story = case.meet()
    lower = len(story.told(case.code, case.door))
    story.bundle(case.end, at=AT + case.delay - JUST)
    story.until(AT + case.delay + 300)
    assert [e for e in story.told(case.code, case.door)[lower:] if e.type != "cleared"] == []


def check_cleared_by_its_end(case: Case) -> None:
    story = case.meet()
    story.until(AT + case.delay + 1)
    story.bundle(case.end)
    last = story.told(case.code, case.door)[-1]
    assert (last.type, last.at) == ("cleared", AT + case.delay + 1)
    waits = case.priority == "warning" or case.code == "slide-deployed"
    assert last.state == ("rtn_unacknowledged" if waits else "normal")
    assert (story.alert(case.code, case.door) is not None) is waits


def each_unknown_input(cases: Sequence[Case], hows: Sequence[str] = UNKNOWN) -> pytest.MarkDecorator:
    """Ask a test of each ``case``, with each ``signal`` it cannot be told without, and ``how`` that is not known."""
    asked = [(case, signal, how) for case in cases for signal in case.essential for how in hows]
    assert asked
    assert set(hows) <= set(UNKNOWN)
    return pytest.mark.parametrize(("case", "signal", "how"), asked, ids=str)


def check_never_raised_on_what_is_not_known(case: Case, signal: str, how: str) -> None:
    story = case.prepare()
    value = case.met.get(signal, story.value(signal))
    met = {path: given for path, given in case.met.items() if path != signal}
    if how == "silent":
        # A door's own heartbeat that stopped leaves its readings stale; an airframe signal just is not there.
        if signal.startswith("door/"):
            story.send(f"{signal.rpartition('/')[0]}/heartbeat", 1, at=6)
            story.until(40)
        else:
            story.withdraw(signal, at=6)
    elif how == "withdrawn":
        story.withdraw(signal, at=6)
    else:
        story.send(signal, value, at=6, quality=how)
    if met:
        story.bundle(met, at=max(AT, story.clock))
    story.until(story.clock + case.delay + 150)
    assert [e for e in story.told(case.code, case.door) if e.priority == case.priority] == []


def one_of_each_kind() -> list[tuple[DoorKind, str, str]]:
    """(kind, type, door) for each kind of door, from the shipped types."""
    found: dict[DoorKind, tuple[str, str]] = {}
    for name, airframe in demo_site().types.items():
        for door in airframe.doors.values():
            found.setdefault(door.kind, (name, door.name))
    return [(kind, *place) for kind, place in found.items()]
