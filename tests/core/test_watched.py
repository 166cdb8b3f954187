"""What could be seen, afterwards: when a change of deafness is noted, and what a period adds up to."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

import pytest

from monitor.core import showing
from monitor.core.deaf import list_applicable, list_deafness
from monitor.core.effects import NoteDeafness
from monitor.core.rules import AIRCRAFT_RULES
from monitor.core.state import AircraftRecord
from monitor.core.system import System
from monitor.core.times import MINUTE, parse_time
from monitor.core.view import View
from monitor.core.watched import NOT_RUNNING, Note, Watch, describe_watch, list_codes, measure_watch
from tests.stories import ARMED, Story, alder, demo_site

DOORS = tuple(demo_site().types["alder"].doors)
T0 = parse_time("2026-03-01T10:00:00Z")
STALE = (("wind-limit", "stale", "wind_kt"),)


def noted(story: Story, door: str | None = None) -> list[NoteDeafness]:
    return [e for e in story.effects if isinstance(e, NoteDeafness) and door in (None, e.door)]


def handle_reasons(note: NoteDeafness) -> set[str]:
    """Why a moved handle could not be seen from then on."""
    return {why for code, why, *_ in note.deaf_to if code == "armed-handle-moved"}


# What is noted


def test_every_place_is_noted_once_when_an_aircraft_is_met() -> None:
    story = Story().baseline()
    first = {note.door: note for note in noted(story)}
    assert set(first) == {"-", *DOORS}
    assert {note.aircraft for note in first.values()} == {story.reg}
    assert {note.time for note in first.values()} == {story.start}


def test_a_door_that_is_deaf_to_nothing_is_noted_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty list is news at first: it says that from then on all could be seen."""
    monkeypatch.setattr(showing, "list_deafness", lambda view, rules: ())
    story = alder()
    assert [note.deaf_to for note in noted(story, "L1")] == [()]


def test_the_last_note_is_what_is_shown() -> None:
    story = alder()
    story.send("door/L1/latched", True, at=4, quality="bad")
    story.withdraw("airframe/engine_1_running", at=5)
    aircraft = story.system.record.aircraft[story.reg]
    for door in DOORS:
        assert noted(story, door)[-1].deaf_to == aircraft.doors[door].deaf_to
    assert noted(story, "-")[-1].deaf_to == aircraft.deaf_to


def test_only_a_change_is_news() -> None:
    story = alder()
    before, healthy = len(noted(story)), noted(story, "L1")[-1].deaf_to
    story.door_bundle("L1", ARMED, at=3)
    story.send("door/L1/latched", True, at=4)
    story.until(300)
    assert len(noted(story)) == before
    story.send("door/L1/latched", True, at=301, quality="bad")
    story.send("door/L1/latched", True, at=302, quality="bad")
    (news,) = noted(story)[before:]
    assert (news.door, news.time) == ("L1", story.micros(301))
    assert ("bad", "latched") in {(why, *signals) for _, why, *signals in news.deaf_to}
    story.send("door/L1/latched", True, at=303)
    assert noted(story)[-1] == NoteDeafness(story.reg, "L1", story.micros(303), healthy)


def test_a_feed_that_falls_silent_is_noted_when_it_goes_stale_and_when_it_is_back() -> None:
    story = alder()
    story.beating = False
    story.until(100)
    stale = noted(story, "L1")[-1]
    assert handle_reasons(stale) == {"stale"}
    assert story.micros(25) < stale.time <= story.micros(31)
    story.beat(at=101)
    assert noted(story, "L1")[-1].time == story.micros(101)
    assert handle_reasons(noted(story, "L1")[-1]) == set()


def test_a_door_that_goes_deaf_leaves_other_places_deaf_to_what_needs_every_door() -> None:
    """With one cabin door's frame switch bad, nobody can tell whether all of them are closed."""
    story = alder()
    story.send("door/L1/closed", True, at=4, quality="bad")
    for door, code in (("-", "pressure-rising"), ("R2", "not-armed-departure")):
        last = noted(story, door)[-1]
        assert (last.time, (code, "bad", "door/L1/closed") in last.deaf_to) == (story.micros(4), True)
    assert {"code": "not-armed-departure", "why": "bad", "signals": ["door/L1/closed"]} in story.door("R2")["deaf_to"]
    story.send("door/L1/closed", True, at=5)
    assert [noted(story, door)[-1].time for door in ("-", "R2")] == [story.micros(5)] * 2


def test_an_aircraft_that_is_away_can_be_seen_nowhere() -> None:
    story = alder()
    story.advance(1)
    story.declare("away")
    last = {note.door: note for note in noted(story)}
    assert {door: {why for _, why, *_ in note.deaf_to} for door, note in last.items()} == {
        door: {"away"} for door in ("-", *DOORS)
    }
    count = len(noted(story))
    story.until(600)
    assert len(noted(story)) == count
    story.declare("present")
    assert "away" not in {why for _, why, *_ in noted(story, "L1")[-1].deaf_to}


def test_an_aircraft_that_was_forgotten_and_comes_back_is_noted_anew() -> None:
    story = alder()
    story.declare("away")
    del story.system.record.aircraft[story.reg]
    before = len(noted(story))
    story.baseline()
    assert {note.door for note in noted(story)[before:]} == {"-", *DOORS}


def test_a_restored_state_does_not_note_again_what_it_noted() -> None:
    story = alder()
    again = Story(system=System(story.site, story.copy().system.record))
    again.now = story.now
    again.send("door/L1/latched", True, at=5)
    assert noted(again, "L1") == []
    record = story.system.record.aircraft[story.reg]
    assert isinstance(record, AircraftRecord)
    assert record.deafness_noted
    assert all(door.deafness_noted for door in record.doors.values())


@pytest.mark.parametrize("seed", range(6))
def test_the_last_note_is_what_a_fresh_look_finds(seed: int) -> None:
    """Whatever happens: quality, withdrawals, silence, power, presence."""
    chance, story, at = random.Random(seed), alder(), 2.0
    for _ in range(40):
        at += chance.choice([0.1, 1, 5, 20, 40])
        match chance.randrange(6):
            case 0 | 1:
                path = f"door/{chance.choice(['L1', 'R2', 'CF', 'OL1'])}/{chance.choice(['latched', 'closed'])}"
                quality = chance.choice(["good", "bad", "uncertain"])
                story.send(path, chance.random() < 0.5, at=at, quality=quality)
            case 2:
                story.withdraw(chance.choice(["airframe/engine_1_running", "door/L1/closed"]), at=at)
            case 3:
                story.beating = not story.beating
            case 4:
                story.until(at).declare(chance.choice(["present", "away", "powered_down"]))
            case 5:
                story.send("airframe/power", chance.choice(["on", "off"]), at=at)
        story.until(at)
        aircraft = story.system.record.aircraft[story.reg]
        airframe = story.system.airframe(aircraft)
        last = {note.door: note.deaf_to for note in noted(story)}
        view = View(story.system.record, story.now, aircraft, airframe)
        assert last["-"] == list_deafness(view, AIRCRAFT_RULES)
        for name, door in aircraft.doors.items():
            view = View(story.system.record, story.now, aircraft, airframe, door)
            assert last[name] == list_deafness(view, list_applicable(view.spec)), name


# What a period adds up to


def note(minute: float, deaf_to: tuple[tuple[str, ...], ...] = (), door: str = "L1") -> Note:
    return Note(T0 + round(minute * MINUTE), door, deaf_to)


def sum_up(
    notes: Sequence[Note], *, until: int = 60, off: Sequence[tuple[float, float]] = (), codes: Any = None
) -> dict[str, dict[str, Watch]]:
    spans = [(T0 + round(a * MINUTE), T0 + round(b * MINUTE)) for a, b in off]
    found = measure_watch(notes, codes or {"L1": ("wind-limit",)}, since=T0, until=T0 + until * MINUTE, off=spans)
    for watches in found.values():
        for watch in watches.values():
            assert watch.watched + watch.deaf + watch.unknown == until * MINUTE
    return found


def one(notes: Sequence[Note], **settings: Any) -> tuple[float, float, float, dict[str, float]]:
    """Watched, deaf, not known and the reasons, in minutes."""
    watch = sum_up(notes, **settings)["L1"]["wind-limit"]
    reasons = {why: time / MINUTE for why, time in watch.reasons.items()}
    return watch.watched / MINUTE, watch.deaf / MINUTE, watch.unknown / MINUTE, reasons


def test_what_is_before_the_first_note_is_not_known() -> None:
    assert one([]) == (0, 0, 60, {})
    assert one([note(10)]) == (50, 0, 10, {})
    assert one([note(10, STALE)]) == (0, 50, 10, {"stale": 50})


def test_the_last_note_before_the_period_holds_in_it() -> None:
    assert one([note(-500)]) == (60, 0, 0, {})
    assert one([note(-500, STALE), note(20)]) == (40, 20, 0, {"stale": 20})
    assert one([note(-500, STALE), note(0)]) == (60, 0, 0, {})


def test_minutes_are_counted_from_note_to_note() -> None:
    notes = [note(0), note(5, STALE), note(7.5), note(50, (("wind-limit", "bad", "gust_kt"),))]
    assert one(notes) == (47.5, 12.5, 0, {"stale": 2.5, "bad": 10})


def test_a_moment_with_two_reasons_is_deaf_once_and_counts_with_each() -> None:
    two = (("wind-limit", "never seen", "gust_kt"), ("wind-limit", "stale", "wind_kt"))
    assert one([note(0, two), note(30)]) == (30, 30, 0, {"never seen": 30, "stale": 30})


def test_what_another_hazard_is_deaf_to_is_not_this_ones() -> None:
    found = sum_up([note(0, STALE)], codes={"L1": ("wind-limit", "bottle-low"), "R1": ("wind-limit",)})
    assert found["L1"]["bottle-low"] == Watch(60 * MINUTE, 0, 0, {})
    assert found["R1"]["wind-limit"] == Watch(0, 0, 60 * MINUTE, {})


@pytest.mark.parametrize("why", ["away", "powered down", "left on the broker"])
def test_a_reason_of_the_whole_aircraft_holds_for_every_hazard(why: str) -> None:
    """Also for one that needs no signal, and so is never listed as deaf."""
    found = sum_up([note(0, (("bottle-low", why),)), note(15)], codes={"L1": ("wind-limit", "signal-bad")})
    assert found["L1"]["signal-bad"] == found["L1"]["wind-limit"]
    assert found["L1"]["signal-bad"] == Watch(45 * MINUTE, 15 * MINUTE, 0, {why: 15 * MINUTE})


def test_while_the_monitor_did_not_run_nothing_was_watched() -> None:
    assert one([note(0)], off=[(10, 15), (20, 20.5)]) == (54.5, 5.5, 0, {NOT_RUNNING: 5.5})
    assert one([note(0, STALE), note(30)], off=[(25, 40)]) == (20, 40, 0, {"stale": 25, NOT_RUNNING: 15})
    assert one([note(0), note(12), note(13), note(14)], off=[(10, 15)]) == (55, 5, 0, {NOT_RUNNING: 5})
    assert one([note(-10)], off=[(-5, 5), (55, 65)]) == (50, 10, 0, {NOT_RUNNING: 10})


def test_time_off_before_the_first_note_stays_not_known() -> None:
    assert one([note(30)], off=[(0, 40)]) == (20, 10, 30, {NOT_RUNNING: 10})


def test_notes_of_the_same_instant_leave_the_last_one() -> None:
    assert one([note(0, STALE), note(0), note(20, STALE), note(20)]) == (60, 0, 0, {})


def test_a_period_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="since must be before until"):
        measure_watch([], {}, since=T0, until=T0)


def test_the_hazards_of_a_place_are_those_that_it_can_meet() -> None:
    codes = list_codes(demo_site().types["alder"])
    assert set(codes) == {"-", *DOORS}
    assert "armed-handle-moved" in codes["L1"]
    assert "armed-handle-moved" not in codes["CB"]
    assert "pressure-rising" in codes["-"]
    assert all(len(set(names)) == len(names) for names in codes.values())


def test_a_story_adds_up_to_what_happened() -> None:
    story = alder()
    story.until(60)
    story.send("door/L1/latched", True, at=60, quality="bad")
    story.until(150)
    story.send("door/L1/latched", True, at=150)
    story.until(600)
    notes = [Note(each.time, each.door, each.deaf_to) for each in noted(story)]
    codes = list_codes(story.site.types["alder"])
    found = measure_watch(notes, codes, since=story.start, until=story.micros(600))
    watch = found["L1"]["armed-handle-moved"]
    assert watch == Watch(510 * MINUTE // 60, 90 * MINUTE // 60, 0, {"bad": 90 * MINUTE // 60})
    assert found["R1"]["armed-handle-moved"].deaf == 0


def test_a_reader_is_told_minutes_and_when_the_monitor_stood_still() -> None:
    spans = [(T0 - MINUTE, T0 + MINUTE), (T0 + 70 * MINUTE, T0 + 80 * MINUTE)]
    sums = measure_watch(
        [note(0, STALE), note(30)], {"L1": ("wind-limit",)}, since=T0, until=T0 + 60 * MINUTE, off=spans
    )
    document = describe_watch("TW-101", sums, since=T0, until=T0 + 60 * MINUTE, off=spans)
    assert document == {
        "aircraft": "TW-101",
        "since": "2026-03-01T10:00:00.000Z",
        "until": "2026-03-01T11:00:00.000Z",
        "minutes": 60,
        "monitor_not_running": [{"since": "2026-03-01T10:00:00.000Z", "until": "2026-03-01T10:01:00.000Z"}],
        "doors": {
            "L1": {
                "wind-limit": {
                    "watched_minutes": 30,
                    "deaf_minutes": 30,
                    "not_known_minutes": 0,
                    "reasons": {NOT_RUNNING: 1, "stale": 29},
                }
            }
        },
    }
