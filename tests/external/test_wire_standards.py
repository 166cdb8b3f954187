"""What leaves the monitor against CloudEvents 1.0, RFC 3339 and MQTT 5.0 (OASIS 2019).

A long random run with people's actions in it is judged on the raw JSON bytes: the SDK of
CloudEvents fills in a missing id, so it is not used to look for one. The lifecycle is
judged on the way by the independent table of ``tests/scenarios/lifecycle.py``.
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from datetime import datetime
from functools import cache

from monitor.core import snapshot
from monitor.core.events import (
    AlertAcknowledged,
    AlertShelved,
    AlertUnacknowledged,
    AlertUnshelved,
    Command,
    DoorReset,
    PresenceDeclared,
)
from monitor.core.system import System
from monitor.ports import Outgoing
from tests.external.apron import REG, SECOND, Apron, Json
from tests.scenarios.chance import random_capture
from tests.scenarios.lifecycle import LifecycleJudge

RUNS = range(1000, 1006)
STEPS = 220


@dataclass(frozen=True)
class Run:
    """One random run: what was sent, and what its judges say."""

    sent: tuple[Outgoing, ...]
    judge: LifecycleJudge
    told: frozenset[str]
    retained_faults: tuple[str, ...]


def _act(draw: random.Random, apron: Apron) -> Command | None:
    """One person's action on something that stands, sensible or not."""
    alerts = [doc for topic, doc in sorted(apron.retained.items()) if topic.split("/")[2] == "active"]
    if not alerts:
        return None
    alert = draw.choice(alerts)
    name, until = alert["alert_id"], apron.now + draw.choice((20, 90)) * SECOND
    slides = [doc for doc in alerts if doc["code"] == "slide-deployed"]
    if slides and draw.random() < 0.2:
        # What latches is rare, and the way through it long: it is dealt with more often.
        slide = draw.choice(slides)
        return draw.choice(
            (
                AlertAcknowledged(slide["alert_id"], "mira", "seen", None),
                DoorReset(slide["aircraft"], slide["door"], "otis", "replaced"),
            )
        )
    if draw.random() < 0.06:
        presence = draw.choice(("present", "powered_down", "away"))
        return PresenceDeclared(alert["aircraft"], presence, "mira", "")
    choices: tuple[Command, ...] = (
        AlertAcknowledged(name, "mira", "seen", None),
        AlertAcknowledged(name, "mira", "seen", None),
        AlertUnacknowledged(name, "mira", "", None),
        AlertShelved(name, "otis", "known", until, None),
        AlertUnshelved(name, "otis", "", None),
        DoorReset(alert["aircraft"], alert["door"], "otis", "replaced"),
    )
    return draw.choice(choices)


def _retained_faults(apron: Apron, judge: LifecycleJudge) -> list[str]:
    """Retained exactly while an alert is not normal, and in the state that was last told."""
    told = {(subject, code): alert.state for (subject, code), alert in judge.standing.items()}
    kept = {
        (f"{doc['aircraft']}/{doc['door']}", doc["code"]): doc["state"]
        for topic, doc in apron.retained.items()
        if topic.split("/")[2] == "active"
    }
    if told == kept:
        return []
    return [f"told {set(told.items()) - set(kept.items())}, kept {set(kept.items()) - set(told.items())}"]


@cache
def runs() -> tuple[Run, ...]:
    """All runs, made once."""
    return tuple(_run(seed) for seed in RUNS)


def _run(seed: int) -> Run:
    draw, apron, judge, faults = random.Random(seed), Apron(), LifecycleJudge(), []
    judged = 0
    for number, text in enumerate(random_capture(seed, STEPS)):
        line = json.loads(text)
        at = round(datetime.fromisoformat(line["at"]).timestamp() * SECOND)
        apron.advance((at - apron.now) / SECOND)
        if "payload" in line:
            payload = b"" if line["payload"] is None else json.dumps(line["payload"]).encode()
            apron.raw(line["topic"], payload, retain=line.get("retain", False))
        if number % 12 == 11:
            # Whatever became of an aircraft, it is here again: one that is away is not judged.
            apron.command(PresenceDeclared(draw.choice(("ZZ-T00", "ZZ-T01")), "present", "mira", ""))
        if draw.random() < 0.25 and (command := _act(draw, apron)) is not None:
            apron.command(command)
        for event in apron.events[judged:]:
            judge.take(event)
        judged = len(apron.events)
        faults += [f"seed {seed}, {line['at']}: {fault}" for fault in _retained_faults(apron, judge)]
    told = frozenset(event["type"].removeprefix("sillwatch.alert.") for event in apron.events)
    return Run(tuple(apron.sent), judge, told, tuple(faults))


def test_the_runs_meet_what_they_are_to_judge() -> None:
    told = frozenset().union(*(run.told for run in runs()))
    assert told >= {
        *("raised", "reprioritised", "acknowledged", "unacknowledged", "cleared", "latched", "reset", "shelved"),
        *("unshelved", "suppressed", "unsuppressed", "reraised"),
    }
    assert sum(run.judge.seen for run in runs()) > 500


def test_the_lifecycle_is_legal_under_people_s_actions() -> None:
    assert [fault for run in runs() for fault in run.judge.faults] == []


def test_what_is_retained_is_what_was_told() -> None:
    assert [fault for run in runs() for fault in run.retained_faults] == []


def envelopes() -> list[bytes]:
    return [out.payload for run in runs() for out in run.sent if out.topic.startswith("sillwatch/v1/event/")]


def test_cloudevents_attributes_stand_in_the_raw_json() -> None:
    """CloudEvents 1.0, "REQUIRED Attributes": id, source, specversion, type; time RFC 3339; data beside them."""
    for payload in envelopes():
        event: Json = json.loads(payload.decode("utf-8"))
        assert set(event) == {"specversion", "id", "source", "type", "subject", "time", "datacontenttype", "data"}
        for name in ("id", "source", "type"):
            assert isinstance(event[name], str)
            assert event[name]
        assert event["specversion"] == "1.0"
        assert event["datacontenttype"] == "application/json"
        assert all(name.islower() and name.isalnum() and len(name) <= 20 for name in event)


def test_a_json_key_stands_once() -> None:
    """RFC 8259, section 4: names within an object should be unique; a reader may take either of two."""

    def once(pairs: list[tuple[str, object]]) -> Json:
        assert len({name for name, _ in pairs}) == len(pairs)
        return dict(pairs)

    for payload in envelopes():
        json.loads(payload, object_pairs_hook=once)


def test_source_and_id_are_told_once() -> None:
    """CloudEvents 1.0, "id": producers must ensure that source + id is unique for each distinct event."""
    assert [twin for run in runs() for twin in run.judge.twins] == []


def test_a_message_that_comes_again_raises_under_another_id() -> None:
    """Silence, the last message once more, silence: two losses of one feed, each told and each its own event."""
    apron, judge = Apron(), LifecycleJudge()
    apron.send("airframe/type", "alder")
    for _ in range(2):
        apron.raw(
            f"apron/v1/tarnwick/aircraft/{REG}/door/L1/closed", b'{"time":"2026-03-01T10:00:01Z","seq":9,"value":true}'
        )
        apron.advance(31.0)
    for event in apron.events:
        judge.take(event)
    assert apron.told("feed-lost") == ["raised", "cleared", "raised"]
    assert judge.twins == []


def test_what_withdrawals_lay_bare_has_an_id_for_each() -> None:
    """A hold-open lock that contradicts the frame is withdrawn, twice: twice the handle is what is left."""
    apron, judge = Apron(), LifecycleJudge()
    apron.park(engaged=True)
    for _ in range(2):
        apron.door("L1", handle_lifted=True, hold_open=True)
        apron.withdraw("door/L1/hold_open")
        alert = apron.alert("armed-handle-moved", "L1")
        assert alert is not None
        apron.command(AlertAcknowledged(alert["alert_id"], "mira", "", None))
        apron.door("L1", handle_lifted=False, hold_open=False)
        apron.advance(1.0)
    for event in apron.events:
        judge.take(event)
    assert judge.twins == []


def test_the_same_cause_after_a_crash_has_the_same_id() -> None:
    """A redelivery to an instance that never heard it first: equal source and id, so a reader drops the repeat."""
    ids = []
    for late in (0.0, 3.5):
        apron = Apron()
        apron.park(engaged=True)
        apron.advance(late)
        payload = b'{"time":"2026-03-01T10:00:00.5Z","seq":77,"value":true}'
        apron.raw(f"apron/v1/tarnwick/aircraft/{REG}/door/L1/handle_lifted", payload)
        ids.append([event["id"] for event in apron.events])
    assert ids[0] == ids[1]
    assert len(ids[0]) == 1


def test_what_a_person_s_action_lays_bare_has_the_same_id_after_a_restart() -> None:
    """State is restored by snapshot and the same step again: the ids that follow are the same."""
    ids = []
    for restarted in (False, True):
        apron = Apron()
        apron.park()
        apron.command(PresenceDeclared(REG, "powered_down", "mira", ""))
        apron.door("CB", closed=False, latched=False, locked=False, handle_lifted=True, access="platform")
        apron.airframe(engine_1_running=True)
        if restarted:
            apron.system = System(apron.site, snapshot.restore(snapshot.dump(apron.system.record)))
        apron.command(PresenceDeclared(REG, "present", "mira", ""))
        ids.append([(event["data"]["code"], event["id"]) for event in apron.events])
    assert [code for code, _ in ids[0]] == ["open-engine-running"]
    assert ids[0] == ids[1]


def test_topics_are_fit_for_mqtt() -> None:
    """MQTT 5.0, 4.7.1, 4.7.3 and 1.5.4: no wildcard and no U+0000 in a name, UTF-8, at most 65,535 bytes; 4.7.2: no $."""
    topics = {out.topic for run in runs() for out in run.sent}
    assert len(topics) > 100
    for topic in topics:
        assert not set(topic) & set("+#\0")
        assert 0 < len(topic.encode("utf-8")) <= 65_535
        assert topic.split("/")[:2] == ["sillwatch", "v1"]
        assert all(topic.split("/"))


def test_states_are_retained_and_events_are_not() -> None:
    """3.3.1.3: an empty retained payload deletes what was retained; an event must never be replayed as news."""
    kinds = {"door": True, "active": True, "readiness": True, "procedure": True, "event": False}
    emptied = 0
    for run in runs():
        for out in run.sent:
            assert out.retain is kinds[out.topic.split("/")[2]]
            emptied += not out.payload
            assert out.payload or out.retain
            assert len(out.payload) < 64 * 1024
    assert emptied


def test_subscriptions_are_legal_filters() -> None:
    """4.7.1: # stands last and alone in its level, + alone in its level; one filter, since overlaps may repeat."""
    wire = Apron().wire
    assert len(wire.input_filters()) == 1
    for topic_filter in (*wire.input_filters(), *wire.output_filters()):
        levels = topic_filter.split("/")
        assert "#" not in "".join(levels[:-1])
        assert all(level in ("+", "#") or not set(level) & set("+#") for level in levels)


def test_an_instant_of_the_wire_is_an_rfc_3339_time_in_utc() -> None:
    """RFC 3339, 5.6, on every time that leaves, in every document (ISO 8601 knows forms that it does not)."""
    times = 0
    for run in runs():
        for out in run.sent:
            stack = [json.loads(out.payload)] if out.payload else []
            while stack:
                document = stack.pop()
                items = document.items() if isinstance(document, dict) else enumerate(document)
                for key, value in items:
                    if isinstance(value, (dict, list)):
                        stack.append(value)
                    elif value is not None and (key in ("time", "since") or str(key).endswith(("_at", "_until"))):
                        assert isinstance(value, str)
                        assert value.endswith("Z")
                        assert datetime.fromisoformat(value).utcoffset() is not None
                        assert value[10] == "T"
                        times += 1
    assert times > 1000


def test_the_system_never_waits_for_the_past() -> None:
    """A deadline that has passed has been judged: what is due next is ahead of the clock."""
    apron = Apron()
    apron.park(engaged=True)
    apron.send("door/L1/outside_handle_lifted", True)
    for _ in range(40):
        apron.advance(1.0)
        due = System.next_deadline(apron.system)
        assert due is None or due > apron.now
