"""What the core writes of a simulated aircraft says so: all of it, from the first reading that says it on."""

from __future__ import annotations

import json

from monitor.core.alarm_health import Annunciation, list_stale, measure
from monitor.core.effects import PublishDoor
from monitor.core.events import PermitGranted
from monitor.core.lookahead import Branch, look_ahead
from monitor.core.permits import list_permits
from monitor.core.senders import list_senders
from monitor.core.timeline import Change, Recorded, assemble_timeline
from monitor.core.times import HOUR, SECOND
from tests.stories import ARMED, START, Story

REAL, SIMULATED = "TW-101", "TW-102"


def simulate(story: Story) -> None:
    """Have a simulator send one reading of the story's aircraft."""
    payload = {"time": story.now / SECOND, "value": False, "simulated": True}
    story.deliver(story.topic("door/L1/hold_open"), json.dumps(payload).encode())


def arrived() -> Story:
    return Story(reg=SIMULATED).baseline(beating=False)


def test_the_first_word_of_it_is_told_by_every_door() -> None:
    story = arrived()
    before = {door: document for (_, door), document in story.doors.items()}
    assert before
    assert not any((document or {}).get("simulated") for document in before.values())
    story.effects.clear()
    simulate(story)
    told = {effect.door for effect in story.effects if isinstance(effect, PublishDoor)}
    assert told == set(before)
    assert all((document or {}).get("simulated") for document in story.doors.values())
    story.effects.clear()
    simulate(story)
    assert [effect for effect in story.effects if isinstance(effect, PublishDoor)] == [], "it is told once"


def test_permits_senders_and_what_would_happen_say_it() -> None:
    story = arrived()
    story.door_bundle("L1", ARMED)
    permit = PermitGranted("drill", SIMULATED, ("L1",), (), story.now + HOUR, "Mia", "a try")
    story.step(permit)

    def told() -> list[bool]:
        documents = [
            *list_permits(story.system.record, story.now),
            *list_senders(story.system, story.now),
            look_ahead(Branch(story.system, SIMULATED, "L1", story.now)),
        ]
        assert len(documents) == 3
        return ["simulated" in document for document in documents]

    assert told() == [False, False, False]
    simulate(story)
    assert told() == [True, True, True]


def test_a_line_of_time_says_it_of_the_aircraft_and_of_each_alert() -> None:
    def change(at: int, *, simulated: bool) -> Change:
        data = {
            "alert_id": f"a{at}",
            "priority": "caution",
            "state": "unacknowledged",
            "raised_at": "2026-03-01T10:00:00.000Z",
        }
        return Change(
            START + at,
            "L1",
            "wind-limit",
            "raised",
            {**data, "text": "t", **({"simulated": True} if simulated else {})},
        )

    def draw(*changes: Change, **more: bool) -> dict[str, object]:
        return assemble_timeline(REAL, Recorded(START, START, (), changes, ()), since=START, until=START + HOUR, **more)

    assert "simulated" not in draw(change(1, simulated=False))
    assert draw(simulated=True)["simulated"] is True
    gone = draw(change(1, simulated=False), change(2, simulated=True))
    assert gone["simulated"] is True, "one that has left is told by its alerts"
    assert isinstance(gone["alerts"], list)
    assert ["simulated" in alert for alert in gone["alerts"]] == [False, True]


def test_the_figures_of_the_alarms_count_it_and_name_it() -> None:
    def tell(at: int, reg: str) -> Annunciation:
        return Annunciation(
            START + at * SECOND, reg, "L1", "wind-limit", "coordinator", "caution", simulated=reg == SIMULATED
        )

    told = [tell(at, reg) for at in range(3) for reg in (REAL, SIMULATED)]
    figures = measure(told, since=START, until=START + HOUR, roles=("coordinator",))
    for each in (figures["overall"], figures["roles"]["coordinator"]):
        assert (each["raised"], each["simulated"]) == (6, 3)
        for places in (each["chattering"]["worst"], each["worst_ten"]["alarms"]):
            assert {place["aircraft"]: place.get("simulated") for place in places} == {REAL: None, SIMULATED: True}
    alert = {"alert_id": "a", "aircraft": SIMULATED, "raised_at": "2026-03-01T10:00:00.000Z", "state": "unacknowledged"}
    [stale] = list_stale([{**alert, "simulated": True}], START + 25 * HOUR)["alerts"]
    assert stale["simulated"] is True
    [stale] = list_stale([alert], START + 25 * HOUR)["alerts"]
    assert "simulated" not in stale
