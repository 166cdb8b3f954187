"""Bounded work: however little is judged in one go, of each aircraft the same is told in the same order.

Owns crowds of aircraft on few stands, whose deadlines fall together because the broker was away.
"""

from __future__ import annotations

import json
import random
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any, Final, NamedTuple

import pytest

from monitor.core import dues, snapshot
from monitor.core.effects import Effect, PublishActive, PublishDoor, PublishEvent
from monitor.core.events import BrokerConnected, BrokerDisconnected, MonitorStarted, ReadingsArrived
from monitor.core.system import System
from monitor.core.times import SECOND, format_time, parse_time
from monitor.engine import let_time_pass, take_event, take_message
from monitor.ports import Message
from tests.scenarios.chance import random_capture
from tests.simulation.story import run
from tests.stories import alder, codec, demo_site

CAPTURES: Final = 3
"""Captures in one crowd; each brings one or two aircraft."""
STEPS: Final = 40
STANDS: Final = ("S11", "S12")
_QUEUED: Final = re.compile(rb'"queued":(?:null|\d+),')


class Line(NamedTuple):
    """What happens at a moment (µs): a message, or the broker goes and comes (``None``)."""

    at: int
    message: Message | None


def crowd(seed: int) -> list[Line]:
    """Several captures at once, their aircraft on few stands, the broker away now and then."""
    chance = random.Random(f"crowd {seed}")
    lines: list[Line] = []
    for number in range(CAPTURES):
        names = {f"ZZ-T{n:02d}": f"ZZ-{number}{n}" for n in range(2)}
        for text in random_capture(10_000 + CAPTURES * seed + number, STEPS):
            line = json.loads(text)
            if "payload" not in line:
                continue
            topic = line["topic"]
            for old, new in names.items():
                topic = topic.replace(old, new)
            payload = b"" if line["payload"] is None else json.dumps(line["payload"]).encode()
            at = round(datetime.fromisoformat(line["at"]).timestamp() * SECOND)
            lines.append(Line(at, Message(topic, payload, line.get("retain", False))))
    first, last = min(line.at for line in lines), max(line.at for line in lines)
    for reg in sorted(
        {line.message.topic.split("/")[4] for line in lines if line.message and "/aircraft/" in line.message.topic}
    ):
        topic = f"apron/v1/{demo_site().name}/aircraft/{reg}/airframe/stand"
        for at in (first + SECOND, chance.randint(first, last)):
            value = {"time": format_time(at // 1000 * 1000), "value": chance.choice(STANDS)}
            lines.append(Line(at, Message(topic, json.dumps(value).encode(), False)))
    for at in sorted(chance.randint(first, last) for _ in range(20)):
        topic = f"apron/v1/{demo_site().name}/stand/{chance.choice(STANDS)}/wind_kt"
        value = {"time": format_time(at // 1000 * 1000), "value": chance.choice((5.0, 38.0, 55.0))}
        lines.append(Line(at, Message(topic, json.dumps(value).encode(), False)))
    lines += [Line(chance.randint(first, last), None) for _ in range(3)]
    return sorted(lines, key=lambda line: line.at)


class Told(NamedTuple):
    """What came of a crowd: of each aircraft what was told and shown, the state at the end, how often some was left over."""

    events: dict[str, list[PublishEvent]]
    shown: dict[tuple[Any, ...], Any]
    state: bytes
    behind: int


def play(lines: list[Line], looks: random.Random | None) -> Told:
    """Judge a crowd; with ``looks``, the clock's own turns come at drawn moments, each with next to nothing judged."""
    system = System(demo_site(), answering=False)
    now = lines[0].at - SECOND
    effects: list[Effect] = [*take_event(system, MonitorStarted(), now), *take_event(system, BrokerConnected(), now)]
    behind = 0
    for at, message in lines:
        while looks is not None and looks.random() < 0.5:
            now = looks.randint(now, at)
            effects += let_time_pass(system, now, 0, dues.WORK_MAX)
            behind += system.behind
        now = at
        if looks is not None and system.is_due(now):
            effects += let_time_pass(system, now, 0, dues.WORK_MAX)
        if message is None:
            effects += take_event(system, BrokerDisconnected("cut"), now)
            effects += take_event(system, BrokerConnected(), now)
        else:
            effects += take_message(system, codec(), message, now)[1]
        behind += system.behind
    effects += let_time_pass(system, now + 60 * SECOND, 0)
    events: defaultdict[str, list[PublishEvent]] = defaultdict(list)
    shown: dict[tuple[Any, ...], Any] = {}
    for effect in effects:
        if isinstance(effect, PublishEvent):
            events[effect.aircraft].append(effect)
        elif isinstance(effect, PublishActive):
            shown[effect.aircraft, effect.door, effect.code] = effect.document
        elif isinstance(effect, PublishDoor):
            shown[effect.aircraft, effect.door] = effect.document
    state = _QUEUED.sub(b"", snapshot.dump(replace(system.record, at=0)))
    return Told(dict(events), shown, state, behind)


@pytest.mark.parametrize("work_max", [1, 3])
def test_however_little_is_judged_at_a_time_the_same_is_told(work_max: int, monkeypatch: pytest.MonkeyPatch) -> None:
    told = behind = 0
    for seed in range(2, 6, work_max):
        lines = crowd(seed)
        monkeypatch.setattr(dues, "WORK_MAX", 10**9)
        whole = play(lines, None)
        assert not whole.behind
        monkeypatch.setattr(dues, "WORK_MAX", work_max)
        pieces = play(lines, random.Random(seed))
        assert pieces.events == whole.events, seed
        assert pieces.shown == whole.shown, seed
        assert pieces.state == whole.state, seed
        told += sum(map(len, whole.events.values()))
        behind += pieces.behind
    assert told > 20
    assert behind > 5, "something was left over again and again"


def test_whole_stories_with_their_crashes_bear_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The journal then holds what was judged piece by piece, and read back it leads to the same."""
    monkeypatch.setattr(dues, "WORK_MAX", 1)
    monkeypatch.setattr("monitor.engine.WORK_MAX", 1)
    found = {seed: run(seed).faults[:2] for seed in range(40, 60)}
    assert {seed: faults for seed, faults in found.items() if faults} == {}


def arrivals(count: int) -> Iterator[Message]:
    for number in range(count):
        reg = f"ZZ-Q{number:02d}"
        for path, value in (("type", "alder"), ("stand", f"S{number}"), ("heartbeat", 1)):
            topic = f"apron/v1/{demo_site().name}/aircraft/{reg}/airframe/{path}"
            yield Message(topic, json.dumps({"time": "2026-03-01T10:00:00.000Z", "value": value}).encode(), False)


def lost_in(effects: list[Effect]) -> list[PublishEvent]:
    """What was told of feeds that were lost."""
    return [e for e in effects if isinstance(e, PublishEvent) and (e.code, e.type) == ("feed-lost", "raised")]


def test_what_falls_due_at_once_is_judged_a_little_at_a_time_and_an_event_need_not_wait_for_it() -> None:
    start = parse_time("2026-03-01T10:00:00Z")
    system = System(demo_site(), answering=False)
    for message in arrivals(60):
        take_message(system, codec(), message, start)
    take_event(system, BrokerDisconnected("cut"), start + SECOND)
    take_event(system, BrokerConnected(), start + 2 * SECOND)
    later = start + 33 * SECOND
    turns = [let_time_pass(system, later, 0, dues.WORK_MAX)]
    assert system.behind
    assert (due := system.next_deadline()) is not None
    assert due <= later, "the next turn comes at once"
    message = Message(
        f"apron/v1/{demo_site().name}/aircraft/ZZ-Q59/airframe/heartbeat",
        json.dumps({"time": format_time(later), "value": 2}).encode(),
        False,
    )
    event, effects = take_message(system, codec(), message, later)
    assert isinstance(event, ReadingsArrived)
    assert system.behind, "only its own aircraft's were judged before it"
    own = lost_in(effects)
    assert [each.aircraft for each in own] == ["ZZ-Q59"]
    while system.behind:
        turns.append(let_time_pass(system, later, 0, dues.WORK_MAX))
    assert len(turns) >= 4
    lost = [*own, *(each for turn in turns for each in lost_in(turn))]
    assert {each.time for each in lost} == {start + 32 * SECOND}, "each at the moment at which it was due"
    assert len(lost) == len({each.aircraft for each in lost}) == 60


def test_what_cannot_be_judged_takes_nothing_of_its_neighbours_along(monkeypatch: pytest.MonkeyPatch) -> None:
    story = alder()
    story.until(40.0)
    system, later = story.system, story.now + 90 * SECOND
    monkeypatch.setattr(dues, "WORK_MAX", 0)
    story.send("airframe/beacon", True)
    system._push(story.now + SECOND, dues.TRAVEL, story.reg, "L1", "")
    system._push(story.now + SECOND, dues.TRAVEL, story.reg, "R1", "")
    let_time_pass(system, later, 0, 0)
    assert system.behind
    waiting = sorted(each for each in system._queue if each[0] <= later)
    assert len(waiting) >= 3
    monkeypatch.setattr(System, "_work_off", lambda *_: 1 / 0)
    message = Message(story.topic("airframe/chocks"), b'{"time": "2026-03-01T10:02:00Z", "value": true}', False)
    take_message(system, codec(), message, later)
    assert sorted(each for each in system._queue if each[0] <= later) == waiting[2:], (
        "once before the event, once with it"
    )
