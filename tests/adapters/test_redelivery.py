"""What the broker delivers again is taken once, and acknowledged as often as it comes."""

from __future__ import annotations

from monitor.adapters.redelivery import Redeliveries
from monitor.ports import Entry, Message, settle_nothing

FIRST = Message("apron/v1/x/aircraft/ZZ-1/door/L1/closed", b'{"value": true}', False)
AGAIN = FIRST._replace(again=True)


class Settled:
    """Who was acknowledged, in order."""

    def __init__(self) -> None:
        self.names: list[str] = []

    def __call__(self, name: str) -> object:
        return lambda: self.names.append(name)


def test_what_was_durable_is_acknowledged_at_once_and_not_taken() -> None:
    settled, redeliveries = Settled(), Redeliveries(4)
    durable = redeliveries.follow(FIRST, settled("first"))
    assert durable is not None
    durable()
    assert redeliveries.follow(AGAIN, settled("again")) is None
    assert settled.names == ["first", "again"]
    assert redeliveries.again == 1


def test_what_still_waits_for_the_disk_is_acknowledged_with_it() -> None:
    settled, redeliveries = Settled(), Redeliveries(4)
    durable = redeliveries.follow(FIRST, settled("first"))
    assert durable is not None
    assert redeliveries.follow(AGAIN, settled("again")) is None
    assert settled.names == []
    durable()
    assert settled.names == ["first", "again"]


def test_what_the_journal_holds_from_before_the_start_is_not_taken_again() -> None:
    settled, redeliveries = Settled(), Redeliveries(4)
    redeliveries.recall(
        [Entry(1, 0, "monitor-started", "", b"{}", False), Entry(2, 0, "message", FIRST.topic, FIRST.payload, False)]
    )
    assert redeliveries.follow(AGAIN, settled("again")) is None
    assert settled.names == ["again"]


def test_after_a_start_the_same_bytes_need_not_say_that_they_come_again() -> None:
    settled, redeliveries = Settled(), Redeliveries(4)
    withdrawn = FIRST._replace(payload=b"")
    redeliveries.recall(
        Entry(number, 0, "message", message.topic, message.payload, False)
        for number, message in enumerate((FIRST, withdrawn), 1)
    )
    assert redeliveries.follow(FIRST, settled("again")) is None
    assert redeliveries.follow(withdrawn, settled("withdrawn once more")) is not None
    assert redeliveries.follow(FIRST._replace(retained=True), settled("retained")) is not None
    assert settled.names == ["again"]


def test_a_sender_that_repeats_itself_is_left_to_the_core() -> None:
    settled, redeliveries = Settled(), Redeliveries(4)
    for name in ("one", "two"):
        durable = redeliveries.follow(FIRST, settled(name))
        assert durable is not None
        durable()
    assert settled.names == ["one", "two"]
    assert redeliveries.again == 0


def test_a_delivery_that_we_never_had_is_taken_although_it_comes_again() -> None:
    settled, redeliveries = Settled(), Redeliveries(4)
    assert redeliveries.follow(AGAIN, settled("again")) is not None
    assert settled.names == []


def test_no_more_is_remembered_than_can_be_in_flight() -> None:
    settled, redeliveries = Settled(), Redeliveries(2)
    for topic in ("a", "b", "c"):
        durable = redeliveries.follow(Message(topic, b"", False), settled(topic))
        assert durable is not None
        durable()
    assert redeliveries.follow(Message("c", b"", False, True), settled("c again")) is None
    assert redeliveries.follow(Message("a", b"", False, True), settled("a again")) is not None


def test_what_was_only_retained_is_another_delivery_than_what_comes_live() -> None:
    settled, redeliveries = Settled(), Redeliveries(4)
    redeliveries.recall([Entry(1, 0, "message", FIRST.topic, FIRST.payload, True)])
    assert redeliveries.follow(FIRST, settled("live")) is not None
    assert redeliveries.follow(AGAIN, settled("again")) is None
    assert redeliveries.follow(AGAIN._replace(retained=True), settled("retained again")) is None
    assert settled.names == ["retained again"]


def test_behind_a_disk_that_stands_still_what_comes_again_and_again_does_not_pile_up() -> None:
    settled, redeliveries = Settled(), Redeliveries(4)
    durable = redeliveries.follow(FIRST, settled("first"))
    assert durable is not None
    for number in range(1000):
        assert redeliveries.follow(AGAIN, settled(f"again {number}")) is None
    durable()
    assert settled.names[0] == "first"
    assert settled.names[-1] == "again 999", "the last is the one that the broker goes by"
    assert len(settled.names) < 5


def test_what_has_no_acknowledgement_is_passed_through_as_it_is() -> None:
    redeliveries = Redeliveries(2)
    assert redeliveries.follow(FIRST, settle_nothing) is settle_nothing
