"""A start under another configuration: what nobody judges any more does not go on standing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import pytest

from monitor.core import readout, snapshot
from monitor.core.airframe import DoorType, Site
from monitor.core.deaf import why_unknown
from monitor.core.effects import Effect, NoteDeafness, NoteState, PublishReadiness, RejectInput
from monitor.core.events import BrokerConnected, MonitorStarted, PermitGranted
from monitor.core.system import System
from monitor.core.times import HOUR, MINUTE
from monitor.engine import take_event
from tests.core.rule_cases import at_door
from tests.stories import ARMED, REG, Story, alder, demo_site

DOWN_S: Final = 15 * 60.0
HANDLE: Final = ("armed-handle-moved", "L1")


def without_type(name: str = "alder") -> Site:
    site = demo_site()
    return replace(site, types={kind: airframe for kind, airframe in site.types.items() if kind != name})


def with_doors(doors: Mapping[str, DoorType], **more: Any) -> Site:
    site = demo_site()
    return replace(site, types={**site.types, "alder": replace(site.types["alder"], doors=doors)}, **more)


def all_but(*gone: str) -> dict[str, DoorType]:
    return {name: door for name, door in demo_site().types["alder"].doors.items() if name not in gone}


def warned() -> Story:
    """L1 armed with its handle moved, which is a warning; the service stopped a minute later."""
    story = alder()
    story.bundle(at_door("L1", ARMED), at=3)
    story.send("door/L1/handle_lifted", True, at=10)
    story.until(60)
    assert story.state("L1") == "armed_unlocked"
    return story


def start(story: Story, site: Site, *, answering: bool = False) -> Story:
    """Start another instance on the state that ``story`` left, under another configuration, after a while."""
    record = snapshot.restore(snapshot.dump(story.system.record))
    other = Story(site=site, reg=story.reg, system=System(site, record, answering=answering), answering=answering)
    other.now = story.micros(story.clock + DOWN_S)
    other.doors, other.active = dict(story.doors), dict(story.active)
    other._seqs, other._beats = dict(story._seqs), story._beats
    other._note(take_event(other.system, MonitorStarted(), other.now))
    assert other.rejected() == [], "no fault"
    return other


def noted(effects: list[Effect], door: str = "L1") -> list[tuple[str, str]]:
    return [(e.state, e.slide) for e in effects if isinstance(e, NoteState) and e.door == door]


def deafened(story: Story, door: str) -> dict[str, str]:
    """Code → why, as was last noted of a place."""
    notes = [e.deaf_to for e in story.effects if isinstance(e, NoteDeafness) and e.door == door]
    return {code: why for code, why, *_ in notes[-1]} if notes else {}


def test_of_a_type_that_is_gone_nothing_goes_on_standing() -> None:
    story = start(warned(), without_type())
    assert noted(story.effects) == [("unknown", "unknown")]
    assert all(document is None for document in story.doors.values())
    assert story.standing() == set()
    (over,) = story.told(*HANDLE)
    assert (over.type, over.state, over.data["reason"]) == ("cleared", "normal", "type no longer configured")
    assert [e.document for e in story.effects if isinstance(e, PublishReadiness)] == [None]
    row = readout.describe_aircraft(story.system, REG, story.now)
    assert row is not None
    assert (row["type"], row["door_states"], row["doors"], row["passengers_aboard"]) == ("", {}, {}, None)
    assert row["readiness"]["leave"]["verdict"] == "cannot tell"
    assert {each["why"] for each in row["deaf_to"]} == {"type not known"}
    assert [place for place in readout.held_places(story.system) if place[0] == REG] == []


def test_of_a_type_that_is_gone_no_hazard_counts_as_seen() -> None:
    before = warned()
    story = start(before, without_type())
    assert set(deafened(story, "-").values()) == {"type not known"}
    seen = {each.door for each in before.effects if isinstance(each, NoteDeafness)}
    for door in seen - {"-"}:
        assert set(deafened(story, door).values()) == {"type not known"}
    assert "armed-handle-moved" in deafened(story, "L1")


def test_nothing_is_drawn_calm_later_on_either() -> None:
    story = start(warned(), without_type())
    story.step(BrokerConnected())
    story.advance(300)
    assert noted(story.effects) == [("unknown", "unknown")]
    story.bundle({**at_door("L1", {"closed": True}), "airframe/beacon": True})
    assert all(document is None for document in story.doors.values())


def test_a_type_that_comes_back_is_taken_up_by_itself() -> None:
    gone = start(warned(), without_type())
    gone.send("door/H1/closed", False)
    story = start(gone, demo_site())
    record = story.system.record.aircraft[REG]
    assert (record.type, list(record.doors)) == ("alder", list(demo_site().types["alder"].doors))
    story.beat()
    assert story.state("L1") == "unknown"
    assert story.state("H1") == "open", "what was heard meanwhile waited for the type"
    assert why_unknown(record.doors["L1"].readings.get("closed"), fitted=True) == "never seen"


def test_a_listed_aircraft_whose_sender_names_no_type_is_taken_up_too() -> None:
    story = Story()
    story.send("airframe/beacon", True)
    listed = start(story, replace(demo_site(), aircraft={REG: "alder"}))
    assert listed.system.record.aircraft[REG].type == "alder"
    listed.send("door/H1/closed", False)
    assert listed.state("H1") == "open"


def test_a_door_that_is_gone_ends_and_the_others_go_on() -> None:
    story = start(warned(), with_doors(all_but("L1")))
    assert noted(story.effects) == [("unknown", "unknown")]
    assert (story.doors[REG, "L1"], "L1" in story.system.record.aircraft[REG].doors) == (None, False)
    assert story.alert(*HANDLE) is None
    assert story.told(*HANDLE)[-1].data["reason"] == "door no longer configured"
    assert set(deafened(story, "L1").values()) == {"not fitted"}
    story.beat()
    story.send("door/H1/closed", False)
    assert story.state("H1") == "open"
    story.send("door/L1/closed", False)
    assert [rejected.reason for rejected in story.rejected()] == ["unknown-door"]


def test_a_door_that_is_new_begins_unknown_in_its_station() -> None:
    old = start(warned(), with_doors(all_but("H1")))
    story = start(old, demo_site())
    assert list(story.system.record.aircraft[REG].doors) == list(demo_site().types["alder"].doors)
    assert story.state("H1") == "unknown"
    assert noted(story.effects, "H1") == [("unknown", "none")]
    story.beat()
    story.send("door/H1/closed", False)
    assert story.state("H1") == "open"


def test_what_falls_due_at_a_door_that_is_gone_faults_nothing() -> None:
    before = alder()
    before.bundle(at_door("L1", ARMED), at=3)
    before.send("door/L1/handle_lifted", True, at=10)
    before.send("door/L1/girt_left", False, at=11)
    before.step(PermitGranted("drill", REG, ("L1",), ("girt-disagree",), before.now + 5 * MINUTE, "Ann", "training"))
    before.step(PermitGranted("tow", REG, (), ("ajar-unattended",), before.now + HOUR, "Ann", "tow"))
    before.until(12)
    story = start(before, with_doors(all_but("L1")))
    story.advance(2 * 3600)
    assert story.system.record.permits == {}
    assert {door for _, door in story.standing()}.isdisjoint({"L1"})


def test_an_absent_aircraft_loses_its_type_without_a_word() -> None:
    before = warned()
    before.declare("away")
    story = start(before, without_type())
    told = [e for e in story.effects if getattr(e, "aircraft", "") == REG]
    assert told == []
    assert story.system.record.aircraft[REG].type == ""


def test_messages_replayed_before_the_start_fault_nothing() -> None:
    record = snapshot.restore(snapshot.dump(warned().system.record))
    story = Story(site=with_doors(all_but("L1")), system=System(with_doors(all_but("L1")), record))
    story.now = story.micros(61)
    for path, value in (("door/L1/closed", False), ("door/L1/travel", 0.5), ("door/H1/closed", False)):
        story.send(path, value, seq=None)
    assert story.rejected() == []
    assert story.state("H1") == "open"


def test_one_aircrafts_fault_at_the_start_keeps_no_other_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    story = alder(reg="TW-101")
    other = Story(reg="TW-202", stand="S14", system=story.system)
    other.now = story.now
    other.baseline()
    system = System(demo_site(), snapshot.restore(snapshot.dump(story.system.record)))
    settle, judged = System.settle, set()

    def faulty(self: System, aircraft: Any, *args: Any, **more: Any) -> None:
        if self._cause.startswith("start"):
            judged.add(aircraft.reg)
            if aircraft.reg == "TW-101":
                raise KeyError("met")
        settle(self, aircraft, *args, **more)

    monkeypatch.setattr(System, "settle", faulty)
    effects = take_event(system, MonitorStarted(), story.now + HOUR)
    assert judged == {"TW-101", "TW-202"}
    (fault,) = [effect for effect in effects if isinstance(effect, RejectInput)]
    assert "met" in fault.detail


def test_the_same_configuration_changes_nothing_by_itself() -> None:
    before = alder()
    other = before.copy()
    effects = other.step(MonitorStarted(), at=2)
    assert not any(isinstance(effect, (NoteState, NoteDeafness)) for effect in effects)
    assert other.states() == before.states()
