"""What holds for any story: order within an instant, restarts, honest ``reads``, and no exception ever.

The senders and people of these stories do anything that the wire contract lets them do.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any, Final

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from monitor.core import documents, readout, snapshot
from monitor.core.alert import AlertState
from monitor.core.door import State
from monitor.core.effects import PublishActive, PublishEvent
from monitor.core.events import (
    BrokerConnected,
    BrokerDisconnected,
    DoorReported,
    MonitorStarted,
    PermitEnded,
    PermitGranted,
)
from monitor.core.permits import KINDS
from monitor.core.rules import AIRCRAFT_RULES, DOOR_RULES
from monitor.core.rules.rule import Rule
from monitor.core.signals import AIRFRAME_SIGNALS, DOOR_SIGNALS, Kind, Signal
from monitor.core.state import Presence
from monitor.core.times import SECOND
from monitor.core.view import View
from tests.stories import Story

DOORS: Final = ("L1", "R1", "OL1", "CF", "CB", "H1")
Op = tuple[Any, ...]

# Values that matter to some rule or state, so that chance finds the edges.
TELLING: Final[dict[str, list[float]]] = {
    "travel": [0.0, 0.3, 0.305, 0.5, 0.51, 0.55, 0.97, 0.98, 1.0],
    "differential_pressure_hpa": [0.0, 0.4, 1.0, 1.6, 2.1, 2.5, 2.6, -3.0, 9.0, 9.5, 12.0],
    "passengers_aboard": [0, 3],
    "slide_bottle_bar": [120.0, 169.9, 171.0, 173.0, 210.0],
    "assist_bottle_bar": [60.0, 89.0, 91.0, 120.0],
    "ground_speed_kt": [0.0, 1.9, 2.0, 5.0],
    "actuator_bar": [0.0, 119.0, 120.0, 150.0],
}
SKEWS: Final = (0.0, 0.0, 0.0, 0.0, -0.5, -4.0, -45.0, 20.0, 70.0, -1.7e9, 2.3e9)
WAITS: Final = (0.0, 0.001, 0.1, 0.3, 0.5, 1.0, 2.0, 3.0, 5.0, 9.5, 30.0, 31.0, 61.0, 125.0, 700.0)


def values(signal: Signal) -> st.SearchStrategy[Any]:
    if signal.name in TELLING:
        return st.sampled_from(TELLING[signal.name])
    if signal.kind is Kind.BOOL:
        return st.booleans()
    if signal.choices:
        return st.sampled_from(signal.choices)
    if signal.kind is Kind.TEXT:
        return st.sampled_from(["", "S11", "S12"] if signal.name == "stand" else ["alder", "birch"])
    low, high = max(signal.low, 0), min(signal.high, 400)
    return st.integers(int(low), int(high)) if signal.kind is Kind.INT else st.floats(low, high)


WATCHED: Final = (
    *(
        f"door/{door}/{name}"
        for door in DOORS
        for name in DOOR_SIGNALS
        if name not in ("rope_stowed", "lock_indicator")
    ),
    *(f"airframe/{name}" for name in AIRFRAME_SIGNALS if name not in ("type", "power")),
)


def signal_of(path: str) -> Signal:
    name = path.rpartition("/")[2]
    return (AIRFRAME_SIGNALS if path.startswith("airframe/") else DOOR_SIGNALS)[name]


def readings(paths: Iterable[str], *, most: int = 6) -> st.SearchStrategy[dict[str, Any]]:
    def reading(path: str) -> st.SearchStrategy[tuple[str, Any]]:
        given_ = values(signal_of(path))
        poor = st.builds(lambda v, q: {"value": v, "quality": q}, given_, st.sampled_from(["bad", "uncertain", "good"]))
        return st.tuples(st.just(path), st.one_of(given_, given_, given_, poor))

    return st.lists(st.sampled_from(list(paths)).flatmap(reading), min_size=1, max_size=most).map(dict)


CODES: Final = sorted({rule.code for rule in (*AIRCRAFT_RULES, *DOOR_RULES)})

OPS: Final = st.one_of(
    st.tuples(st.just("wait"), st.sampled_from(WAITS)),
    st.tuples(st.just("bundle"), readings(WATCHED, most=10), st.sampled_from(SKEWS)),
    st.tuples(st.just("bundle"), readings(WATCHED, most=10), st.just(0.0)),
    st.tuples(st.just("send"), readings(WATCHED, most=1), st.sampled_from(SKEWS), st.booleans(), st.sampled_from([-1, None, 0, 3])),
    st.tuples(st.just("withdraw"), st.sampled_from(WATCHED)),
    st.tuples(st.just("power"), st.sampled_from(["on", "off"])),
    st.tuples(st.just("beating"), st.booleans()),
    st.tuples(st.just("broker"), st.booleans()),
    st.tuples(st.just("started")),
    st.tuples(st.just("type"), st.sampled_from(["alder", "birch", ""])),
    st.tuples(st.just("act"), st.sampled_from(["acknowledge", "unacknowledge", "shelve", "unshelve", "close"]), st.integers(0, 9)),
    st.tuples(st.just("reset"), st.sampled_from(DOORS)),
    st.tuples(st.just("declare"), st.sampled_from([str(p) for p in Presence])),
    st.tuples(
        st.just("permit"), st.sampled_from(KINDS), st.lists(st.sampled_from(DOORS), max_size=2).map(tuple),
        st.lists(st.sampled_from(CODES), max_size=4).map(tuple), st.sampled_from(WAITS[3:]),
    ),
    st.tuples(st.just("end"), st.integers(0, 9)),
    st.tuples(st.just("report"), st.sampled_from(DOORS), st.sampled_from(["closed", "lever_armed", "locked"]), st.sampled_from([True, False, None])),
    st.tuples(st.just("blow"), st.sampled_from(["wind_kt", "gust_kt"]), st.sampled_from([5.0, 34.0, 36.0, 41.0, 46.0, 60.0]), st.sampled_from(["good", "good", "bad"])),
)  # fmt: skip


def play(story: Story, op: Op) -> None:
    match op:
        case ("wait", seconds):
            story.advance(seconds)
        case ("bundle", given_, skew):
            story.bundle(given_, time=story.clock + skew if -1e6 < skew < 1e6 else _far(skew))
        case ("send", given_, skew, retain, seq):
            ((path, value),) = given_.items()
            more = value if isinstance(value, dict) else {"value": value}
            time = story.clock + skew if -1e6 < skew < 1e6 else _far(skew)
            story.send(path, more["value"], quality=more.get("quality"), time=time, retain=retain, seq=seq)
        case ("withdraw", path):
            story.withdraw(path)
        case ("power", power):
            story.send("airframe/power", power)
        case ("type", kind):
            story.send("airframe/type", kind)
        case ("beating", beating):
            story.beating = beating
        case ("broker", up):
            story.step(BrokerConnected() if up else BrokerDisconnected("gone"))
        case ("started",):
            story.step(MonitorStarted())
        case ("act", action, number):
            places = sorted(story.standing())
            if places:
                getattr(story, action)(*places[number % len(places)])
        case ("reset", door):
            story.reset(door)
        case ("declare", presence):
            story.declare(presence)
        case _:
            play_more(story, op)


def play_more(story: Story, op: Op) -> None:
    """The weather, and what people take out of service, put back and report."""
    match op:
        case ("blow", signal, kt, quality):
            story.send(f"stand/{story.stand}/{signal}", kt, quality=quality)
        case ("permit", kind, doors, codes, seconds):
            until = story.now + round(seconds * SECOND)
            story.step(PermitGranted(kind, story.reg, doors, codes, until, "Ann", "drawn", "board"))
        case ("end", number):
            running = list(story.system.record.permits)
            if running:
                story.step(PermitEnded(running[number % len(running)], "Ann", "drawn", "board"))
        case ("report", door, signal, value):
            story.step(DoorReported(story.reg, door, ((signal, value),), "Ann", "", "board"))


def _far(skew: float) -> str:
    return "1970-01-01T01:00:00Z" if skew < 0 else "2100-01-01T01:00:00Z"


def told(story: Story) -> list[tuple[Any, ...]]:
    return [(e.at, e.type, e.code, e.door, e.priority, e.state, e.id, e.data) for e in story.events]


def plain(story: Story) -> Any:
    """The whole state, but for when a deadline was queued, which a restart rebuilds."""
    record = json.loads(snapshot.dump(story.system.record))

    def strip(node: Any) -> Any:
        if isinstance(node, dict):
            return {key: strip(value) for key, value in node.items() if key != "queued"}
        return [strip(item) for item in node] if isinstance(node, list) else node

    return strip(record)


def force(story: Story) -> list[PublishEvent]:
    """Judge every rule of the aircraft from scratch, now; return what that told."""
    system = story.system
    aircraft = system.record.aircraft[story.reg]
    system.settle(aircraft, {None: {"*"}}, story.now)
    effects = list(system.ledger.effects)
    system.ledger.effects.clear()
    system.ledger.changed.clear()
    story._note(effects)
    return [effect for effect in effects if isinstance(effect, PublishEvent)]


SLOW: Final = settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@SLOW
@given(ops=st.lists(OPS, max_size=30))
def test_judging_what_changed_is_judging_everything(ops: list[Op]) -> None:
    """Incremental and from scratch are the same at every step, and no sequence raises an exception."""
    story, other = Story(answering=True).baseline(), Story(answering=True).baseline()
    for number, op in enumerate(ops):
        play(story, op)
        play(other, op)
        assert [(e.code, e.door, e.type) for e in force(other)] == [], (number, op)
    assert told(story) == told(other)
    assert story.states() == other.states()


@SLOW
@given(ops=st.lists(OPS, max_size=30))
def test_what_is_published_is_what_stands(ops: list[Op]) -> None:
    """After every step the retained documents are those that a reconnect would publish."""
    story = Story(answering=True).baseline()
    for op in ops:
        play(story, op)
        places = list(readout.held_places(story.system))
        held = [readout.describe_held(story.system, *place, story.now) for place in places]
        active = {(e.aircraft, e.door, e.code): e.document for e in held if isinstance(e, PublishActive)}
        assert {place: doc for place, doc in story.active.items() if doc is not None} == active, op
        aircraft = story.system.record.aircraft[story.reg]
        airframe = story.system.airframe(aircraft)
        assert airframe is not None
        for name, door in aircraft.doors.items():
            if aircraft.presence is Presence.AWAY:
                assert story.doors[story.reg, name] is None
                continue
            view = View(story.system.record, story.now, aircraft, airframe, door)
            document = documents.describe_door(view, site=story.site.name)
            shown = story.door(name)
            for key in ("state", "since", "slide", "quality", "presence", "blind", "deaf_to", "stand", "implausible"):
                assert shown.get(key) == document.get(key), (op, name, key)
        for alert in active.values():
            assert alert is not None
            assert alert["state"] != AlertState.NORMAL


@SLOW
@given(before=st.lists(OPS, max_size=15), after=st.lists(OPS, max_size=15))
def test_a_restart_from_a_snapshot_changes_nothing(before: list[Op], after: list[Op]) -> None:
    story = Story(answering=True).baseline()
    for op in before:
        play(story, op)
    again = story.copy()
    assert plain(again) == plain(story)
    so_far = len(story.events)
    for op in after:
        play(story, op)
        play(again, op)
        assert again.system.next_deadline() is None or story.system.next_deadline() is not None
    assert told(again) == told(story)[so_far:]
    assert plain(again) == plain(story)


@SLOW
@given(ops=st.lists(OPS, max_size=25))
@example(ops=[("beating", False), ("wait", 0.001)])
def test_waking_at_every_deadline_and_looking_later_tell_the_same(ops: list[Op]) -> None:
    first, second = Story(answering=True).baseline(), Story(answering=True).baseline()
    for op in ops:
        play(first, op)
        if op[0] == "wait" and not second.beating:
            until = second.micros(second.clock + op[1])
            while (due := second.system.next_deadline()) is not None and due <= until:
                second.now = max(due, second.now)
                second.advance(0)
            second.now = until
        else:
            play(second, op)
    # The one that sleeps to its next deadline has not been told the time since the last one.
    for story in (first, second):
        story.advance(0)
    assert told(first) == told(second)
    assert plain(first) == plain(second)


@SLOW
@given(ops=st.lists(OPS, max_size=25))
def test_an_event_id_is_never_used_twice_and_events_come_in_order(ops: list[Op]) -> None:
    story = Story().baseline()
    for op in ops:
        play(story, op)
    ids = [event.id for event in story.events]
    assert len(set(ids)) == len(ids)
    times = [event.at for event in story.events]
    assert times == sorted(times)


# Readings of one instant


@st.composite
def instants(draw: st.DrawFn) -> tuple[list[Op], list[tuple[str, Any]], list[tuple[str, Any]]]:
    paths = [path for path in WATCHED if not path.endswith("heartbeat") and path != "airframe/stand"]
    together = list(draw(readings(paths, most=12)).items())
    history = draw(st.lists(st.tuples(st.just("bundle"), readings(paths, most=8), st.just(0.0)), max_size=3))
    return history, together, draw(st.permutations(together))


@SLOW
@given(case=instants())
def test_any_order_of_one_instants_readings_gives_the_same_states(
    case: tuple[list[Op], list[tuple[str, Any]], list[tuple[str, Any]]],
) -> None:
    history, together, shuffled = case
    stories = [Story().baseline() for _ in range(3)]
    for story in stories:
        for op in history:
            story.advance(1)
            play(story, op)
        story.advance(1)
    for story, order in zip(stories, (together, shuffled, None), strict=True):
        if order is None:
            story.bundle(dict(together))
            continue
        for path, value in order:
            more = value if isinstance(value, dict) else {"value": value}
            story.send(path, more["value"], quality=more.get("quality"))
    one, two, bundle = stories
    assert one.states() == two.states() == bundle.states()
    assert all(state in set(State) for state in one.states().values())


# Honest reads


class Reads(dict[str, Any]):
    """Readings that note which of them were asked for."""

    def __init__(self, readings_: dict[str, Any], note: set[str], prefix: str) -> None:
        super().__init__(readings_)
        self._note, self._prefix = note, prefix

    def get(self, key: str, default: Any = None) -> Any:
        self._note.add(self._prefix + key)
        return super().get(key, default)

    def __getitem__(self, key: str) -> Any:
        self._note.add(self._prefix + key)
        return super().__getitem__(key)

    def items(self) -> Any:
        self._note.add("every reading")
        return super().items()


class Watched:
    """A record that notes which of its fields were asked for."""

    def __init__(self, record: Any, note: set[str], owner: str, fields: dict[str, Any]) -> None:
        self._record, self._note, self._owner, self._fields = record, note, owner, fields

    def __getattr__(self, name: str) -> Any:
        if name in self._fields:
            return self._fields[name]
        self._note.add(f"{self._owner}.{name}")
        return getattr(self._record, name)


# A record's field → the changes of which any one brings a rule that reads it back to be judged.
BROUGHT_BY: Final[dict[str, set[str]]] = {
    "every reading": {"life", "quality"},
    "door.state": {"state", "doors/state"},
    "door.armed_moved_since": {"state"},
    "door.outside_since": {"outside_handle_lifted"},
    "door.deployed": {"state", "slide_released", "memo/released", "doors/slide_released"},
    "door.since": {"state", "memo/released"},
    "door.released_in_emergency": {"state", "slide_released"},
    "door.jump_standing": {"jump"},
    "door.access_left": {"access"},
    "door.sender": {"life", "clock"},
    "door.trackers": {"life", "feed"},
    "aircraft.trackers": {"life", "feed"},
    "aircraft.sender": {"feed", "clock"},
    "aircraft.live_at": {"feed"},
    "aircraft.first_seen": {"feed"},
    "aircraft.feed_grace_until": {"feed"},
    "aircraft.calm_until": {"feed"},
    "aircraft.pressures": {"airframe/differential_pressure_hpa"},
    "aircraft.evacuation": {"airframe/emergency"},
    "door.slide_memo": {"memo/slide"},
    "door.reports": {"memo/report"},
    "door.flips": {"memo/flips"},
    "door.transit_memo": {"memo/transit"},
    "door.leaf_memo": {"memo/leaf-moves", "memo/leaf-strays"},
    "aircraft.turnround": {"memo/departing", "memo/arrival"},
    "site.stands": {"stand/wind_kt"},
    "site.broker_connected": {"broker", "feed"},
}
# These change only together with "*", which brings back every rule, or never.
WITH_EVERYTHING: Final = {
    "aircraft.type",
    "aircraft.identity",
    "aircraft.presence",
    "aircraft.left_on_broker",
    "aircraft.reg",
    "aircraft.stand",
    "door.name",
    "door.slide_removed",
}
LEAF: Final = {"closed", "hold_open", "travel"}


def watched_view(story: Story, door: str | None, note: set[str]) -> View:
    system = story.system
    aircraft = system.record.aircraft[story.reg]
    own = "" if door is not None else "doors/"
    doors = {
        name: Watched(record, note, "door", {"readings": Reads(record.readings, note, own), "name": name})
        for name, record in aircraft.doors.items()
    }
    watched = Watched(
        aircraft, note, "aircraft", {"readings": Reads(aircraft.readings, note, "airframe/"), "doors": doors}
    )
    site = Watched(system.record, note, "site", {})
    airframe = system.airframe(aircraft)
    return View(site, story.now, watched, airframe, doors[door] if door is not None else None)  # type: ignore[arg-type]


def undeclared(rule: Rule, note: set[str]) -> set[str]:
    unknown = set()
    for name in note - WITH_EVERYTHING - set(rule.reads):
        if name.removeprefix("doors/") in LEAF and rule.reads & {"leaf", "doors/leaf"}:
            continue
        if rule.code.startswith("signal-") and rule.reads & {"life", "quality"} and "." not in name:
            continue  # it asks every reading for its quality and its age, of which it is told
        if rule.reads & BROUGHT_BY.get(name, set()):
            continue
        unknown.add(name)
    return unknown


def judged(story: Story) -> Iterator[tuple[Rule, str | None]]:
    aircraft = story.system.record.aircraft[story.reg]
    airframe = story.system.airframe(aircraft)
    for rule in AIRCRAFT_RULES:
        yield rule, None
    for name, spec in airframe.doors.items() if airframe is not None else ():
        for rule in DOOR_RULES:
            if name in DOORS and rule.applies_to(spec):
                yield rule, name


@settings(SLOW, max_examples=30)
@given(ops=st.lists(OPS, max_size=12), held=st.booleans())
def test_a_rule_reads_nothing_that_it_does_not_declare(ops: list[Op], held: bool) -> None:
    story = Story().baseline()
    for op in ops:
        play(story, op)
    for rule, door in judged(story):
        note: set[str] = set()
        view = watched_view(story, door, note)
        note.clear()
        for level in rule.levels:
            level.when(view, story.system.parameters(rule, view), held)
        assert undeclared(rule, note) == set(), (rule.code, door)


def test_the_check_of_what_a_rule_reads_finds_what_it_hides() -> None:
    story = Story().baseline()
    note: set[str] = set()
    view = watched_view(story, "L1", note)
    note.clear()
    assert view.true("girt_left") is False
    assert view.docked is False
    rule = next(rule for rule in DOOR_RULES if rule.code == "open-engine-running")
    assert undeclared(rule, note) == {"girt_left", "access"}
