"""The canary in the core: it is worked through like any door, seen by nobody, and missed when it does not come."""

from __future__ import annotations

import json

import pytest
import structlog.testing

from monitor.core import readout, snapshot
from monitor.core.effects import PublishEvent, ShowProof
from monitor.core.events import BrokerConnected, BrokerDisconnected, MonitorStarted, ProofPassed, ProofsExpected
from monitor.core.proving import PROOF, PROOF_DOOR
from monitor.core.senders import list_senders
from monitor.core.settling import Settling
from monitor.core.times import SECOND, format_time
from monitor.engine import take_message
from monitor.ports import Message
from tests.stories import START, Story, alder, codec

CODE = "proof-missed"


def started(*, expected: bool = True) -> Story:
    """A site on its own, its broker just come back."""
    story = Story()
    story.step(MonitorStarted())
    story.step(ProofsExpected(expected))
    story.step(BrokerConnected())
    return story


def lift(story: Story, seq: int, *, lifted: bool = True) -> list[object]:
    """Deliver what the service itself sends."""
    sent = codec().proof_message(story.now, seq, lifted=lifted)
    effects = take_message(story.system, codec(), Message(sent.topic, sent.payload, False), story.now)[1]
    return list(effects)


def told(story: Story) -> list[str]:
    return [event.type for event in story.events if event.code == CODE]


# Worked through, and seen by nobody


def test_a_lifted_handle_leads_to_its_proof_and_nothing_else() -> None:
    story = alder()
    before = (readout.list_aircraft(story.system, story.now), list(readout.held_places(story.system)))
    assert lift(story, 1, lifted=False) == []
    assert lift(story, 2) == [ShowProof(story.now, 2)]
    assert lift(story, 2) == [], "the same again is no other proof"
    assert lift(story, 3) == [], "it was not set down"
    assert lift(story, 4, lifted=False) == []
    assert lift(story, 5) == [ShowProof(story.now, 5)]
    assert (readout.list_aircraft(story.system, story.now), list(readout.held_places(story.system))) == before


def test_no_reader_can_find_it() -> None:
    story = alder()
    lift(story, 1)
    assert story.system.record.proof.aircraft is not None
    assert PROOF not in story.system.record.aircraft
    assert readout.describe_aircraft(story.system, PROOF, story.now) is None
    assert readout.describe_doors(story.system, PROOF, story.now) == {}
    assert [sender["aircraft"] for sender in list_senders(story.system, story.now)] == [story.reg]
    assert "(proof)" not in readout.list_types(story.system)
    assert not [place for place in story.system.trackers() if place[0] == PROOF]


def test_a_handle_left_lifted_raises_nothing_however_long() -> None:
    """Neither `unlocked-lingering` nor any silence is judged of it."""
    story = started()
    lift(story, 1)
    for _ in range(30):
        story.step(ProofPassed(1000))
        story.advance(20)
    assert story.events == []


def test_a_fault_at_the_canary_lets_nothing_of_it_out(monkeypatch: pytest.MonkeyPatch) -> None:
    story = started()
    settle = Settling.settle

    def fail(self: Settling, *arguments: object, **more: object) -> None:
        settle(self, *arguments, **more)  # type: ignore[arg-type]
        raise ZeroDivisionError("ours")

    monkeypatch.setattr(Settling, "settle", fail)
    with structlog.testing.capture_logs():
        effects = lift(story, 1)
    assert {type(effect).__name__ for effect in effects} == {"RejectInput", "RefuseCommand"}


def test_a_sender_cannot_speak_as_it() -> None:
    story = started()
    story.deliver(
        f"apron/v1/{story.site.name}/aircraft/{PROOF}/door/{PROOF_DOOR}/handle_lifted", b'{"time":1,"value":true}'
    )
    assert story.system.record.proof.aircraft is None
    assert [effect.reason for effect in story.rejected()] == ["topic"]


def test_a_foreign_instances_proof_is_no_message_of_ours() -> None:
    story = started()
    sent = codec().proof_message(story.now, 1, lifted=True)
    foreign = sent.topic.replace("stories", "another")
    story.deliver(foreign, sent.payload)
    assert story.system.record.proof.aircraft is None


def test_a_snapshot_carries_it() -> None:
    story = started()
    lift(story, 1)
    story.step(ProofPassed(41_000))
    again = snapshot.restore(snapshot.dump(story.system.record))
    assert again == story.system.record
    assert again.proof.passed_at == story.now


# Missed


def test_thirty_seconds_without_one_are_told_once_and_the_next_ends_it() -> None:
    story = started()
    story.step(ProofPassed(1000), at=10)
    story.until(39.999)
    assert told(story) == []
    story.until(40)
    assert told(story) == ["raised"]
    [alert] = [document for document in readout.list_alerts(story.system, story.now) if document["code"] == CODE]
    assert (alert["aircraft"], alert["door"], alert["role"], alert["priority"]) == ("-", "-", "ops", "warning")
    assert readout.is_active_at_site(story.system, "proof-missed")
    story.advance(600)
    assert told(story) == ["raised"]
    story.step(ProofPassed(1000))
    assert told(story) == ["raised", "cleared"]
    assert not readout.is_active_at_site(story.system, "proof-missed")


def test_proofs_that_come_are_never_missed() -> None:
    story = started()
    for turn in range(100):
        story.step(ProofPassed(1000), at=10.0 * turn)
    assert story.events == []


def test_a_start_and_a_reconnection_give_time() -> None:
    story = started()
    story.until(29.999)
    assert told(story) == []
    story.step(BrokerDisconnected("gone"))
    story.step(BrokerConnected(), at=31)
    story.until(60.999)
    assert told(story) == []
    story.until(61)
    assert told(story) == ["raised"]


def test_without_a_broker_nothing_is_missed() -> None:
    story = started()
    story.step(BrokerDisconnected("gone"), at=5)
    story.until(3600)
    assert told(story) == []


def test_a_lost_broker_silences_it_and_its_return_alone_does_not_end_it() -> None:
    story = started()
    story.until(35)
    story.step(BrokerDisconnected("gone"))
    story.until(40)
    assert told(story) == ["raised", "suppressed"]
    story.step(BrokerConnected(), at=50)
    assert told(story) == ["raised", "suppressed", "unsuppressed"]
    story.step(ProofPassed(1000), at=51)
    assert told(story)[3:] == ["cleared"]


def test_a_restart_keeps_it_until_a_proof_passes() -> None:
    story = started()
    story.step(ProofPassed(1000), at=1)
    story.until(35)
    story.step(MonitorStarted(), at=36)
    assert "cleared" not in told(story)
    story.step(BrokerConnected(), at=37)
    assert "cleared" not in told(story)
    assert readout.is_active_at_site(story.system, "proof-missed")
    story.step(ProofPassed(1000), at=38)
    assert told(story)[-1] == "cleared"


@pytest.mark.parametrize("expected", [None, False])
def test_where_no_proofs_are_sent_none_is_missed(expected: bool | None) -> None:
    """As in a replay: a capture holds none."""
    story = Story()
    if expected is not None:
        story.step(ProofsExpected(expected))
    story.step(BrokerConnected())
    story.until(3600)
    assert told(story) == []


def test_turning_proofs_off_ends_what_stands() -> None:
    story = started()
    story.until(35)
    story.step(ProofsExpected(False))
    assert told(story) == ["raised", "cleared"]


def test_how_long_is_a_threshold_as_any() -> None:
    (limit,) = {rule.parameters["after_s"] for rule in readout.CATALOGUE if rule.code == CODE}
    assert limit == 30
    story = started()
    story.until(35)
    [raised] = [effect for effect in story.effects if isinstance(effect, PublishEvent) and effect.code == CODE]
    assert raised.time == START + 30 * SECOND


@pytest.mark.parametrize(
    "reading",
    [
        {"airframe/type": "alder"},
        {"airframe/heartbeat": 5},
        {"door/P1/heartbeat": 5},
        {"door/P1/hold_open": True},
        {"door/P1/slide_released": True},
    ],
    ids=lambda reading: next(iter(reading)),
)
def test_a_strangers_reading_stops_no_proof(reading: dict[str, object]) -> None:
    story = started()
    lift(story, 1)
    body = {"time": format_time(story.now + SECOND), "seq": 2, "readings": reading}
    for retained in (False, True):
        take_message(
            story.system, codec(), Message(codec().proof_topic, json.dumps(body).encode(), retained), story.now
        )
    for seq in range(3, 23, 2):
        story.advance(10)
        lift(story, seq, lifted=False)
        assert lift(story, seq + 1) == [ShowProof(story.now, seq + 1)]
